"""Show that everything is green before the valve is touched."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.parts.reads import job_day, why_no_kit
from valvecare.work.actions.order import keep, refuse_if, site_day, taken
from valvecare.work.actions.use_procedure import version_for
from valvecare.work.models import WorkOrder
from valvecare.work.rules import (
    OrderKind,
    OrderState,
    ReadyItem,
    ready_items,
    why_not_in_state,
    why_not_ready,
)


@transaction.atomic
def ready(
    order_id: int, proofs: Mapping[str, str], *, version: int, actor: Any, at: datetime
) -> WorkOrder:
    """placed -> readied, with the proof of every item of the go/no-go list in words.

    The kit is proven by the store, not by words: kept or issued for this order and fitting on the
    day of the job. Where the catalogue has no kit for the design the words must do. The version
    of the procedure that serves now is fixed: the order keeps it whatever is put in use later.
    """
    order = taken(order_id, version=version, actor=actor, permit="ready_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), (OrderState.PLACED,), "readied"))
    refuse_if(why_not_ready(OrderKind(order.kind), proofs))
    if ReadyItem.KIT in ready_items(OrderKind(order.kind)):
        refuse_if(*why_no_kit(order, job_on=job_day(order, site_day(order, at))))
    return keep(
        order,
        "readied",
        actor=actor,
        at=at,
        words=f"{order} readied.",
        data={"proofs": dict(proofs)},
        state=OrderState.READIED.value,
        readiness=dict(proofs),
        procedure=version_for(order),
    )
