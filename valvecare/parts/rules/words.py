"""Closed word lists of parts."""

from enum import StrEnum


class FitWord(StrEnum):
    """Does this kit fit this valve on that day? 'unknown' blocks like 'does not fit'."""

    FITS = "fits"
    WITH_NOTE = "fits with note"
    DOES_NOT_FIT = "does not fit"
    UNKNOWN = "unknown"


class KitUse(StrEnum):
    """When a kit is wanted: gaskets and rings always, a spring or trim only when found worn."""

    EVERY_STRIP_DOWN = "every strip-down"
    WHEN_WORN = "when found worn"


class PartsSheet(StrEnum):
    """Sheets of an import file of the store, in the order in which they are read."""

    PART_NUMBERS = "part numbers"
    KITS = "kits"
    KIT_LINES = "kit lines"
    STORES = "stores"
    BINS = "bins"
    LOTS = "lots"


class MovementKind(StrEnum):
    """Why the quantity of a lot changed. A wrong line is put right by another line."""

    RECEIVED = "received"
    ISSUED = "issued"
    RETURNED = "returned"
    SCRAPPED = "scrapped"
    COUNTED = "counted"
    QUARANTINED = "quarantined"
    BROKEN_UP = "broken up"


class ReservationState(StrEnum):
    OPEN = "open"
    SETTLED = "settled"
    RELEASED = "released"


class PurchaseState(StrEnum):
    ASKED = "asked"
    RECEIVED = "received"
    DROPPED = "dropped"


class CountState(StrEnum):
    COUNTING = "counting"
    COUNTED = "counted"
    APPROVED = "approved"
    REJECTED = "rejected"


class OfferKind(StrEnum):
    """What can be done about a shortage."""

    ORDER = "order"
    EXPRESS = "express order"
    NEXT_WINDOW = "keep the restriction until the next window, with a signature"


class LotState(StrEnum):
    """How a lot stands today."""

    GOOD = "on the shelf"
    EXPIRING = "expiring"
    EXPIRED = "expired"
    QUARANTINED = "in quarantine"
    EMPTY = "empty"


class NeedState(StrEnum):
    """Where a wanted kit stands."""

    ISSUED = "issued"
    KEPT = "kept"
    ON_SHELF = "on the shelf"
    ON_ITS_WAY = "on its way"
    SHORT = "short"
    NO_KIT = "no kit listed"


ANY_MEDIUM = "any"
"""The word in a kit's list of media that leaves nothing out."""

KINDS_THAT_NEED_A_KIT = frozenset({"strip-down", "sister inspection", "corrective"})
"""Kinds of work that open the cover: new gaskets and rings, always."""
