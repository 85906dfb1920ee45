"""Stores and bins, what lies in them, and what of them may carry a label."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from valvecare.core.errors import NotFound
from valvecare.parts.models import Bin, Lot, Store
from valvecare.parts.reads.facts import in_view, seen
from valvecare.parts.reads.stock import LotLine, horizon_on, lot_line, stock_rows
from valvecare.register.reads import (
    Labelled,
    LabelSource,
    Target,
    label_of,
    live_labels,
    register_label_source,
)
from valvecare.register.rules import LabelKind, label_code


@dataclass(frozen=True, slots=True)
class BinLine:
    """One bin of a store: how many lots lie in it, and the code on its plate."""

    id: int
    version: int
    code: str
    lots: int
    label: str


@dataclass(frozen=True, slots=True)
class StoreLine:
    id: int
    version: int
    site: str
    name: str
    bins: tuple[BinLine, ...]


@dataclass(frozen=True, slots=True)
class BinPage:
    """What lies in one bin."""

    id: int
    store: str
    site: str
    code: str
    is_retired: bool
    lots: tuple[LotLine, ...]


def stores_of(user: Any) -> list[StoreLine]:
    """The stores and bins in use at the person's sites. Four queries, however many."""
    stores = list(in_view(Store, user).filter(retired_at=None).select_related("site"))
    bins = list(in_view(Bin, user).filter(retired_at=None).order_by("code"))
    labels = live_labels(LabelKind.BIN, [one.pk for one in bins])
    filled: dict[int, int] = {}
    for bin_id in in_view(Lot, user).filter(on_hand__gt=0).values_list("bin_id", flat=True):
        filled[bin_id] = filled.get(bin_id, 0) + 1
    return [
        StoreLine(
            store.pk,
            store.version,
            store.site.code,
            store.name,
            tuple(
                BinLine(
                    one.pk,
                    one.version,
                    one.code,
                    filled.get(one.pk, 0),
                    labels[one.pk].code if one.pk in labels else "",
                )
                for one in bins
                if one.store_id == store.pk
            ),
        )
        for store in sorted(stores, key=lambda store: (store.site.code, store.name))
    ]


def bin_page(bin_id: int, user: Any, at: datetime) -> BinPage:
    """One bin with its lots. Raises `NotFound`."""
    found = seen(Bin, bin_id, user, related=("store__site",))
    rows = stock_rows(user).filter(bin=found).order_by("shelf_until", "id")
    horizon = horizon_on(at.date())
    return BinPage(
        found.pk,
        found.store.name,
        found.store.site.code,
        found.code,
        found.is_retired,
        tuple(lot_line(lot, at, horizon) for lot in rows),
    )


def labelled_place(text: str, user: Any) -> Target | None:
    """The bin or kit whose label was scanned or typed; None where the text is no such label."""
    code = label_code(text)
    if code is None:
        return None
    try:
        label, target = label_of(user, code)
    except NotFound:
        return None
    is_ours = target.kind in (LabelKind.BIN, LabelKind.KIT)
    return target if is_ours and not label.is_retired else None


def _bin_target(user: Any, pk: int) -> Target | None:
    found = in_view(Bin, user).select_related("store__site").filter(pk=pk).first()
    if found is None:
        return None
    return Target(
        LabelKind.BIN,
        pk,
        str(found),
        found.store.site,
        f"bin of {found.store.name}",
        "bin",
        (pk,),
        found.is_retired,
    )


def _bin_rows(user: Any, site: str, group: str) -> Any:
    rows = in_view(Bin, user).filter(retired_at=None)
    if site:
        rows = rows.filter(store__site__code=site)
    return rows.select_related("store__site").order_by("store__site__code", "store__name", "code")


def _bin_line(row: Bin) -> Labelled:
    return Labelled(row.pk, str(row), row.store.site.code)


def _kit_target(user: Any, pk: int) -> Target | None:
    """A kit's plate is that of its lot: what came in together may be issued alike."""
    rows = in_view(Lot, user).filter(kit__isnull=False)
    lot = rows.select_related("kit", "site", "bin__store").filter(pk=pk).first()
    if lot is None:
        return None
    return Target(
        LabelKind.KIT, pk, f"{lot.kit} {lot.code}", lot.site, f"in {lot.bin}", "lot", (pk,), False
    )


def _kit_rows(user: Any, site: str, group: str) -> Any:
    rows = in_view(Lot, user).filter(kit__isnull=False, on_hand__gt=0)
    if site:
        rows = rows.filter(site__code=site)
    return rows.select_related("kit", "site", "bin__store").order_by(
        "site__code", "kit__name", "code"
    )


def _kit_line(lot: Lot) -> Labelled:
    return Labelled(lot.pk, f"{lot.kit} {lot.code}", f"{lot.site.code}, {lot.bin}")


register_label_source(LabelKind.BIN, LabelSource(_bin_target, _bin_rows, _bin_line))
register_label_source(LabelKind.KIT, LabelSource(_kit_target, _kit_rows, _kit_line))
