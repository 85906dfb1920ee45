"""Read CSV and XLSX into rows of cells, on the safe side of hostile files."""

import csv
import difflib
import io
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import PurePath
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from valvecare.core.errors import Reason, Refused
from valvecare.register.actions.import_columns import Column

MAX_FILE_BYTES = 10_000_000
MAX_UNPACKED_BYTES = 64_000_000
MAX_PARTS = 500
MAX_ROWS = 50_000
MAX_COLUMNS = 200
Columns = Mapping[Any, Sequence[Column]]
"""The columns of every kind an import reads, in the order in which the kinds are read."""
IGNORED_SHEETS = frozenset({"notes"})


@dataclass(frozen=True)
class Sheet:
    """The cells of one kind: names of the header, then rows with their number in the sheet."""

    kind: StrEnum
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Any, ...]], ...]


def _refused(code: str, words: str, remedy: str) -> Refused:
    return Refused(Reason(code, words, remedy))


def kind_of(name: str, columns: Columns) -> StrEnum | None:
    """The kind a sheet or file name means: `Curve_points`, `curve points`, `curve-points`."""
    word = name.strip().casefold().replace("_", " ").replace("-", " ")
    return next((kind for kind in columns if kind.value == word), None)


def _header(kind: StrEnum, expected: Sequence[Column], cells: Sequence[Any]) -> tuple[str, ...]:
    """Column names, refused when unknown or twice. Trailing empty cells are dropped."""
    names = [str(cell).strip().casefold() if cell is not None else "" for cell in cells]
    while names and not names[-1]:
        names.pop()
    known = [column.name for column in expected]
    wrong = []
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, 1)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known are {', '.join(known)}."
            words = f"Sheet {kind}: the column '{name}' is not known."
            wrong.append(Reason("column_unknown", words, hint))
    twice = sorted({name for name in names if names.count(name) > 1 and name})
    wrong += [
        Reason("column_twice", f"Sheet {kind}: the column '{name}' stands twice.", "Keep one.")
        for name in twice
    ]
    missing = [column.name for column in expected if column.is_key and column.name not in names]
    if missing:
        wrong.append(
            Reason(
                "column_missing",
                f"Sheet {kind}: the column{'s' if len(missing) > 1 else ''} "
                f"{', '.join(missing)} is needed to know the row.",
                "Start from the template.",
            )
        )
    if wrong:
        raise Refused(*wrong)
    return tuple(names)


def _rows(
    kind: StrEnum, width: int, lines: Iterator[Sequence[Any]]
) -> tuple[tuple[int, tuple[Any, ...]], ...]:
    found = []
    for number, line in enumerate(lines, start=2):
        if number > MAX_ROWS + 1:
            raise _refused(
                "too_many_rows",
                f"Sheet {kind} is longer than {MAX_ROWS} rows.",
                "Delete empty rows below the table, or import it in parts.",
            )
        if any(cell not in (None, "") for cell in line[width:]):
            raise _refused(
                "cell_without_column",
                f"Sheet {kind}, row {number}: there is a cell right of the last column.",
                "Give the column a name or clear the cell.",
            )
        cells = tuple(line[:width])
        if all(cell is None or cell == "" for cell in cells):
            continue
        if isinstance(cells[0], str) and cells[0].startswith("#"):
            continue  # a note of the template
        found.append((number, cells + (None,) * (width - len(cells))))
    return tuple(found)


def _csv(data: bytes, name: str, columns: Columns, kind: StrEnum | None) -> list[Sheet]:
    kind = kind or kind_of(PurePath(name).stem, columns)
    if kind is None:
        raise _refused(
            "kind_unknown",
            f"The name {PurePath(name).name!r} does not say what the file holds.",
            f"Name the kind: {', '.join(columns)}.",
        )
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        raise _refused(
            "not_utf8", "The file is not UTF-8 text.", "Save it as 'CSV UTF-8'."
        ) from None
    known = {column.name for column in columns[kind]}

    def hits(mark: str) -> int:
        head = next(csv.reader(io.StringIO(text[:20_000]), delimiter=mark), [])
        return len(known & {cell.strip().casefold() for cell in head})

    try:
        mark = max(",;\t|", key=hits)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
        head = next(reader, [])
        header = _header(kind, columns[kind], head)
        return [Sheet(kind, header, _rows(kind, len(header), reader))]
    except csv.Error as error:
        raise _refused("not_csv", f"The file is not CSV: {error}.", "Export it again.") from None


def _check_zip(data: bytes) -> None:
    """Refuse a bomb by what its own directory says; the zip reader holds it to that."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        parts = packed.infolist()
        size = sum(part.file_size for part in parts)
    if len(parts) > MAX_PARTS or size > MAX_UNPACKED_BYTES:
        raise _refused(
            "unpacks_too_large",
            f"The file unpacks to {size / 1e6:.0f} MB in {len(parts)} parts; "
            f"{MAX_UNPACKED_BYTES / 1e6:.0f} MB in {MAX_PARTS} parts are read.",
            "Save only the sheets that are read, or import in parts.",
        )


_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    InvalidFileException,
    struct.error,
    SyntaxError,
    OSError,
    EOFError,
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    RuntimeError,
    RecursionError,
)
"""What a broken workbook makes the reading library raise; XML errors are SyntaxErrors."""


def _xlsx(data: bytes, columns: Columns, kind: StrEnum | None) -> list[Sheet]:
    _check_zip(data)
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    sheets = []
    strange = []
    for sheet in book.worksheets:
        name = str(sheet.title)
        if name.casefold() in IGNORED_SHEETS:
            continue
        which = kind_of(name, columns) or (kind if len(book.worksheets) == 1 else None)
        if which is None:
            words = f"The sheet '{name}' is not one that is read here."
            remedy = f"Name it one of: {', '.join(columns)}; or 'notes' to have it left alone."
            strange.append(Reason("sheet_unknown", words, remedy))
            continue
        sheet.reset_dimensions()
        lines = sheet.iter_rows(values_only=True, max_col=MAX_COLUMNS)
        head = next(lines, ())
        if all(cell is None for cell in head):
            continue
        header = _header(which, columns[which], head)
        sheets.append(Sheet(which, header, _rows(which, len(header), lines)))
    if strange:
        raise Refused(*strange)
    return sheets


def read_sheets(
    data: bytes, name: str, columns: Columns, kind: StrEnum | None = None
) -> list[Sheet]:
    """The sheets of a file, in the order of `columns`. Raises `Refused` when it cannot be read.

    CSV (comma, semicolon, tab or bar; UTF-8 with or without mark, UTF-16 with mark) holds one
    kind, named by `kind` or by the file's name; XLSX holds one sheet per kind.
    """
    if len(data) > MAX_FILE_BYTES:
        raise _refused(
            "file_too_large",
            f"The file has {len(data) / 1e6:.0f} MB; {MAX_FILE_BYTES / 1e6:.0f} MB are read.",
            "Import it in parts.",
        )
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise _refused(
            "old_format", "This is an old or locked workbook.", "Save it as XLSX or CSV."
        )
    try:
        sheets = (
            _xlsx(data, columns, kind)
            if data.startswith(b"PK")
            else _csv(data, name, columns, kind)
        )
    except Refused:
        raise
    except _BROKEN as error:
        raise _refused(
            "unreadable", f"The file cannot be read ({type(error).__name__}).", "Save it again."
        ) from None
    if not sheets or not any(sheet.rows for sheet in sheets):
        raise _refused("no_rows", "The file holds no rows.", "Fill in the template.")
    order = list(columns)
    return sorted(sheets, key=lambda sheet: order.index(sheet.kind))
