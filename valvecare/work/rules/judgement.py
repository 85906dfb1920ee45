"""The rule's word on a part: what is measured, the design's limits, and what follows from them.

The engineering rules decide; here the parts get their measurements and their limits.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.core.errors import Reason, Refused
from valvecare.engineering.errors import Refusal
from valvecare.engineering.springs import preload_loss_from_set
from valvecare.engineering.wear import (
    SEVERE,
    SEVERE_ON_GUIDE,
    SEVERE_ON_SPRING,
    Damage,
    Disposition,
    SeatLimits,
    SeatMeasurement,
    WorseWhen,
    limit_disposition,
    seal_disposition,
    seat_disposition,
)
from valvecare.work.rules.words import PartDecision, PartName

RULE_VERSION: Final = "1"

DATUM_M: Final = 0.010
"""Seats are reckoned from a plane 10 mm under the last face the design allows: only the
difference of thickness and minimum is used, and that is total removal less removed so far."""

LAPS_NOT_COUNTED: Final = 50
"""The register limits lapping by the metal removed in all, not by a number of times."""

AFTER_LAPPING: Final = (
    "Metal is gone from a seat: measure the spring's preload and the timing of the bypass again."
)


class Measured(StrEnum):
    """Quantities measured on parts."""

    SEAT_DEPTH = "depth of the damage"
    METAL_REMOVED = "metal removed before"
    CONTACT_RING = "contact ring unbroken"
    CLEARANCE = "clearance of the guide"
    FREE_LENGTH = "free length of the spring"
    LOST_MOTION = "lost motion at the bypass"
    HOLES_OPEN = "holes open"


class Stage(StrEnum):
    """When it was measured: before or after the work."""

    AS_FOUND = "as found"
    AS_LEFT = "as left"


UNITS: Final[Mapping[Measured, str]] = {
    Measured.SEAT_DEPTH: "mm",
    Measured.METAL_REMOVED: "mm",
    Measured.CONTACT_RING: "1 yes, 0 no",
    Measured.CLEARANCE: "mm",
    Measured.FREE_LENGTH: "mm",
    Measured.LOST_MOTION: "mm",
    Measured.HOLES_OPEN: "holes",
}
READ_FROM_A_GAUGE: Final = frozenset(
    {Measured.SEAT_DEPTH, Measured.CLEARANCE, Measured.FREE_LENGTH, Measured.LOST_MOTION}
)
"""Seen, counted or taken from the part's record: the others need no gauge."""

_SEAT = (Measured.SEAT_DEPTH, Measured.METAL_REMOVED, Measured.CONTACT_RING)
_P = PartName
_SEATS = frozenset(
    {_P.MAIN_DISC, _P.BODY_SEAT, _P.DISC_SEAT, _P.CONTACT_RING, _P.BYPASS_TRIM, _P.BYPASS_PLUG}
)
_GUIDES = frozenset({_P.DISC_GUIDE, _P.GUIDE_BUSH, _P.DISC_STEM})
_LEVERS = frozenset({_P.ACTUATING_LEVER, _P.LEVER_PIN, _P.LEVER_BUSH})
_SEALS = frozenset({_P.COVER_GASKET, _P.SEAL_RING, _P.O_RING})


@dataclass(frozen=True, slots=True)
class PartLimits:
    """The design's part data that rules need, mm and shares; None where not on record."""

    reuse_depth_mm: float | None = None
    lap_overcut_mm: float | None = None
    removal_per_event_mm: float | None = None
    removal_total_mm: float | None = None
    guide_clearance_limit_mm: float | None = None
    lever_lost_motion_limit_mm: float | None = None
    spring_free_length_mm: float | None = None
    spring_fitted_length_mm: float | None = None
    preload_loss_limit_share: float | None = None
    bushing_holes: int | None = None
    holes_open_limit_share: float | None = None
    source: str = "not known"

    def all_of(self, *names: str) -> bool:
        return all(getattr(self, name) is not None for name in names)


@dataclass(frozen=True, slots=True)
class Judged:
    """What the rule says of one part, and what it would need to say more."""

    decision: PartDecision
    words: str
    missing: tuple[Measured, ...] = ()
    has_limit: bool = True


def measures_of(part: PartName, limits: PartLimits) -> tuple[Measured, ...]:
    """What is measured on this part; empty where the design holds no limit to judge it by."""
    if part in _SEATS:
        known = limits.all_of(
            "reuse_depth_mm", "lap_overcut_mm", "removal_per_event_mm", "removal_total_mm"
        )
        return _SEAT if known else ()
    if part in _GUIDES:
        return (Measured.CLEARANCE,) if limits.all_of("guide_clearance_limit_mm") else ()
    if part in _LEVERS:
        return (Measured.LOST_MOTION,) if limits.all_of("lever_lost_motion_limit_mm") else ()
    if part is _P.CLOSING_SPRING:
        known = limits.all_of(
            "spring_free_length_mm", "spring_fitted_length_mm", "preload_loss_limit_share"
        )
        return (Measured.FREE_LENGTH,) if known else ()
    if part is _P.BREAKING_BUSHING:
        known = limits.all_of("bushing_holes", "holes_open_limit_share")
        return (Measured.HOLES_OPEN,) if known else ()
    return ()


def limit_words(quantity: Measured, limits: PartLimits) -> str:
    """The limit as shown beside the field, before anything is sent."""
    found = {
        Measured.SEAT_DEPTH: f"reuse to {limits.reuse_depth_mm} mm with an unbroken ring; "
        f"lapping takes {limits.lap_overcut_mm} mm more, at most "
        f"{limits.removal_per_event_mm} mm at a time",
        Measured.METAL_REMOVED: f"at most {limits.removal_total_mm} mm in all; "
        "from the part's record",
        Measured.CONTACT_RING: "seen with blue: unbroken all round",
        Measured.CLEARANCE: f"at most {limits.guide_clearance_limit_mm} mm",
        Measured.LOST_MOTION: f"at most {limits.lever_lost_motion_limit_mm} mm",
        Measured.FREE_LENGTH: "at least "
        f"{_shortest(limits)} mm (new {limits.spring_free_length_mm} mm)",
        Measured.HOLES_OPEN: f"of {limits.bushing_holes}, at least "
        f"{(limits.holes_open_limit_share or 0) * 100:g} %",
    }[quantity]
    return f"{found}. Source: {limits.source}."


def _shortest(limits: PartLimits) -> str:
    free, fitted = limits.spring_free_length_mm or 0.0, limits.spring_fitted_length_mm or 0.0
    shortest = free - (limits.preload_loss_limit_share or 0.0) * (free - fitted)
    return f"{shortest:.5g}"


def _m(value: float | None) -> float | None:
    return None if value is None else value / 1000


def _seat(
    seen: Mapping[Measured, float], limits: PartLimits, kinds: Collection[str]
) -> Disposition:
    removed, ring = seen.get(Measured.METAL_REMOVED), seen.get(Measured.CONTACT_RING)
    thickness = None
    if removed is not None and limits.removal_total_mm is not None:
        if removed < 0:
            raise Refused(_insane("Metal removed before cannot be negative."))
        thickness = DATUM_M + (limits.removal_total_mm - removed) / 1000
    return seat_disposition(
        SeatMeasurement(
            thickness_m=thickness,
            damage_depth_m=_m(seen.get(Measured.SEAT_DEPTH)),
            contact_ring_complete=None if ring is None else bool(ring),
            laps_done=0,
        ),
        SeatLimits(
            thickness_min_m=DATUM_M,
            reuse_depth_m=_m(limits.reuse_depth_mm),
            overcut_m=_m(limits.lap_overcut_mm),
            max_per_event_m=_m(limits.removal_per_event_mm),
            max_laps=LAPS_NOT_COUNTED,
        ),
        kinds=kinds,
    )


def _spring(
    seen: Mapping[Measured, float], limits: PartLimits, kinds: Collection[str]
) -> Disposition:
    length, loss = seen.get(Measured.FREE_LENGTH), None
    free, fitted = limits.spring_free_length_mm, limits.spring_fitted_length_mm
    if length is not None and free is not None and fitted is not None:
        # a spring no longer than its fitted length presses no more: the whole preload is lost
        loss = 1.0
        if length > fitted:
            loss = preload_loss_from_set(
                nominal_m=free / 1000, measured_m=length / 1000, installed_m=fitted / 1000
            )
    return limit_disposition(
        loss,
        limit=limits.preload_loss_limit_share,
        worse_when=WorseWhen.HIGHER,
        unit="",
        kinds=kinds,
        severe=SEVERE_ON_SPRING,
    )


def _holes(
    seen: Mapping[Measured, float], limits: PartLimits, kinds: Collection[str]
) -> Disposition:
    count, total, share = seen.get(Measured.HOLES_OPEN), limits.bushing_holes, None
    if count is not None and total:
        if not 0 <= count <= total or count != int(count):
            raise Refused(_insane(f"The bushing has {total} holes; give a whole number of them."))
        share = count / total
    return limit_disposition(
        share,
        limit=limits.holes_open_limit_share,
        worse_when=WorseWhen.LOWER,
        unit="",
        kinds=kinds,
        severe=SEVERE,
    )


def _one(
    value: float | None, limit: float | None, kinds: Collection[str], severe: Collection[Damage]
) -> Disposition:
    return limit_disposition(
        _m(value),
        limit=_m(limit),
        worse_when=WorseWhen.HIGHER,
        unit="m",
        kinds=kinds,
        severe=severe,
    )


def _dispose(
    part: PartName, seen: Mapping[Measured, float], limits: PartLimits, kinds: Collection[str]
) -> Disposition:
    if part in _SEALS:
        return seal_disposition()
    if part in _SEATS:
        return _seat(seen, limits, kinds)
    if part is _P.CLOSING_SPRING:
        return _spring(seen, limits, kinds)
    if part is _P.BREAKING_BUSHING:
        return _holes(seen, limits, kinds)
    if part in _GUIDES:
        value, limit = seen.get(Measured.CLEARANCE), limits.guide_clearance_limit_mm
        return _one(value, limit, kinds, SEVERE_ON_GUIDE)
    limit = limits.lever_lost_motion_limit_mm if part in _LEVERS else None
    return _one(seen.get(Measured.LOST_MOTION), limit, kinds, SEVERE)


def _insane(words: str) -> Reason:
    return Reason("insane_measure", words, "Measure again and give the value in the unit asked.")


def judge_part(
    part: PartName,
    seen: Mapping[Measured, float],
    limits: PartLimits,
    *,
    kinds: Collection[str] = (),
) -> Judged:
    """What the rule says. Severe damage first, then what is missing, then the limits.

    `seen` in the units of `UNITS`. Raises `Refused` where a value cannot be true.
    """
    wanted = measures_of(part, limits)
    strange = sorted(quantity for quantity in seen if quantity not in wanted)
    if strange:
        raise Refused(
            Reason(
                "not_measured_here",
                f"The {part} is not judged by: {', '.join(strange)}.",
                f"It is judged by: {', '.join(wanted) or 'no limit known'}.",
            )
        )
    ring = seen.get(Measured.CONTACT_RING)
    if ring is not None and ring not in (0, 1):
        raise Refused(_insane("The contact ring is unbroken (1) or not (0)."))
    try:
        found = _dispose(part, seen, limits, kinds)
    except Refusal as error:
        raise Refused(_insane(str(error))) from None
    decision = PartDecision(found.decision.value)
    if decision is not PartDecision.CANNOT_DECIDE:
        return Judged(decision, " ".join(reason.text for reason in found.reasons))
    missing = tuple(quantity for quantity in wanted if quantity not in seen)
    if not wanted:
        return Judged(decision, "Cannot decide: no limit known for this part.", (), False)
    return Judged(decision, f"Cannot decide: not measured: {', '.join(missing)}.", missing)


_ROUGH = {PartDecision.REUSE: 0, PartDecision.LAP: 1, PartDecision.REPLACE: 2}


def is_softer(decision: PartDecision, computed: PartDecision) -> bool:
    """True when the decision asks for less than the rule does."""
    return decision in _ROUGH and computed in _ROUGH and _ROUGH[decision] < _ROUGH[computed]


def differs(decision: PartDecision, judged: Judged) -> bool:
    """True when rule and person both decide, and not the same."""
    return decision in _ROUGH and judged.decision in _ROUGH and decision is not judged.decision


def why_not_agree(decision: PartDecision | None, judged: Judged, *, because: str) -> Reason | None:
    """A part is not judged fit without its measure; another word than the rule's has a why."""
    if decision in (PartDecision.REUSE, PartDecision.LAP) and judged.missing:
        return Reason(
            "measurement_missing",
            f"Not measured: {', '.join(judged.missing)}. Without it this part is not judged fit.",
            "Measure it, or say 'replace', 'cannot decide' or 'not checked, because …'.",
            {"missing": [str(quantity) for quantity in judged.missing]},
        )
    if decision is not None and differs(decision, judged) and not because.strip():
        return Reason(
            "rule_says_otherwise",
            f"The rule says '{judged.decision}': {judged.words}",
            "Follow it, or say 'I do not agree, because …'; the engineer will see it.",
            {"rule": judged.decision.value, "given": decision.value},
        )
    return None


def why_not_stage(stage: Stage, *, latest: PartDecision | None) -> Reason | None:
    """'As left' follows a part that was lapped."""
    if stage is Stage.AS_LEFT and latest is not PartDecision.LAP:
        return Reason(
            "not_lapped",
            "Only a part that was to be lapped is measured 'as left'.",
            "Record it 'as found'.",
        )
    return None
