"""Take an order along on a phone: from now on entries may come in late."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.work.actions.hear_phone import hear_phone
from valvecare.work.models import TakenAlong, WorkOrder


@transaction.atomic
def take_along(order_id: int, *, actor: Any, at: datetime) -> TakenAlong:
    """Note that the order is out on this person's phone; twice is the same as once.

    Changes no version: the order itself stays as it is. Raises `NotFound`, `Forbidden`.
    """
    order = WorkOrder.objects.for_user(actor).filter(pk=order_id).first()
    if order is None:
        raise NotFound("There is no such work order for you.")
    require(actor, "do_work", site_id=order.site_id)
    row, made = TakenAlong.objects.get_or_create(
        order=order, by=actor, back_at=None, defaults={"at": at, "heard_at": at}
    )
    if not made:
        hear_phone([order_id], actor=actor, at=at)
    else:
        record(
            "work_order.taken_along",
            order,
            actor=actor,
            at=at,
            words=f"{order}: taken along on a phone by {actor.get_username()}.",
        )
    return row
