"""Write down what was built in."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.parts.reads import SpareLine, identify, why_not_spare
from valvecare.work.actions.measure import who_did_it
from valvecare.work.actions.order import (
    fact_time,
    keep,
    refuse_if,
    site_day,
    taken_at_the_valve,
)
from valvecare.work.models import PartUsed, WorkOrder
from valvecare.work.rules import OrderState, PartName


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
    part: PartName | None = None,
    words: str = "",
    done_at: datetime | None = None,
    done_by: str = "",
) -> WorkOrder:
    """Add one line: a part or a kit, how many, its lot and serial.

    `part`: the part of the valve it replaced. Such a line, and every line whose name is in the
    catalogue, must say which spare it was; a consumable may be named in plain words.
    """
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="given parts",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    built_in = fact_time(done_at, at=at, not_before=order.started_at)
    person = who_did_it(order, done_by)
    line = SpareLine(name, part.value if part else "", lot, serial, quantity)
    spare = identify(line, site_id=order.site_id)
    if part is not None or spare.part is not None or spare.kit is not None:
        refuse_if(why_not_spare(spare, order_id=order.pk, job_on=site_day(order, built_in)))
    row = PartUsed(
        order=order,
        revision=order.revision,
        name=name,
        quantity=quantity,
        lot=lot,
        serial=serial,
        part=line.place,
        words=words,
        by=actor,
        done_by=person,
        at=built_in,
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "by", "done_by"])
    row.save(force_insert=True)
    return keep(
        order,
        "parts_used",
        actor=actor,
        at=at,
        words=f"{order}: {quantity} {name} built in.",
        data={
            "name": name,
            "quantity": quantity,
            "lot": lot,
            "serial": serial,
            "part": line.place,
            "done_at": built_in.isoformat(),
        },
    )
