"""Hand out for an order, take back what was not used, break up what is not whole."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Count

from valvecare.core.errors import Reason, Refused
from valvecare.core.take import take
from valvecare.parts.actions.ledger import LOT_RELATIONS, lot_for, move, refuse_if, sane, tell
from valvecare.parts.actions.reserve import settle_one
from valvecare.parts.models import KitLine, Lot, Reservation
from valvecare.parts.reads.facts import (
    fit_of,
    issued_to,
    job_day,
    seen_order,
    site_day,
)
from valvecare.parts.rules import (
    MovementKind,
    ReservationState,
    why_not_return,
    why_not_said,
)


def _same_site(order: Any, lot: Lot) -> Reason | None:
    if order.site_id == lot.site_id:
        return None
    return Reason(
        "other_site",
        f"Lot {lot.code} lies at {lot.site}, the order belongs to {order.site}.",
        "Take a lot of the order's own site.",
    )


@transaction.atomic
def issue(
    order_id: int,
    lot_id: int,
    *,
    actor: Any,
    at: datetime,
    quantity: int = 1,
    key: str | None = None,
) -> Lot:
    """Hand pieces of a lot out for an order; what was kept for it is settled.

    The fit is asked again, for the day of the job: a lot that was right in May may be expired now.
    """
    order = seen_order(order_id, actor)
    lot = lot_for(lot_id, actor)
    sane(quantity)
    refuse_if(_same_site(order, lot))
    if order.ended_at is not None:
        raise Refused(
            Reason("order_ended", f"{order} is {order.state}.", "Take an order that is open.")
        )
    day = job_day(order, site_day(order.site, at))
    refuse_if(*fit_of(order.valve, lot, job_on=day)[1])
    kept = (
        Reservation.objects.select_for_update()
        .filter(order=order, lot=lot, state=ReservationState.OPEN.value)
        .first()
    )
    from_reserved = settle_one(kept, quantity, at=at) if kept else 0
    move(
        lot,
        MovementKind.ISSUED,
        -quantity,
        actor=actor,
        at=at,
        order=order,
        key=key,
        from_reserved=from_reserved,
    )
    tell(
        "issued",
        lot,
        actor=actor,
        at=at,
        order=order,
        words=f"{quantity} of {lot} issued for {order}.",
        quantity=quantity,
        order_number=order.number,
    )
    return lot


@transaction.atomic
def return_unused(
    order_id: int,
    lot_id: int,
    *,
    actor: Any,
    at: datetime,
    quantity: int = 1,
    is_whole: bool,
    missing: Sequence[str] = (),
    why: str = "",
    key: str | None = None,
) -> Lot:
    """Take back what was not used. A kit that lacks a part never goes back as a kit.

    It becomes a quarantined lot of its own that names what is missing; `break_up` makes loose
    parts of it. Answers the lot in which the pieces now lie.
    """
    order = seen_order(order_id, actor)
    lot = lot_for(lot_id, actor)
    sane(quantity)
    refuse_if(_same_site(order, lot))
    Lot.objects.select_for_update().get(pk=lot.pk)  # two returns at once count one after another
    is_kit = lot.kit_id is not None
    codes = (
        set(KitLine.objects.filter(kit=lot.kit).values_list("part__code", flat=True))
        if is_kit
        else set()
    )
    refuse_if(
        why_not_return(
            issued=issued_to(order.pk, lot.pk),
            quantity=quantity,
            is_kit=is_kit,
            is_whole=is_whole,
            missing=missing,
            part_codes=codes,
        )
    )
    told = {"order": order, "actor": actor, "at": at}
    move(lot, MovementKind.RETURNED, quantity, why=why, key=key, **told)
    found = lot
    if not is_whole:
        found = _set_apart(lot, quantity, sorted(set(missing)), why, **told)
    state = "whole" if is_whole else f"without {', '.join(missing) or 'being fit for use'}"
    tell(
        "returned",
        found,
        words=f"{quantity} of {lot} came back from {order}, {state}. {why}".strip(),
        quantity=quantity,
        order_number=order.number,
        missing=list(missing),
        **told,
    )
    return found


def _set_apart(
    lot: Lot, quantity: int, missing: list[str], why: str, *, order: Any, actor: Any, at: datetime
) -> Lot:
    """Move pieces out of a lot into a quarantined one beside it."""
    same = Lot.objects.filter(bin=lot.bin, kit=lot.kit, part=lot.part)
    number = same.aggregate(count=Count("id"))["count"]
    said = f"came back without {', '.join(missing)}" if missing else f"came back, {why or 'unfit'}"
    apart = Lot(
        site=lot.site,
        bin=lot.bin,
        kit=lot.kit,
        part=lot.part,
        code=f"{lot.code}-R{number}",
        shelf_until=lot.shelf_until,
        certificate=lot.certificate,
        missing=missing,
        quarantined_at=at,
        quarantine_why=said[:300],
        added_at=at,
    )
    apart.full_clean(exclude=["site", "bin", "kit", "part"])
    apart.save()
    out = {"actor": actor, "at": at, "why": said}
    move(lot, MovementKind.QUARANTINED, -quantity, **out)
    move(apart, MovementKind.QUARANTINED, quantity, **out)
    return apart


@transaction.atomic
def break_up(lot_id: int, *, version: int, actor: Any, at: datetime, why: str = "") -> list[Lot]:
    """Make loose parts of kits that are not whole: what is there goes on the shelf by its number.

    Answers the lots of the loose parts.
    """
    lot_for(lot_id, actor)
    lot = take(Lot.objects.for_user(actor).select_related(*LOT_RELATIONS), lot_id, version)
    if lot.kit is None or not lot.missing or not lot.on_hand:
        raise Refused(
            Reason(
                "nothing_to_break_up",
                "Only kits on hand that came back without a part are broken up.",
                "Take a whole kit as it is.",
            )
        )
    kits = lot.on_hand
    move(lot, MovementKind.BROKEN_UP, -kits, actor=actor, at=at, why=why)
    found = []
    for line in KitLine.objects.filter(kit=lot.kit).select_related("part"):
        if line.part.code in lot.missing or line.part.has_serial:
            continue
        loose, _ = Lot.objects.get_or_create(
            bin=lot.bin,
            part=line.part,
            code=lot.code,
            defaults={
                "site": lot.site,
                "shelf_until": lot.shelf_until if line.part.shelf_life_months else None,
                "certificate": lot.certificate,
                "added_at": at,
            },
        )
        out = {"actor": actor, "at": at, "why": f"from {lot}"[:300]}
        move(loose, MovementKind.BROKEN_UP, kits * line.quantity, **out)
        found.append(loose)
    tell(
        "broken_up",
        lot,
        actor=actor,
        at=at,
        words=f"{kits} of {lot} broken up into loose parts. {why}".strip(),
        parts=[str(loose.part) for loose in found],
        missing=list(lot.missing),
    )
    return found


@transaction.atomic
def scrap(
    lot_id: int, quantity: int, why: str, *, actor: Any, at: datetime, key: str | None = None
) -> Lot:
    """Throw pieces away; what is kept for an order cannot be."""
    lot = lot_for(lot_id, actor)
    sane(quantity)
    refuse_if(why_not_said(why, code="no_why", what="The reason for scrapping"))
    move(lot, MovementKind.SCRAPPED, -quantity, actor=actor, at=at, why=why, key=key)
    words = f"{quantity} of {lot} scrapped. {why}"
    tell("scrapped", lot, actor=actor, at=at, words=words, quantity=quantity, why=why)
    return lot
