"""A valve or pump with an open work order stays in service until the order has ended."""

from typing import Any

from valvecare.core.errors import Reason
from valvecare.register.actions import refuse_retirement_when
from valvecare.register.models import ProtectionValve, Pump
from valvecare.work.models import WorkOrder


@refuse_retirement_when
def open_order(record: Any) -> Reason | None:
    """The objection to retiring `record`, or None. One query for a valve or pump."""
    if isinstance(record, ProtectionValve):
        orders = WorkOrder.objects.filter(valve=record)
    elif isinstance(record, Pump):
        orders = WorkOrder.objects.filter(valve__pump=record)
    else:
        return None
    order = orders.open().order_by("pk").first()
    if order is None:
        return None
    return Reason(
        "order_open",
        f"The work order {order.number} on {record} is open ({order.state}).",
        "Close it or drop it first.",
        {"order": order.pk},
    )
