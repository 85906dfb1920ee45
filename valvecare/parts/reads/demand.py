"""What will be asked in the coming weeks, what is short, what can be done about it.

Orders and windows stand above this capability: their rows are read through the relations of the
tables, none of their code is imported.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db.models import Sum

from valvecare.core.permits import sites_where
from valvecare.due.models import DueItem
from valvecare.parts.models import FittedPart, Kit, Lot, Movement, Purchase, Reservation
from valvecare.parts.reads.facts import (
    in_view,
    kit_facts,
    lot_facts,
    orders,
    policy_on,
    site_day,
    valve_facts,
)
from valvecare.parts.reads.stock import horizon_on
from valvecare.parts.rules import (
    KINDS_THAT_NEED_A_KIT,
    FitDecision,
    KitFacts,
    KitUse,
    MovementKind,
    NeedState,
    Offer,
    PurchaseState,
    ReservationState,
    StockProposal,
    fits,
    needed_on,
    offers,
    stock_proposal,
)
from valvecare.register.models import ProtectionValve, Site


@dataclass(frozen=True, slots=True)
class Need:
    """One kit that one job will want."""

    site: str
    valve_id: int
    valve: str
    kind: str
    order_id: int | None
    order: str
    due_on: date | None
    wanted_on: date
    window: str
    kit_id: int | None
    kit: str
    state: NeedState
    words: str
    offers: tuple[Offer, ...] = ()

    @property
    def is_short(self) -> bool:
        return self.state is NeedState.SHORT


@dataclass
class _Job:
    """One job ahead, before anybody looked at the shelf."""

    valve: ProtectionValve
    kind: str
    due_on: date
    order: Any = None
    today: date = date.min
    wanted_on: date = date.max
    window: str = ""
    next_window: date | None = None


@dataclass
class _Pool:
    """What can still be given out in this look, per lot and purchase."""

    lots: list[Lot]
    left: dict[int, int]
    coming: list[Purchase]
    coming_left: dict[int, int]
    kept: dict[tuple[int, int], str] = field(default_factory=dict)
    issued: dict[tuple[int, int], int] = field(default_factory=dict)


def _jobs(user: Any, at: datetime) -> list[_Job]:
    """Open orders that open a cover, and what is due within the horizon without an order."""
    where = sites_where(user, "view_parts")
    kinds = sorted(KINDS_THAT_NEED_A_KIT)
    made = (
        orders()
        .for_user(user)
        .filter(ended_at__isnull=True, kind__in=kinds, site__in=where)
        .select_related("site", "valve__design", "valve__pump__group__site", "slot__window")
    )
    found = [_Job(order.valve, order.kind, order.due_on, order) for order in made]
    ordered = {(job.valve.pk, job.kind) for job in found}
    until = at.date() + horizon_on(at.date())
    items = (
        DueItem.objects.for_user(user)
        .filter(kind__in=kinds, due_on__lte=until, site__in=where)
        .select_related("valve__design", "valve__pump__group__site")
    )
    found += [
        _Job(item.valve, item.kind, item.due_on)
        for item in items
        if (item.valve_id, item.kind) not in ordered
    ]
    return found


def _place(jobs: Sequence[_Job], at: datetime) -> None:
    """Give every job the day for which its kit is wanted, and the window after it."""
    sites = {job.valve.site_of().pk: job.valve.site_of() for job in jobs}
    windows: dict[int, list[tuple[date, str]]] = {pk: [] for pk in sites}
    rows = Site.objects.filter(pk__in=sites, windows__ends_at__gt=at).values_list(
        "pk", "windows__starts_at", "windows__name"
    )
    for pk, starts_at, name in rows.order_by("windows__starts_at"):
        windows[pk].append((site_day(sites[pk], starts_at), name))
    for job in jobs:
        site = job.valve.site_of()
        today = job.today = site_day(site, at)
        slot = getattr(job.order, "slot", None) if job.order is not None else None
        ahead = windows[site.pk]
        job.wanted_on, is_window = needed_on(
            starts_on=slot.starts_on if slot else None,
            due_on=job.due_on,
            today=today,
            windows=[day for day, _ in ahead],
        )
        if slot is not None:
            job.window = slot.window.name
        elif is_window:
            job.window = next(name for day, name in ahead if day == job.wanted_on)
        job.next_window = next((day for day, _ in ahead if day > job.wanted_on), None)


def _pool(user: Any, kits: Iterable[Kit]) -> _Pool:
    ids = [kit.pk for kit in kits]
    lots = list(
        in_view(Lot, user)
        .filter(kit__in=ids, on_hand__gt=0)
        .select_related("bin__store")
        .order_by("shelf_until", "id")
    )
    coming = list(
        in_view(Purchase, user)
        .filter(kit__in=ids, state=PurchaseState.ASKED.value)
        .order_by("arrives_on", "id")
    )
    kept = {
        (row.order_id, row.lot.kit_id): f"Lot {row.lot.code}, {row.lot.bin}."
        for row in in_view(Reservation, user)
        .filter(lot__kit__in=ids, state=ReservationState.OPEN.value)
        .select_related("lot__bin__store")
    }
    issued = {
        (order_id, kit_id): -total
        for order_id, kit_id, total in in_view(Movement, user)
        .filter(
            lot__kit__in=ids,
            order__ended_at__isnull=True,
            order__isnull=False,
            kind__in=(MovementKind.ISSUED.value, MovementKind.RETURNED.value),
        )
        .order_by()
        .values_list("order_id", "lot__kit_id")
        .annotate(total=Sum("quantity"))
    }
    return _Pool(
        lots,
        {lot.pk: lot.available for lot in lots},
        coming,
        {row.pk: row.quantity for row in coming},
        kept,
        issued,
    )


def needs(user: Any, at: datetime, *, site: str = "", all_ahead: bool = False) -> list[Need]:
    """Every kit that will be asked within the horizon, the earliest first.

    What is on the shelf is given to the earliest job first, in this look only: nothing is kept by
    looking. `all_ahead`: also what lies beyond the horizon.
    """
    jobs = _jobs(user, at)
    if site:
        jobs = [job for job in jobs if job.valve.site_of().code == site]
    _place(jobs, at)
    if not all_ahead:
        until = at.date() + horizon_on(at.date())
        jobs = [job for job in jobs if job.wanted_on <= until]
    jobs.sort(key=lambda job: (job.wanted_on, job.due_on, job.valve.tag, job.kind))
    designs = {job.valve.design_id for job in jobs}
    kits = list(
        Kit.objects.filter(design__in=designs - {None}, retired_at__isnull=True)
        .select_related("design")
        .order_by("name")
    )
    facts = kit_facts(kits)
    pool = _pool(user, kits)
    fitted: dict[int, list[str]] = {}
    for valve_id, code in FittedPart.objects.filter(
        valve__in={job.valve.pk for job in jobs}, removed_at__isnull=True
    ).values_list("valve_id", "part__code"):
        fitted.setdefault(valve_id, []).append(code)
    policy = policy_on(at.date())
    margin = policy.margin_days if policy else None
    found = []
    for job in jobs:
        mine = [kit for kit in kits if kit.design_id == job.valve.design_id]
        wanted = [kit for kit in mine if kit.use == KitUse.EVERY_STRIP_DOWN]
        valve = valve_facts(job.valve, fitted=fitted.get(job.valve.pk, ()))
        for kit in wanted:

            def judge(lot: Lot | None, kit: Kit = kit, job: _Job = job, valve: Any = valve) -> Any:
                return _judge(valve, facts[kit.pk], lot, job.wanted_on, margin)

            found.append(_look(job, kit, judge, pool))
        if not wanted:
            found.append(_nothing_listed(job, bool(mine)))
    return found


def _judge(valve: Any, kit: KitFacts, lot: Lot | None, on: date, margin: int | None) -> FitDecision:
    return fits(valve, kit, lot_facts(lot) if lot else None, job_on=on, margin_days=margin)


def _need(job: _Job, kit: Kit | None, state: NeedState, words: str, **more: Any) -> Need:
    return Need(
        site=job.valve.site_of().code,
        valve_id=job.valve.pk,
        valve=job.valve.tag,
        kind=job.kind,
        order_id=job.order.pk if job.order is not None else None,
        order=job.order.number if job.order is not None else "",
        due_on=job.due_on,
        wanted_on=job.wanted_on,
        window=job.window,
        kit_id=kit.pk if kit else None,
        kit=kit.name if kit else "",
        state=state,
        words=words,
        **more,
    )


def _nothing_listed(job: _Job, has_other: bool) -> Need:
    design = job.valve.design
    if design is None or "not known" in (design.revision, job.valve.serial):
        words = "The valve is not identified, so no kit can be chosen."
    elif has_other:
        words = "Its kits are wanted only when something is found worn."
    else:
        words = f"The catalogue has no kit for {design}."
    return _need(job, None, NeedState.NO_KIT, words)


def _look(job: _Job, kit: Kit, judge: Any, pool: _Pool) -> Need:
    """Where the kit of one job stands: issued, kept, on the shelf, coming, or short."""
    order_id = job.order.pk if job.order is not None else None
    if pool.issued.get((order_id, kit.pk), 0) > 0:  # type: ignore[arg-type]
        return _need(job, kit, NeedState.ISSUED, "Handed out.")
    kept = pool.kept.get((order_id, kit.pk))  # type: ignore[arg-type]
    if kept is not None:
        return _need(job, kit, NeedState.KEPT, kept)
    site_id = job.valve.site_of().pk
    why_not = []
    for lot in pool.lots:
        if lot.kit_id != kit.pk or lot.site_id != site_id or not lot.available:
            continue
        decision = judge(lot)
        if not decision.is_open:
            why_not.append(decision.sentence)
        elif pool.left[lot.pk] > 0:
            pool.left[lot.pk] -= 1
            return _need(job, kit, NeedState.ON_SHELF, f"Lot {lot.code}, {lot.bin}. Reserve it.")
    for row in pool.coming:
        if (
            row.kit_id == kit.pk
            and row.site_id == site_id
            and row.order_id in (None, order_id)
            and row.arrives_on <= job.wanted_on
            and pool.coming_left[row.pk] > 0
        ):
            pool.coming_left[row.pk] -= 1
            return _need(
                job, kit, NeedState.ON_ITS_WAY, f"Arrives on {row.arrives_on.isoformat()}."
            )
    late = next(
        (row for row in pool.coming if row.kit_id == kit.pk and row.site_id == site_id), None
    )
    words = " ".join(
        [
            *(why_not or ["None available."]),
            *([f"On order, but it arrives on {late.arrives_on.isoformat()}."] if late else []),
        ]
    )
    ways = offers(
        kit.name,
        wanted_on=job.wanted_on,
        today=job.today,
        lead_weeks=kit.lead_weeks,
        express_weeks=kit.express_weeks,
        next_window=job.next_window,
    )
    return _need(job, kit, NeedState.SHORT, words, offers=ways)


@dataclass(frozen=True, slots=True)
class PickLine:
    """One line of a pick list: go there, take that, for this order."""

    reservation_id: int
    lot_id: int
    place: str
    item: str
    lot: str
    shelf_until: date | None
    quantity: int
    order_id: int
    order: str
    valve: str
    starts_on: date


@dataclass(frozen=True, slots=True)
class PickList:
    """What is to be taken for a window, in the order of the bins, and what is still missing."""

    window_id: int
    window: str
    site: str
    starts_at: datetime
    time_zone: str
    lines: list[PickLine]
    missing: list[Need]


def windows_ahead(user: Any, at: datetime) -> list[tuple[int, str, str]]:
    """Windows ahead at the person's sites: id, site, name."""
    rows = Site.objects.filter(pk__in=sites_where(user, "view_parts"), windows__ends_at__gt=at)
    return list(
        rows.order_by("windows__starts_at").values_list("windows__pk", "code", "windows__name")[:40]
    )


def pick_list(window_id: int, user: Any, at: datetime) -> PickList | None:
    """The pick list of a window; None when this person may not see it."""
    site = (
        Site.objects.filter(pk__in=sites_where(user, "view_parts"), windows__pk=window_id)
        .values("code", "time_zone", "windows__name", "windows__starts_at")
        .first()
    )
    if site is None:
        return None
    rows = (
        in_view(Reservation, user)
        .filter(order__slot__window=window_id, state=ReservationState.OPEN.value)
        .select_related("lot__kit", "lot__part", "lot__bin__store", "order__valve", "order__slot")
        .order_by("lot__bin__store__name", "lot__bin__code", "id")
    )
    name = site["windows__name"]
    return PickList(
        window_id,
        name,
        site["code"],
        site["windows__starts_at"],
        site["time_zone"],
        [
            PickLine(
                row.pk,
                row.lot_id,
                str(row.lot.bin),
                str(row.lot.item),
                row.lot.code,
                row.lot.shelf_until,
                row.quantity,
                row.order_id,
                row.order.number,
                row.order.valve.tag,
                row.order.slot.starts_on,
            )
            for row in rows
        ],
        [
            need
            for need in needs(user, at, site=site["code"], all_ahead=True)
            if need.window == name
            and need.order_id is not None
            and need.state not in (NeedState.KEPT, NeedState.ISSUED)
        ],
    )


@dataclass(frozen=True, slots=True)
class ProposalLine:
    """How many of one kit to keep at one site, against what is there."""

    site: str
    kit_id: int
    kit: str
    on_hand: int
    on_order: int
    proposal: StockProposal


def proposals(user: Any, at: datetime, *, site: str = "") -> list[ProposalLine]:
    """A base-stock proposal for every kit whose design is in service at a site."""
    policy = policy_on(at.date())
    where = Site.objects.filter(pk__in=sites_where(user, "view_parts"))
    if site:
        where = where.filter(code=site)
    sites = {one.pk: one for one in where}
    units: dict[tuple[int, int], int] = {}
    for site_id, design_id in ProtectionValve.objects.filter(
        pump__group__site__in=sites, retired_at__isnull=True, design__isnull=False
    ).values_list("pump__group__site_id", "design_id"):
        units[site_id, design_id] = units.get((site_id, design_id), 0) + 1
    kits = Kit.objects.filter(
        design__in={design for _, design in units},
        retired_at__isnull=True,
        lead_weeks__isnull=False,
    ).order_by("name")
    history: dict[tuple[int, int], list[Any]] = {}
    rows = Movement.objects.filter(lot__site__in=sites, lot__kit__isnull=False).values_list(
        "lot__site_id", "lot__kit_id", "kind", "quantity", "at"
    )
    for site_id, kit_id, kind, quantity, moved_at in rows:
        issued, first = history.get((site_id, kit_id), (0, moved_at))
        if kind in (MovementKind.ISSUED, MovementKind.RETURNED):
            issued -= quantity
        history[site_id, kit_id] = [issued, min(first, moved_at)]
    on_hand = _totals(Lot, sites, "on_hand")
    coming = _totals(Purchase, sites, "quantity", state=PurchaseState.ASKED.value)
    ahead = needs(user, at, site=site, all_ahead=True)
    found = []
    for kit in kits:
        for (site_id, design_id), count in sorted(units.items()):
            if design_id != kit.design_id or policy is None:
                continue
            issued, first = history.get((site_id, kit.pk), (0, at))
            until = (kit.lead_weeks or 0) * 7
            planned = sum(
                need.kit_id == kit.pk
                and need.site == sites[site_id].code
                and (need.wanted_on - at.date()).days <= until
                and need.state is not NeedState.ISSUED
                for need in ahead
            )
            found.append(
                ProposalLine(
                    sites[site_id].code,
                    kit.pk,
                    kit.name,
                    on_hand.get((site_id, kit.pk), 0),
                    coming.get((site_id, kit.pk), 0),
                    stock_proposal(
                        issues=max(issued, 0),
                        units=count,
                        observed_days=max((at - first).total_seconds() / 86_400, 0.0),
                        lead_weeks=kit.lead_weeks or 0,
                        target=policy.stock_target,
                        planned=planned,
                    ),
                )
            )
    return found


def _totals(model: Any, sites: Any, column: str, **more: Any) -> dict[tuple[int, int], int]:
    rows = model.objects.filter(site__in=sites, kit__isnull=False, **more).order_by()
    summed = rows.values_list("site_id", "kit_id").annotate(total=Sum(column))
    return {(site_id, kit_id): total for site_id, kit_id, total in summed}
