"""'My work': what one person has at the valve today and this week."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import F, Q

from valvecare.core.permits import may_anywhere
from valvecare.work.models import WorkOrder, number_of
from valvecare.work.rules import NEEDS_NO_WINDOW, OrderState

LIMIT = 100


@dataclass(frozen=True, slots=True)
class WorkLine:
    id: int
    number: str
    site: str
    group: str
    pump: str
    valve: str
    kind: str
    state: str
    due_on: date
    why: str
    is_mine: bool
    starts_on: date | None
    window: str | None
    crew: str | None
    pause_until: date | None
    verdict_changed_at: datetime | None
    time_zone: str


@dataclass(frozen=True, slots=True)
class MyWork:
    """Orders at the valve: under way or starting today, this week, and later."""

    today: Sequence[WorkLine]
    week: Sequence[WorkLine]
    later: Sequence[WorkLine]
    is_cut: bool
    may_work: bool

    @property
    def is_empty(self) -> bool:
        return not (self.today or self.week or self.later)


_AT_THE_VALVE = (OrderState.UNDER_WAY.value, OrderState.PROVEN.value)


def my_work(user: Any, at: datetime, *, only_mine: bool = False) -> MyWork:
    """Placed, readied and running orders of the person's sites, their own first. Two queries."""
    ready = Q(
        state__in=[
            OrderState.PLACED.value,
            OrderState.READIED.value,
            *_AT_THE_VALVE,
            OrderState.ON_HOLD.value,
        ]
    ) | Q(state=OrderState.AGREED.value, kind__in=[kind.value for kind in NEEDS_NO_WINDOW])
    orders = WorkOrder.objects.for_user(user).open().filter(ready)
    if only_mine:
        orders = orders.filter(assigned_to=user)
    rows = list(
        orders.order_by(F("slot__starts_on").asc(nulls_last=True), "due_on", "id").values(
            "id",
            "kind",
            "state",
            "due_on",
            "why",
            "assigned_to_id",
            "pause_until",
            "verdict_changed_at",
            "valve__tag",
            "valve__pump__tag",
            "valve__pump__group__code",
            "site__code",
            "site__time_zone",
            "slot__starts_on",
            "slot__window__name",
            "slot__crew__name",
        )[: LIMIT + 1]
    )
    today: list[WorkLine] = []
    week: list[WorkLine] = []
    later: list[WorkLine] = []
    for row in rows[:LIMIT]:
        day = at.astimezone(ZoneInfo(row["site__time_zone"])).date()
        line = WorkLine(
            id=row["id"],
            number=number_of(row["id"]),
            site=row["site__code"],
            group=row["valve__pump__group__code"],
            pump=row["valve__pump__tag"],
            valve=row["valve__tag"],
            kind=row["kind"],
            state=row["state"],
            due_on=row["due_on"],
            why=row["why"],
            is_mine=row["assigned_to_id"] == user.pk,
            starts_on=row["slot__starts_on"],
            window=row["slot__window__name"],
            crew=row["slot__crew__name"],
            pause_until=row["pause_until"],
            verdict_changed_at=row["verdict_changed_at"],
            time_zone=row["site__time_zone"],
        )
        begins = row["slot__starts_on"] or row["due_on"]
        if row["state"] in _AT_THE_VALVE or begins <= day:
            today.append(line)
        elif begins < day + timedelta(days=7):
            week.append(line)
        else:
            later.append(line)
    for lines in (today, week, later):
        lines.sort(key=lambda line: not line.is_mine)
    return MyWork(today, week, later, len(rows) > LIMIT, may_anywhere(user, "do_work"))
