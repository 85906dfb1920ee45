"""Agree that the work is wanted."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderState, why_not_in_state


@transaction.atomic
def agree(order_id: int, *, version: int, actor: Any, at: datetime, words: str = "") -> WorkOrder:
    """raised -> agreed."""
    order = taken(order_id, version=version, actor=actor, permit="agree_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), (OrderState.RAISED,), "agreed"))
    return keep(
        order,
        "agreed",
        actor=actor,
        at=at,
        words=f"{order} agreed. {words}".strip(),
        state=OrderState.AGREED.value,
    )
