"""The columns of the store's sheets, read by import, export and template."""

from collections.abc import Mapping
from typing import Any

from valvecare.parts.models import Bin, Kit, KitLine, Lot, PartNumber, Store
from valvecare.parts.reads.facts import in_view
from valvecare.parts.rules import PartsSheet as Kind
from valvecare.register.actions.import_columns import Column, column_of, names_of, ref
from valvecare.register.rules import Limit

_SITE = "Code of the site."
SEPARATOR = ";"
"""Between the entries of a cell that holds several."""


def entries(text: str) -> list[str]:
    """The entries of a cell.

    >>> entries("water; condensate;")
    ['water', 'condensate']
    """
    return [one.strip() for one in text.split(SEPARATOR) if one.strip()]


def _site(path: Any) -> Column:
    return ref("site", _SITE, path, is_key=True, is_needed=True)


def _named(name: str, help: str, get: Any, **more: Any) -> Column:
    return ref(name, help, get, is_key=True, is_needed=True, **more)


COLUMNS: Mapping[Kind, tuple[Column, ...]] = {
    Kind.PART_NUMBERS: (
        column_of(PartNumber, "code", is_key=True),
        *(column_of(PartNumber, name) for name in names_of(PartNumber, "code")),
    ),
    Kind.KITS: (
        column_of(Kit, "name", is_key=True),
        ref("design", "Code of the valve design.", lambda row: row.design.code, is_needed=True),
        ref(
            "design_variant",
            "Variant of the design; empty: the plain one.",
            lambda row: row.design.variant,
        ),
        ref(
            "design_dn",
            "Nominal size of the design.",
            lambda row: row.design.dn,
            shape="whole",
            is_needed=True,
            limit=Limit(0, 32767, low_counts=True),
        ),
        ref(
            "design_revision",
            "Revision of the design, or 'not known'.",
            lambda row: row.design.revision,
            is_needed=True,
        ),
        ref(
            "media",
            "Media it may meet, with ; between, or 'any'; empty: not known.",
            lambda row: f"{SEPARATOR} ".join(row.media),
        ),
        *(column_of(Kit, name) for name in names_of(Kit, "name", "design", "media")),
    ),
    Kind.KIT_LINES: (
        _named("kit", "Name of the kit.", lambda row: row.kit.name),
        _named("part", "Part number.", lambda row: row.part.code),
        Column(
            "quantity",
            "whole",
            is_needed=True,
            limit=Limit(1, 1000, low_counts=True),
            help="The file's lines of a kit replace all its lines.",
        ),
    ),
    Kind.STORES: (_site(lambda row: row.site.code), column_of(Store, "name", is_key=True)),
    Kind.BINS: (
        _site(lambda row: row.store.site.code),
        _named("store", "Name of the store.", lambda row: row.store.name),
        column_of(Bin, "code", is_key=True),
    ),
    Kind.LOTS: (
        _site(lambda row: row.site.code),
        _named("store", "Name of the store.", lambda row: row.bin.store.name),
        _named("bin", "Code of the bin.", lambda row: row.bin.code),
        ref(
            "kit",
            "Name of the kit; empty where it is a loose part.",
            lambda row: row.kit.name if row.kit else "",
            is_key=True,
        ),
        ref(
            "part",
            "Part number; empty where it is a kit.",
            lambda row: row.part.code if row.part else "",
            is_key=True,
        ),
        _named("lot", "Lot code.", lambda row: row.code, longest=58),
        Column(
            "quantity",
            "whole",
            is_needed=True,
            limit=Limit(1, 1_000_000, low_counts=True),
            get=lambda row: row.on_hand,
            help="On hand; of a lot that is in the ledger already it is compared only.",
        ),
        column_of(Lot, "shelf_until"),
        ref(
            "cured_on",
            "Cure date of rubber, when the packing gives no last day of use.",
            lambda row: None,
            shape="date",
        ),
        column_of(Lot, "certificate"),
        ref("serials", "Serial numbers of the pieces, with ; between.", lambda row: ""),
        ref(
            "checked",
            "What was looked at when it was taken over: marking, packing, count, …",
            lambda row: "as in the ledger",
            is_needed=True,
            longest=120,
        ),
        ref(
            "accepted",
            "no: it goes into quarantine as a lot of its own; the column may be left out.",
            lambda row: True,
            shape="flag",
        ),
        ref("words", "What was found; needed when not accepted.", lambda row: "", longest=300),
    ),
}


def rows_of(kind: Kind, user: Any) -> Any:
    """The rows of a kind in use that the person sees. Of lots: what is on the shelf."""
    live: Mapping[str, Any] = {"retired_at__isnull": True}
    if kind is Kind.PART_NUMBERS:
        return PartNumber.objects.filter(**live).order_by("code")
    if kind is Kind.KITS:
        return Kit.objects.filter(**live).select_related("design").order_by("name")
    if kind is Kind.KIT_LINES:
        lines = KitLine.objects.filter(kit__retired_at__isnull=True)
        return lines.select_related("kit", "part").order_by("kit__name", "id")
    if kind is Kind.STORES:
        stores = in_view(Store, user).filter(**live).select_related("site")
        return stores.order_by("site__code", "name")
    if kind is Kind.BINS:
        bins = in_view(Bin, user).filter(**live).select_related("store__site")
        return bins.order_by("store__site__code", "store__name", "code")
    lots = in_view(Lot, user).filter(on_hand__gt=0, quarantined_at=None)
    return lots.select_related("site", "bin__store", "kit", "part").order_by("site__code", "id")
