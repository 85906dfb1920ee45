"""The parts a 'show the working' page is made of: quantities, reasons, checks. No physics."""

from dataclasses import dataclass
from typing import Final

_SHOWN: Final = {"N": (1e-3, "kN"), "Pa": (1e-6, "MPa"), "m": (1e3, "mm")}


@dataclass(frozen=True, slots=True)
class Quantity:
    """One named value of a calculation.

    `unit` is the SI unit in words a page can print ("" for a plain number or a word); `how` is the
    formula or the place the value came from.
    """

    name: str
    value: float | int | str | bool | None
    unit: str = ""
    how: str = ""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a verdict is what it is. `code` is stable, `text` says what, why and what would help."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison of a calculated value with its limit. Equal to the limit passes."""

    name: str
    value: float
    limit: float
    unit: str
    passed: bool
    text: str


def in_words(value: float, unit: str) -> str:
    """Return a value in the unit a workshop reads: N as kN, Pa as MPa, m as mm; others as is."""
    factor, shown = _SHOWN.get(unit, (1.0, unit))
    return f"{value * factor:.4g} {shown}".rstrip()


def at_most(name: str, value: float, limit: float, unit: str, otherwise: str) -> Check:
    """Check that `value` does not pass `limit`; `otherwise` says what a failure means and helps."""
    passed = value <= limit * (1 + 1e-9)
    words = "within the limit" if passed else otherwise
    text = f"{name}: {in_words(value, unit)}, at most {in_words(limit, unit)}: {words}."
    return Check(name, value, limit, unit, passed, text)


def at_least(name: str, value: float, limit: float, unit: str, otherwise: str) -> Check:
    """Check that `value` reaches `limit`; `otherwise` says what a failure means and what helps."""
    passed = value >= limit * (1 - 1e-9)
    words = "enough" if passed else otherwise
    text = f"{name}: {in_words(value, unit)}, at least {in_words(limit, unit)}: {words}."
    return Check(name, value, limit, unit, passed, text)
