"""The phone has nothing of an order left to send."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound
from valvecare.core.events import record
from valvecare.work.models import TakenAlong, WorkOrder


@transaction.atomic
def bring_back(order_id: int, *, actor: Any, at: datetime) -> bool:
    """End what `take_along` began for this person; True when it was out.

    Raises `NotFound` for orders this person may not see.
    """
    order = WorkOrder.objects.for_user(actor).filter(pk=order_id).first()
    if order is None:
        raise NotFound("There is no such work order for you.")
    out = TakenAlong.objects.filter(order=order, by=actor, back_at=None)
    if not out.update(back_at=at):
        return False
    record(
        "work_order.brought_back",
        order,
        actor=actor,
        at=at,
        words=f"{order}: nothing is left on the phone of {actor.get_username()}.",
    )
    return True
