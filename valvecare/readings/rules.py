"""Closed word lists of readings, what each quantity is measured in, and how a unit is accepted."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import IntEnum, StrEnum
from functools import lru_cache
from types import MappingProxyType
from typing import Annotated, Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.core.errors import Reason
from valvecare.engineering.counter_series import counter_series, stray_points
from valvecare.engineering.counters import (
    FIRST_LOST,
    RUN_HOURS_CEILING_PER_HOUR,
    MeterReplacement,
    segment_increments,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.units import UNITS, factor_offset, from_si

US_PER_S = 1_000_000
US_PER_DAY = 86_400 * US_PER_S
MICRO = 1_000_000
"""Totals are added up in whole millionths of the series' unit, so that no order can matter."""

EARLIEST_US = 631_152_000 * US_PER_S
"""1990-01-01: a clock that lost its time shows an earlier date."""

LATEST_US = 4_102_444_800 * US_PER_S
"""2100-01-01: beyond any run of the software, and below the limit of every date type."""

COUNTER_MOST = 9.0e9
"""Counters stay below this, so that whole millionths are exact in a double (2**53)."""

GAUGE_MOST = 1.0e8
"""Gauges stay below this on either side, so that a day's sum fits 64 bits."""


Tag = Annotated[str, msgspec.Meta(min_length=1, max_length=80)]


class SeriesKind(StrEnum):
    COUNTER = "counter"
    GAUGE = "gauge"


class Quantity(StrEnum):
    RUN_HOURS = "run hours"
    STARTS = "starts"
    BYPASS_TEMPERATURE = "bypass line temperature"
    INLET_TEMPERATURE = "inlet temperature"
    AMBIENT_TEMPERATURE = "ambient temperature"
    SUCTION_PRESSURE = "suction pressure"
    DISCHARGE_PRESSURE = "discharge pressure"
    MAIN_FLOW = "main flow"
    BYPASS_FLOW = "bypass flow"
    POWER = "power"
    VIBRATION = "vibration"
    REVERSE_SPEED = "reverse speed"
    STRAINER_DIFFERENCE = "strainer difference"
    VESSEL_LEVEL = "vessel level"


class Quality(IntEnum):
    """As the source says. Bad readings are kept and shown, and count for nothing."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2

    @property
    def word(self) -> str:
        return self.name.lower()


QUALITY_BY_WORD: Mapping[str, int] = MappingProxyType({q.word: int(q) for q in Quality})


class RowStatus(StrEnum):
    """What became of one pushed row."""

    CREATED = "created"
    DUPLICATE = "duplicate"
    CONFLICT = "conflict"
    REJECTED = "rejected"
    SET_ASIDE = "set aside"


class MeterEventKind(StrEnum):
    REPLACED = "replaced"
    ROLLOVER = "rollover"


class SetAsideState(StrEnum):
    WAITING = "waiting"
    ACCEPTED = "accepted"
    DISMISSED = "dismissed"


class PlantEventKind(StrEnum):
    """Things a plant system or person reports that matter to the valve's condition."""

    REVERSE_ROTATION = "reverse rotation"
    TRIP = "trip"
    LOSS_OF_SUCTION = "loss of suction"
    WATER_HAMMER = "water hammer"
    LOW_LOAD = "low load"


class Doubt(StrEnum):
    """Why a series is doubtful."""

    FROZEN = "frozen"
    SPIKES = "spikes"
    MISSING = "missing"
    SWAPPED = "swapped"
    UNIT_DRIFT = "unit_drift"
    CLOCK = "clock_trouble"
    JUMP = "jump"
    LOST = "lost_segment"


class Measured(NamedTuple):
    """Counter or gauge, and the kinds of unit a quantity may be kept in."""

    kind: SeriesKind
    unit_kinds: tuple[str, ...]


_PRESSURES = ("pressure_gauge", "pressure_absolute")
MEASURED: Mapping[Quantity, Measured] = MappingProxyType(
    {
        Quantity.RUN_HOURS: Measured(SeriesKind.COUNTER, ("run_time",)),
        Quantity.STARTS: Measured(SeriesKind.COUNTER, ("count",)),
        Quantity.BYPASS_TEMPERATURE: Measured(SeriesKind.GAUGE, ("temperature",)),
        Quantity.INLET_TEMPERATURE: Measured(SeriesKind.GAUGE, ("temperature",)),
        Quantity.AMBIENT_TEMPERATURE: Measured(SeriesKind.GAUGE, ("temperature",)),
        Quantity.SUCTION_PRESSURE: Measured(SeriesKind.GAUGE, _PRESSURES),
        Quantity.DISCHARGE_PRESSURE: Measured(SeriesKind.GAUGE, _PRESSURES),
        Quantity.MAIN_FLOW: Measured(SeriesKind.GAUGE, ("volume_flow",)),
        Quantity.BYPASS_FLOW: Measured(SeriesKind.GAUGE, ("volume_flow",)),
        Quantity.POWER: Measured(SeriesKind.GAUGE, ("power",)),
        Quantity.VIBRATION: Measured(SeriesKind.GAUGE, ("vibration_velocity",)),
        Quantity.REVERSE_SPEED: Measured(SeriesKind.GAUGE, ("rotational_speed",)),
        Quantity.STRAINER_DIFFERENCE: Measured(SeriesKind.GAUGE, ("pressure_difference",)),
        Quantity.VESSEL_LEVEL: Measured(SeriesKind.GAUGE, ("level",)),
    }
)

_UNIT_ALIASES = MappingProxyType({"starts": "1", "barg": "bar_g", "bara": "bar_a"})
"""Further spellings that plant systems send and that can be read in one way only."""


class Conversion(NamedTuple):
    """stored = value * factor + offset; `is_same`: the value is kept to the last bit."""

    factor: float
    offset: float
    is_same: bool


@lru_cache(maxsize=1024)
def unit_kind(quantity: Quantity, unit: str) -> str | None:
    """The one kind of unit `unit` belongs to for this quantity; None when there is not one.

    'bar' alone is neither gauge nor absolute, so it has no kind for a pressure.
    """
    unit = _UNIT_ALIASES.get(unit, unit)
    kinds = []
    for kind in MEASURED[quantity].unit_kinds:
        try:
            factor_offset(kind, unit)
        except OutOfRange:
            continue
        kinds.append(kind)
    return kinds[0] if len(kinds) == 1 else None


@lru_cache(maxsize=4096)
def conversion(quantity: Quantity, stored_unit: str, given_unit: str) -> Conversion | Reason:
    """How a value in `given_unit` becomes one in the series' unit, or why it cannot be read."""
    if given_unit == stored_unit:
        return Conversion(1.0, 0.0, True)
    kind = unit_kind(quantity, stored_unit)
    if kind is None:  # a series cannot be stored like this; kept for safety
        return Reason("unknown_unit", f"The series' own unit {stored_unit!r} is not known.")
    given = _UNIT_ALIASES.get(given_unit, given_unit)
    if unit_kind(quantity, given) == kind:
        (factor, offset), (own_factor, own_offset) = (
            factor_offset(kind, given),
            factor_offset(kind, _UNIT_ALIASES.get(stored_unit, stored_unit)),
        )
        if (factor, offset) == (own_factor, own_offset):
            return Conversion(1.0, 0.0, True)
        return Conversion(factor / own_factor, (offset - own_offset) / own_factor, False)
    if given in UNITS.get(kind, {}) and kind in _PRESSURES:
        return Reason(
            "unit_not_stated",
            f"{given_unit!r} does not say gauge or absolute; the series is kept in {stored_unit}.",
            f"Send the unit as {given}_g or {given}_a; nothing is assumed.",
        )
    return Reason(
        "unit_mismatch",
        f"{given_unit!r} is not a unit of {quantity.value} in {stored_unit}.",
        f"Send the value in {stored_unit} or in a unit of {kind.replace('_', ' ')}: "
        f"{', '.join(UNITS[kind])}.",
    )


def ceiling_per_hour(quantity: Quantity, max_starts_per_hour: float | None) -> float:
    """The most a counter can gain in an hour, in its unit: 1.02 h, or the stated starts."""
    if quantity is Quantity.STARTS:
        if max_starts_per_hour is None:
            raise OutOfRange("max_starts_per_hour", None, "given for a starts counter")
        return max_starts_per_hour
    return RUN_HOURS_CEILING_PER_HOUR


class Row(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """One pushed reading as it arrives. Decoding checks the types, `push_readings` the rest."""

    series: Tag
    at: Annotated[datetime, msgspec.Meta(tz=True)]
    value: float
    unit: Annotated[str, msgspec.Meta(max_length=16)]
    quality: Literal["good", "uncertain", "bad"] = "good"
    site: Annotated[str, msgspec.Meta(max_length=12)] | None = None
    source_key: Annotated[str, msgspec.Meta(max_length=80)] | None = None


class Judged(NamedTuple):
    """Segments judged: `kind` indexes `SEGMENT_KINDS`; gains in millionths, 0 where lost."""

    kind: NDArray[np.int8]
    gain_micro: NDArray[np.int64]
    is_lost: NDArray[np.bool_]


class MeterChange(NamedTuple):
    """A declared replacement or roll-over as the segment rule needs it."""

    at_us: int
    closing_value: float
    opening_value: float


def whole_micro(values: ArrayLike) -> NDArray[np.float64]:
    """Values in whole millionths of their unit, still as doubles (exact below 2**53)."""
    return np.rint(np.asarray(values, dtype=np.float64) * MICRO)


def judge_segments(
    from_us: NDArray[np.int64],
    to_us: NDArray[np.int64],
    from_value: NDArray[np.float64],
    to_value: NDArray[np.float64],
    *,
    resolution: NDArray[np.float64],
    ceiling: NDArray[np.float64],
    modulus: NDArray[np.float64],
    changes: Mapping[int, Sequence[MeterChange]],
) -> Judged:
    """What each segment of a counter adds, in whole millionths, so that sums have no order.

    `changes` names the segments that touch declared meter changes (both ends included); which
    of two segments a change at the very instant of a reading belongs to is decided by
    `counter_series`, the one place that knows.
    """
    elapsed_s = (to_us - from_us) / US_PER_S
    start, end = whole_micro(from_value), whole_micro(to_value)
    step, most, top = resolution * MICRO, ceiling * MICRO, whole_micro(modulus)
    found = segment_increments(
        elapsed_s, start, end, resolution=step, ceiling_per_hour=most, modulus=top
    )
    kind, gain = found.kind.copy(), found.gain.copy()
    for index, items in changes.items():
        one = counter_series(
            [0.0, float(elapsed_s[index])],
            [float(start[index]), float(end[index])],
            resolution=float(step[index]),
            ceiling_per_hour=float(most[index]),
            modulus=None if np.isnan(top[index]) else float(top[index]),
            replacements=_replacements(items, int(from_us[index])),
        )
        kind[index], gain[index] = one.segments.kind[0], one.segments.gain[0]
    return Judged(kind, np.rint(gain).astype(np.int64), kind >= FIRST_LOST)


def stray_readings(
    at_us: Sequence[int],
    value: Sequence[float],
    *,
    resolution: float,
    ceiling: float,
    modulus: float | None,
    changes: Sequence[MeterChange],
) -> list[bool]:
    """Which of a counter's neighbouring readings break both their segments: see `stray_points`."""
    first = at_us[0]
    flags = stray_points(
        [(us - first) / US_PER_S for us in at_us],
        whole_micro(value),
        resolution=resolution * MICRO,
        ceiling_per_hour=ceiling * MICRO,
        modulus=None if modulus is None else modulus * MICRO,
        replacements=_replacements([c for c in changes if c.at_us >= first], first),
    )
    return [bool(flag) for flag in flags]


def _replacements(changes: Sequence[MeterChange], origin_us: int) -> list[MeterReplacement]:
    return [
        MeterReplacement(
            (change.at_us - origin_us) / US_PER_S,
            float(whole_micro(change.closing_value)),
            float(whole_micro(change.opening_value)),
        )
        for change in changes
    ]


@lru_cache(maxsize=256)
def lowest_possible(quantity: Quantity, unit: str) -> float:
    """Absolute zero or perfect vacuum in the series' unit; minus infinity where there is none."""
    kind = unit_kind(quantity, unit)
    if kind == "temperature":
        return from_si(kind, unit, -273.15)
    return 0.0 if kind == "pressure_absolute" else -np.inf


def why_not_declare(
    *, is_counter: bool, event_us: int, earliest_us: int, latest_us: int
) -> Reason | None:
    """May a meter event be declared for this series at this instant?"""
    if not is_counter:
        return Reason("not_a_counter", "Only counters have meter events.")
    if event_us < earliest_us:
        return Reason("time_too_old", "The time lies before 1990.", "Give the true time.")
    if event_us > latest_us:
        return Reason(
            "future_time", "The time lies in the future.", "Declare it when it has happened."
        )
    return None


def why_not_plant_event(
    *, pumps: int, kind: str, event_at: datetime, latest: datetime, duration_s: float | None
) -> Reason | None:
    """May a reported event be stored? `pumps`: how many pumps its tag names."""
    if pumps == 0:
        return Reason(
            "unknown_pump", "No pump of this tag is known at your sites.", "Add it first."
        )
    if pumps > 1:
        return Reason(
            "ambiguous_pump", "This tag names more than one pump.", "Name the site of the event."
        )
    if event_at > latest:
        return Reason("future_time", "The time lies in the future.", "Set the sender's clock.")
    if event_at.timestamp() * US_PER_S < EARLIEST_US:
        return Reason("time_too_old", "The time lies before 1990.", "Set the sender's clock.")
    if kind == PlantEventKind.LOW_LOAD.value and duration_s is None:
        return Reason("missing_duration_s", "Low load needs its duration.", "Send duration_s.")
    return None
