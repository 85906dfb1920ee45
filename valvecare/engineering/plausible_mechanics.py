"""Plausibility windows of mechanical inputs: one table, so that a unit slip is refused by name.

A range is wider than any protection valve needs, and narrower than a factor of a thousand around
common values wherever the trade allows it: millimetres given as metres, or bar as pascal, do not
pass. The ranges are common practice, not limits of a standard; a limit of a part or joint is
register data and is checked where it is used.
"""

from collections.abc import Mapping
from typing import Final

from valvecare.engineering.errors import OutOfRange, require_between, require_number
from valvecare.engineering.plausible import Window


def _between(low: float, high: float, why: str) -> Window:
    return Window(why, at_least=low, at_most=high)


LEAST_LENGTH_M: Final = 1e-6

_THREAD = "metric fasteners of covers and flanges; check the unit"
_LENGTH = "a length of a valve part in metres; check the unit"
_FORCE = "a force of a bolt or spring in newtons; check the unit"
_PRESSURE = "a pressure in pascal; check the unit"
_SHARE = "a share of one, not per cent"

RANGES: Final[Mapping[str, Window]] = {
    # bolts
    "diameter_m": _between(0.004, 0.160, _THREAD),
    "pitch_m": _between(0.0004, 0.008, _THREAD),
    "bearing_outside_m": _between(0.006, 0.300, _THREAD),
    "hole_m": _between(0.004, 0.200, _THREAD),
    "yield_strength_pa": _between(150e6, 1500e6, "bolt steels, in pascal; check the unit"),
    "friction": _between(0.04, 0.60, "friction of thread and nut; from the lubricant record"),
    "k_factor": _between(0.05, 0.50, "nut factors seen are 0.10 to 0.30; see the lubricant"),
    "utilisation": _between(0.05, 1.0, _SHARE),
    "uncertainty": _between(0.01, 0.60, "scatter of the tightening method; " + _SHARE),
    "tightening_factor": _between(1.01, 4.0, "largest over smallest preload"),
    "relaxation": _between(0.0, 0.5, _SHARE),
    "preload_n": _between(100.0, 5e6, _FORCE),
    "torque_nm": _between(0.5, 50_000.0, "a tightening torque in newton metres; check the unit"),
    "bolt_stress_pa": _between(5e6, 1500e6, "a stress of a bolt in pascal; check the unit"),
    "wrench_low_nm": _between(0.2, 50_000.0, "the range of a torque wrench in newton metres"),
    "wrench_step_nm": _between(0.01, 100.0, "the scale step of a torque wrench in newton metres"),
    # gaskets
    "gasket_diameter_m": _between(0.010, 5.0, _LENGTH),
    "gasket_width_m": _between(0.0005, 0.200, _LENGTH),
    "gasket_area_m2": _between(1e-4, 1.0, "a gasket contact area in square metres; check the unit"),
    "gasket_stress_pa": _between(0.5e6, 600e6, "a gasket stress in pascal; check the unit"),
    "gasket_yield_pa": _between(0.0, 300e6, "the seating factor y in pascal; check the unit"),
    "gasket_factor": _between(0.0, 10.0, "gasket factors m seen are 0 to 6.5"),
    "pressure_pa": _between(0.0, 1e8, _PRESSURE),
    # springs
    "shear_modulus_pa": _between(20e9, 100e9, "spring materials, in pascal; check the unit"),
    "wire_m": _between(0.0002, 0.100, _LENGTH),
    "coil_m": _between(0.001, 1.0, _LENGTH),
    "coils": _between(0.5, 200.0, "a number of coils"),
    "spring_index": _between(2.0, 40.0, "mean coil diameter over wire diameter"),
    "rate_n_per_m": _between(100.0, 5e6, "a spring rate in newtons per metre; check the unit"),
    "spring_length_m": _between(0.002, 5.0, _LENGTH),
    "spring_force_n": _between(0.0, 1e6, _FORCE),
    "seat_m": _between(0.005, 2.0, _LENGTH),
    "travel_m": _between(0.0, 2.0, _LENGTH),
    "margin_m": _between(0.001, 0.200, _LENGTH),
    # lifting
    "mass_kg": _between(0.05, 20_000.0, "the mass of a part in kilograms; check the unit"),
    "hand_mass_kg": _between(0.1, 60.0, "a mass limit for lifting by hand in kilograms"),
    "density_kg_per_m3": _between(1000.0, 20_000.0, "metals, in kilograms per cubic metre"),
    "cover_m": _between(0.02, 5.0, _LENGTH),
    "thickness_m": _between(0.0001, 1.0, _LENGTH),
    # wear
    "wear_limit_m": _between(1e-6, 0.010, "a wear limit in metres; check the unit"),
    "clearance_m": _between(1e-6, 0.020, "a clearance in metres; check the unit"),
    "hours": _between(0.0, 1e6, "running hours"),
    # leakage
    "dn": _between(6.0, 2000.0, "a nominal size DN (millimetres, a plain number)"),
    "nps": _between(0.25, 24.0, "a nominal pipe size in inches; above 24 by agreement only"),
    "drops": _between(0.0, 100_000.0, "counted drops"),
    "drop_volume_m3": _between(1e-8, 5e-7, "one drop; 16 to the millilitre is the convention"),
    "seconds": _between(5.0, 86_400.0, "the length of a leak test in seconds"),
    "leak_rate_m3_per_s": _between(0.0, 1e-2, "a seat leak in cubic metres per second"),
    "leak_difference_pa": _between(100.0, 1e8, _PRESSURE),
    "temperature_degc": _between(-200.0, 700.0, "degrees Celsius; check the unit"),
}


def require_plausible(kind: str, value: object, name: str = "") -> float:
    """Return `value` as a float inside the plausible range of `kind`; refuse by name otherwise.

    `name` is the argument as the caller knows it, if it differs from `kind`.
    """
    return RANGES[kind].check(name or kind, value)


def require_length(name: str, value: object, *, at_most: float) -> float:
    """Return a measured length in m: zero, or one micrometre and more; refuse by name otherwise.

    Nothing in a workshop measures less than a micrometre: it is a unit slip.
    """
    length = require_between(name, value, at_least=0.0, at_most=at_most, why="metres, not mm")
    if 0.0 < length < LEAST_LENGTH_M:
        raise OutOfRange(name, length, "zero or at least 1e-06", "metres; check the unit")
    return length


def require_count(name: str, value: object, *, at_least: int, at_most: int, why: str) -> int:
    """Return `value` as a whole number inside the stated range; refuse by name otherwise."""
    number = require_between(name, value, at_least=at_least, at_most=at_most, why=why)
    if number != int(number):
        raise OutOfRange(name, number, "a whole number", why)
    return int(number)


def require_text(name: str, value: object, why: str) -> str:
    """Return `value` as non-empty text; refuse by name otherwise."""
    if not isinstance(value, str) or not value.strip():
        raise OutOfRange(name, value, "given", why)
    return value.strip()


def require_flag(name: str, value: object, why: str) -> bool:
    """Return a plain yes or no; refuse None and anything else by name."""
    if not isinstance(value, bool):
        raise OutOfRange(name, value, "yes or no", why)
    return value


def require_member(name: str, value: object, allowed: tuple[str, ...], why: str) -> str:
    """Return `value` if it is one of `allowed`; refuse by name otherwise. No near matches."""
    if not isinstance(value, str) or value not in allowed:
        raise OutOfRange(name, value, "one of " + ", ".join(allowed), why)
    return str(value)


def require_below(name: str, value: object, other_name: str, other: float) -> float:
    """Return `value` if it is below `other`; refuse by name, naming both, otherwise."""
    number = require_number(name, value)
    if not number < other:
        raise OutOfRange(name, number, f"below {other_name} ({other:g})")
    return number
