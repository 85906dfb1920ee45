"""What each quantity is measured in, and how a unit is accepted."""

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from valvecare.core.errors import Reason
from valvecare.engineering.counters import RUN_HOURS_CEILING_PER_HOUR
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.units import UNITS, factor_offset, from_si
from valvecare.readings.rules.words import Quantity, SeriesKind


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


@lru_cache(maxsize=256)
def lowest_possible(quantity: Quantity, unit: str) -> float:
    """Absolute zero or perfect vacuum in the series' unit; minus infinity where there is none."""
    kind = unit_kind(quantity, unit)
    if kind == "temperature":
        return from_si(kind, unit, -273.15)
    return 0.0 if kind == "pressure_absolute" else -np.inf
