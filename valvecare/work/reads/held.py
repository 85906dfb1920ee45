"""Which tables hold rows of one order, asked at once, so that empty ones cost no query each."""

from django.db import connections, models, router

from valvecare.parts.models import Reservation
from valvecare.work.models import (
    Deferral,
    Finding,
    Gate,
    OrderTest,
    PartUsed,
    Photo,
    ProvisionalRelease,
    Signature,
    TakenAlong,
    Tightening,
    WorkOrder,
)

_HELD: tuple[type[models.Model], ...] = (
    Deferral,
    Finding,
    Gate,
    OrderTest,
    PartUsed,
    Photo,
    ProvisionalRelease,
    Reservation,
    Signature,
    TakenAlong,
    Tightening,
)


def held_by(order: WorkOrder) -> frozenset[type[models.Model]]:
    """The models of which this order has rows, of whatever revision. One query."""
    connection = connections[router.db_for_read(WorkOrder, instance=order)]
    name = connection.ops.quote_name
    probes = " UNION ALL ".join(
        f"SELECT {number} WHERE EXISTS"  # noqa: S608 - numbers and our own table names
        f" (SELECT 1 FROM {name(model._meta.db_table)} WHERE {name('order_id')} = %s)"
        for number, model in enumerate(_HELD)
    )
    with connection.cursor() as cursor:
        cursor.execute(probes, [order.pk] * len(_HELD))
        return frozenset(_HELD[number] for (number,) in cursor.fetchall())
