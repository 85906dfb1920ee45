"""Write down what was built in."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.work.actions.order import keep, taken_at_the_valve
from valvecare.work.models import PartUsed, WorkOrder
from valvecare.work.rules import OrderState


@transaction.atomic
def record_parts_used(
    order_id: int,
    name: str,
    *,
    version: int,
    actor: Any,
    at: datetime,
    quantity: int = 1,
    lot: str = "",
    serial: str = "",
    words: str = "",
) -> WorkOrder:
    """Add one line: a part or a kit, how many, its lot and serial."""
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="given parts",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    row = PartUsed(
        order=order,
        revision=order.revision,
        name=name,
        quantity=quantity,
        lot=lot,
        serial=serial,
        words=words,
        by=actor,
        at=at,
    )
    row.clean_fields(exclude=["order", "by"])
    row.save(force_insert=True)
    return keep(
        order,
        "parts_used",
        actor=actor,
        at=at,
        words=f"{order}: {quantity} {name} built in.",
        data={"name": name, "quantity": quantity, "lot": lot, "serial": serial},
    )
