"""Parts with a life of their own: fitted in a valve, taken out again."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.parts.actions.ledger import refuse_if
from valvecare.parts.models import FittedPart, Lot, PartNumber
from valvecare.parts.reads.lives import gained_at
from valvecare.parts.reads.spares import SpareLine, identify
from valvecare.parts.rules import why_not_said
from valvecare.readings.rules import Quantity
from valvecare.register.models import ProtectionValve


@transaction.atomic
def fit_part(
    valve_id: int,
    part_id: int,
    *,
    actor: Any,
    at: datetime,
    fitted_at: datetime,
    serial: str = "",
    lot_id: int | None = None,
) -> FittedPart:
    """Record that a part was fitted, for a person at the valve; work does it when it closes."""
    rows = ProtectionValve.objects.for_user(actor).select_related("pump__group__site")
    valve = rows.filter(pk=valve_id).first()
    part = PartNumber.objects.filter(pk=part_id).first()
    if valve is None or part is None:
        raise NotFound("There is no such valve or part number for you.")
    require(actor, "do_work", site_id=valve.site_of().pk)
    lot = None
    if lot_id is not None:
        lot = Lot.objects.filter(pk=lot_id, part=part, site=valve.site_of()).first()
        if lot is None:
            raise NotFound("There is no such lot of this part number at this site.")
    if fitted_at > at:
        raise Refused(
            Reason("in_the_future", "The time given lies in the future.", "Give when it was done.")
        )
    return place_part(valve, part, serial=serial, lot=lot, fitted_at=fitted_at, actor=actor, at=at)


def place_part(
    valve: ProtectionValve,
    part: PartNumber,
    *,
    actor: Any,
    at: datetime,
    fitted_at: datetime,
    serial: str = "",
    lot: Lot | None = None,
    quantity: int = 1,
    order: Any = None,
    beside: Collection[int] = (),
) -> FittedPart:
    """Fit a part; what was at its place before leaves at that instant. Asks no permit.

    `beside`: fitted parts that stay although they have the same place.
    """
    if part.has_serial and not serial:
        raise Refused(
            Reason(
                "serial_missing",
                f"{part} carries a serial number, none is given.",
                "Read it from the piece.",
            )
        )
    gained = gained_at(valve, fitted_at)
    if part.place:
        for old in FittedPart.objects.filter(
            valve=valve, place=part.place, removed_at__isnull=True, fitted_at__lte=fitted_at
        ).exclude(pk__in=beside):
            _take_out(old, gained, removed_at=fitted_at, why=f"replaced by {part} {serial}")
    row = FittedPart(
        valve=valve,
        part=part,
        place=part.place,
        serial=serial,
        lot=lot,
        quantity=quantity,
        order=order,
        fitted_at=fitted_at,
        run_hours_base=gained.get(Quantity.RUN_HOURS),
        starts_base=gained.get(Quantity.STARTS),
    )
    row.clean_fields(exclude=["valve", "part", "lot", "order"])
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        where = (
            FittedPart.objects.filter(part=part, serial=serial, removed_at__isnull=True)
            .values_list("valve__tag", flat=True)
            .first()
        )
        raise Refused(
            Reason(
                "serial_already_fitted",
                f"Serial {serial} of {part} is fitted in {where}.",
                "Read the piece again, or record that it was taken out there.",
                {"serial": serial, "valve": where},
            )
        ) from None
    record(
        "part.fitted",
        row,
        actor=actor,
        at=at,
        words=f"{row} fitted in {valve}.",
        data={
            "part": part.code,
            "serial": serial,
            "lot": lot.code if lot else "",
            "fitted_at": fitted_at.isoformat(),
        },
    )
    return row


def fit_spares(
    order: Any, lines: Sequence[SpareLine], *, fitted_at: datetime, actor: Any, at: datetime
) -> list[FittedPart]:
    """Fit everything the lines of an order name, kits by their parts. For the one who closes.

    Parts this order fitted before (its record was amended) stay as they are.
    """
    found: list[FittedPart] = []
    for line in lines:
        spare = identify(line, site_id=order.site_id)
        parts = [(spare.part, line.quantity)] if spare.part is not None else []
        if spare.kit is not None:
            parts = [
                (one.part, one.quantity * line.quantity)
                for one in spare.kit.lines.select_related("part")
                if one.part.place and line.place in ("", one.part.place)
            ]
        for part, quantity in parts:
            serial = line.serial if part.has_serial else ""
            if not part.place or (part.has_serial and not serial):
                continue
            kept = FittedPart.objects.filter(
                order=order, part=part, serial=serial, lot=spare.lot, removed_at__isnull=True
            ).first()
            found.append(
                kept
                or place_part(
                    order.valve,
                    part,
                    serial=serial,
                    lot=spare.lot,
                    quantity=quantity,
                    fitted_at=fitted_at,
                    order=order,
                    beside=[row.pk for row in found],
                    actor=actor,
                    at=at,
                )
            )
    return found


def _take_out(
    row: FittedPart, gained: dict[Quantity, float], *, removed_at: datetime, why: str
) -> None:
    row.removed_at, row.removed_why = removed_at, why[:300]
    for name, quantity in (("run_hours", Quantity.RUN_HOURS), ("starts", Quantity.STARTS)):
        base, now = getattr(row, f"{name}_base"), gained.get(quantity)
        if base is not None and now is not None:
            setattr(row, f"{name}_life", max(now - base, 0.0))
    row.save(update_fields=["removed_at", "removed_why", "run_hours_life", "starts_life"])


@transaction.atomic
def remove_part(
    fitted_id: int, why: str, *, removed_at: datetime, actor: Any, at: datetime
) -> FittedPart:
    """Record that a fitted part was taken out; its life in hours and starts is kept."""
    row = (
        FittedPart.objects.for_user(actor)
        .select_related("valve__pump__group__site", "part")
        .filter(pk=fitted_id)
        .first()
    )
    if row is None:
        raise NotFound("There is no such fitted part for you.")
    require(actor, "do_work", site_id=row.site_of().pk)
    refuse_if(why_not_said(why, code="no_why", what="The reason"))
    if row.removed_at is not None:
        raise Refused(Reason("removed_already", f"{row} was taken out.", "Nothing to do."))
    if not row.fitted_at <= removed_at <= at:
        raise Refused(
            Reason(
                "out_of_order",
                "A part is taken out after it was fitted, and not in the future.",
                f"Give a time from {row.fitted_at.isoformat()} to now.",
            )
        )
    _take_out(row, gained_at(row.valve, removed_at), removed_at=removed_at, why=why)
    words = f"{row} taken out of {row.valve}. {why}"
    record("part.removed", row, actor=actor, at=at, words=words, data={"why": why})
    removed: FittedPart = row
    return removed
