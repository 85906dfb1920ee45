"""What lies where, what is kept, what expires; one lot, one kit, the ledger."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import F

from valvecare.core.errors import NotFound
from valvecare.core.permits import require_anywhere
from valvecare.parts.models import (
    Kit,
    Lot,
    Movement,
    PartNumber,
    ReceivingCheck,
    Reservation,
)
from valvecare.parts.reads.facts import (
    in_view,
    kit_facts,
    policy_on,
    site_day,
    valve_facts,
)
from valvecare.parts.rules import FitDecision, KitUse, LotState, ReservationState, fits
from valvecare.register.models import ProtectionValve

HORIZON_WEEKS = 8
LATEST = 100
"""Lines of a ledger shown at once."""


@dataclass(frozen=True, slots=True)
class LotLine:
    """One lot in the stock list."""

    id: int
    version: int
    site: str
    kit_id: int | None
    part_id: int | None
    item: str
    name: str
    store: str
    bin: str
    lot: str
    shelf_until: date | None
    certificate: str
    on_hand: int
    reserved: int
    available: int
    state: LotState
    quarantine_why: str
    missing: Sequence[str]


def _state(lot: Lot, today: date, horizon: timedelta) -> LotState:
    if not lot.on_hand:
        return LotState.EMPTY
    if lot.quarantined_at is not None:
        return LotState.QUARANTINED
    if lot.shelf_until is None or lot.shelf_until > today + horizon:
        return LotState.GOOD
    return LotState.EXPIRED if lot.shelf_until < today else LotState.EXPIRING


def horizon_on(day: date) -> timedelta:
    """How far the owner looks ahead."""
    policy = policy_on(day)
    return timedelta(weeks=policy.horizon_weeks if policy else HORIZON_WEEKS)


def lot_line(lot: Lot, at: datetime, horizon: timedelta) -> LotLine:
    """One lot as a line. The lot must carry site, kit, part, bin and store."""
    return LotLine(
        id=lot.pk,
        version=lot.version,
        site=lot.site.code,
        kit_id=lot.kit_id,
        part_id=lot.part_id,
        item=str(lot.item),
        name=lot.part.name if lot.part else "kit",
        store=lot.bin.store.name,
        bin=lot.bin.code,
        lot=lot.code,
        shelf_until=lot.shelf_until,
        certificate=lot.certificate,
        on_hand=lot.on_hand,
        reserved=lot.reserved,
        available=lot.available,
        state=_state(lot, site_day(lot.site, at), horizon),
        quarantine_why=lot.quarantine_why,
        missing=list(lot.missing),
    )


def stock_rows(user: Any, *, site: str = "", item: str = "", empty_too: bool = False) -> Any:
    """Lots this person may look at, with what a line needs, as a queryset."""
    rows = in_view(Lot, user).select_related("site", "kit", "part", "bin__store")
    if not empty_too:
        rows = rows.filter(on_hand__gt=0)
    if site:
        rows = rows.filter(site__code=site)
    if item:
        rows = rows.filter(kit__name=item) | rows.filter(part__code=item)
    return rows


def stock_list(
    user: Any, at: datetime, *, site: str = "", state: str = ""
) -> tuple[list[LotLine], dict[str, int]]:
    """The lots on hand with their states, and how many lots stand in each state."""
    horizon = horizon_on(at.date())
    rows = stock_rows(user, site=site).order_by(
        "site__code", "bin__store__name", "bin__code", F("shelf_until").asc(nulls_last=True), "id"
    )
    lines = [lot_line(lot, at, horizon) for lot in rows[:2_000]]
    totals: dict[str, int] = {}
    for line in lines:
        totals[line.state.value] = totals.get(line.state.value, 0) + 1
    return [line for line in lines if state in ("", line.state.value)], totals


@dataclass(frozen=True, slots=True)
class MovementLine:
    id: int
    lot_id: int
    kind: str
    quantity: int
    order_id: int | None
    order: str
    why: str
    by: str
    at: datetime


def movement_rows(user: Any, *, lot_id: int | None = None, order_id: int | None = None) -> Any:
    rows = in_view(Movement, user).select_related("order__valve", "by")
    if lot_id is not None:
        rows = rows.filter(lot=lot_id)
    return rows if order_id is None else rows.filter(order=order_id)


def movement_line(row: Movement) -> MovementLine:
    return MovementLine(
        row.pk,
        row.lot_id,
        row.kind,
        row.quantity,
        row.order_id,
        str(row.order) if row.order else "",
        row.why,
        row.by.get_username() if row.by else "",
        row.at,
    )


@dataclass(frozen=True, slots=True)
class ReservationLine:
    id: int
    lot_id: int
    item: str
    lot: str
    bin: str
    order_id: int
    order: str
    quantity: int
    state: str
    job_on: date
    fit: str
    at: datetime
    ended_why: str


def reservation_rows(user: Any, *, order_id: int | None = None, state: str = "") -> Any:
    rows = in_view(Reservation, user).select_related(
        "lot__kit", "lot__part", "lot__bin__store", "order__valve"
    )
    if order_id is not None:
        rows = rows.filter(order=order_id)
    return rows.filter(state=state) if state else rows


def reservation_line(row: Reservation) -> ReservationLine:
    return ReservationLine(
        row.pk,
        row.lot_id,
        str(row.lot.item),
        row.lot.code,
        str(row.lot.bin),
        row.order_id,
        str(row.order),
        row.quantity,
        row.state,
        row.job_on,
        row.fit,
        row.at,
        row.ended_why,
    )


@dataclass(frozen=True, slots=True)
class CheckLine:
    at: datetime
    by: str
    quantity: int
    is_accepted: bool
    checks: dict[str, str]
    words: str


@dataclass(frozen=True, slots=True)
class LotPage:
    """One lot with its ledger, what is kept of it, and how it came in."""

    line: LotLine
    time_zone: str
    kept: list[ReservationLine]
    movements: list[MovementLine]
    checks: list[CheckLine]
    serials: list[str]
    parts: list[str] = field(default_factory=list)


def lot_page(lot_id: int, user: Any, at: datetime) -> LotPage:
    """Raises `NotFound` for lots this person may not see."""
    lot = stock_rows(user, empty_too=True).filter(pk=lot_id).first()
    if lot is None:
        raise NotFound("There is no such lot for you.")
    kept = reservation_rows(user, state=ReservationState.OPEN.value).filter(lot=lot)
    checks = ReceivingCheck.objects.filter(lot=lot).select_related("by").order_by("-id")
    moved = movement_rows(user, lot_id=lot.pk).order_by("-id")[:LATEST]
    return LotPage(
        lot_line(lot, at, horizon_on(at.date())),
        lot.site.time_zone,
        [reservation_line(row) for row in kept],
        [movement_line(row) for row in moved],
        [
            CheckLine(
                row.at,
                row.by.get_username() if row.by else "",
                row.quantity,
                row.is_accepted,
                row.checks,
                row.words,
            )
            for row in checks
        ],
        list(lot.pieces.values_list("serial", flat=True)),
        list(lot.kit.lines.values_list("part__code", flat=True)) if lot.kit else [],
    )


@dataclass(frozen=True, slots=True)
class KitLineOut:
    part_id: int
    code: str
    name: str
    place: str
    quantity: int


@dataclass(frozen=True, slots=True)
class KitValve:
    """One valve of the kit's design family, and what the check says on the day."""

    valve_id: int
    valve: str
    site: str
    revision: str
    decision: FitDecision


@dataclass(frozen=True, slots=True)
class KitPage:
    id: int
    version: int
    name: str
    design: str
    use: KitUse
    media: Sequence[str]
    seal_material: str
    has_shelf_life: bool
    lead_weeks: int | None
    express_weeks: int | None
    price_eur: str | None
    note: str
    lines: list[KitLineOut]
    lots: list[LotLine]
    valves: list[KitValve]
    on: date

    @property
    def available(self) -> int:
        return sum(lot.available for lot in self.lots)


def kit_page(kit_id: int, user: Any, at: datetime, *, on: date) -> KitPage:
    """A kit with its parts, its lots at the person's sites, and the valves near its design."""
    require_anywhere(user, "view_parts")
    kit = Kit.objects.select_related("design").filter(pk=kit_id).first()
    if kit is None:
        raise NotFound("There is no such kit.")
    facts = kit_facts([kit])[kit.pk]
    policy = policy_on(on)
    horizon = horizon_on(at.date())
    design = kit.design
    near = (
        in_view(ProtectionValve, user)
        .filter(
            design__code=design.code,
            design__variant=design.variant,
            design__dn=design.dn,
            retired_at__isnull=True,
        )
        .select_related("design", "pump__group__site")
        .prefetch_related("fitted_parts__part")
        .order_by("tag")[:200]
    )
    return KitPage(
        id=kit.pk,
        version=kit.version,
        name=kit.name,
        design=str(design),
        use=KitUse(kit.use),
        media=kit.media,
        seal_material=kit.seal_material,
        has_shelf_life=kit.has_shelf_life,
        lead_weeks=kit.lead_weeks,
        express_weeks=kit.express_weeks,
        price_eur=str(kit.price_eur) if kit.price_eur is not None else None,
        note=kit.note,
        lines=[
            KitLineOut(line.part_id, line.part.code, line.part.name, line.part.place, line.quantity)
            for line in kit.lines.select_related("part")
        ],
        lots=[
            lot_line(lot, at, horizon)
            for lot in stock_rows(user).filter(kit=kit).order_by("site__code", "shelf_until", "id")
        ],
        valves=[
            KitValve(
                valve.pk,
                valve.tag,
                valve.pump.group.site.code,
                valve.design.revision if valve.design else "",
                fits(
                    valve_facts(
                        valve,
                        fitted=[
                            row.part.code
                            for row in valve.fitted_parts.all()
                            if row.removed_at is None
                        ],
                    ),
                    facts,
                    None,
                    job_on=on,
                    margin_days=policy.margin_days if policy else None,
                ),
            )
            for valve in near
        ],
        on=on,
    )


def catalogue(user: Any) -> tuple[list[Kit], list[PartNumber]]:
    """Kits and part numbers, for forms; the catalogue belongs to all sites."""
    require_anywhere(user, "view_parts")
    kits = Kit.objects.filter(retired_at__isnull=True).select_related("design")
    return list(kits), list(PartNumber.objects.filter(retired_at__isnull=True))
