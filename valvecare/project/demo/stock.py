"""The shelves of the demo world, filled by the usual actions, and the kit that came back short.

All part numbers, lots and prices are invented.
"""

from calendar import monthrange
from datetime import UTC, date, datetime
from typing import Any

from valvecare.models import Kit, Lot, ProtectionValve, Site, ValveDesign, WorkOrder
from valvecare.parts.actions import (
    add_kit,
    add_part,
    add_store,
    issue,
    receive,
    return_unused,
    set_parts_policy,
)
from valvecare.parts.rules import KitUse
from valvecare.project.demo.shape import records
from valvecare.project.demo.world import BUILT_AT, people

RECEIVED_AT = datetime(2025, 1, 15, 9, 0, tzinfo=UTC)
"""When the invented lots came in."""

PARTS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "soft": (("GSK", "cover gasket", "cover gasket"), ("RNG", "set of O-rings", "O-ring")),
    "lever": (("PIN", "lever pin", "lever pin"), ("BSH", "lever bush", "lever bush")),
    "trim": (
        ("GSK", "cover gasket", "cover gasket"),
        ("TRM", "bypass trim", "bypass trim"),
        ("BRK", "pressure-breaking bushing", "pressure-breaking bushing"),
    ),
    "seat": (("DSC", "main disc", "main disc"), ("SEA", "body seat", "body seat")),
    "spring": (
        ("SPR", "closing spring", "closing spring"),
        ("SPS", "spring seat", "spring seat"),
    ),
    "sleeve": (("SLV", "bypass sleeve", "bypass sleeve"),),
}
"""Parts of a kit by the last word of its name: ending of the number, name, part of the valve."""

RUBBER_MONTHS = 60
"""Shelf life of the invented rubber parts, months; groups as in ISO 2230, from memory."""
TRAP = ("FIR100S-200-spring", "SM-HP-4V")
"""The kit that was handed out for an order and came back without its spring."""


def last_day(text: str) -> date:
    """The last usable day: of a month '2030-02' its last day, else the day itself."""
    if len(text) > 7:
        return date.fromisoformat(text)
    year, month = (int(part) for part in text.split("-"))
    return date(year, month, monthrange(year, month)[1])


def _parts(stem: str, kind: str, who: dict[str, Any], made: set[str]) -> dict[str, int]:
    lines = {}
    for ending, name, place in PARTS[kind]:
        code = f"{stem}-{ending}"
        if code not in made:
            rubber = RUBBER_MONTHS if ending in ("GSK", "RNG") else None
            add_part(code=code, name=name, place=place, shelf_life_months=rubber, **who)
            made.add(code)
        lines[code] = 1
    return lines


def fill() -> None:
    """Policy, part numbers, kits, one store for each site, and what lies on its shelves."""
    who = {"actor": people(), "at": BUILT_AT}
    set_parts_policy(
        margin_days=14,
        stock_target=0.95,
        horizon_weeks=8,
        source="policy of the invented owner: rubber lasts two weeks beyond the job, 95 % of cover",
        owner="reliability engineer",
        valid_from=BUILT_AT.date(),
        **who,
    )
    stores = {
        site.code: add_store(site.pk, f"{site.code} store", **who)
        for site in Site.objects.order_by("code")
    }
    made: set[str] = set()
    rows = records("kits")
    soft = {tuple(row["fits"]) for row in rows if row["name"].endswith("-soft")}
    for number, row in enumerate(rows, start=1):
        code, variant, dn, revision = row["fits"]
        design = ValveDesign.objects.get(code=code, variant=variant, dn=dn, revision=revision)
        stem, _, kind = row["name"].rpartition("-")
        sites = sorted(
            set(
                ProtectionValve.objects.filter(design=design).values_list(
                    "pump__group__site__code", flat=True
                )
            )
        )
        # a trim that is the only kit of its revision holds the gaskets, too
        always = kind == "soft" or (kind == "trim" and tuple(row["fits"]) not in soft)
        only_sea = sites == ["SM"]
        media = ["sea water"] if only_sea else ["water"]
        if "SM" in sites and not only_sea:
            media.append("sea water")
        kit = add_kit(
            design.pk,
            _parts(stem, kind, who, made),
            name=row["name"],
            use=(KitUse.EVERY_STRIP_DOWN if always else KitUse.WHEN_WORN).value,
            media=["sea water"]
            if only_sea
            else ["water", *(["sea water"] if "SM" in sites else [])],
            seal_material="NBR" if only_sea else "EPDM",
            has_shelf_life=kind in ("soft", "trim") or row["rubber_until"] is not None,
            lead_weeks=row["lead_weeks"],
            express_weeks=row["express_weeks"],
            price_eur=row["price_eur"],
            **who,
        )
        left = row["on_shelf"]
        for place, site in enumerate(sites):
            share = -(-left // (len(sites) - place))
            left -= share
            if share:
                _shelve(kit, stores[site], f"A-{number:02d}", row, share)


def _shelve(kit: Kit, store: Any, code: str, row: dict[str, Any], quantity: int) -> Lot:
    extra = 1 if row["name"] == TRAP[0] else 0
    bin_ = store.bins.create(code=code)
    return receive(
        bin_.pk,
        row["lot"],
        quantity + extra,
        kit_id=kit.pk,
        shelf_until=last_day(row["rubber_until"]),
        certificate=f"invented certificate {row['lot']}",
        checks={"marking": f"revision {kit.design.revision}", "dimensions": "as drawn"},
        actor=people(),
        at=RECEIVED_AT,
        key=f"demo {store} {kit}",
    )


def trap(at: datetime) -> None:
    """A kit was handed out, its spring was taken out of it, and the rest came back."""
    name, tag = TRAP
    order = WorkOrder.objects.open().filter(valve__tag=tag).order_by("id").first()
    lot = Lot.objects.filter(kit__name=name, missing=[]).first()
    if order is None or lot is None:
        return
    who = {"actor": people(), "at": at}
    issue(order.pk, lot.pk, **who)
    spring = lot.kit.lines.get(part__place="closing spring").part.code
    return_unused(
        order.pk,
        lot.pk,
        is_whole=False,
        missing=[spring],
        why="The spring was taken for another job.",
        **who,
    )
