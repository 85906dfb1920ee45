"""Begin at the valve."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.work.actions.measure import who_did_it
from valvecare.work.actions.order import fact_time, keep, taken_at_the_valve
from valvecare.work.actions.use_procedure import version_to_start
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderKind, OrderState, may_start_from


@transaction.atomic
def start(
    order_id: int,
    *,
    version: int,
    actor: Any,
    at: datetime,
    done_at: datetime | None = None,
    done_by: str = "",
) -> WorkOrder:
    """readied -> under way (agreed -> under way for work that takes nothing out of service)."""
    kind = (
        WorkOrder.objects.for_user(actor).filter(pk=order_id).values_list("kind", flat=True).first()
    )
    states = may_start_from(OrderKind(kind)) if kind else ()
    order = taken_at_the_valve(
        order_id, version=version, actor=actor, verb="started", states=states
    )
    begun = fact_time(done_at, at=at, not_before=order.raised_at)
    person = who_did_it(order, done_by) or actor
    return keep(
        order,
        "started",
        actor=actor,
        at=at,
        words=f"Work on {order} began.",
        data={"done_at": begun.isoformat(), "done_by": person.get_username()},
        state=OrderState.UNDER_WAY.value,
        started_at=begun,
        procedure=version_to_start(order),
        assigned_to=order.assigned_to or person,
    )
