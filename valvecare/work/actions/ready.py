"""Show that everything is green before the valve is touched."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderKind, OrderState, why_not_in_state, why_not_ready


@transaction.atomic
def ready(
    order_id: int, proofs: Mapping[str, str], *, version: int, actor: Any, at: datetime
) -> WorkOrder:
    """placed -> readied, with the proof of every item of the go/no-go list in words."""
    order = taken(order_id, version=version, actor=actor, permit="ready_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), (OrderState.PLACED,), "readied"))
    refuse_if(why_not_ready(OrderKind(order.kind), proofs))
    return keep(
        order,
        "readied",
        actor=actor,
        at=at,
        words=f"{order} readied.",
        data={"proofs": dict(proofs)},
        state=OrderState.READIED.value,
        readiness=dict(proofs),
    )
