"""Ask for what is missing, and drop what is no longer wanted."""

from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.core.take import take
from valvecare.parts.actions.ledger import refuse_if, sane
from valvecare.parts.models import Kit, PartNumber, Purchase
from valvecare.parts.reads.facts import seen_order, site_day
from valvecare.parts.rules import PurchaseState, why_not_said
from valvecare.register.models import Site


@transaction.atomic
def ask_for(
    site_id: int,
    *,
    actor: Any,
    at: datetime,
    kit_id: int | None = None,
    part_id: int | None = None,
    quantity: int = 1,
    is_express: bool = False,
    order_id: int | None = None,
    words: str = "",
) -> Purchase:
    """Note that so many were ordered today; the day of arrival is the lead time in full weeks."""
    site = Site.objects.for_user(actor).filter(pk=site_id).first()
    if site is None:
        raise NotFound("There is no such site for you.")
    require(actor, "change_parts", site_id=site_id)
    sane(quantity)
    order = seen_order(order_id, actor) if order_id is not None else None
    if order is not None and order.site_id != site_id:
        raise NotFound("There is no such work order at this site.")
    item = _item(kit_id, part_id)
    weeks = item.express_weeks if is_express and kit_id is not None else item.lead_weeks
    if weeks is None or (is_express and kit_id is None):
        how = "express lead time" if is_express else "lead time"
        raise Refused(
            Reason(
                "no_lead_time",
                f"{item} has no {how}.",
                f"Ask the supplier and enter the {how}.",
            )
        )
    today = site_day(site, at)
    row = Purchase(
        site=site,
        kit_id=kit_id,
        part_id=part_id,
        quantity=quantity,
        is_express=is_express,
        order=order,
        asked_on=today,
        arrives_on=today + timedelta(weeks=weeks),
        words=words,
        by=actor,
    )
    row.full_clean(exclude=["site", "kit", "part", "order", "by"])
    row.save()
    record(
        "purchase.asked",
        row,
        actor=actor,
        at=at,
        valve=order.valve if order else None,
        words=f"{row} ordered{' express' if is_express else ''}, arrives on "
        f"{row.arrives_on.isoformat()}. {words}".strip(),
        data={"arrives_on": row.arrives_on.isoformat(), "is_express": is_express},
    )
    return row


def _item(kit_id: int | None, part_id: int | None) -> Any:
    if (kit_id is None) == (part_id is None):
        raise Refused(
            Reason("name_one_item", "Name a kit or a part number, one of them.", "Send one.")
        )
    model: Any = Kit if kit_id is not None else PartNumber
    found = model.objects.filter(pk=kit_id if kit_id is not None else part_id).first()
    if found is None:
        raise NotFound("There is no such kit or part number.")
    return found


@transaction.atomic
def drop_purchase(
    purchase_id: int, why: str, *, version: int, actor: Any, at: datetime
) -> Purchase:
    """It will not come: the shortage shows again."""
    rows = Purchase.objects.for_user(actor).select_related("site", "kit", "part")
    row: Purchase = take(rows, purchase_id, version)
    require(actor, "change_parts", site_id=row.site_id)
    refuse_if(why_not_said(why, code="no_why", what="The reason"))
    if row.state != PurchaseState.ASKED:
        raise Refused(Reason("wrong_state", f"This purchase is {row.state}.", "It is done."))
    row.state, row.ended_at, row.words = PurchaseState.DROPPED.value, at, why
    row.clean_fields(exclude=["site", "kit", "part", "order", "lot", "by"])
    row.save(update_fields=["state", "ended_at", "words"])
    record("purchase.dropped", row, actor=actor, at=at, words=f"{row} will not come. {why}")
    return row
