"""The answer of a computation with its working, the same for page, REST and command."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from enum import Enum
from math import isfinite
from typing import Any

from valvecare.engineering.catalogue.forms import Computation, Form, Input, Output, shown_unit
from valvecare.engineering.cautions import Caution, caution
from valvecare.engineering.units import UNITS
from valvecare.engineering.working import Check, Quantity, Reason


@dataclass(frozen=True, slots=True)
class Given:
    """One input as it was given and as the library used it."""

    name: str
    label: str
    value: Any
    unit: str
    si_name: str
    si_value: Any
    si_unit: str


@dataclass(frozen=True, slots=True)
class Result:
    """One figure of the answer. `value` None means 'cannot say': the reasons say why."""

    name: str
    label: str
    value: Any
    unit: str


@dataclass(frozen=True, slots=True)
class Calculation:
    """A finished calculation: everything needed to check it by hand."""

    computation: Computation
    inputs: tuple[Given, ...]
    results: tuple[Result, ...]
    uncertainty: tuple[Result, ...]
    steps: tuple[Quantity, ...]
    checks: tuple[Check, ...]
    reasons: tuple[Reason, ...]
    words: str
    advice: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]

    def as_dict(self) -> dict[str, Any]:
        """The calculation as plain JSON values."""
        entry = self.computation
        return {
            "calculation": entry.name,
            "title": entry.title,
            "version": entry.version,
            "results": {result.name: result.value for result in self.results},
            "uncertainty": {result.name: result.value for result in self.uncertainty},
            "words": self.words,
            "reasons": [{"code": r.code, "text": r.text} for r in self.reasons],
            "checks": [_plain(check) for check in self.checks],
            "advice": list(self.advice),
            "inputs": [_plain(given) for given in self.inputs],
            "formula": entry.formula,
            "steps": [_plain(step) for step in self.steps],
            "function": entry.function_name,
            "assumptions": list(self.assumptions),
            "sources": list(entry.sources),
            "cautions": [
                {"id": c.id, "signal": c.signal.value, "text": c.text, "source": c.source}
                for c in self.cautions
            ],
        }


# endings of the library's names: (unit inside, unit shown); longest first
_ENDINGS: tuple[tuple[str, str, str], ...] = (
    ("_m3_per_s", "volume_flow", "m3/h"),
    ("_j_per_kg_k", "specific_heat", "kJ/(kg K)"),
    ("_j_per_kg", "specific_energy", "kJ/kg"),
    ("_kg_per_m3", "density", "kg/m3"),
    ("_kg_per_s", "mass_flow", "kg/h"),
    ("_k_per_s", "temperature_rate", "K/min"),
    ("_pa_abs", "pressure_absolute", "bar"),
    ("_pa_s", "dynamic_viscosity", "mPa s"),
    ("_pa", "pressure_difference", "bar"),
    ("_degc", "temperature", "degC"),
    ("_per_s", "rotational_speed", "rpm"),
    ("_kwh", "", "kWh"),
    ("_k", "temperature_difference", "K"),
    ("_w", "power", "kW"),
    ("_n", "force", "N"),
    ("_h", "run_time", "h"),
    ("_s", "duration", "s"),
    ("_m", "length", "m"),
)
_NOT_STEPS = frozenset(
    {"inputs", "steps", "checks", "reasons", "assumptions", "cautions", "advice", "notes", "words"}
)


def answer(
    entry: Computation, given: Mapping[str, Any], values: Mapping[str, Any], result: Any
) -> Calculation:
    """Put the answer together from what was given and what the library returned."""
    shown = [(output, _result(output, result)) for output in entry.outputs]
    reasons = [r for r in _of(result, "reasons") if isinstance(r, Reason)]
    single = getattr(result, "reason", None)
    if isinstance(single, Enum):
        code = str(single.value)
        reasons.append(Reason(code, entry.reason_words.get(code, code.replace("_", " "))))
    known = [caution(id) for id in entry.cautions]
    found = [c for c in (*known, *_of(result, "cautions")) if isinstance(c, Caution)]
    listed = {c.id: c for c in found if c.id != "advice-only"}
    return Calculation(
        computation=entry,
        inputs=tuple(
            _given(item, given.get(item.name), values[item.si])
            for item in entry.inputs
            if given.get(item.name) is not None
        ),
        results=tuple(r for o, r in shown if not o.is_uncertainty),
        uncertainty=tuple(r for o, r in shown if o.is_uncertainty),
        steps=tuple(_steps(entry, result)),
        checks=tuple(c for c in _of(result, "checks") if isinstance(c, Check)),
        reasons=tuple(reasons),
        words=str(getattr(result, "words", "") or ""),
        advice=tuple(str(text) for text in (*_of(result, "advice"), *_of(result, "instructions"))),
        assumptions=tuple(
            dict.fromkeys([*entry.assumptions, *map(str, _of(result, "assumptions"))])
        ),
        cautions=(*listed.values(), caution("advice-only")),
    )


def _of(result: Any, name: str) -> Sequence[Any]:
    found = getattr(result, name, ())
    return found if isinstance(found, (tuple, list)) else ()


def _given(item: Input, value: Any, inside: Any) -> Given:
    unit = item.unit.shown if item.unit else ""
    if isinstance(value, Mapping):
        value, unit = value["value"], shown_unit(str(value["unit"]))
    is_table = item.form is Form.TABLE
    return Given(
        name=item.name,
        label=item.label,
        value=_plain(value),
        unit=unit,
        si_name=item.si,
        si_value=None if is_table else _plain(inside),
        si_unit=item.unit.si if item.unit else "",
    )


def _result(output: Output, result: Any) -> Result:
    value = result if output.of is None else output.of(result)
    for step in filter(None, output.path.split(".")):
        if value is None:
            break
        value = value[int(step)] if step.isdecimal() else getattr(value, step)
    value = _plain(value)
    if output.unit is not None and value is not None:
        value = _converted(output, value)
    return Result(output.name, output.label, value, output.unit.shown if output.unit else "")


def _converted(output: Output, value: Any) -> Any:
    assert output.unit is not None  # noqa: S101 - the caller has checked
    if isinstance(value, list):
        return [output.unit.from_si(part) for part in value]
    return output.unit.from_si(value)


def _plain(value: Any) -> Any:
    """Plain JSON values: records as objects, what is not a finite number as null."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (bool, int, str)) or value is None:
        return value
    if isinstance(value, float):
        return value if isfinite(value) else None
    if isinstance(value, date):
        return value.isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    return [_plain(part) for part in value]


def _steps(entry: Computation, result: Any) -> Iterator[Quantity]:
    """What the function says it went through: its own steps, else its other fields."""
    own = [step for step in _of(result, "steps") if isinstance(step, Quantity)]
    if own:
        yield from own
        return
    if not is_dataclass(result):
        return
    used = {output.path.partition(".")[0] or output.name for output in entry.outputs}
    for part in fields(result):
        if part.name not in used | _NOT_STEPS:
            yield from _quantities(part.name, getattr(result, part.name))


def _quantities(name: str, value: Any) -> Iterator[Quantity]:
    """A field as named values; pairs (name, number) become one value each."""
    if isinstance(value, tuple) and value and all(_is_pair(pair) for pair in value):
        for label, number in value:
            yield _quantity(name, number, f": {label}")
    elif is_dataclass(value) and not isinstance(value, type):
        for part in fields(value):
            if isinstance(getattr(value, part.name), (int, float, str)):
                yield from _quantities(part.name, getattr(value, part.name))
    elif value is None or isinstance(value, (bool, int, float, str, Enum)):
        yield _quantity(name, value, "")


def _is_pair(pair: Any) -> bool:
    return isinstance(pair, tuple) and len(pair) == 2 and isinstance(pair[0], str)


def _quantity(name: str, value: Any, after: str) -> Quantity:
    value = _plain(value)
    for ending, kind, unit in _ENDINGS:
        if name.endswith(ending):
            words = name.removesuffix(ending).replace("_", " ")
            if kind and isinstance(value, float):
                factor, offset = UNITS[kind][unit]
                value = (value - offset) / factor
            code = f"{unit}_a" if kind == "pressure_absolute" else unit
            return Quantity(words + after, value, shown_unit(code))
    return Quantity(name.replace("_", " ") + after, value)
