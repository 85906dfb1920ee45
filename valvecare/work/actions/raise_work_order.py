"""A person raises an order."""

from datetime import date, datetime
from typing import Any

from django.db import IntegrityError, transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.register.models import ProtectionValve
from valvecare.work.actions.order import refuse_if
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderKind, OrderState, RaisedBy, why_not_words


@transaction.atomic
def raise_work_order(
    valve_id: int, kind: OrderKind, *, why: str, due_on: date, actor: Any, at: datetime
) -> WorkOrder:
    """Raise one order. Refused when an order of this kind is open for the valve already."""
    valve = (
        ProtectionValve.objects.for_user(actor)
        .select_related("pump__group__site")
        .filter(pk=valve_id)
        .first()
    )
    if valve is None:
        raise NotFound("There is no such protection valve for you.")
    site = valve.site_of()
    require(actor, "raise_work_order", site_id=site.pk)
    refuse_if(why_not_words(why, code="no_why", what="The reason for the work"))
    order = WorkOrder(
        site=site,
        valve=valve,
        kind=OrderKind(kind).value,
        state=OrderState.RAISED.value,
        why=why,
        raised_by=RaisedBy.PERSON.value,
        raised_by_user=actor,
        raised_at=at,
        due_on=due_on,
        updated_at=at,
    )
    order.clean_fields(exclude=["site", "valve", "raised_by_user", "assigned_to", "closed_by"])
    try:
        with transaction.atomic():
            order.save(force_insert=True)
    except IntegrityError:
        raise Refused(_already_open(valve, kind)) from None
    record("work_order.raised", order, actor=actor, at=at, words=f"{order}: {kind} raised. {why}")
    return order


def _already_open(valve: ProtectionValve, kind: OrderKind) -> Reason:
    other = WorkOrder.objects.open().filter(valve=valve, kind=kind).first()
    number = other.number if other else "another order"
    return Reason(
        "open_order_exists",
        f"{number} is open for {valve} already: {kind}.",
        "Use that order; one open order per valve and kind.",
        {"number": number},
    )
