"""The edge: what was given becomes SI values, or is refused by the name the caller typed."""

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from valvecare.engineering.catalogue.forms import Computation, Form, Input, plain
from valvecare.engineering.errors import OutOfRange, require_number
from valvecare.engineering.units import to_si

LONGEST_TEXT = 200
MOST_ROWS = 2000


def inside(item: Input, value: object, name: str = "") -> Any:
    """The value of one input in SI, or a refusal that carries the caller's name for it.

    Parameters
    ----------
    item : the input
    value : as given: a number in the unit of the name, or {"value": …, "unit": …}; a table is a
        list of rows, each a mapping of column names
    name : the place inside a table, when the input is a column

    Returns
    -------
    SI value; None only for an input that may be left out

    Raises
    ------
    OutOfRange : missing, of another shape, a unit of another kind, or outside the window

    Assumptions
    -----------
    None: nothing is filled in.

    Source
    ------
    docs/calculations.md.

    Examples
    --------
    >>> from valvecare.engineering.catalogue import computation
    >>> flow = computation("kv-required").input("flow_m3_per_h")
    >>> inside(flow, 360.0)
    0.1
    >>> inside(flow, {"value": 100.0, "unit": "L/s"})
    0.1
    """
    name = name or item.name
    if value is None:
        if item.required:
            raise OutOfRange(name, None, "given", "no value is assumed for it")
        return None
    return _READERS[item.form](item, value, name)


def _number(item: Input, value: object, name: str) -> float:
    given, code = _parted(item, value, name)
    if isinstance(given, str):
        raise OutOfRange(
            name,
            given,
            "a number",
            "write a point for the decimals, not a comma" if "," in given else "",
        )
    number = require_number(name, given)
    if item.unit is None:
        base = number
    else:
        if code not in item.unit.codes:
            raise OutOfRange(
                name,
                code,
                f"in one of the units {', '.join(item.unit.codes)}",
                _why_not_unit(item, code),
            )
        try:
            base = to_si(item.unit.kind, code, number)
        except OutOfRange as refusal:
            raise OutOfRange(name, number, refusal.allowed, refusal.why) from None
    if item.window is not None:
        try:
            item.window.check(name, base)
        except OutOfRange as refusal:
            shown = item.unit.from_si(base) if item.unit else base
            unit = f" {item.unit.shown}".rstrip() if item.unit else ""
            raise OutOfRange(
                name,
                shown,
                item.allowed() or refusal.allowed,
                f"check the value and its unit{unit}",
            ) from None
    return base


def _parted(item: Input, value: object, name: str) -> tuple[object, str]:
    """The number and the unit it is in: the unit of the name, unless another one is said."""
    own = item.unit.code if item.unit else ""
    if not isinstance(value, Mapping):
        return value, own
    strange = sorted(set(value) - {"value", "unit"})
    if strange or "value" not in value or not isinstance(value.get("unit"), str):
        raise OutOfRange(name, str(dict(value)), "a number, or {value, unit}")
    if item.unit is None:
        raise OutOfRange(name, str(value["unit"]), "a plain number, it has no unit")
    return value["value"], str(value["unit"])


def _why_not_unit(item: Input, code: str) -> str:
    kind = item.unit.kind if item.unit else ""
    if kind == "pressure_absolute":
        return "say absolute; a gauge pressure is turned by the calculation gauge-to-absolute"
    if kind == "pressure_gauge":
        return "say gauge"
    if code in ("gpm", "gal"):
        return "gallons differ by country"
    return f"a unit of {kind.replace('_', ' ')} is needed"


def _whole(item: Input, value: object, name: str) -> int:
    number = _number(item, value, name)
    if number != int(number):
        raise OutOfRange(name, number, "a whole number")
    return int(number)


def _choice(item: Input, value: object, name: str) -> str:
    if not isinstance(value, str) or value not in item.choices:
        raise OutOfRange(name, _short(value), "one of " + ", ".join(item.choices))
    return value


def _choices(item: Input, value: object, name: str) -> list[str]:
    if isinstance(value, (str, Mapping)) or not isinstance(value, Sequence):
        raise OutOfRange(name, _short(value), "a list, which may be empty")
    return [_choice(item, word, name) for word in value]


def _text(item: Input, value: object, name: str) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST_TEXT:
        raise OutOfRange(name, _short(value), f"text of 1 to {LONGEST_TEXT} characters")
    return value.strip()


def _yes_no(item: Input, value: object, name: str) -> bool:
    if not isinstance(value, bool):
        raise OutOfRange(name, _short(value), "true or false (yes or no)")
    return value


def _date(item: Input, value: object, name: str) -> date:
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    raise OutOfRange(name, _short(value), "a date written as 2026-05-04")


def _table(item: Input, value: object, name: str) -> dict[str, tuple[Any, ...]]:
    """Columns by their SI names."""
    if isinstance(value, (str, Mapping)) or not isinstance(value, Sequence):
        raise OutOfRange(name, _short(value), "a list of rows")
    if not item.least_rows <= len(value) <= MOST_ROWS:
        raise OutOfRange(
            name, f"{len(value)} rows", f"a table of {item.least_rows} to {MOST_ROWS} rows"
        )
    known = {column.name for column in item.columns}
    columns: dict[str, list[Any]] = {column.si: [] for column in item.columns}
    for number, row in enumerate(value, start=1):
        place = f"{name}[{number}]"
        if not isinstance(row, Mapping):
            raise OutOfRange(place, _short(row), "a row with " + ", ".join(sorted(known)))
        for strange in sorted(set(map(str, row)) - known):
            raise OutOfRange(f"{place}.{strange}", "given", "one of " + ", ".join(sorted(known)))
        for column in item.columns:
            columns[column.si].append(
                inside(column, row.get(column.name), f"{place}.{column.name}")
            )
    return {si: tuple(values) for si, values in columns.items()}


def _short(value: object) -> str:
    return str(value)[:60]


_READERS = {
    Form.NUMBER: _number,
    Form.WHOLE: _whole,
    Form.CHOICE: _choice,
    Form.CHOICES: _choices,
    Form.TEXT: _text,
    Form.YES_NO: _yes_no,
    Form.DATE: _date,
    Form.TABLE: _table,
}


LEAST_RELATIVE_UNCERTAINTY = 1e-4
"""No plant instrument is better than this share of its reading: a smaller figure is a slip."""


def refuse_too_certain(entry: Computation, values: Mapping[str, Any]) -> None:
    """Refuse a standard uncertainty below a ten-thousandth of the value it belongs to."""
    for item in entry.inputs:
        own, of = values[item.si], values.get(item.relative_to)
        if own is None or of is None:
            continue
        least = LEAST_RELATIVE_UNCERTAINTY * abs(of)
        if own < least:
            shown = item.unit.from_si(least) if item.unit else least
            unit = item.unit.shown if item.unit else ""
            raise OutOfRange(
                item.name,
                item.unit.from_si(own) if item.unit else own,
                f"at least {plain(shown)} {unit}".rstrip(),
                "0.01 % of the value it belongs to; no plant instrument is better",
            )


def refuse_unknown(entry: Computation, given: Mapping[str, Any]) -> None:
    """Refuse an input the computation does not have, by its name."""
    known = [item.name for item in entry.inputs]
    for name in sorted(set(map(str, given)) - set(known)):
        raise OutOfRange(name, "given", "one of " + ", ".join(known), "unknown inputs are refused")


def renamed(entry: Computation, refusal: OutOfRange, given: Mapping[str, Any]) -> OutOfRange:
    """The refusal of the library with the caller's name for the input; its limit stays in SI."""
    item = _owner(entry, refusal.name)
    if item is None:
        return refusal
    row = ""
    if item.form is Form.TABLE and "[" in refusal.name:
        index = refusal.name.partition("[")[2].partition("]")[0]
        row = f"[{int(index) + 1}]" if index.isdecimal() else ""
    value: object = given.get(item.name)
    if item.form in (Form.TABLE, Form.CHOICES):
        value = refusal.value
    elif isinstance(value, Mapping):
        value = f"{value.get('value')} {value.get('unit')}"
    allowed = _in_trade(entry, refusal.allowed)
    why = _in_trade(entry, refusal.why)
    if allowed == refusal.allowed and item.unit is not None and item.unit.si != item.unit.shown:
        why = "; ".join(filter(None, [why, f"limits in {item.unit.si}"]))
    return OutOfRange(item.name + row, value, allowed, why)


def _in_trade(entry: Computation, words: str) -> str:
    """The words with the library's names, and figures in brackets after them, as the caller's."""
    for item in entry.inputs:
        if item.form is Form.TABLE or "_" not in item.si:
            continue  # a plain word of the sentence is no name

        def said(found: re.Match[str], item: Input = item) -> str:
            if found[1] is None:
                return item.name
            number = float(found[1])
            shown = (
                f"{plain(item.unit.from_si(number))} {item.unit.shown}" if item.unit else found[1]
            )
            return f"{item.name} ({shown.rstrip()})"

        words = re.sub(rf"\b{re.escape(item.si)}\b(?: \((-?[\d.]+(?:e[+-]?\d+)?)\))?", said, words)
    return words


def _owner(entry: Computation, name: str) -> Input | None:
    bare = name.partition("[")[0].strip()
    for wanted in (name, bare, bare.rpartition(".")[2]):
        wanted = entry.aliases.get(wanted, wanted)
        for item in entry.inputs:
            if wanted in (item.si, item.name, item.si.rpartition(".")[2]):
                return item
            if any(wanted == column.si for column in item.columns):
                return item
    return None
