"""The plan as planners read it: windows to come, what stands in them, what waits for one."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from valvecare.planning.models import Crew, Slot, Window
from valvecare.planning.reads.board import HOLDS_ITS_SLOT
from valvecare.planning.rules import window_hours
from valvecare.work.models import WorkOrder, number_of
from valvecare.work.reads import OutOnPhone, out_on_phones
from valvecare.work.rules import NEEDS_NO_WINDOW, OrderState

WINDOWS_SHOWN = 20
WAITING_SHOWN = 50


@dataclass(frozen=True, slots=True)
class SlotLine:
    """One order in a window."""

    order_id: int
    number: str
    valve: str
    group: str
    kind: str
    state: str
    crew: str
    starts_on: date
    ends_on: date
    hours: float
    because: str


@dataclass(frozen=True, slots=True)
class CrewLoad:
    """Hours of one crew in one window: booked by orders of this window, and offered in all."""

    crew: str
    booked_h: float
    offered_h: float


@dataclass(frozen=True, slots=True)
class WindowLine:
    id: int
    name: str
    site: str
    time_zone: str
    starts_at: datetime
    ends_at: datetime
    words: str
    is_total_stop: bool
    still_needed: Sequence[str]
    slots: Sequence[SlotLine]
    loads: Sequence[CrewLoad]


@dataclass(frozen=True, slots=True)
class WaitingLine:
    """An order that waits for the planner: to be agreed, or agreed and without a window."""

    order_id: int
    number: str
    site: str
    valve: str
    group: str
    kind: str
    due_on: date
    share_used: float | None


@dataclass(frozen=True, slots=True)
class Plan:
    windows: Sequence[WindowLine]
    raised: Sequence[WaitingLine]
    waiting: Sequence[WaitingLine]
    more_windows: bool
    more_raised: bool
    more_waiting: bool
    out: Sequence[OutOnPhone]

    @property
    def is_empty(self) -> bool:
        return not (self.windows or self.raised or self.waiting or self.out)

    @property
    def used_windows(self) -> Sequence[WindowLine]:
        return [window for window in self.windows if window.slots]

    @property
    def free_windows(self) -> Sequence[WindowLine]:
        return [window for window in self.windows if not window.slots]


def _slots(window_ids: Sequence[int]) -> dict[int, list[SlotLine]]:
    found: dict[int, list[SlotLine]] = defaultdict(list)
    rows = (
        Slot.objects.filter(window_id__in=window_ids, order__state__in=HOLDS_ITS_SLOT)
        .order_by("starts_on", "id")
        .values_list(
            "window_id",
            "order_id",
            "order__valve__tag",
            "order__valve__pump__group__code",
            "order__kind",
            "order__state",
            "crew__name",
            "starts_on",
            "ends_on",
            "hours",
            "because",
        )
    )
    for window, order, valve, group, kind, state, crew, first, last, hours, because in rows:
        found[window].append(
            SlotLine(
                order,
                number_of(order),
                valve,
                group,
                kind,
                state,
                crew,
                first,
                last,
                hours,
                because,
            )
        )
    return found


def _loads(window: Window, crews: Sequence[Crew], slots: Sequence[SlotLine]) -> list[CrewLoad]:
    zone = ZoneInfo(window.site.time_zone)
    loads = []
    for crew in crews:
        offered = window_hours(
            window.starts_at,
            window.ends_at,
            hours_per_day=crew.hours_per_day,
            works_weekends=window.works_weekends,
            zone=zone,
        )
        booked = sum(slot.hours for slot in slots if slot.crew == crew.name)
        loads.append(CrewLoad(crew.name, booked, sum(offered.values())))
    return loads


def _waiting(orders: QuerySet[WorkOrder]) -> list[WaitingLine]:
    """By due date, one more than is shown."""
    rows = orders.order_by("due_on", "id").values_list(
        "id",
        "site__code",
        "valve__tag",
        "valve__pump__group__code",
        "kind",
        "due_on",
        "share_used",
    )
    return [
        WaitingLine(pk, number_of(pk), code, valve, group, kind, due_on, share)
        for pk, code, valve, group, kind, due_on, share in rows[: WAITING_SHOWN + 1]
    ]


def plan_of(user: Any, at: datetime, *, site: str = "") -> Plan:
    """Windows that have not ended, in order of their start, what waits for the planner, phones out.

    Seven queries, whatever the plan holds.
    """
    windows = Window.objects.for_user(user).filter(ends_at__gt=at)
    orders = WorkOrder.objects.for_user(user).open()
    crews = Crew.objects.for_user(user)
    if site:
        windows, orders = windows.filter(site__code=site), orders.filter(site__code=site)
    found = list(
        windows.select_related("site")
        .prefetch_related("still_needed")
        .order_by("starts_at", "id")[: WINDOWS_SHOWN + 1]
    )
    by_site: dict[int, list[Crew]] = defaultdict(list)
    for crew in crews.order_by("name"):
        by_site[crew.site_id].append(crew)
    slots = _slots([window.pk for window in found])
    raised = _waiting(orders.filter(state=OrderState.RAISED.value))
    waiting = _waiting(
        orders.filter(state=OrderState.AGREED.value).exclude(
            kind__in=[kind.value for kind in NEEDS_NO_WINDOW]
        )
    )
    return Plan(
        [
            WindowLine(
                window.pk,
                window.name,
                window.site.code,
                window.site.time_zone,
                window.starts_at,
                window.ends_at,
                window.words,
                window.is_total_stop,
                [group.code for group in window.still_needed.all()],
                slots[window.pk],
                _loads(window, by_site[window.site_id], slots[window.pk]),
            )
            for window in found[:WINDOWS_SHOWN]
        ],
        raised[:WAITING_SHOWN],
        waiting[:WAITING_SHOWN],
        len(found) > WINDOWS_SHOWN,
        len(raised) > WAITING_SHOWN,
        len(waiting) > WAITING_SHOWN,
        out_on_phones(user, site=site),
    )
