"""Import part numbers, kits, stores, bins and what lies in them from a file.

Each row goes through the action a person would use, in a savepoint of its own; the file is one
transaction. A dry run does the same and takes it all back, so it says just what would happen.
"""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from enum import StrEnum
from pathlib import PurePath
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import IntegrityError, transaction

from valvecare.core.errors import ActionError, Reason, Refused
from valvecare.core.permits import require_anywhere
from valvecare.parts.actions.catalogue import PERMIT, add_kit, add_part, change_kit, change_part
from valvecare.parts.actions.import_columns import COLUMNS, entries
from valvecare.parts.actions.receive import NOT_ACCEPTED, receive
from valvecare.parts.actions.stores import add_bin, add_store
from valvecare.parts.models import Bin, Kit, Lot, PartNumber, Store
from valvecare.parts.rules import PartsSheet as Kind
from valvecare.register.actions.import_columns import decimal_mark
from valvecare.register.actions.import_rows import (
    ImportResult,
    KindCount,
    RowChange,
    RowsRead,
    fingerprint_of,
    half,
    shown,
)
from valvecare.register.actions.import_sheets import Sheet, read_sheets
from valvecare.register.models import Site, ValveDesign

MAX_ROWS = 1_000
"""Of one file. A row is an action with its event, 2 to 10 ms of processor time (measured); a whole
file stays below the 20 s that others wait for SQLite."""
_GONE = "is retired; a retired record is not changed"
Values = dict[str, Any]


def import_parts(
    data: bytes,
    name: str,
    *,
    actor: Any,
    at: datetime,
    kind: str | None = None,
    locale: str = "en",
    dry_run: bool = False,
    good_rows_only: bool = False,
    reason: str = "",
    confirm: str = "",
) -> ImportResult:
    """Import a CSV or XLSX file of the store; the rules of `import_register` for errors hold.

    A lot that is in the ledger already is compared and never changed: stock moves by receiving,
    issuing and counting.

    Raises `Forbidden` for who may change parts nowhere, `Refused` when the file cannot be read,
    is longer than `MAX_ROWS`, or no longer does what the dry run with the fingerprint `confirm`
    showed.
    """
    require_anywhere(actor, PERMIT)
    mark = decimal_mark(locale)
    sheets = read_sheets(data, name, COLUMNS, Kind(kind) if kind else None)
    length = sum(len(sheet.rows) for sheet in sheets)
    if length > MAX_ROWS:
        raise Refused(
            Reason(
                "too_many_rows",
                f"The file has {length} rows; {MAX_ROWS} are read.",
                "Import it in parts: catalogue first, then stores and bins, then lots.",
            )
        )
    with transaction.atomic():
        told = reason.strip() or f"import of {PurePath(name).name}"
        found = _Import(actor, at, mark, told[:300])
        found.read(sheets)
        stands = not dry_run and (good_rows_only or not found.errors)
        result = found.result(is_dry_run=dry_run, was_written=stands and bool(found.changes))
        if confirm and result.fingerprint != confirm:
            raise Refused(
                Reason(
                    "plan_changed",
                    "The store has changed since the preview.",
                    "Look at the new preview and confirm that.",
                )
            )
        if not result.was_written:
            transaction.set_rollback(True)
    return result


class _Import(RowsRead):
    """What the rows did so far; later rows see what earlier ones wrote."""

    def __init__(self, actor: Any, at: datetime, mark: str, told: str) -> None:
        super().__init__()
        self.by: Mapping[str, Any] = {"actor": actor, "at": at}
        self.mark, self.told = mark, told
        self.changes: list[RowChange] = []
        seen: Iterable[Site] = Site.objects.for_user(actor)
        self.sites = {site.code: site for site in seen}
        self.lines: dict[str, list[tuple[int, Values]]] = {}
        self.new_kits: set[str] = set()

    def read(self, sheets: Iterable[Sheet]) -> None:
        """Do every row, in the order of the kinds. The lines of a new kit are added with it."""
        rows: dict[Kind, list[Any]] = {}
        for sheet in sheets:
            found = self.good_rows(sheet, COLUMNS, self.mark)
            rows.setdefault(Kind(sheet.kind), []).extend(found)
        for number, key, values in rows.pop(Kind.KIT_LINES, ()):
            if self.is_whole(Kind.KIT_LINES, number, COLUMNS[Kind.KIT_LINES], values):
                self.lines.setdefault(key[0], []).append((number, values))
        acts: Mapping[Kind, Callable[[int, Any, Values], None]] = {
            Kind.PART_NUMBERS: self._part,
            Kind.KITS: self._kit,
            Kind.STORES: self._store,
            Kind.BINS: self._bin,
            Kind.LOTS: self._lot,
        }
        for kind in Kind:
            if kind is Kind.KIT_LINES:
                for name, lines in self.lines.items():
                    self._act(kind, lines[0][0], self._lines, name, lines)
            for number, key, values in rows.get(kind, ()):
                self._act(kind, number, acts[kind], number, key, values)
        order = list(Kind)
        self.errors.sort(key=lambda error: (order.index(Kind(error.sheet)), error.row))

    def _act(self, kind: Kind, number: int, act: Callable[..., None], *given: Any) -> None:
        try:
            with transaction.atomic():
                act(*given)
        except ValidationError as error:
            for field, texts in _texts(error):
                self.wrong(kind, number, field, None, half(" ".join(texts)))
        except ActionError as refusal:
            self.wrong(kind, number, "", None, half(refusal))
        except IntegrityError:
            self.wrong(kind, number, "", None, "contradicts what is in the store already")

    def _note(
        self, kind: StrEnum, number: int, name: str, moved: Mapping[str, tuple[Any, Any]], new: bool
    ) -> None:
        told = tuple((field, shown(was), shown(now)) for field, (was, now) in moved.items())
        self.changes.append(RowChange(kind.value, number, name, new, told))

    def _plain(
        self, kind: Kind, number: int, values: Values, row: Any, add: Any, change: Any, **more: Any
    ) -> None:
        """A row of the catalogue: add it, change what differs, or count it as the same."""
        wanted = {
            column.field: values[column.name]
            for column in COLUMNS[kind]
            if column.field and column.name in values
        } | more
        if row is None:
            if self.is_whole(kind, number, COLUMNS[kind], values):
                made = add(**wanted, **self.by)
                was = {name: (None, value) for name, value in wanted.items()}
                self._note(kind, number, str(made), was, new=True)
            return
        moved = {
            name: (before, value)
            for name, value in wanted.items()
            if (before := getattr(row, name)) != value
        }
        if row.is_retired:
            self.wrong(kind, number, "", None, f"{row} {_GONE}")
        elif not moved:
            self.same(kind)
        else:
            changes = {name: value for name, (_, value) in moved.items()}
            change(row.pk, changes, version=row.version, reason=self.told, **self.by)
            self._note(kind, number, str(row), moved, new=False)

    def _part(self, number: int, key: Any, values: Values) -> None:
        row = PartNumber.objects.filter(code=key[0]).first()
        self._plain(Kind.PART_NUMBERS, number, values, row, add_part, change_part)

    def _kit(self, number: int, key: Any, values: Values) -> None:
        kind = Kind.KITS
        row = Kit.objects.filter(name=key[0]).select_related("design").first()
        more: Values = {}
        if "media" in values:
            more["media"] = entries(values["media"])
        design = self._design(number, values, row)
        if design is None:
            return
        lines = self._quantities(self.lines.get(key[0], ())) if row is None else {}
        if row is None and self._are_lines_broken():
            self.wrong(kind, number, "", None, "its lines in this file cannot all be read")
            return

        def add(**fields: Any) -> Kit:
            made = add_kit(design.pk, lines, **fields)
            self.new_kits.add(made.name)
            return made

        self._plain(kind, number, values, row, add, change_kit, **more)

    def _design(self, number: int, values: Values, kit: Kit | None) -> ValveDesign | None:
        """The design of the row; of a kit that exists it is compared only."""
        named = [name for name in values if name.startswith("design")]
        if kit is not None and not named:
            return kit.design
        wanted = {
            "code": values.get("design", ""),
            "variant": values.get("design_variant", ""),
            "dn": values.get("design_dn"),
            "revision": values.get("design_revision", ""),
        }
        design = ValveDesign.objects.filter(**wanted, retired_at=None).first()
        said = " ".join(str(part) for part in wanted.values() if part not in ("", None))
        if design is None:
            if self.is_whole(Kind.KITS, number, COLUMNS[Kind.KITS], values):
                self.wrong(Kind.KITS, number, "design", said, "is no valve design in use")
        elif kit is not None and kit.design_id != design.pk:
            words = f"is another design than that of the kit, {kit.design}; add another kit"
            self.wrong(Kind.KITS, number, "design", said, words)
            return None
        return design

    def _are_lines_broken(self) -> bool:
        """A line that cannot be read may belong to any kit, so none is replaced in part."""
        return any(error.sheet == Kind.KIT_LINES and error.column for error in self.errors)

    def _quantities(self, lines: Iterable[tuple[int, Values]]) -> dict[str, int]:
        return {values["part"]: values["quantity"] for _, values in lines}

    def _lines(self, name: str, lines: list[tuple[int, Values]]) -> None:
        kind, first = Kind.KIT_LINES, lines[0][0]
        kit = Kit.objects.filter(name=name).first()
        if kit is None:
            words = "is neither a kit of the catalogue nor in a good row of this file"
            self.wrong(kind, first, "kit", name, words)
            return
        if self._are_lines_broken():
            words = "the lines of this kit are left out while a row of this sheet cannot be read"
            self.wrong(kind, first, "", None, words)
            return
        wanted = self._quantities(lines)
        before: dict[str, int] = {}
        if name not in self.new_kits:
            rows = kit.lines.select_related("part")
            before = {line.part.code: line.quantity for line in rows}
            if before != wanted:
                given: Values = {"version": kit.version, "lines": wanted, "reason": self.told}
                change_kit(kit.pk, {}, **given, **self.by)
        for at, values in lines:
            part, quantity = values["part"], values["quantity"]
            if before.get(part) == quantity:
                self.same(kind)
            else:
                moved = {"quantity": (before.get(part), quantity)}
                self._note(kind, at, f"{part} in {name}", moved, new=part not in before)
        gone = sorted(set(before) - set(wanted))
        if gone:
            self._note(kind, first, name, {"left out": (", ".join(gone), "")}, new=False)

    def _at(self, kind: Kind, number: int, code: str) -> Site | None:
        site = self.sites.get(code)
        if site is None or site.is_retired:
            self.wrong(kind, number, "site", code, "there is no such site for you in use")
            return None
        return site

    def _store_of(self, kind: Kind, number: int, key: Any) -> Store | None:
        site = self._at(kind, number, key[0])
        store = Store.objects.filter(site=site, name=key[1]).first() if site else None
        if site is not None and store is None:
            words = "is neither a store here nor in a good row of this file"
            self.wrong(kind, number, "store", key[1], words)
        return store

    def _place(self, kind: Kind, number: int, row: Any, add: Callable[[], Any]) -> None:
        """A store or a bin: it is there, or it is added."""
        if row is None:
            self._note(kind, number, str(add()), {}, new=True)
        elif row.is_retired:
            self.wrong(kind, number, "", None, f"{row} {_GONE}")
        else:
            self.same(kind)

    def _store(self, number: int, key: Any, values: Values) -> None:
        site = self._at(Kind.STORES, number, key[0])
        if site is not None:
            row = Store.objects.filter(site=site, name=key[1]).first()
            self._place(Kind.STORES, number, row, lambda: add_store(site.pk, key[1], **self.by))

    def _bin(self, number: int, key: Any, values: Values) -> None:
        store = self._store_of(Kind.BINS, number, key)
        if store is not None:
            row = Bin.objects.filter(store=store, code=key[2]).first()
            self._place(Kind.BINS, number, row, lambda: add_bin(store.pk, key[2], **self.by))

    def _lot(self, number: int, key: Any, values: Values) -> None:
        kind = Kind.LOTS
        _, _, bin_code, kit_name, part_code, code = key
        store = self._store_of(kind, number, key)
        if store is None or not self.is_whole(kind, number, COLUMNS[kind], values):
            return
        place = Bin.objects.filter(store=store, code=bin_code, retired_at=None).first()
        if place is None:
            words = "is neither a bin in use there nor in a good row of this file"
            self.wrong(kind, number, "bin", bin_code, words)
            return
        if bool(kit_name) == bool(part_code):
            self.wrong(kind, number, "kit", kit_name, "name a kit or a part number, one of them")
            return
        kit = Kit.objects.filter(name=kit_name).first() if kit_name else None
        part = PartNumber.objects.filter(code=part_code).first() if part_code else None
        item = kit or part
        if item is None or item.is_retired:
            column, value = ("kit", kit_name) if kit_name else ("part", part_code)
            self.wrong(kind, number, column, value, "is not in the catalogue")
            return
        is_accepted = values.get("accepted", True)
        stored = code if is_accepted else code + NOT_ACCEPTED
        lot = Lot.objects.filter(bin=place, kit=kit, part=part, code=stored).first()
        quantity = values["quantity"]
        if lot is not None:
            self._compare(number, lot, quantity, values.get("shelf_until"))
            return
        made = receive(
            place.pk,
            code,
            quantity,
            kit_id=kit.pk if kit else None,
            part_id=part.pk if part else None,
            shelf_until=values.get("shelf_until"),
            cured_on=values.get("cured_on"),
            certificate=values.get("certificate", ""),
            serials=entries(values.get("serials", "")),
            checks={"taken over": values["checked"]},
            is_accepted=is_accepted,
            words=values.get("words") or self.told,
            **self.by,
        )
        moved = {"quantity": (None, quantity), "shelf_until": (None, made.shelf_until)}
        self._note(kind, number, f"{made} in {place}", moved, new=True)

    def _compare(self, number: int, lot: Lot, quantity: int, until: Any) -> None:
        if lot.on_hand != quantity:
            words = (
                f"is not the {lot.on_hand} on hand of this lot, which is in the ledger already; "
                "receive, issue or count it instead"
            )
            self.wrong(Kind.LOTS, number, "quantity", quantity, words)
        elif until is not None and until != lot.shelf_until:
            words = f"is not the last day of this lot, {lot.shelf_until}, which is in the ledger"
            self.wrong(Kind.LOTS, number, "shelf_until", until, words)
        else:
            self.same(Kind.LOTS)

    def result(self, *, is_dry_run: bool, was_written: bool) -> ImportResult:
        counts = []
        for kind in (kind for kind in Kind if kind in self.rows):
            mine = [change for change in self.changes if change.sheet == kind]
            added = sum(change.is_new for change in mine)
            counts.append(
                KindCount(
                    kind.value,
                    self.rows[kind],
                    added,
                    len(mine) - added,
                    self.unchanged.get(kind, 0),
                    len(self.bad_rows.get(kind, ())),
                )
            )
        lines = [repr(change) for change in self.changes] + [str(error) for error in self.errors]
        return ImportResult(
            tuple(counts),
            tuple(self.errors),
            tuple(self.changes),
            fingerprint_of(lines),
            is_dry_run,
            was_written,
        )


def _texts(error: ValidationError) -> Iterable[tuple[str, list[str]]]:
    """Field ('' for the whole row) and what is wrong with it."""
    if not hasattr(error, "error_dict"):
        return [("", error.messages)]
    return [
        ("" if field == NON_FIELD_ERRORS else field, texts)
        for field, texts in error.message_dict.items()
    ]
