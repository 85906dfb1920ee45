"""Text as a person types it, and back: the form page's half of the edge.

Only the shape is read here; what the value means and whether it is allowed is decided by `edge`.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from valvecare.engineering.catalogue.forms import Form, Input

NONE_SEEN = "none"
_FIGURE = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_SPACES = re.compile(r"(?<=\d)[\u202f\u00a0\u2009](?=\d)")
_YES_NO = {"yes": True, "no": False}


def value_of(item: Input, texts: Sequence[str], unit: str = "") -> Any:
    """The value the typed text stands for; None for nothing typed, the text itself if unreadable.

    >>> from valvecare.engineering.catalogue import computation
    >>> curve = computation("flow-by-head").input("curve")
    >>> value_of(curve, ["0; 1250; 310"])
    [{'flow_m3_per_h': 0.0, 'head_m': 1250.0, 'shaft_power_kw': 310.0}]
    """
    if item.form is Form.CHOICES:
        return _chosen(texts)
    text = texts[-1].strip() if texts else ""
    if not text:
        return None
    if item.form is Form.TABLE:
        return _rows(item, text)
    value = _single(item, text)
    if unit and item.unit is not None and unit != item.unit.code:
        return {"value": value, "unit": unit}
    return value


def _chosen(texts: Sequence[str]) -> Any:
    """Nothing ticked is nothing said; 'none' alone is an empty list."""
    words = [text for text in texts if text]
    if not words:
        return None
    return [] if words == [NONE_SEEN] else words


def _single(item: Input, text: str) -> Any:
    if item.form in (Form.NUMBER, Form.WHOLE):
        plain = _SPACES.sub("", text).replace("\u2212", "-")
        if not _FIGURE.fullmatch(plain):
            return text
        number = float(plain)
        return int(number) if item.form is Form.WHOLE and number.is_integer() else number
    if item.form is Form.YES_NO:
        return _YES_NO.get(text.lower(), text)
    return text


def _rows(item: Input, text: str) -> list[dict[str, Any]]:
    """Lines of cells: semicolons or tabs, else commas. A first line of names is passed over."""
    lines = [line for line in text.splitlines() if line.strip()]
    table = [[cell.strip() for cell in re.split(_separator(line), line)] for line in lines]
    names = {name for column in item.columns for name in (column.name, column.label.lower())}
    if table and {cell.lower() for cell in table[0]} <= names:
        table = table[1:]
    return [_row(item, cells) for cells in table]


def _separator(line: str) -> str:
    return "[;\t]" if re.search("[;\t]", line) else ","


def _row(item: Input, cells: Sequence[str]) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for place, cell in enumerate(cells):
        if place < len(item.columns):
            column = item.columns[place]
            row[column.name] = value_of(column, [cell])
        elif cell:
            row[f"cell {place + 1}"] = cell
    return row


def text_of(item: Input, value: Any) -> str:
    """A value as text for the form, such that `value_of` reads it back."""
    if value is None:
        return ""
    if item.form is Form.TABLE:
        return "\n".join(
            "; ".join(text_of(column, row.get(column.name)) for column in item.columns)
            for row in value
        )
    if isinstance(value, Mapping):
        value = value["value"]
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)
