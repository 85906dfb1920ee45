"""Tell the owners of open orders that the verdict of their valve changed (assurance S-65).

Protection knows nothing of orders, so the runs that judged ask here afterwards. Which verdict an
order was told of last stands in its row; whatever came since, by a corrected input, a reading, a
sister or a policy, is told once.
"""

from collections.abc import Callable, Iterator
from datetime import datetime

from django.db import transaction
from django.db.models import F, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce

from valvecare.core.events import record_many
from valvecare.core.models import Event
from valvecare.protection.models import Verdict
from valvecare.work.models import WorkOrder
from valvecare.work.rules import HAS_AN_OWNER, VerdictFacts, told_of_change

CHUNK = 1_000
FIELDS = ("told_verdict", "verdict_before", "verdict_changed_at", "updated_at")


def tell_verdict_changes(
    at: datetime, *, judged_at: datetime | None = None, beat: Callable[[], None] = lambda: None
) -> dict[str, int]:
    """Tell what changed since each open order was told last; returns the count `owners_told`.

    judged_at: look only at verdicts of that instant, the run that just judged; None looks at all.
    Twice, or twice at once, tells nothing twice: the orders are held while they are told.
    """
    told = 0
    for ids in _behind(judged_at):
        with transaction.atomic():
            told += _tell(ids, at=at)
        beat()
    return {"owners_told": told}


def _behind(judged_at: datetime | None) -> Iterator[list[int]]:
    """Ids of open orders whose valve has a newer verdict than the one they were told of."""
    verdicts = Verdict.objects.filter(is_current=True)
    if judged_at is not None:
        verdicts = verdicts.filter(judged_at=judged_at)
    found = verdicts.annotate(
        order=F("valve__work_orders__id"),
        order_ended=F("valve__work_orders__ended_at"),
        told=F("valve__work_orders__told_verdict_id"),
    ).filter(Q(told__isnull=True) | Q(told__lt=F("id")), order__gt=0, order_ended__isnull=True)
    ids = sorted(found.order_by().values_list("order", flat=True))
    for start in range(0, len(ids), CHUNK):
        yield ids[start : start + CHUNK]


def _tell(ids: list[int], *, at: datetime) -> int:
    rows = Verdict.objects.filter(valve_id=OuterRef("valve_id"))
    current = rows.filter(is_current=True).values("id")[:1]
    at_raising = rows.filter(judged_at__lte=OuterRef("raised_at")).order_by("-id").values("id")[:1]
    orders = list(
        WorkOrder.objects.open()
        .select_for_update(of=("self",))
        .filter(pk__in=ids)
        .select_related("valve", "assigned_to")
        .annotate(
            now_id=Subquery(current), was_id=Coalesce("told_verdict_id", Subquery(at_raising))
        )
        .order_by("pk")
    )
    verdicts = Verdict.objects.in_bulk(
        {pk for order in orders for pk in (order.now_id, order.was_id) if pk is not None}
    )
    own = _own_steps([order.pk for order in orders])
    said: dict[int, str] = {}
    for order in orders:
        now, was = verdicts[order.now_id], verdicts.get(order.was_id)
        order.told_verdict_id = now.pk
        if was is None or order.state not in HAS_AN_OWNER or (order.pk, now.judged_at) in own:
            continue
        words = told_of_change(_facts(was), _facts(now))
        if words:
            said[order.pk] = words
            order.verdict_before, order.verdict_changed_at = was.word, at
            order.updated_at = at
    WorkOrder.objects.bulk_update(orders, FIELDS, batch_size=200)
    record_many(
        "work_order.verdict_changed",
        [order for order in orders if order.pk in said],
        actor=None,
        at=at,
        words=lambda order: f"{order}, {_owner(order)}: {said[order.pk]}",
        data=lambda order: {
            "verdict": order.told_verdict_id,
            "from": order.verdict_before,
            "to": verdicts[order.told_verdict_id].word,
            "assigned_to": order.assigned_to.get_username() if order.assigned_to else None,
        },
    )
    return len(said)


def _facts(verdict: Verdict) -> VerdictFacts:
    return VerdictFacts(verdict.word, verdict.code, verdict.restriction, verdict.reason)


def _owner(order: WorkOrder) -> str:
    return order.assigned_to.get_username() if order.assigned_to else "given to nobody yet"


def _own_steps(order_ids: list[int]) -> set[tuple[int, datetime]]:
    """(order, instant) of its own steps: a verdict of that instant is the doing of the order.

    A step is somebody's; what a run writes of an order (`due_changed`) is none, and has the
    instant of the very verdict that is to be told.
    """
    steps = Event.objects.filter(
        object_type=WorkOrder._meta.model_name,
        object_id__in=[str(pk) for pk in order_ids],
        actor__isnull=False,
    )
    return {(int(pk), at) for pk, at in steps.values_list("object_id", "at")}
