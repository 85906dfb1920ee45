"""Sixty unit mix-ups: what happens when the unit is said, and when the bare number is typed.

`python -m tests.calculations.unit_mixups` writes docs/methods/unit-mixups.md again.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from valvecare.engineering.catalogue import CATALOGUE, calculate
from valvecare.engineering.catalogue.edge import inside
from valvecare.engineering.catalogue.forms import shown_unit
from valvecare.engineering.errors import Refusal
from valvecare.engineering.units import STANDARD_ATMOSPHERE_PA_ABS, from_si

PAGE = Path(__file__).parents[2] / "docs" / "methods" / "unit-mixups.md"
_ABSOLUTE = ("kPa_a", "psia", "bar_g", "psig")
_FLOW = ("L/s", "gal_us/min", "gpm")
_FIELDS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("kv-required", "upstream_pressure_bar_a", _ABSOLUTE),
    ("flow-through-kv", "downstream_pressure_bar_a", _ABSOLUTE),
    ("allowed-rise", "inlet_pressure_bar_a", _ABSOLUTE),
    ("npsh-available", "surface_pressure_bar_a", _ABSOLUTE),
    ("time-to-boil", "inlet_pressure_bar_a", _ABSOLUTE),
    ("water-properties", "pressure_bar_a", _ABSOLUTE),
    ("gauge-to-absolute", "pressure_bar_g", ("kPa_g", "psig", "bar_a")),
    ("leak-assessment", "test_difference_bar", ("kPa", "psi", "bar_g")),
    ("water-properties", "temperature_degc", ("K", "degF")),
    ("passing-by-cooling", "line_temperature_degc", ("K", "degF")),
    ("allowed-rise", "inlet_temperature_degc", ("K", "degF")),
    ("time-to-boil", "start_temperature_degc", ("K", "degF")),
    ("handbook-minimum-flow", "allowed_rise_k", ("degF",)),
    ("flow-by-energy-balance", "loss_rise_k", ("degF",)),
    ("suction-return-rise", "rise_per_pass_k", ("degF",)),
    ("kv-required", "flow_m3_per_h", _FLOW),
    ("capacity-margin", "bypass_flow_m3_per_h", _FLOW),
    ("capacity-margin", "required_flow_m3_per_h", _FLOW),
    ("flow-by-meter", "flow_m3_per_h", _FLOW),
    ("leak-by-flow-difference", "pump_flow_m3_per_h", _FLOW),
    ("time-to-boil", "shaft_power_kw", ("W", "hp")),
    ("flow-by-energy-balance", "shaft_power_kw", ("W", "hp")),
)
_BARE = {
    "kPa_a": "kPa", "psia": "psi", "bar_g": "bar", "psig": "psi", "kPa_g": "kPa",
    "bar_a": "bar", "gpm": "gal_us/min",
}  # fmt: skip


@dataclass(frozen=True)
class MixUp:
    """One field, the plant's own figure in another unit, and both ways of sending it."""

    computation: str
    input: str
    unit: str
    number: float
    said: str
    bare: str
    factor: float | None
    """Of the answer to the bare number over the right answer; None when refused."""

    @property
    def is_undetected_when_said(self) -> bool:
        return self.said not in ("converted", "refused")


def mixups() -> list[MixUp]:
    return [_one(name, item, unit) for name, item, units in _FIELDS for unit in units]


def _one(name: str, item: str, unit: str) -> MixUp:
    entry = CATALOGUE[name]
    inputs = entry.example_inputs()
    field = entry.input(item)
    assert field.unit is not None
    si = inside(field, inputs[item])
    if unit in ("bar_g", "psig") and field.unit.kind == "pressure_absolute":
        si -= STANDARD_ATMOSPHERE_PA_ABS  # what a gauge at the same place shows
    if unit == "bar_a":
        si += STANDARD_ATMOSPHERE_PA_ABS
    number = from_si(field.unit.kind, _BARE.get(unit, unit), si)
    right = _figure(entry.name, inputs)
    said = _figure(name, {**inputs, item: {"value": number, "unit": unit}})
    bare = _figure(name, {**inputs, item: number})
    return MixUp(name, item, unit, number, _judged(said, right), *_bare(bare, right))


def _figure(name: str, inputs: dict[str, Any]) -> float | str | None:
    """The first figure that is a number, else the first; None when refused."""
    try:
        results = calculate(name, inputs).as_dict()["results"]
    except Refusal:
        return None
    numbers = [v for v in results.values() if isinstance(v, float)]
    return numbers[0] if numbers else str(next(iter(results.values())))


def _judged(got: float | str | None, right: float | str | None) -> str:
    if got is None:
        return "refused"
    if isinstance(got, float) and isinstance(right, float):
        return "converted" if abs(got - right) <= 1e-9 * abs(right) else f"answers {got:.4g}"
    return "converted" if got == right else f"answers {got}"


def _bare(got: float | str | None, right: float | str | None) -> tuple[str, float | None]:
    if got is None:
        return "refused", None
    assert isinstance(got, float)
    assert isinstance(right, float)
    factor = got / right if right else float("inf")
    return f"answers, {factor:.3g} times the right figure", factor


def page() -> str:
    found = mixups()
    caught = [case for case in found if case.bare == "refused"]
    wide = [case for case in found if case.factor is not None and not 0.5 < case.factor < 2.0]
    silent = [case for case in found if case.is_undetected_when_said]
    lines = [
        "# Unit mix-ups",
        "",
        "Written by `python -m tests.calculations.unit_mixups`; a test compares it. Each row takes",
        "the plant's own figure of a worked example in another unit and sends it twice: with its",
        "unit said, and as a bare number in a field that expects the unit of its name.",
        "",
        f"- Unit said: {len(found) - len(silent)} of {len(found)} are converted or refused; "
        f"undetected errors: {len(silent)} of {len(found)}.",
        f"- Bare number: {len(caught)} of {len(found)} are refused by a plausibility window or by "
        "physics;",
        f"  {len(wide)} give an answer that is wrong by a factor of 2 or more, the other "
        f"{len(found) - len(caught) - len(wide)} one that is nearer.",
        "",
        "A bare number cannot carry its unit: 98.7 psi and 98.7 bar are both pressures of a plant.",
        "So the unit is part of every name, stands beside every field, and can be said with every",
        "number; gauge and absolute pressure, temperature and difference are different kinds and",
        "never convert into each other.",
        "",
        "| calculation | field | typed | unit said | as a bare number |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {case.computation} | `{case.input}` | {case.number:.4g} {shown_unit(case.unit)} "
        f"| {case.said} | {case.bare} |"
        for case in found
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
