"""The generator: open orders follow the due items. Safe to run twice at once, at any time."""

import uuid
from collections.abc import Callable, Collection, Iterator
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from valvecare.core.errors import Conflict
from valvecare.core.events import record_many
from valvecare.core.take import take
from valvecare.due.models import DueItem
from valvecare.due.rules import DueState, Trigger
from valvecare.register.models import ProtectionValve, Site
from valvecare.register.rules import ValveStatus
from valvecare.work.actions.hold import go_on
from valvecare.work.models import WorkOrder
from valvecare.work.rules import DueFacts, OrderState, RaisedBy, wants_order, why_gone

CHUNK = 1000


def _chunks(ids: list[int]) -> Iterator[list[int]]:
    for start in range(0, len(ids), CHUNK):
        yield ids[start : start + CHUNK]


def _everything_in_question() -> list[int]:
    """Valves with an item that wants an order, and valves with an open order."""
    wanted = DueItem.objects.exclude(state=DueState.NOT_YET.value).values_list(
        "valve_id", flat=True
    )
    open_ones = WorkOrder.objects.open().values_list("valve_id", flat=True)
    return sorted(set(wanted) | set(open_ones))


def raise_due(
    at: datetime,
    *,
    valve_ids: Collection[int] | None = None,
    beat: Callable[[], None] = lambda: None,
) -> dict[str, int]:
    """Raise what is due, let open orders follow their item, wake what was put off until today.

    `valve_ids` None: the whole fleet. Returns counts: raised, followed, dropped, woken.
    One open order per valve and kind is kept by the database, not by looking first.
    """
    ids = _everything_in_question() if valve_ids is None else sorted(set(valve_ids))
    counts = {"raised": 0, "followed": 0, "dropped": 0, "woken": 0}
    zones = {pk: ZoneInfo(name) for pk, name in Site.objects.values_list("pk", "time_zone")}
    today = {pk: at.astimezone(zone).date() for pk, zone in zones.items()}
    for chunk in _chunks(ids):
        with transaction.atomic():
            found = _one_chunk(chunk, at=at, today=today)
        for name, count in found.items():
            counts[name] += count
        beat()
    counts["woken"] = _wake(set(ids), at=at, today=today)
    return counts


def _one_chunk(ids: list[int], *, at: datetime, today: dict[int, date]) -> dict[str, int]:
    # rows are locked in key order, so that two generators cannot block one another
    held = (
        WorkOrder.objects.open()
        .filter(valve_id__in=ids)
        .select_related("valve")
        .select_for_update(of=("self",))
        .order_by("pk")
    )
    orders = {(order.valve_id, order.kind): order for order in held}
    items = {
        (item.valve_id, item.kind): item
        for item in DueItem.objects.filter(
            Q(policy__isnull=False) | Q(governed_by=Trigger.CONDITION.value),
            valve_id__in=ids,
            valve__status=ValveStatus.IN_SERVICE.value,
        )
        .select_related("valve")
        .only(
            "kind",
            "state",
            "share_used",
            "governed_by",
            "due_on",
            "reason",
            "site_id",
            "valve__tag",
        )
        .order_by("valve_id", "kind")
    }
    new = [
        _order_for(item, at=at, today=today[item.site_id])
        for key, item in items.items()
        if key not in orders and wants_order(_facts(item))
    ]
    return {
        "raised": _raise(new, at=at),
        "followed": _follow(orders, items, at=at),
        "dropped": _drop_gone(orders, items, at=at),
    }


def _facts(item: DueItem) -> DueFacts:
    return DueFacts(DueState(item.state), item.share_used)


def _order_for(item: DueItem, *, at: datetime, today: date) -> WorkOrder:
    return WorkOrder(
        site_id=item.site_id,
        valve=item.valve,
        kind=item.kind,
        state=OrderState.RAISED.value,
        why=item.reason,
        raised_by=RaisedBy.AUTOMATIC.value,
        raised_at=at,
        due_on=item.due_on or today,
        share_used=item.share_used,
        governed_by=item.governed_by,
        updated_at=at,
    )


def _raise(new: list[WorkOrder], *, at: datetime) -> int:
    if not new:
        return 0
    run = uuid.uuid4()
    for order in new:
        order.raised_in = run
    WorkOrder.objects.bulk_create(new, ignore_conflicts=True)
    made = list(WorkOrder.objects.filter(raised_in=run).select_related("valve"))
    record_many(
        "work_order.raised",
        made,
        actor=None,
        at=at,
        words=lambda order: f"{order}: {order.kind} raised. {order.why}",
        data=lambda order: {"due_on": order.due_on.isoformat(), "share_used": order.share_used},
    )
    return len(made)


def _follow(
    orders: dict[tuple[int, str], WorkOrder],
    items: dict[tuple[int, str], DueItem],
    *,
    at: datetime,
) -> int:
    """Bring due date, share and reason up to date; a person's own date and words stay."""
    moved: list[WorkOrder] = []
    moved_date: list[WorkOrder] = []
    before: dict[int, date] = {}
    for key, order in orders.items():
        item = items.get(key)
        if item is None:
            continue
        wanted: dict[str, Any] = {
            "share_used": item.share_used,
            "governed_by": item.governed_by,
        }
        if order.raised_by == RaisedBy.AUTOMATIC:
            wanted["why"] = item.reason
            wanted["due_on"] = item.due_on or order.due_on
        if all(getattr(order, name) == value for name, value in wanted.items()):
            continue
        before[order.pk] = order.due_on
        for name, value in wanted.items():
            setattr(order, name, value)
        order.updated_at = at
        moved.append(order)
        if before[order.pk] != order.due_on:
            moved_date.append(order)
    if moved:
        fields = ["share_used", "governed_by", "why", "due_on", "updated_at"]
        WorkOrder.objects.open().bulk_update(moved, fields, batch_size=200)
    if moved_date:
        record_many(
            "work_order.due_changed",
            moved_date,
            actor=None,
            at=at,
            words=lambda order: f"{order} is now due on {order.due_on.isoformat()}. {order.why}",
            data=lambda order: {
                "from": before[order.pk].isoformat(),
                "to": order.due_on.isoformat(),
            },
        )
    return len(moved)


def _drop_gone(
    orders: dict[tuple[int, str], WorkOrder],
    items: dict[tuple[int, str], DueItem],
    *,
    at: datetime,
) -> int:
    """Untouched automatic orders whose task is no longer due go away, with the reason said."""
    gone: list[WorkOrder] = []
    for key, order in orders.items():
        if order.raised_by != RaisedBy.AUTOMATIC or order.state != OrderState.RAISED:
            continue
        item = items.get(key)
        why = why_gone(_facts(item) if item else None)
        if why:
            order.state, order.ended_at, order.updated_at = OrderState.DROPPED.value, at, at
            order.pause_why = why
            order.version += 1
            gone.append(order)
    if gone:
        WorkOrder.objects.bulk_update(
            gone, ["state", "ended_at", "updated_at", "pause_why", "version"], batch_size=200
        )
        record_many(
            "work_order.dropped",
            gone,
            actor=None,
            at=at,
            words=lambda order: f"{order} dropped. {order.pause_why}",
        )
    return len(gone)


def _wake(ids: set[int], *, at: datetime, today: dict[int, date]) -> int:
    """Orders whose deferral has ended go on where they were."""
    woken = 0
    waiting = WorkOrder.objects.filter(state=OrderState.PUT_OFF.value)
    for pk, version, site_id, until, valve_id in waiting.values_list(
        "pk", "version", "site_id", "pause_until", "valve_id"
    ):
        if valve_id not in ids or until is None or until > today[site_id]:
            continue
        try:
            with transaction.atomic():
                order = take(WorkOrder.objects.select_related("site", "valve"), pk, version)
                go_on(order, actor=None, at=at)
        except Conflict:
            continue  # a person was quicker; the next sweep looks again
        woken += 1
    return woken


def raise_due_at(valve: ProtectionValve, *, at: datetime) -> dict[str, int]:
    """The same for one valve, at once after its clocks were restarted."""
    return raise_due(at, valve_ids=[valve.pk])
