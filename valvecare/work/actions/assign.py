"""Name the person who does the work."""

from datetime import datetime
from typing import Any

from django.contrib.auth import get_user_model
from django.db import transaction

from valvecare.core.errors import Reason
from valvecare.core.permits import may
from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OPEN_STATES, OrderState, why_not_in_state


@transaction.atomic
def assign(order_id: int, username: str, *, version: int, actor: Any, at: datetime) -> WorkOrder:
    """Assign the order to a person who may do work at its site; an empty name takes it back."""
    order = taken(order_id, version=version, actor=actor, permit="place_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), OPEN_STATES, "assigned"))
    person = None
    if username:
        users = get_user_model()._default_manager
        person = users.filter(**{get_user_model().USERNAME_FIELD: username}, is_active=True).first()
        # somebody of another site and nobody at all are not told apart
        if person is None or not may(person, "do_work", order.site_id):
            refuse_if(
                Reason(
                    "not_a_worker",
                    f"{username} may not do work at {order.site}.",
                    "Name a technician or contractor of this site.",
                )
            )
    name = person.get_username() if person else "nobody"
    return keep(
        order,
        "assigned",
        actor=actor,
        at=at,
        words=f"{order} assigned to {name}.",
        data={"to": name},
        assigned_to=person,
    )
