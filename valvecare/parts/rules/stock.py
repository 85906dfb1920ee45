"""What may be done with the stock: reserving, issuing, returning, counting, building in."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from valvecare.core.errors import Reason
from valvecare.parts.rules.fits import shelf_life
from valvecare.parts.rules.words import CountState

MOST_PIECES = 100_000


def why_not_quantity(quantity: int) -> Reason | None:
    if 1 <= quantity <= MOST_PIECES:
        return None
    return Reason(
        "quantity_not_sane",
        f"{quantity} is not a quantity.",
        f"Give a whole number from 1 to {MOST_PIECES}.",
    )


def why_not_said(words: str, *, code: str, what: str) -> Reason | None:
    """A statement that must not be empty."""
    if words.strip():
        return None
    return Reason(code, f"{what} is missing.", "A plain sentence will do.")


def not_available(lot: str, *, wanted: int, on_hand: int, reserved: int) -> Reason:
    """Available is on hand less reserved."""
    return Reason(
        "not_available",
        f"{wanted} of lot {lot} asked, {max(on_hand - reserved, 0)} available: {on_hand} on hand, "
        f"{reserved} reserved.",
        "Take another lot, wait for a purchase, or let a reservation be released.",
        {"wanted": wanted, "on_hand": on_hand, "reserved": reserved},
    )


def why_not_receive(
    *,
    has_shelf_life: bool,
    shelf_until: date | None,
    cured_on: date | None,
    longest_until: date,
    today: date,
    has_serial: bool,
    serials: Sequence[str],
    quantity: int,
    known_serials: Collection[str],
    is_accepted: bool,
    words: str,
) -> Reason | None:
    """A receipt says until when rubber may be used, and names every serial number once.

    longest_until: the last day of a piece cured on the day given, or else today.
    """
    if cured_on is not None and cured_on > today:
        return Reason(
            "cured_in_the_future",
            f"It cannot have been cured on {cured_on.isoformat()}: that day has not come.",
            "Read the cure date again.",
        )
    if has_shelf_life and shelf_until is None:
        return Reason(
            "shelf_life_not_known",
            "This has rubber, but no last day of use is given.",
            "Read cure date or packing, and give the day.",
        )
    if has_shelf_life and shelf_until is not None and shelf_until > longest_until:
        return Reason(
            "shelf_life_too_long",
            f"It cannot be good until {shelf_until.isoformat()}: {longest_until.isoformat()} at "
            "most.",
            "Read cure date or packing again, or let the engineer correct the shelf life of the "
            "part number.",
        )
    if is_accepted and shelf_until is not None and shelf_until < today:
        return Reason(
            "expired_on_receipt",
            f"Its shelf life ended on {shelf_until.isoformat()}.",
            "Send it back, or receive it into quarantine.",
        )
    if not has_serial and serials:
        return Reason(
            "no_serials_here",
            "Pieces of this number carry no serial number.",
            "Leave the serial numbers out.",
        )
    if has_serial and (len(set(serials)) != len(serials) or len(serials) != quantity):
        return Reason(
            "serials_incomplete",
            f"{quantity} pieces need {quantity} different serial numbers, {len(set(serials))} "
            "given.",
            "Read each piece.",
        )
    twice = sorted(set(serials) & set(known_serials))
    if twice:
        return Reason(
            "serial_known_already",
            f"Serial {', '.join(twice)} is in the stock already.",
            "Read the piece again.",
            {"serials": twice},
        )
    if not is_accepted and not words.strip():
        return Reason(
            "check_without_words",
            "A receiving check that fails says what was wrong.",
            "Say what was measured or missing.",
        )
    return None


def why_not_return(
    *, issued: int, quantity: int, is_kit: bool, is_whole: bool, missing: Sequence[str],
    part_codes: Collection[str],
) -> Reason | None:  # fmt: skip
    """Only what was issued comes back; a kit that is not whole says what is missing."""
    if quantity > issued:
        return Reason(
            "more_than_issued",
            f"{quantity} come back, but {issued} of this lot are out for this order.",
            "Check lot and order.",
            {"issued": issued, "quantity": quantity},
        )
    if is_whole and missing:
        return Reason(
            "whole_and_missing",
            "A kit cannot be whole and lack a part.",
            "Say 'not whole', or leave the list empty.",
        )
    if is_kit and not is_whole and not missing:
        return Reason(
            "missing_not_listed",
            "A kit that is not whole must list what is missing.",
            f"Its parts are: {', '.join(sorted(part_codes)) or 'not listed yet'}.",
        )
    strange = sorted(set(missing) - set(part_codes))
    if is_kit and strange:
        return Reason(
            "not_in_kit",
            f"{', '.join(strange)} is no part of this kit.",
            f"Its parts are: {', '.join(sorted(part_codes))}.",
        )
    return None


def why_not_approve_count(state: str, *, counted_by: int | None, approver: int) -> Reason | None:
    """A difference is approved by somebody who did not count."""
    if state != CountState.COUNTED:
        return Reason(
            "wrong_state",
            f"This count is '{state}'.",
            "Every line must be counted first." if state == CountState.COUNTING else "It is done.",
        )
    if counted_by == approver:
        return Reason(
            "second_person",
            "Who counted cannot approve the difference.",
            "Let a second person approve it.",
        )
    return None


@dataclass(frozen=True, slots=True)
class SpareFacts:
    """One line 'built in' against what the store knows. Codes and serials as read at the valve."""

    place: str
    """The part of the valve that was replaced; empty: nothing judged 'replace'."""
    name: str
    serial: str
    lot: str
    is_in_catalogue: bool
    is_kit: bool
    places: Collection[str]
    """The parts of a valve this number, or the lines of this kit, can stand for."""
    has_serial: bool
    has_shelf_life: bool
    lot_is_known: bool
    shelf_until: date | None
    is_quarantined: bool
    is_whole: bool
    issued: int
    quantity: int
    serial_owner: str
    """Part number under which this serial was received; empty: never received."""
    fitted_in: str
    """Tag of the valve in which this serial lives now; empty: in none."""


def why_not_built_in(spare: SpareFacts, *, job_on: date) -> Reason | None:
    """No closing with a spare nobody can identify."""
    what = f"{spare.name} for the {spare.place}" if spare.place else spare.name
    if not spare.is_in_catalogue:
        return Reason(
            "part_number_not_known",
            f"'{spare.name}' is no part number or kit of the store.",
            "Read the number on the packing, or let the storekeeper enter it.",
        )
    if spare.place and spare.place not in spare.places:
        able = ", ".join(sorted(spare.places)) or "nothing that is judged"
        return Reason(
            "part_of_another_place",
            f"{spare.name} is no {spare.place}: it stands for {able}.",
            f"Name the part number of the new {spare.place}.",
        )
    if not spare.lot and not (spare.has_serial and spare.serial):
        return Reason(
            "spare_not_identified",
            f"{what} has neither lot nor serial number.",
            "Read it from the packing or the piece.",
        )
    return _why_not_serial(spare, what) or _why_not_lot(spare, what, job_on)


def _why_not_serial(spare: SpareFacts, what: str) -> Reason | None:
    if not spare.has_serial:
        return None
    if not spare.serial:
        return Reason(
            "serial_missing",
            f"{what} carries a serial number, none is given.",
            "Read it from the piece.",
        )
    if spare.serial_owner and spare.serial_owner != spare.name:
        return Reason(
            "serial_of_another_part",
            f"Serial {spare.serial} belongs to {spare.serial_owner}, not to {spare.name}.",
            "Read the piece again.",
            {"serial": spare.serial, "belongs_to": spare.serial_owner},
        )
    if not spare.serial_owner:
        return Reason(
            "serial_never_received",
            f"Serial {spare.serial} of {spare.name} never came into the store.",
            "Let the storekeeper receive it with its receiving check.",
        )
    if spare.fitted_in:
        return Reason(
            "serial_already_fitted",
            f"Serial {spare.serial} of {spare.name} is fitted in {spare.fitted_in}.",
            "Read the piece again, or record that it was taken out there.",
            {"serial": spare.serial, "valve": spare.fitted_in},
        )
    return None


def _why_not_lot(spare: SpareFacts, what: str, job_on: date) -> Reason | None:
    if not spare.lot_is_known:
        return Reason(
            "lot_not_known",
            f"Lot {spare.lot} of {spare.name} is not in a store of this site.",
            "Read the lot again, or let the storekeeper receive it.",
        )
    if spare.has_shelf_life:
        found = shelf_life(spare.lot, spare.shelf_until, job_on=job_on, margin_days=0)
        if found:
            _, code, words, remedy = found[0]
            code = "lot_expired" if code == "expired_before_job" else code
            return Reason(code, words, remedy, {"lot": spare.lot})
    if spare.is_quarantined or not spare.is_whole:
        return Reason(
            "lot_quarantined",
            f"Lot {spare.lot} of {spare.name} is in quarantine.",
            "Take another lot, or have this one judged.",
        )
    if spare.issued < spare.quantity:
        return Reason(
            "never_issued",
            f"{spare.quantity} of {what}, lot {spare.lot}, but {spare.issued} issued for this "
            "order.",
            "Let the storekeeper issue it for this order.",
            {"issued": spare.issued, "quantity": spare.quantity},
        )
    return None
