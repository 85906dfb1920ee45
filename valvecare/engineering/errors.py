"""The three ways a calculation refuses. All are `ValueError`s with data a page or API can show."""

from collections.abc import Sequence
from math import isfinite
from typing import Any


class Refusal(ValueError):
    """A calculation that cannot honestly be done. `code` is stable, `as_dict` is JSON-ready."""

    code = "refused"

    def as_dict(self) -> dict[str, Any]:
        return {"code": self.code, "detail": str(self)}


class OutOfRange(Refusal):
    """One input is missing, not finite or outside what the formula is valid for.

    Parameters
    ----------
    name : the input as the caller knows it, unit included (for example `head_m`)
    value : what was given
    allowed : the allowed range in words, for example "above 0 and below 1"
    why : why the formula needs that, and what would make it pass
    """

    code = "out_of_range"

    def __init__(self, name: str, value: object, allowed: str, why: str = "") -> None:
        self.name, self.value, self.allowed, self.why = name, value, allowed, why
        tail = f" ({why})" if why else ""
        super().__init__(f"{name} is {value!r}; it must be {allowed}{tail}.")

    def as_dict(self) -> dict[str, Any]:
        return {
            **super().as_dict(),
            "input": self.name,
            "value": None
            if isinstance(self.value, float) and not isfinite(self.value)
            else self.value
            if isinstance(self.value, (str, int, float, bool))
            else None,
            "allowed": self.allowed,
        }


class NoSolution(Refusal):
    """The inputs are sane but nothing satisfies them, for example a limit that is never met."""

    code = "no_solution"

    def __init__(self, why: str, bracket: Sequence[float] = ()) -> None:
        self.why, self.bracket = why, tuple(bracket)
        super().__init__(why)

    def as_dict(self) -> dict[str, Any]:
        return {**super().as_dict(), "bracket": list(self.bracket)}


class NotEnoughData(Refusal):
    """Too few points, tests or failures for an answer that would mean anything."""

    code = "not_enough_data"

    def __init__(self, have: str, need: str) -> None:
        self.have, self.need = have, need
        super().__init__(f"Not enough data: have {have}, need {need}.")


def require_number(name: str, value: object) -> float:
    """Return `value` as a finite float; refuse None, bool, text, NaN and infinities by name."""
    if type(value) is float and isfinite(value):
        return value
    if value is None:
        raise OutOfRange(name, value, "given", "no value is assumed for it")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise OutOfRange(name, str(value), "a number")
    number = float(value)
    if not isfinite(number):
        raise OutOfRange(name, number, "a finite number")
    return number


def require_between(
    name: str,
    value: object,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
    why: str = "",
) -> float:
    """Return `value` as a finite float inside the stated range; refuse by name otherwise.

    `above`/`below` exclude the end, `at_least`/`at_most` include it.
    """
    number = require_number(name, value)
    if (
        (above is None or number > above)
        and (at_least is None or number >= at_least)
        and (below is None or number < below)
        and (at_most is None or number <= at_most)
    ):
        return number
    ends = (("above", above), ("at least", at_least), ("below", below), ("at most", at_most))
    allowed = " and ".join(f"{word} {end:g}" for word, end in ends if end is not None)
    raise OutOfRange(name, number, allowed, why)
