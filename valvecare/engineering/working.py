"""The parts a 'show the working' page is made of: quantities, reasons, checks. Data only."""

from dataclasses import dataclass


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


def at_most(name: str, value: float, limit: float, unit: str, otherwise: str) -> Check:
    """Check that `value` does not pass `limit`; `otherwise` says what a failure means and helps."""
    passed = value <= limit * (1 + 1e-9)
    words = "within the limit" if passed else otherwise
    text = f"{name}: {value:.4g} {unit}, at most {limit:.4g}: {words}."
    return Check(name, value, limit, unit, passed, text)


def at_least(name: str, value: float, limit: float, unit: str, otherwise: str) -> Check:
    """Check that `value` reaches `limit`; `otherwise` says what a failure means and what helps."""
    passed = value >= limit * (1 - 1e-9)
    words = "enough" if passed else otherwise
    text = f"{name}: {value:.4g} {unit}, at least {limit:.4g}: {words}."
    return Check(name, value, limit, unit, passed, text)
