"""What every import of sheets shares: rows with their cells read, errors as sentences, the answer.

Which kinds and columns there are, and what a row becomes, each import says for itself.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from valvecare.register.actions.import_columns import CellError, Column, parse
from valvecare.register.actions.import_sheets import Sheet


@dataclass(frozen=True)
class RowError:
    """One thing that is wrong, as a sentence with its place and the value found."""

    sheet: str
    row: int
    column: str
    value: str
    words: str

    def __str__(self) -> str:
        at = f"Sheet {self.sheet}, row {self.row}"
        if self.column:
            shown = f"'{self.value}' " if self.value else ""
            return f"{at}, column {self.column}: {shown}{self.words}."
        return f"{at}: {self.words}."


@dataclass(frozen=True)
class RowChange:
    """A row that is new or changes, for the preview. `changes`: field, before, after."""

    sheet: str
    row: int
    name: str
    is_new: bool
    changes: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class KindCount:
    kind: str
    rows: int
    added: int
    changed: int
    unchanged: int
    refused: int


@dataclass(frozen=True)
class ImportResult:
    """What an import did, or would do. `was_written` is False for a dry run and when errors
    stopped it; then nothing was written at all."""

    counts: tuple[KindCount, ...]
    errors: tuple[RowError, ...]
    changes: tuple[RowChange, ...]
    fingerprint: str
    is_dry_run: bool
    was_written: bool

    @property
    def added(self) -> int:
        return sum(count.added for count in self.counts)

    @property
    def changed(self) -> int:
        return sum(count.changed for count in self.counts)

    @property
    def unchanged(self) -> int:
        return sum(count.unchanged for count in self.counts)


@dataclass
class RowsRead:
    """What reading the sheets found: rows and unchanged rows by kind, and everything wrong."""

    rows: dict[Any, int] = field(default_factory=dict)
    unchanged: dict[Any, int] = field(default_factory=dict)
    bad_rows: dict[Any, set[int]] = field(default_factory=dict)
    errors: list[RowError] = field(default_factory=list)

    def wrong(self, kind: StrEnum, row: int, column: str, value: Any, words: str) -> None:
        shown = "" if value is None else str(value)
        shown = shown if len(shown) <= 60 else f"{shown[:57]}…"
        self.errors.append(RowError(kind.value, row, column, shown, words))
        self.bad_rows.setdefault(kind, set()).add(row)

    def same(self, kind: StrEnum) -> None:
        """Count a row that changes nothing."""
        self.unchanged[kind] = self.unchanged.get(kind, 0) + 1

    def good_rows(
        self, sheet: Sheet, columns: Mapping[Any, Sequence[Column]], mark: str
    ) -> Iterator[tuple[int, tuple[Any, ...], dict[str, Any]]]:
        """(row number, natural key, values by column) of the rows whose cells can all be read.

        The others, and a key that stands twice, are noted as wrong.
        """
        kind = sheet.kind
        self.rows[kind] = self.rows.get(kind, 0) + len(sheet.rows)
        named = {column.name: column for column in columns[kind]}
        width = [(index, named[name]) for index, name in enumerate(sheet.header) if name]
        first: dict[Any, int] = {}
        for number, cells in sheet.rows:
            values = self._cells(kind, number, width, cells, mark)
            if values is None:
                continue
            key = tuple(values[column.name] for column in columns[kind] if column.is_key)
            if key in first:
                words = f"stands in row {first[key]} already"
                name = " ".join(str(part) for part in key if part not in ("", None))
                self.wrong(kind, number, "", None, f"{name} {words}")
                continue
            first[key] = number
            yield number, key, values

    def _cells(
        self, kind: StrEnum, number: int, width: Any, cells: Sequence[Any], mark: str
    ) -> dict[str, Any] | None:
        values: dict[str, Any] = {}
        good = True
        for index, column in width:
            try:
                values[column.name] = parse(column, cells[index], mark)
            except CellError as error:
                self.wrong(kind, number, column.name, cells[index], str(error))
                good = False
        return values if good else None

    def is_whole(
        self, kind: StrEnum, number: int, columns: Sequence[Column], values: Mapping[str, Any]
    ) -> bool:
        """A new row needs its needed columns, and every identity column to be said."""
        good = True
        for column in columns:
            asked = column.is_needed or (column.is_identity and not column.may_be_left_out)
            if asked and column.name not in values:
                said = ", with a value or the words 'not known'" if column.is_identity else ""
                words = f"the column is missing; a new record needs it{said}"
                self.wrong(kind, number, column.name, None, words)
                good = False
        return good


def fingerprint_of(lines: Iterable[str]) -> str:
    """Equal for equal plans; a confirmation is only good for the plan that was shown."""
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:32]


def shown(value: Any) -> str:
    """A value as the preview shows it.

    >>> shown(True), shown(["water", "condensate"]), shown(None), shown(4)
    ('yes', 'water; condensate', 'not known', '4')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "; ".join(map(str, value))
    return "not known" if value is None else str(value)


def half(reason: Any) -> str:
    """A reason as the second half of a sentence."""
    text = str(reason).rstrip(".")
    return text[:1].lower() + text[1:]
