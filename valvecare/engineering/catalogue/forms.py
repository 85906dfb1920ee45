"""What a computation is made of, as data: inputs, outputs, words, sources, an example."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from valvecare.engineering.plausible import Window
from valvecare.engineering.units import UNITS, base_unit, factor_offset


class Form(StrEnum):
    """The shape of an input."""

    NUMBER = "number"
    WHOLE = "whole number"
    CHOICE = "choice"
    CHOICES = "choices"
    TEXT = "text"
    YES_NO = "yes or no"
    DATE = "date"
    TABLE = "table"


class Group(StrEnum):
    """Groups of the catalogue, in the order of its pages."""

    LIQUID = "liquid and units"
    MINIMUM_FLOW = "minimum flow"
    BYPASS = "bypass"
    FUNCTION_TEST = "function test"
    PASSING = "passing"
    JOINT = "joint"
    SPRING = "spring"
    LIFTING = "lifting"
    WEAR = "wear"
    LEAKAGE = "leakage"
    SEALS = "seals"
    DATES = "counters and dates"
    TREND = "trend"
    LIFETIMES = "lifetimes"
    STOCK = "stock"


_SAID = {
    "pressure_gauge": "_g",
    "pressure_absolute": "_a",
}
_WORDS = {"psi_g": "psig", "psi_a": "psia"}
# units of a pressure that can be said in a word of its own, gauge or absolute
_SPOKEN = ("bar", "kPa", "MPa", "psi")
_SHOWN = {
    "1": "",
    "degC": "°C",
    "degF": "°F",
    "um": "µm",
    "uPa s": "µPa·s",
    "mPa s": "mPa·s",
    "Pa s": "Pa·s",
    "N m": "N·m",
    "lbf ft": "lbf·ft",
    "gal_us/min": "US gal/min",
    "gal_us": "US gal",
    "bar_a": "bar abs",
    "bar_g": "bar gauge",
    "kPa_a": "kPa abs",
    "kPa_g": "kPa gauge",
    "MPa_a": "MPa abs",
    "MPa_g": "MPa gauge",
    "psia": "psi abs",
    "psig": "psi gauge",
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of trade with its kind. Gauge and absolute pressure are always said."""

    kind: str
    code: str

    @property
    def shown(self) -> str:
        """The unit as printed beside a number."""
        return shown_unit(self.code)

    @property
    def si(self) -> str:
        """The unit inside the library, as printed."""
        inside = base_unit(self.kind)
        return (
            shown_unit(inside + _SAID.get(self.kind, ""))
            .replace("_a", " abs")
            .replace("_g", " gauge")
        )

    @property
    def codes(self) -> tuple[str, ...]:
        """Every code a caller may give for this kind, this unit first."""
        if self.kind in _SAID:
            words = (f"{code}{_SAID[self.kind]}" for code in _SPOKEN)
            all_codes = [_WORDS.get(word, word) for word in words]
        else:
            all_codes = list(UNITS[self.kind])
        return (self.code, *(code for code in all_codes if code != self.code))

    def from_si(self, value: float) -> float:
        """A value of the library in this unit."""
        factor, offset = factor_offset(self.kind, self.code)
        return (value - offset) / factor


def shown_unit(code: str) -> str:
    """A unit code as people read it: m3/h as m³/h."""
    text = _SHOWN.get(code, code)
    return text.replace("m3", "m³").replace("m2", "m²") if "²" not in text else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input as a caller gives it. `si` is the name the library knows it by.

    Every input must be given, unless `if_absent` says what the answer is without it.
    A table has columns; its value is a list of rows. `relative_to` names, in SI, the value whose
    standard uncertainty this is.
    """

    name: str
    label: str
    form: Form
    si: str
    example: Any
    unit: Unit | None = None
    window: Window | None = None
    choices: tuple[str, ...] = ()
    columns: tuple["Input", ...] = ()
    least_rows: int = 1
    help: str = ""
    if_absent: str = ""
    relative_to: str = ""

    @property
    def required(self) -> bool:
        return not self.if_absent

    def bounds(self) -> dict[str, float]:
        """The window in the unit of trade: keys above, at_least, below, at_most."""
        if self.window is None:
            return {}
        ends = {
            name: getattr(self.window, name) for name in ("above", "at_least", "below", "at_most")
        }
        return {
            name: float(f"{end if self.unit is None else self.unit.from_si(end):.6g}")
            for name, end in ends.items()
            if end is not None
        }

    def allowed(self) -> str:
        """The window in words, in the unit of trade."""
        names = {"above": "above", "at_least": "at least", "below": "below", "at_most": "at most"}
        words = " and ".join(f"{names[key]} {plain(end)}" for key, end in self.bounds().items())
        unit = self.unit.shown if self.unit else ""
        return f"{words} {unit}".strip() if words else ""


def plain(number: float) -> str:
    """A number without a power of ten where it stays short."""
    text = f"{number:.6g}"
    return f"{number:.0f}" if "e+" in text and abs(number) < 1e10 else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """One figure of the answer: `path` leads to it in the returned record, or `of` reads it."""

    name: str
    label: str
    path: str = ""
    unit: Unit | None = None
    is_uncertainty: bool = False
    of: Callable[[Any], Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A worked example: the inputs' own example values give `expected`, inside `tolerance`.

    `tolerance` is relative for numbers; words and lists must be equal.
    """

    expected: Mapping[str, Any]
    source: str
    tolerance: float = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Computation:
    """One entry of the catalogue: what it is for, what it takes, what it answers, and why.

    `aliases` leads from names the library refuses by to inputs; `reason_words` says in words what a
    reason code of the returned record means.
    """

    name: str
    title: str
    group: Group
    purpose: str
    function: Callable[..., Any]
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    formula: str
    sources: tuple[str, ...]
    example: Example
    run: Callable[[Mapping[str, Any]], Any] | None = None
    assumptions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    page: str = ""
    aliases: Mapping[str, str] = field(default_factory=dict)
    reason_words: Mapping[str, str] = field(default_factory=dict)
    version: int = 1

    @property
    def function_name(self) -> str:
        """Where the formula lives, for the working."""
        return f"{self.function.__module__}.{self.function.__qualname__}"

    def example_inputs(self) -> dict[str, Any]:
        """A complete set of inputs that is known to answer."""
        return {item.name: item.example for item in self.inputs if item.example is not None}

    def input(self, name: str) -> Input:
        """The input of that edge name."""
        return next(item for item in self.inputs if item.name == name)
