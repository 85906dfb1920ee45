"""Count a store blindly; a second person approves what differs."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.core.take import take
from valvecare.parts.actions.ledger import LOT_RELATIONS, move, refuse_if
from valvecare.parts.actions.reserve import release_of_lot
from valvecare.parts.models import CountLine, Lot, StockCount, Store
from valvecare.parts.rules import (
    CountState,
    MovementKind,
    why_not_approve_count,
    why_not_said,
)


@transaction.atomic
def begin_count(store_id: int, *, actor: Any, at: datetime) -> StockCount:
    """Make the sheet: one line for every lot of the store that has or should have something."""
    store = Store.objects.for_user(actor).select_related("site").filter(pk=store_id).first()
    if store is None:
        raise NotFound("There is no such store for you.")
    require(actor, "change_parts", site_id=store.site_id)
    try:
        with transaction.atomic():
            count = StockCount.objects.create(store=store, begun_at=at, begun_by=actor)
    except IntegrityError:
        raise Refused(
            Reason(
                "count_under_way",
                f"A count of {store} is under way.",
                "Finish or reject that one.",
            )
        ) from None
    lots = Lot.objects.filter(bin__store=store, on_hand__gt=0).order_by("bin__code", "id")
    CountLine.objects.bulk_create(CountLine(count=count, lot=lot) for lot in lots)
    record("stock_count.begun", count, actor=actor, at=at, words=f"Count of {store} begun.")
    return count


def _taken(count_id: int, version: int, actor: Any) -> StockCount:
    rows = StockCount.objects.for_user(actor).select_related("store__site")
    count: StockCount = take(rows, count_id, version)
    require(actor, "change_parts", site_id=count.store.site_id)
    return count


@transaction.atomic
def enter_count(
    count_id: int, counted: Mapping[int, int], *, version: int, actor: Any, at: datetime
) -> StockCount:
    """Write down what was counted, by line id. Every line gets a number; 0 is a number."""
    count = _taken(count_id, version, actor)
    if count.state != CountState.COUNTING:
        raise Refused(
            Reason("wrong_state", f"This count is '{count.state}'.", "Begin another one.")
        )
    lines = list(CountLine.objects.filter(count=count).select_related("lot"))
    strange = sorted(set(counted) - {line.pk for line in lines})
    missing = [line.lot.code for line in lines if line.pk not in counted]
    if strange or missing:
        raise Refused(
            Reason(
                "count_incomplete",
                f"Not counted: {', '.join(missing)}."
                if missing
                else "A line of another count was given.",
                "Give a number for every line of this sheet, 0 where nothing lies.",
            )
        )
    for line in lines:
        line.counted, line.on_hand_then = counted[line.pk], line.lot.on_hand
        line.clean_fields(exclude=["count", "lot"])
    CountLine.objects.bulk_update(lines, ["counted", "on_hand_then"])
    count.state, count.counted_by, count.counted_at = CountState.COUNTED.value, actor, at
    count.save(update_fields=["state", "counted_by", "counted_at"])
    differing = sum(bool(line.difference) for line in lines)
    record(
        "stock_count.counted",
        count,
        actor=actor,
        at=at,
        words=f"{count}: {len(lines)} lots counted, {differing} differ.",
        data={"lots": len(lines), "differ": differing},
    )
    return count


@transaction.atomic
def approve_count(count_id: int, why: str, *, version: int, actor: Any, at: datetime) -> StockCount:
    """Correct the ledger by what differs. Reservations that are no longer covered are let go."""
    count = _taken(count_id, version, actor)
    refuse_if(
        why_not_approve_count(count.state, counted_by=count.counted_by_id, approver=actor.pk),
        why_not_said(why, code="no_why", what="The explanation of the differences"),
    )
    moved = {}
    for line in CountLine.objects.filter(count=count).order_by("lot_id"):
        if not line.difference:
            continue
        lot = (
            Lot.objects.select_related(*LOT_RELATIONS)
            .select_for_update(of=("self",))
            .get(pk=line.lot_id)
        )
        left = max(lot.on_hand + line.difference, 0)
        if left < lot.reserved:
            said = f"The count found {line.counted} of lot {lot.code}."
            release_of_lot(lot, said, actor=actor, at=at, down_to=left)
        change = left - lot.on_hand
        if change:
            move(lot, MovementKind.COUNTED, change, actor=actor, at=at, why=why)
        moved[str(lot)] = change
    return _judged(count, CountState.APPROVED, why, moved, actor=actor, at=at)


@transaction.atomic
def reject_count(count_id: int, why: str, *, version: int, actor: Any, at: datetime) -> StockCount:
    """Throw the count away; nothing of the ledger changes."""
    count = _taken(count_id, version, actor)
    refuse_if(why_not_said(why, code="no_why", what="The reason for rejecting"))
    if count.state not in (CountState.COUNTING, CountState.COUNTED):
        raise Refused(Reason("wrong_state", f"This count is '{count.state}'.", "It is done."))
    return _judged(count, CountState.REJECTED, why, {}, actor=actor, at=at)


def _judged(
    count: StockCount,
    state: CountState,
    why: str,
    moved: Mapping[str, int],
    *,
    actor: Any,
    at: datetime,
) -> StockCount:
    count.state, count.judged_by, count.judged_at = state.value, actor, at
    count.judged_why = why
    count.clean_fields(exclude=["store", "begun_by", "counted_by", "judged_by"])
    count.save(update_fields=["state", "judged_by", "judged_at", "judged_why"])
    record(
        f"stock_count.{state}",
        count,
        actor=actor,
        at=at,
        words=f"{count} {state}. {why}",
        data={"moved": dict(moved), "why": why},
    )
    return count
