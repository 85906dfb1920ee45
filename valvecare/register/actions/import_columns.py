"""The columns of the register's sheets: one list per kind, read by import, export and template."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.conf.locale import LANG_INFO
from django.db import models
from django.utils.formats import get_format

from valvecare.core.cells import plain_cell
from valvecare.core.errors import Reason, Refused
from valvecare.core.models import NOT_KNOWN
from valvecare.register.models import (
    CurvePoint,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import KEPT_BY_ACTIONS, Limit, ValveStatus, limit_of
from valvecare.register.rules import SheetKind as Kind


class CellError(ValueError):
    """What is wrong with a cell, as the second half of a sentence."""


@dataclass(frozen=True)
class Column:
    """One column. `is_key`: part of the natural key; `is_identity`: a value or 'not known'."""

    name: str
    shape: str
    """text, number, whole, money, flag, word or date"""
    is_key: bool = False
    is_needed: bool = False
    is_identity: bool = False
    may_be_left_out: bool = False
    """A new record without this column holds 'not known'; a blank cell is refused all the same."""
    field: str | None = None
    """Field of the model it fills; None when it names another record."""
    words: tuple[str, ...] = ()
    longest: int = 4000
    limit: Limit | None = None
    help: str = ""
    get: Callable[[Any], Any] | None = None
    """Value of a row for export, when it is not simply the field."""

    def value_of(self, row: Any) -> Any:
        value = self.get(row) if self.get else getattr(row, self.field or self.name)
        return NOT_KNOWN if value is None and self.is_identity else value


IDENTITY_NUMBERS = frozenset({"built_year"})
LATER_WORDS = frozenset(
    {
        "body_lining",
        "cover_closure",
        "cover_fastener",
        "cover_washers",
        "cover_lubricant",
        "cover_friction_source",
        "cover_gasket",
        "cover_joint_source",
    }
)
"""What procedures ask and torques are computed from: entered where it is known, and then never
blank."""


def column_of(model: Any, name: str, *, is_key: bool = False) -> Column:
    """A column from the model's field: shape, length, words, limits and help come from there."""
    column = model._meta.get_field(name)
    identity = column.default == NOT_KNOWN or name in IDENTITY_NUMBERS
    common: dict[str, Any] = {
        "is_key": is_key,
        "is_needed": not (column.has_default() or column.null or column.blank),
        "is_identity": identity,
        "may_be_left_out": name in LATER_WORDS,
        "field": name,
        "help": str(column.help_text),
    }
    if column.choices:
        words = tuple(value for value, _ in column.flatchoices)
        if name == "status":
            words = tuple(word for word in words if word != ValveStatus.RETIRED.value)
        return Column(name, "word", words=words, **common)
    if isinstance(column, models.BooleanField):
        return Column(name, "flag", **common)
    if isinstance(column, models.FloatField):
        return Column(name, "number", limit=limit_of(name), **common)
    if isinstance(column, models.DecimalField):
        most = 10.0 ** (column.max_digits - column.decimal_places) - 1
        return Column(name, "money", limit=Limit(0, most, low_counts=True), **common)
    if isinstance(column, models.IntegerField):
        limit = limit_of(name) if name in IDENTITY_NUMBERS else Limit(0, 32767, low_counts=True)
        return Column(name, "whole", limit=limit, **common)
    if isinstance(column, models.DateField):
        return Column(name, "date", **common)
    return Column(name, "text", longest=column.max_length or 4000, **common)


def names_of(model: Any, *without: str) -> list[str]:
    """The model's fields that a file may fill, but `without`."""
    never = KEPT_BY_ACTIONS | set(without)
    return [field.name for field in model._meta.concrete_fields if field.name not in never]


def ref(name: str, help: str, get: Callable[[Any], Any], **more: Any) -> Column:
    """A column that is no field of the record: it names another one, or is worked out."""
    shape = more.pop("shape", "text")
    return Column(name, shape, field=None, help=help, get=get, **more)


_SITE = "Code of the site."

COLUMNS: Mapping[Kind, tuple[Column, ...]] = {
    Kind.SITES: (
        column_of(Site, "code", is_key=True),
        *(column_of(Site, name) for name in names_of(Site, "code")),
    ),
    Kind.GROUPS: (
        ref("site", _SITE, lambda row: row.site.code, is_key=True, is_needed=True),
        column_of(PumpGroup, "code", is_key=True),
        *(column_of(PumpGroup, name) for name in names_of(PumpGroup, "site", "code")),
    ),
    Kind.DESIGNS: (
        *(column_of(ValveDesign, name, is_key=True) for name in ("code", "variant", "dn")),
        column_of(ValveDesign, "revision", is_key=True),
        *(
            column_of(ValveDesign, name)
            for name in names_of(ValveDesign, "code", "variant", "dn", "revision")
        ),
    ),
    Kind.PUMPS: (
        ref("site", _SITE, lambda row: row.group.site.code, is_key=True, is_needed=True),
        column_of(Pump, "tag", is_key=True),
        ref("group", "Code of the pump group.", lambda row: row.group.code, is_needed=True),
        *(column_of(Pump, name) for name in names_of(Pump, "group", "tag")),
    ),
    Kind.CURVE_POINTS: (
        ref("site", _SITE, lambda row: row.pump.group.site.code, is_key=True, is_needed=True),
        ref("pump", "Tag of the pump.", lambda row: row.pump.tag, is_key=True, is_needed=True),
        column_of(CurvePoint, "flow_m3_per_h", is_key=True),
        column_of(CurvePoint, "head_m"),
        column_of(CurvePoint, "shaft_power_kw"),
    ),
    Kind.VALVES: (
        ref("site", _SITE, lambda row: row.pump.group.site.code, is_key=True, is_needed=True),
        column_of(ProtectionValve, "tag", is_key=True),
        ref("pump", "Tag of the pump it protects.", lambda row: row.pump.tag, is_needed=True),
        ref(
            "design",
            "Code of the valve design, or 'not known'.",
            lambda row: row.design.code if row.design else None,
            is_identity=True,
            longest=24,
        ),
        ref(
            "design_variant",
            "Variant of the design; empty: the plain one.",
            lambda row: row.design.variant if row.design else "",
        ),
        ref(
            "design_dn",
            "Nominal size of the design.",
            lambda row: row.design.dn if row.design else None,
            shape="whole",
            limit=Limit(0, 32767, low_counts=True),
        ),
        ref(
            "design_revision",
            "Revision of the design, or 'not known'.",
            lambda row: row.design.revision if row.design else "",
        ),
        *(
            column_of(ProtectionValve, name)
            for name in names_of(ProtectionValve, "pump", "design", "tag")
        ),
    ),
}


def decimal_mark(locale: str) -> str:
    """The decimal mark of a declared locale, `en` or `de-at` style. Raises `Refused`."""
    code = locale.lower().replace("_", "-")
    if code.split("-")[0] not in LANG_INFO:
        raise Refused(
            Reason(
                "locale_unknown", f"{locale!r} is no known locale.", "Give one such as en or de."
            )
        )
    mark = str(get_format("DECIMAL_SEPARATOR", lang=code, use_l10n=True))
    return mark if mark in (",", ".") else "."


YES = frozenset({"yes", "true", "1", "y"})
NO = frozenset({"no", "false", "0", "n"})


def _as_text(cell: Any) -> str:
    """A cell as text; a whole number keeps its look (a serial typed as a number)."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.date().isoformat()
    return str(cell).strip() if not isinstance(cell, str) else plain_cell(cell.strip(" "))


def _number(text: Any, mark: str) -> float:
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        value = float(text)
    else:
        raw = _as_text(text)
        other = "." if mark == "," else ","
        if other in raw:
            raise CellError(
                f"has a '{other}', but the declared locale writes the decimal mark '{mark}' and no "
                "thousands marks"
            )
        if not raw.isascii() or "_" in raw:
            raise CellError("is not a number")
        try:
            value = float(raw.replace(mark, "."))
        except ValueError:
            raise CellError("is not a number") from None
    if not math.isfinite(value):
        raise CellError("is not a finite number")
    return value


def _money(value: float) -> Decimal:
    """Whole cents; a part of a cent is a slip of the keyboard."""
    found = Decimal(str(value)).quantize(Decimal("0.01"))
    if float(found) != value:
        raise CellError("has more than two decimals")
    return found


def parse(column: Column, cell: Any, mark: str) -> Any:
    """The value of a cell. Raises `CellError`. Blank is None, or "" for text that may be empty."""
    if isinstance(cell, str) and cell.startswith("="):
        raise CellError("is a formula; paste its value")
    if isinstance(cell, str) and cell.startswith("#") and cell.endswith(("!", "?", "/A")):
        raise CellError("is an error of the sheet program")
    text = "" if cell is None else _as_text(cell)
    if text == "":
        if column.is_identity:
            raise CellError("is blank: write the value, or the words 'not known'")
        if column.shape == "flag":
            raise CellError("is blank: write yes or no")
        if column.is_needed:
            raise CellError("is blank, but is needed")
        return "" if column.shape == "text" else None
    if text.casefold() == NOT_KNOWN and column.shape in ("number", "whole", "money", "date"):
        if column.is_needed:
            raise CellError("must be known")
        return None
    if column.shape in ("number", "whole", "money"):
        value = _number(cell if not isinstance(cell, str) else text, mark)
        if column.shape == "whole":
            if not value.is_integer():
                raise CellError("is not a whole number")
            value = int(value)
        if column.limit is not None and not column.limit.holds(value):
            raise CellError(f"is not {column.limit.words}")
        return _money(value) if column.shape == "money" else value
    if column.shape == "flag":
        if text.casefold() in YES:
            return True
        if text.casefold() in NO:
            return False
        raise CellError("is neither yes nor no")
    if column.shape == "date":
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise CellError("is not a date like 2026-05-04") from None
    if column.shape == "word":
        folded = {word.casefold(): word for word in column.words}
        if text.casefold() not in folded:
            raise CellError(f"is not one of: {'; '.join(column.words)}")
        return folded[text.casefold()]
    if any(ord(letter) < 32 and letter not in "\n\t" for letter in text):
        raise CellError("holds a control character")
    if "\n" in text and column.longest <= 200:
        raise CellError("holds a line break")
    if len(text) > column.longest:
        raise CellError(f"is longer than {column.longest} characters")
    if text.casefold() == NOT_KNOWN:
        return NOT_KNOWN
    return text
