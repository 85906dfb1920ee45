"""What the placing of an order looks at, gathered from the tables."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.due.models import DueItem
from valvecare.due.rules import DueState, TaskKind
from valvecare.planning.models import Crew, Slot, Window
from valvecare.planning.rules import (
    Booking,
    Placement,
    Season,
    lay_out,
    warn_not_protected,
    warn_same_crew,
    why_no_hours,
    why_not_because,
    why_not_group,
    why_not_hours,
    why_not_season,
    why_not_site,
    window_hours,
)
from valvecare.protection.models import Verdict
from valvecare.protection.rules import Word
from valvecare.register.models import CalendarRule, ProtectionValve, PumpGroup
from valvecare.register.rules import ValveStatus
from valvecare.work.models import WorkOrder
from valvecare.work.rules import (
    OPENS_THE_VALVE,
    PLACEABLE,
    OrderKind,
    OrderState,
    why_not_in_state,
)

HOLDS_ITS_SLOT = (
    OrderState.PLACED.value,
    OrderState.READIED.value,
    OrderState.UNDER_WAY.value,
    OrderState.PROVEN.value,
    OrderState.ON_HOLD.value,
)
"""An order put off, dropped or closed no longer takes hours or a valve out of its group."""

NOT_PROTECTING = (Word.DOES_NOT_PROTECT.value, Word.NOT_KNOWN.value)

OUT_OF_SERVICE = frozenset(kind.value for kind in OrderKind) - {
    OrderKind.LOOK_AND_LISTEN.value,
    OrderKind.RECEIVING_CHECK.value,
}
"""Kinds that take the pump out of its duty while they last; a function test does as well."""


@dataclass
class PlanBoard:
    """The bookings that matter at one site; `add` keeps it true while many orders are placed."""

    site_id: int
    zone: ZoneInfo
    seasons: tuple[Season, ...]
    hours_taken: dict[tuple[int, date], float]
    hours_of_order: dict[int, tuple[int, dict[date, float]]]
    bookings: dict[int, list[Booking]]
    unproven: dict[int, dict[int, str]]
    failing: dict[int, dict[int, str]]
    groups: dict[int, PumpGroup]

    def without(self, order_id: int) -> "PlanBoard":
        """The board as if this order had no slot (for moving it)."""
        taken = dict(self.hours_taken)
        crew_id, days = self.hours_of_order.get(order_id, (0, {}))
        for day, hours in days.items():
            taken[crew_id, day] -= hours
        bookings = {
            group: [row for row in rows if row.order_id != order_id]
            for group, rows in self.bookings.items()
        }
        others = {pk: held for pk, held in self.hours_of_order.items() if pk != order_id}
        return replace(self, hours_taken=taken, hours_of_order=others, bookings=bookings)

    def add(self, group_id: int | None, booking: Booking, days: Mapping[date, float]) -> None:
        """Book these days, as placing the order would; group None: the pump stays available."""
        self.hours_of_order[booking.order_id] = (booking.crew_id, dict(days))
        for day, hours in days.items():
            key = (booking.crew_id, day)
            self.hours_taken[key] = self.hours_taken.get(key, 0.0) + hours
        if group_id is not None:
            self.bookings.setdefault(group_id, []).append(booking)


def board_of(site_id: int, group_ids: Collection[int]) -> PlanBoard:
    """The site's bookings and what is not known of these groups. Seven queries."""
    groups = {
        group.pk: group
        for group in PumpGroup.objects.filter(pk__in=group_ids).select_related("site")
    }
    rules = CalendarRule.objects.filter(site_id=site_id).prefetch_related("exempt_groups")
    seasons = tuple(
        Season(
            rule.name,
            (rule.from_month, rule.from_day),
            (rule.to_month, rule.to_day),
            frozenset(group.pk for group in rule.exempt_groups.all()),
        )
        for rule in rules
    )
    hours: dict[tuple[int, date], float] = {}
    held: dict[int, tuple[int, dict[date, float]]] = {}
    bookings: dict[int, list[Booking]] = {}
    slots = Slot.objects.filter(
        order__site_id=site_id, order__state__in=HOLDS_ITS_SLOT
    ).values_list(
        "order_id",
        "order__valve_id",
        "order__valve__tag",
        "order__valve__pump__group_id",
        "order__kind",
        "crew_id",
        "starts_on",
        "ends_on",
        "days",
    )
    for order_id, valve_id, tag, group_id, kind, crew_id, first, last, days in slots:
        held[order_id] = (
            crew_id,
            {date.fromisoformat(day): amount for day, amount in days.items()},
        )
        for day, amount in held[order_id][1].items():
            hours[crew_id, day] = hours.get((crew_id, day), 0.0) + amount
        if kind in OUT_OF_SERVICE:
            booking = Booking(order_id, valve_id, tag, crew_id, first, last)
            bookings.setdefault(group_id, []).append(booking)
    unproven: dict[int, dict[int, str]] = {}
    no_record = DueItem.objects.filter(
        group_id__in=group_ids,
        kind=TaskKind.STRIP_DOWN.value,
        state=DueState.NO_RECORD.value,
        policy__isnull=False,
    ).values_list("group_id", "valve_id", "valve__tag")
    for group_id, valve_id, tag in no_record:
        unproven.setdefault(group_id, {})[valve_id] = tag
    failing: dict[int, dict[int, str]] = {}
    judged = Verdict.objects.filter(
        is_current=True, word__in=NOT_PROTECTING, valve__pump__group_id__in=group_ids
    ).filter(valve__status=ValveStatus.IN_SERVICE.value)
    for group_id, valve_id, tag in judged.values_list(
        "valve__pump__group_id", "valve_id", "valve__tag"
    ):
        failing.setdefault(group_id, {})[valve_id] = tag
    zone = next(iter(groups.values())).site.time_zone if groups else "UTC"
    return PlanBoard(
        site_id, ZoneInfo(zone), seasons, hours, held, bookings, unproven, failing, groups
    )


def hours_of(order: WorkOrder, valve: ProtectionValve, given: float | None) -> float | None:
    """Elapsed crew hours: as given, else the design's full job; None when nobody knows."""
    full = (OrderKind.STRIP_DOWN, OrderKind.SISTER_INSPECTION, OrderKind.CORRECTIVE)
    if given is not None:
        return given
    if order.kind in full and valve.design is not None:
        return valve.design.job_hours
    return None


def check(
    order: WorkOrder,
    valve: ProtectionValve,
    window: Window,
    crew: Crew,
    *,
    board: PlanBoard,
    hours: float | None,
    not_before: date | None,
    still_needed: Collection[int],
) -> Placement:
    """Where this order would go, or every reason why not, and the warnings."""
    group_id = valve.pump.group_id
    site = why_not_site(order.site_id, window.site_id, crew.site_id)
    missing = why_no_hours(hours, kind=order.kind)
    if site is not None or missing is not None or hours is None:
        return Placement({}, tuple(r for r in (site, missing) if r is not None), ())
    capacity = window_hours(
        window.starts_at,
        window.ends_at,
        hours_per_day=crew.hours_per_day,
        works_weekends=window.works_weekends,
        zone=board.zone,
    )
    free = {
        day: max(0.0, amount - board.hours_taken.get((crew.pk, day), 0.0))
        for day, amount in capacity.items()
    }
    refusals: list[Any] = [
        why_not_hours(
            hours, window=str(window), capacity=capacity, free=free, not_before=not_before
        )
    ]
    days = lay_out(hours, free, not_before=not_before) or lay_out(hours, capacity)
    warnings: list[Any] = []
    if days:
        refusals.append(
            why_not_season(
                days,
                group_id=group_id,
                opens=OrderKind(order.kind) in OPENS_THE_VALVE,
                seasons=board.seasons,
            )
        )
        booking = Booking(order.pk, valve.pk, valve.tag, crew.pk, min(days), max(days))
        if order.kind in OUT_OF_SERVICE:
            group = board.groups[group_id]
            others = board.bookings.get(group_id, [])
            unproven = board.unproven.get(group_id, {})
            carries: dict[str, Any] = {
                "group": group.code,
                "installed": group.installed,
                "needed": group.needed,
                "total_stop": window.is_total_stop and group_id not in still_needed,
            }
            refusals.append(why_not_group(booking, others, unproven, **carries))
            failing = board.failing.get(group_id, {})
            warnings.append(warn_not_protected(booking, others, failing, unproven, **carries))
            warnings.append(warn_same_crew(booking, others, group=group.code))
    return Placement(
        days,
        tuple(reason for reason in refusals if reason is not None),
        tuple(reason for reason in warnings if reason is not None),
    )


@dataclass(frozen=True)
class PreviewLine:
    """What placing one order of a selection would do."""

    order: WorkOrder
    was: str
    hours: float | None
    placement: Placement


def preview(
    orders: Sequence[WorkOrder],
    window: Window,
    crew: Crew,
    *,
    hours: float | None,
    not_before: date | None,
    because: str,
) -> list[PreviewLine]:
    """Place the orders one after the other on a board in memory, writing nothing.

    `hours` are for orders whose design names none. An order that would be refused takes no hours.
    """
    valves = {
        valve.pk: valve
        for valve in ProtectionValve.objects.filter(
            pk__in={order.valve_id for order in orders}
        ).select_related("design", "pump")
    }
    groups = {valve.pump.group_id for valve in valves.values()}
    board = board_of(window.site_id, groups)
    still_needed = frozenset(window.still_needed.values_list("pk", flat=True))
    lines = []
    for order in orders:
        valve = valves[order.valve_id]
        slot = getattr(order, "slot", None)
        was = f"{slot.window}, {slot.starts_on}" if slot else order.state
        state = why_not_in_state(OrderState(order.state), PLACEABLE, "placed")
        if state is not None:
            lines.append(PreviewLine(order, was, None, Placement({}, (state,), ())))
            continue
        board = board.without(order.pk)
        own = hours_of(order, valve, None)
        known = hours if own is None else own
        placement = check(
            order,
            valve,
            window,
            crew,
            board=board,
            hours=known,
            not_before=not_before,
            still_needed=still_needed,
        )
        missing = why_not_because(placement.warnings, because)
        if missing:
            placement = replace(placement, refusals=(*placement.refusals, *missing))
        if placement.fits:
            first, last = min(placement.days), max(placement.days)
            booking = Booking(order.pk, valve.pk, valve.tag, crew.pk, first, last)
            out = order.kind in OUT_OF_SERVICE
            board.add(valve.pump.group_id if out else None, booking, placement.days)
        lines.append(PreviewLine(order, was, known, placement))
    return lines
