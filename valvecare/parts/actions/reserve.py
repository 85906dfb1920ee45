"""Keep pieces of a lot for an order, let them go, settle them."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.permits import require
from valvecare.parts.actions.ledger import LOT_RELATIONS, refuse_if, sane, tell
from valvecare.parts.models import Lot, Reservation
from valvecare.parts.reads.facts import fit_of, job_day, seen_order, site_day
from valvecare.parts.rules import ReservationState, not_available, why_not_said


@transaction.atomic
def reserve(
    order_id: int,
    *,
    actor: Any,
    at: datetime,
    kit_id: int | None = None,
    part_id: int | None = None,
    lot_id: int | None = None,
    quantity: int = 1,
) -> Reservation:
    """Keep a kit, a part number or one lot for an order.

    Of a kit or part number the lot that fits and expires first is taken. Refused with every
    reason when none fits or none is available.
    """
    order = seen_order(order_id, actor)
    require(actor, "reserve_parts", site_id=order.site_id)
    sane(quantity)
    refuse_if(_why_ended(order))
    lots = _candidates(order, kit_id=kit_id, part_id=part_id, lot_id=lot_id, actor=actor)
    refuse_if(_why_kept(order, lots))
    day = job_day(order, site_day(order.site, at))
    reasons: list[Reason] = []
    for lot in lots:
        sentence, why_not = fit_of(order.valve, lot, job_on=day)
        if why_not:
            reasons += why_not
            continue
        sentence = f"{sentence} {_same_lot_note(order, lot)}".strip()
        if _take(lot, quantity):
            return _kept(order, lot, quantity, day=day, fit=sentence, actor=actor, at=at)
        lot.refresh_from_db(fields=["on_hand", "reserved"])
        reasons.append(
            not_available(lot.code, wanted=quantity, on_hand=lot.on_hand, reserved=lot.reserved)
        )
    raise Refused(*(reasons or [_nothing(order)]))


def _why_ended(order: Any) -> Reason | None:
    if order.ended_at is None:
        return None
    return Reason("order_ended", f"{order} is {order.state}.", "Take an order that is open.", {})


def _candidates(
    order: Any,
    *,
    kit_id: int | None,
    part_id: int | None,
    lot_id: int | None,
    actor: Any,
) -> list[Lot]:
    """The lots that could be taken, first expired first."""
    if sum(one is not None for one in (kit_id, part_id, lot_id)) != 1:
        raise Refused(
            Reason(
                "name_one_item",
                "Name a kit, a part number or a lot, one of them.",
                "Send kit, part or lot.",
            )
        )
    rows = Lot.objects.filter(site=order.site_id).select_related(*LOT_RELATIONS)
    if lot_id is not None:
        found = list(rows.filter(pk=lot_id))
        if not found:
            raise NotFound("There is no such lot at the site of this order for you.")
        return found
    rows = rows.filter(kit=kit_id) if kit_id is not None else rows.filter(part=part_id)
    return list(rows.filter(on_hand__gt=0).order_by(F("shelf_until").asc(nulls_last=True), "id"))


def _why_kept(order: Any, lots: Sequence[Lot]) -> Reason | None:
    kept = Reservation.objects.filter(
        order=order, lot__in=[lot.pk for lot in lots], state=ReservationState.OPEN.value
    ).first()
    if kept is None:
        return None
    return Reason(
        "already_reserved",
        f"{kept.quantity} of lot {kept.lot.code} are kept for this order already.",
        "Release that reservation to keep another number.",
        {"reservation": kept.pk},
    )


def _nothing(order: Any) -> Reason:
    return Reason(
        "not_available",
        f"None is on hand at {order.site}.",
        "Order it; the shortage list says when it would arrive.",
        {"on_hand": 0, "reserved": 0},
    )


def _same_lot_note(order: Any, lot: Lot) -> str:
    """Common cause: the same lot in another pump of the group (common practice)."""
    group = order.valve.pump.group_id
    twin = (
        Reservation.objects.filter(
            lot=lot, state=ReservationState.OPEN.value, order__valve__pump__group=group
        )
        .exclude(order=order)
        .values_list("order__valve__tag", flat=True)
        .first()
    )
    if twin is None:
        return ""
    return (
        f"The same lot is kept for {twin} of this group: do not build both in without a function "
        "test between them."
    )


def _take(lot: Lot, quantity: int) -> bool:
    """Raise what is reserved where enough is free; one conditional statement."""
    free = Lot.objects.filter(
        pk=lot.pk, quarantined_at__isnull=True, on_hand__gte=F("reserved") + quantity
    )
    return bool(free.update(reserved=F("reserved") + quantity))


def _kept(
    order: Any, lot: Lot, quantity: int, *, day: Any, fit: str, actor: Any, at: datetime
) -> Reservation:
    row = Reservation(
        order=order, lot=lot, quantity=quantity, job_on=day, fit=fit[:500], by=actor, at=at
    )
    row.clean_fields(exclude=["order", "lot", "by"])
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        raise Refused(
            Reason(
                "already_reserved",
                f"Lot {lot.code} is kept for this order already.",
                "Release that reservation to keep another number.",
            )
        ) from None
    tell(
        "reserved",
        lot,
        actor=actor,
        at=at,
        order=order,
        words=f"{quantity} of {lot} kept for {order}. {fit}",
        quantity=quantity,
        order_number=order.number,
        job_on=day.isoformat(),
    )
    return row


def _end(
    row: Reservation, state: ReservationState, *, why: str, at: datetime, give_back: bool
) -> bool:
    """End an open reservation once; `give_back` frees its pieces."""
    ended = Reservation.objects.filter(pk=row.pk, state=ReservationState.OPEN.value).update(
        state=state.value, ended_at=at, ended_why=why[:300]
    )
    if ended and give_back:
        Lot.objects.filter(pk=row.lot_id).update(reserved=F("reserved") - row.quantity)
    return bool(ended)


@transaction.atomic
def release(reservation_id: int, why: str, *, actor: Any, at: datetime) -> Reservation:
    """Let the pieces of an open reservation go."""
    row = (
        Reservation.objects.for_user(actor)
        .select_related("lot__site", "lot__kit__design", "lot__part", "order__valve")
        .filter(pk=reservation_id)
        .first()
    )
    if row is None:
        raise NotFound("There is no such reservation for you.")
    require(actor, "reserve_parts", site_id=row.lot.site_id)
    refuse_if(why_not_said(why, code="no_why", what="The reason for releasing"))
    if not _end(row, ReservationState.RELEASED, why=why, at=at, give_back=True):
        refuse_if(Reason("wrong_state", f"This reservation is {row.state}.", "Nothing to do.", {}))
    released: Reservation = row
    _tell_released(released, why, actor=actor, at=at)
    row.refresh_from_db()
    return released


def _tell_released(row: Reservation, why: str, *, actor: Any, at: datetime) -> None:
    tell(
        "released",
        row.lot,
        actor=actor,
        at=at,
        order=row.order,
        words=f"{row.quantity} of {row.lot} no longer kept for {row.order}. {why}",
        quantity=row.quantity,
        order_number=row.order.number,
        why=why,
    )


def _open(**wanted: Any) -> list[Reservation]:
    rows = Reservation.objects.filter(state=ReservationState.OPEN.value, **wanted)
    return list(
        rows.select_related("lot__site", "lot__kit__design", "lot__part", "order__valve").order_by(
            "-id"
        )
    )


def release_of_order(order: Any, why: str, *, actor: Any, at: datetime) -> int:
    """Let everything go that is kept for an order that was dropped. No permit is asked here."""
    rows = [
        row
        for row in _open(order=order)
        if _end(row, ReservationState.RELEASED, why=why, at=at, give_back=True)
    ]
    for row in rows:
        _tell_released(row, why, actor=actor, at=at)
    return len(rows)


def settle_reservations(order: Any, *, actor: Any, at: datetime) -> int:
    """End what is still kept for an order that is closed: it was not used, so it goes back."""
    return release_of_order(order, "The order is closed; it was not used.", actor=actor, at=at)


def release_of_lot(lot: Lot, why: str, *, actor: Any, at: datetime, down_to: int = 0) -> int:
    """Let reservations of a lot go, newest first, until no more than `down_to` is kept."""
    kept = sum(row.quantity for row in _open(lot=lot))
    count = 0
    for row in _open(lot=lot):
        if kept <= down_to:
            break
        if _end(row, ReservationState.RELEASED, why=why, at=at, give_back=True):
            kept -= row.quantity
            count += 1
            _tell_released(row, why, actor=actor, at=at)
    lot.refresh_from_db(fields=["on_hand", "reserved"])
    return count


def settle_one(row: Reservation, quantity: int, *, at: datetime) -> int:
    """Take `quantity` out of a reservation on issue; answers how many of them it had kept."""
    taken = min(quantity, row.quantity)
    if taken == row.quantity:
        _end(row, ReservationState.SETTLED, why="Issued.", at=at, give_back=False)
    else:
        Reservation.objects.filter(pk=row.pk).update(quantity=F("quantity") - taken)
    return taken
