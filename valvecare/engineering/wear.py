"""What to do with a worn part: reuse, lap, replace, or cannot decide. With what is left.

The order of the questions is fixed: severe damage, missing measurement, minimum thickness, depth,
contact ring. A value equal to its limit is allowed.
"""

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.engineering.plausible_mechanics import (
    require_count,
    require_length,
    require_plausible,
)
from valvecare.engineering.working import Quantity, Reason, in_words

EQUAL_M: Final = 1e-9  # a nanometre: below any gauge, above rounding of the sums
EQUAL_SHARE: Final = 1e-9


class Decision(StrEnum):
    """Decision on a part."""

    REUSE = "reuse"
    LAP = "lap"
    REPLACE = "replace"
    CANNOT_DECIDE = "cannot decide"


class Damage(StrEnum):
    """Kinds of damage that can be recorded on a part."""

    CRACK = "crack"
    FRACTURE = "fracture"
    MISSING_PIECE = "missing piece"
    FULL_WIDTH_EROSION = "full-width erosion"
    BENT = "bent"
    THREAD_DAMAGE = "thread damage"
    CORROSION_PIT = "corrosion pit"
    HEAT_COLOUR = "heat colour"
    COIL_CLASH = "coil clash mark"
    BROKEN_END = "broken end"
    PITTING = "pitting"
    GROOVE = "groove"
    WIRE_DRAWING = "wire-drawing"
    SCORING = "scoring"
    GALLING = "galling"
    CAVITATION = "cavitation"
    EROSION = "erosion"
    DEPOSIT = "deposit"


SEVERE: Final = frozenset(
    {
        Damage.CRACK,
        Damage.FRACTURE,
        Damage.MISSING_PIECE,
        Damage.FULL_WIDTH_EROSION,
        Damage.BENT,
        Damage.THREAD_DAMAGE,
    }
)
SEVERE_ON_SPRING: Final = SEVERE | {
    Damage.CORROSION_PIT,
    Damage.PITTING,
    Damage.HEAT_COLOUR,
    Damage.COIL_CLASH,
    Damage.BROKEN_END,
}
SEVERE_ON_GUIDE: Final = SEVERE | {Damage.GALLING}


class WorseWhen(StrEnum):
    """Which way a measured value gets worse."""

    HIGHER = "higher"
    LOWER = "lower"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatMeasurement:
    """What was measured on a seat face. None means not measured: then nothing is decided."""

    thickness_m: float | None
    damage_depth_m: float | None
    contact_ring_complete: bool | None
    laps_done: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatLimits:
    """Part data: limits of a seat face."""

    thickness_min_m: float | None
    reuse_depth_m: float | None
    overcut_m: float | None
    max_per_event_m: float | None
    max_laps: int | None


@dataclass(frozen=True, slots=True)
class Disposition:
    """The decision on a part, and everything a page needs to show the working.

    `remaining` is what is left to the limit after the decision, in `unit`; None if unknown. With
    'lap' it is provisional until the part is measured again.
    """

    decision: Decision
    remaining: float | None
    unit: str
    is_provisional: bool
    blocks_close_up: bool
    inputs: tuple[Quantity, ...]
    steps: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def _kinds(kinds: Collection[str] | None) -> tuple[Damage, ...]:
    if kinds is None or isinstance(kinds, str):
        raise OutOfRange("kinds", kinds, "a list of kinds of damage, empty if none was seen")
    try:
        return tuple(Damage(kind) for kind in kinds)
    except ValueError as unknown:
        raise OutOfRange(
            "kinds",
            str(list(kinds)),
            "only known kinds of damage: " + ", ".join(Damage),
            "an unknown kind is never ignored",
        ) from unknown


def _severe_reason(severe: Collection[Damage]) -> Reason:
    words = ", ".join(sorted(severe))
    text = f"Severe damage ({words}) goes before any measurement: replace."
    if Damage.MISSING_PIECE in severe:
        text += " Find the missing piece before the valve is closed."
    return Reason("severe_damage", text)


def seat_disposition(
    measured: SeatMeasurement, limits: SeatLimits, *, kinds: Collection[str]
) -> Disposition:
    """Decide on a seat face: reuse, lap, replace or cannot decide; with the metal left, m.

    Parameters
    ----------
    measured : thickness (m), damage depth (m), contact ring complete, laps done; None if not
        measured
    limits : part data: minimum thickness, reuse depth, overcut, most per event (m), most laps
    kinds : kinds of damage seen, from `Damage`; empty if none

    Returns
    -------
    Disposition : remaining = thickness - minimum, after lapping less depth and overcut, m

    Raises
    ------
    OutOfRange : a given number is not finite or outside its range; an unknown kind of damage

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Own rule set on common practice; limits are part data. Lapping practice: US Navy training
    texts (seen).

    Examples
    --------
    8.00 mm thick, at least 7.50, damage 0.10, overcut 0.02: lap, 0.38 mm left.

    >>> result = seat_disposition(
    ...     SeatMeasurement(thickness_m=0.008, damage_depth_m=0.0001, contact_ring_complete=True,
    ...                     laps_done=0),
    ...     SeatLimits(thickness_min_m=0.0075, reuse_depth_m=0.00002, overcut_m=0.00002,
    ...                max_per_event_m=0.0003, max_laps=3), kinds=[])
    >>> result.decision.value, round(result.remaining * 1e3, 3), result.is_provisional
    ('lap', 0.38, True)
    """
    seen = _kinds(kinds)
    thickness = _given("thickness_m", measured.thickness_m, "thickness_m")
    depth = _measured_depth(measured.damage_depth_m)
    ring = measured.contact_ring_complete
    if ring is not None and not isinstance(ring, bool):
        raise OutOfRange("contact_ring_complete", str(ring), "yes, no or not looked at")
    laps = _given_count("laps_done", measured.laps_done)
    least = _given("thickness_m", limits.thickness_min_m, "thickness_min_m")
    reuse_depth = _given("wear_limit_m", limits.reuse_depth_m, "reuse_depth_m")
    overcut = _given("wear_limit_m", limits.overcut_m, "overcut_m")
    per_event = _given("wear_limit_m", limits.max_per_event_m, "max_per_event_m")
    most_laps = _given_count("max_laps", limits.max_laps)
    inputs = (
        Quantity("thickness_m", thickness, "m", "measured"),
        Quantity("damage_depth_m", depth, "m", "measured, deepest place"),
        Quantity("contact_ring_complete", ring, "", "seen with blue"),
        Quantity("laps_done", laps, "", "part record"),
        Quantity("thickness_min_m", least, "m", "part data"),
        Quantity("reuse_depth_m", reuse_depth, "m", "part data"),
        Quantity("overcut_m", overcut, "m", "part data"),
        Quantity("max_per_event_m", per_event, "m", "part data"),
        Quantity("max_laps", most_laps, "", "part data"),
        Quantity("kinds", ", ".join(seen) or "none", "", "seen"),
    )
    now = None if thickness is None or least is None else thickness - least
    if severe := SEVERE.intersection(seen):
        return _disposition(Decision.REPLACE, now, "m", inputs, (_severe_reason(severe),))
    if (
        now is None
        or depth is None
        or ring is None
        or laps is None
        or reuse_depth is None
        or overcut is None
        or per_event is None
        or most_laps is None
    ):
        missing = [item.name for item in inputs if item.value is None]
        return _cannot_decide(missing, inputs, "m")
    return _judge_seat(
        now, depth, reuse_depth, overcut, per_event, laps, most_laps, ring=ring, inputs=inputs
    )


def _judge_seat(
    now: float,
    depth: float,
    reuse_depth: float,
    overcut: float,
    per_event: float,
    laps: int,
    most_laps: int,
    *,
    ring: bool,
    inputs: tuple[Quantity, ...],
) -> Disposition:
    cut = depth + overcut
    after = now - cut
    steps = (
        Quantity("left now", now, "m", "thickness - minimum"),
        Quantity("cut if lapped", cut, "m", "depth + overcut"),
        Quantity("left if lapped", after, "m", "thickness - cut - minimum"),
    )
    if now < -EQUAL_M:
        reason = Reason(
            "below_minimum", f"{-now * 1e3:.3g} mm under the minimum thickness: replace."
        )
        return _disposition(Decision.REPLACE, now, "m", inputs, (reason,), steps)
    if depth <= reuse_depth + EQUAL_M and ring:
        reason = Reason(
            "within_reuse_depth",
            f"Depth {depth * 1e3:.3g} mm is within {reuse_depth * 1e3:.3g} mm and the contact ring "
            "is complete.",
        )
        return _disposition(Decision.REUSE, now, "m", inputs, (reason,), steps)
    refusals = []
    if cut > per_event + EQUAL_M:
        refusals.append(
            Reason(
                "too_deep",
                f"Lapping would take {cut * 1e3:.3g} mm; at most "
                f"{per_event * 1e3:.3g} mm in one event.",
            )
        )
    if after < -EQUAL_M:
        refusals.append(
            Reason("too_thin", f"Lapping would leave it {-after * 1e3:.3g} mm under the minimum.")
        )
    if laps >= most_laps:
        refusals.append(
            Reason("laps_used", f"It was lapped {laps} times; at most {most_laps} are allowed.")
        )
    if refusals:
        return _disposition(Decision.REPLACE, now, "m", inputs, tuple(refusals), steps)
    why = (
        f"Depth {depth * 1e3:.3g} mm is more than {reuse_depth * 1e3:.3g} mm"
        if depth > reuse_depth + EQUAL_M
        else "The contact ring is not complete"
    )
    reason = Reason(
        "can_be_lapped",
        f"{why}; lapping takes {cut * 1e3:.3g} mm and leaves {after * 1e3:.3g} mm to the minimum. "
        "Measure again after lapping: until then this is provisional.",
    )
    return _disposition(Decision.LAP, after, "m", inputs, (reason,), steps)


def limit_disposition(
    measured: float | None,
    *,
    limit: float | None,
    worse_when: WorseWhen,
    unit: str,
    kinds: Collection[str],
    severe: Collection[Damage],
) -> Disposition:
    """Decide on a part with one measured value and one limit: reuse, replace or cannot decide.

    For guide clearance, lost motion, preload loss, share of open holes, wall thickness.

    Parameters
    ----------
    measured : the value, m (0, or 1e-6 and more) or a share (-1 to 1); None if not measured
    limit : part data in the same unit; None if not on record. Lengths that get worse upwards:
        1e-6 to 0.02 m, downwards: 5e-4 to 0.5 m; shares: 0.001 to 1
    worse_when : `WorseWhen`: whether the value gets worse upwards or downwards
    unit : "m" for lengths, "" for shares of one
    kinds : kinds of damage seen, from `Damage`
    severe : kinds that go before the measurement on this part, for example `SEVERE_ON_SPRING`

    Returns
    -------
    Disposition : remaining = distance to the limit, in `unit`; equality is allowed

    Raises
    ------
    OutOfRange : a given number is not finite or outside its range; an unknown kind of damage

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Common practice; limits are part data.

    Examples
    --------
    Guide clearance 0.31 mm, limit 0.45 mm:

    >>> result = limit_disposition(0.00031, limit=0.00045, worse_when=WorseWhen.HIGHER, unit="m",
    ...                            kinds=[], severe=SEVERE_ON_GUIDE)
    >>> result.decision.value, round(result.remaining * 1e3, 2)
    ('reuse', 0.14)
    """
    seen = _kinds(kinds)
    if unit not in ("m", ""):
        raise OutOfRange("unit", unit, "'m' or '' (a share)")
    sense = WorseWhen(worse_when)
    low, high = (1e-6, 0.02) if sense == WorseWhen.HIGHER else (5e-4, 0.5)
    if not unit:
        low, high = 1e-3, 1.0
    bound = None
    if limit is not None:
        why = "part data in metres" if unit else "a share of one, not per cent"
        bound = require_between("limit", limit, at_least=low, at_most=high, why=why)
    value = None
    if measured is not None and unit:
        value = require_length("measured", measured, at_most=high)
    elif measured is not None:
        value = require_between("measured", measured, at_least=-1.0, at_most=1.0, why="a share")
    inputs = (
        Quantity("measured", value, unit, "measured"),
        Quantity("limit", bound, unit, "part data"),
        Quantity("worse when", sense.value, "", "part data"),
        Quantity("kinds", ", ".join(seen) or "none", "", "seen"),
    )
    if found := frozenset(severe).intersection(seen):
        return _disposition(Decision.REPLACE, None, unit, inputs, (_severe_reason(found),))
    if value is None or bound is None:
        missing = [n for n, v in (("measured", value), ("limit", bound)) if v is None]
        return _cannot_decide(missing, inputs, unit)
    shown = f"Measured {in_words(value, unit)}, limit {in_words(bound, unit)}"
    left = bound - value if sense == WorseWhen.HIGHER else value - bound
    steps = (Quantity("left to the limit", left, unit, "distance from measured to limit"),)
    if left >= -(EQUAL_M if unit else EQUAL_SHARE):
        reason = Reason("within_limit", f"{shown}: within the limit.")
        return _disposition(Decision.REUSE, left, unit, inputs, (reason,), steps)
    reason = Reason("beyond_limit", f"{shown}: beyond the limit, replace.")
    return _disposition(Decision.REPLACE, left, unit, inputs, (reason,), steps)


def seal_disposition() -> Disposition:
    """Decide on a seal, ring or gasket that was taken out: always replace.

    Returns
    -------
    Disposition : replace

    Assumptions
    -----------
    None.

    Source
    ------
    US Navy MO-209 and an extract of ASME PCC-1:2000 (both seen): packing and gaskets are not
    reused.

    Examples
    --------
    >>> seal_disposition().decision.value
    'replace'
    """
    reason = Reason("always_new", "Seals, rings and gaskets that were taken out are always new.")
    return _disposition(Decision.REPLACE, None, "", (), (reason,))


def _given(kind: str, value: object, name: str) -> float | None:
    return None if value is None else require_plausible(kind, value, name)


def _measured_depth(value: object) -> float | None:
    return None if value is None else require_length("damage_depth_m", value, at_most=0.05)


def _given_count(name: str, value: object) -> int | None:
    if value is None:
        return None
    return require_count(name, value, at_least=0, at_most=50, why="a number of lappings")


def _cannot_decide(
    missing: Collection[str], inputs: tuple[Quantity, ...], unit: str
) -> Disposition:
    reasons = tuple(
        Reason(
            f"{name}_missing",
            f"{name} is missing: measure it or take it from the part data. "
            "The valve cannot be closed before that.",
        )
        for name in missing
    )
    return _disposition(Decision.CANNOT_DECIDE, None, unit, inputs, reasons)


def _disposition(
    decision: Decision,
    remaining: float | None,
    unit: str,
    inputs: tuple[Quantity, ...],
    reasons: tuple[Reason, ...],
    steps: tuple[Quantity, ...] = (),
) -> Disposition:
    return Disposition(
        decision=decision,
        remaining=remaining,
        unit=unit,
        is_provisional=decision == Decision.LAP,
        blocks_close_up=decision == Decision.CANNOT_DECIDE,
        inputs=inputs,
        steps=steps,
        reasons=reasons,
        assumptions=(
            "Measured with a gauge in calibration; the deepest place counts.",
            "Limits are those of this part and revision.",
        ),
        cautions=cautions_for("part_disposition"),
    )
