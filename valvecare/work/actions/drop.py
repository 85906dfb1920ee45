"""End an order without doing it."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.parts.actions import release_of_order
from valvecare.register.rules import ValveStatus
from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderState, RaisedBy, why_not_drop, why_not_words


@transaction.atomic
def drop(order_id: int, why: str, *, version: int, actor: Any, at: datetime) -> WorkOrder:
    """Drop an order that was never begun; a due task is put off, not dropped."""
    order = taken(order_id, version=version, actor=actor, permit="drop_work_order")
    refuse_if(
        why_not_drop(
            OrderState(order.state),
            order.state_before,
            raised_by=RaisedBy(order.raised_by),
            valve_in_service=order.valve.status == ValveStatus.IN_SERVICE,
        ),
        why_not_words(why, code="no_why", what="The reason for dropping"),
    )
    release_of_order(order, f"{order.number} was dropped.", actor=actor, at=at)
    return keep(
        order,
        "dropped",
        actor=actor,
        at=at,
        words=f"{order} dropped. {why}",
        data={"why": why},
        state=OrderState.DROPPED.value,
        pause_why=why,
        pause_until=None,
        ended_at=at,
        closed_by=actor,
    )
