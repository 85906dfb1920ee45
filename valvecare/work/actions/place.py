"""The state part of placing; windows, crews and conflicts are decided by planning."""

from datetime import datetime
from typing import Any

from valvecare.work.actions.order import keep, refuse_if
from valvecare.work.models import WorkOrder
from valvecare.work.rules import PLACEABLE, OrderState, why_not_in_state


def enter_window(
    order: WorkOrder, *, words: str, data: dict[str, Any], actor: Any, at: datetime
) -> WorkOrder:
    """agreed -> placed; a placed or readied order moves and must be readied again.

    `order` was taken by the caller in the same transaction.
    """
    refuse_if(why_not_in_state(OrderState(order.state), PLACEABLE, "placed"))
    event = "placed" if order.state == OrderState.AGREED else "moved"
    return keep(
        order,
        event,
        actor=actor,
        at=at,
        words=words,
        data=data,
        state=OrderState.PLACED.value,
        readiness={},
        procedure=None,
    )


def leave_window(order: WorkOrder, *, why: str, actor: Any, at: datetime) -> WorkOrder:
    """placed or readied -> agreed. `order` was taken by the caller in the same transaction."""
    placed = (OrderState.PLACED, OrderState.READIED)
    refuse_if(why_not_in_state(OrderState(order.state), placed, "taken out of its window"))
    return keep(
        order,
        "unplaced",
        actor=actor,
        at=at,
        words=f"{order} taken out of its window. {why}".strip(),
        state=OrderState.AGREED.value,
        readiness={},
        procedure=None,
    )
