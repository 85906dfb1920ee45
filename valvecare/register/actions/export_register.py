"""Write the register as CSV or XLSX with the columns the import reads: what goes out comes back."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font

from valvecare.core.cells import safe_cell
from valvecare.register.actions.import_columns import COLUMNS, Column
from valvecare.register.actions.import_sheets import Columns
from valvecare.register.models import (
    CurvePoint,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import SheetKind as Kind

CHUNK = 2000


def rows_of(kind: Kind, user: Any) -> Any:
    """The rows of a kind in service or spare that the person sees, in the order of their keys."""
    live: Mapping[str, Any] = {"retired_at__isnull": True}
    if kind is Kind.SITES:
        return Site.objects.for_user(user).filter(**live).order_by("code")
    if kind is Kind.GROUPS:
        groups = PumpGroup.objects.for_user(user).filter(**live).select_related("site")
        return groups.order_by("site__code", "code")
    if kind is Kind.DESIGNS:
        return ValveDesign.objects.filter(**live).order_by("code", "variant", "dn", "revision")
    if kind is Kind.PUMPS:
        pumps = Pump.objects.for_user(user).filter(**live).select_related("group__site")
        return pumps.order_by("group__site__code", "tag")
    if kind is Kind.CURVE_POINTS:
        seen = Pump.objects.for_user(user).filter(**live).values("pk")
        points = CurvePoint.objects.filter(pump__in=seen).select_related("pump__group__site")
        return points.order_by("pump__group__site__code", "pump__tag", "flow_m3_per_h")
    valves = ProtectionValve.objects.for_user(user).filter(**live)
    return valves.select_related("pump__group__site", "design").order_by(
        "pump__group__site__code", "tag"
    )


def _cell(value: Any) -> Any:
    """Numbers stay numbers, text is never a formula, null is blank."""
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float, Decimal)):
        return value
    return safe_cell(value.isoformat() if isinstance(value, datetime) else str(value))


def _lines(columns: Sequence[Column], rows: Any) -> Iterator[list[Any]]:
    yield [column.name for column in columns]
    for row in rows.iterator(chunk_size=CHUNK) if rows is not None else ():
        yield [_cell(column.value_of(row)) for column in columns]


def csv_lines(kind: Kind, rows: Any) -> Iterator[str]:
    """The rows as CSV (RFC 4180, comma, UTF-8 with mark, decimal point), a line at a time."""
    held = io.StringIO()
    writer = csv.writer(held)
    held.write("\ufeff")
    for line in _lines(COLUMNS[kind], rows):
        writer.writerow(["" if cell is None else cell for cell in line])
        yield held.getvalue()
        held.seek(0)
        held.truncate()


def _needs(column: Column) -> str:
    if column.is_identity:
        return "a value, or the words 'not known'"
    return "needed" if column.is_needed or column.is_key else "may be empty"


def _meaning(column: Column) -> str:
    words = "; ".join(column.words) if column.words else ""
    limit = column.limit.words if column.limit else ""
    shape = {
        "flag": "yes or no",
        "word": "",
        "date": "date like 2026-05-04",
        "money": "amount",
    }.get(column.shape, column.shape if column.shape != "text" else "")
    said = (words, shape, limit, column.help)
    return ". ".join(part.rstrip(".") for part in said if part)


def notes(columns: Columns) -> Iterator[tuple[str, str, str, str]]:
    """Sheet, column, whether it is needed, what it takes: for every column of every kind."""
    for kind, found in columns.items():
        for column in found:
            key = "key; " if column.is_key else ""
            yield kind.value, column.name, f"{key}{_needs(column)}", _meaning(column)


def _bold(sheet: Any, names: Iterable[str]) -> list[Any]:
    cells = []
    for name in names:
        cell = WriteOnlyCell(sheet, value=name)
        cell.font = Font(bold=True)
        cells.append(cell)
    return cells


def _typed(sheet: Any, value: Any) -> Any:
    """Text as text: no guessing of formulas or numbers by the sheet library."""
    if not isinstance(value, str):
        return value
    cell = WriteOnlyCell(sheet, value=value)
    cell.data_type = "s"
    return cell


def xlsx_of(rows: Mapping[Any, Any], columns: Columns = COLUMNS) -> bytes:
    """One sheet per kind with its rows (None: the header only), and a sheet of notes."""
    book = Workbook(write_only=True)
    for kind, found in rows.items():
        sheet = book.create_sheet(kind.value)
        sheet.freeze_panes = "A2"
        lines = _lines(columns[kind], found)
        sheet.append(_bold(sheet, next(lines)))
        for line in lines:
            sheet.append([_typed(sheet, cell) for cell in line])
    told = book.create_sheet("notes")
    told.column_dimensions["D"].width = 90
    told.append(_bold(told, ("sheet", "column", "needed", "what it takes")))
    for note in notes(columns):
        told.append([_typed(told, cell) for cell in note])
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def export_register(user: Any, kinds: Iterable[Kind] = tuple(Kind)) -> bytes:
    """Everything of these kinds the person sees, as one XLSX file."""
    return xlsx_of({kind: rows_of(kind, user) for kind in kinds})


def template(columns: Columns = COLUMNS) -> bytes:
    """An empty XLSX file with every sheet, every column, and notes."""
    return xlsx_of(dict.fromkeys(columns), columns)
