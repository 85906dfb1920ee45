"""Stop for a stated reason until a stated day, and go on again."""

from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.work.actions.order import keep, refuse_if, site_day, taken
from valvecare.work.models import WorkOrder
from valvecare.work.rules import (
    PROGRESS,
    SIDINGS,
    OrderState,
    why_not_in_state,
    why_not_until,
    why_not_words,
)

HOLDABLE = tuple(state for state in PROGRESS if state is not OrderState.CLOSED)


@transaction.atomic
def hold(
    order_id: int, why: str, *, until: date, version: int, actor: Any, at: datetime
) -> WorkOrder:
    """Any state on the line of progress -> on hold."""
    order = taken(order_id, version=version, actor=actor, permit="hold_work_order")
    refuse_if(
        why_not_in_state(OrderState(order.state), HOLDABLE, "put on hold"),
        why_not_words(why, code="no_why", what="The reason for the hold"),
        why_not_until(until, today=site_day(order, at)),
    )
    return keep(
        order,
        "held",
        actor=actor,
        at=at,
        words=f"{order} on hold until {until.isoformat()}. {why}",
        data={"why": why, "until": until.isoformat(), "from": order.state},
        state_before=order.state,
        state=OrderState.ON_HOLD.value,
        pause_why=why,
        pause_until=until,
    )


@transaction.atomic
def resume(order_id: int, *, version: int, actor: Any, at: datetime) -> WorkOrder:
    """on hold or put off -> the state it came from."""
    order = taken(order_id, version=version, actor=actor, permit="hold_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), SIDINGS, "resumed"))
    return go_on(order, actor=actor, at=at)


def go_on(order: WorkOrder, *, actor: Any, at: datetime) -> WorkOrder:
    """Return a paused order to where it came from; it was taken by the caller."""
    return keep(
        order,
        "resumed",
        actor=actor,
        at=at,
        words=f"{order} goes on: {order.state_before}.",
        state=order.state_before,
        state_before="",
        pause_why="",
        pause_until=None,
    )
