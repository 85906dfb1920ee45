"""Take in what came: a receiving check, a lot, a line in the ledger."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.permits import require
from valvecare.engineering.calendars import add_months
from valvecare.parts.actions.ledger import move, refuse_if, sane, tell
from valvecare.parts.models import (
    Bin,
    Kit,
    Lot,
    Movement,
    PartNumber,
    Piece,
    Purchase,
    ReceivingCheck,
)
from valvecare.parts.reads.facts import site_day
from valvecare.parts.rules import MovementKind, PurchaseState, why_not_receive, why_not_said

NOT_ACCEPTED = "-Q"
"""Ending of the lot code of what the receiving check did not accept: it never mixes with good."""


MOST_MONTHS = 240
"""No rubber is good for longer, whatever its kit says: a slip of the pen in the year. The longest
group of ISO 2230 is 10 years and 5 more after a test (from memory)."""


@transaction.atomic
def receive(
    bin_id: int,
    lot_code: str,
    quantity: int,
    *,
    actor: Any,
    at: datetime,
    kit_id: int | None = None,
    part_id: int | None = None,
    shelf_until: date | None = None,
    cured_on: date | None = None,
    certificate: str = "",
    serials: Sequence[str] = (),
    checks: Mapping[str, str] | None = None,
    is_accepted: bool = True,
    words: str = "",
    purchase_id: int | None = None,
    key: str | None = None,
) -> Lot:
    """Receive pieces into a bin, after a check that looked at them.

    The last day of use is `shelf_until`, or the cure date with the shelf life of the part number.
    What the check does not accept goes into a quarantined lot of its own.
    """
    seen = Bin.objects.for_user(actor).filter(pk=bin_id, retired_at=None)
    place = seen.select_related("store__site").first()
    if place is None:
        raise NotFound("There is no such bin for you.")
    site = place.store.site
    require(actor, "change_parts", site_id=site.pk)
    sane(quantity)
    kit, part = _item(kit_id, part_id)
    today = site_day(site, at)
    months = part.shelf_life_months if part else None
    if shelf_until is None and cured_on is not None and months:
        shelf_until = add_months(cured_on, months)
    refuse_if(
        why_not_said(lot_code, code="no_lot", what="The lot"),
        why_not_said(" ".join(checks or {}), code="no_check", what="The receiving check"),
        why_not_receive(
            has_shelf_life=kit.has_shelf_life if kit else months is not None,
            shelf_until=shelf_until,
            cured_on=cured_on,
            longest_until=add_months(cured_on or today, MOST_MONTHS if months is None else months),
            today=today,
            has_serial=bool(part and part.has_serial),
            serials=serials,
            quantity=quantity,
            known_serials=set(
                Piece.objects.filter(part=part, serial__in=serials).values_list("serial", flat=True)
            )
            if part
            else (),
            is_accepted=is_accepted,
            words=words,
        ),
    )
    code = lot_code if is_accepted else lot_code + NOT_ACCEPTED
    lot = _lot(place, kit, part, code, shelf_until, certificate, at=at)
    if not is_accepted and lot.quarantined_at is None:
        lot.quarantined_at, lot.quarantine_why = at, f"receiving check: {words}"[:300]
        lot.full_clean(exclude=["site", "bin", "kit", "part"])
        lot.save(update_fields=["quarantined_at", "quarantine_why"])
    line = move(lot, MovementKind.RECEIVED, quantity, actor=actor, at=at, why=words[:300], key=key)
    _note_check(lot, line, quantity, checks or {}, is_accepted, words, actor=actor, at=at)
    Piece.objects.bulk_create(Piece(part=part, serial=serial, lot=lot) for serial in serials)
    if purchase_id is not None:
        _arrived(purchase_id, lot, site_id=site.pk, at=at)
    tell(
        "received" if is_accepted else "not_accepted",
        lot,
        actor=actor,
        at=at,
        words=f"{quantity} of {lot} received at {place}. {words}".strip(),
        quantity=quantity,
        checks=dict(checks or {}),
    )
    return lot


def _item(kit_id: int | None, part_id: int | None) -> tuple[Kit | None, PartNumber | None]:
    if (kit_id is None) == (part_id is None):
        raise Refused(
            Reason("name_one_item", "Name a kit or a part number, one of them.", "Send one.")
        )
    kit = Kit.objects.filter(pk=kit_id).first() if kit_id is not None else None
    part = PartNumber.objects.filter(pk=part_id).first() if part_id is not None else None
    if kit is None and part is None:
        raise NotFound("There is no such kit or part number.")
    return kit, part


def _lot(
    place: Bin,
    kit: Kit | None,
    part: PartNumber | None,
    code: str,
    shelf_until: date | None,
    certificate: str,
    *,
    at: datetime,
) -> Lot:
    """The lot of that code in the bin; a lot is one only when its last day of use is the same."""
    found: Lot | None = Lot.objects.filter(bin=place, kit=kit, part=part, code=code).first()
    if found is None:
        lot = Lot(
            site=place.store.site,
            bin=place,
            kit=kit,
            part=part,
            code=code,
            shelf_until=shelf_until,
            certificate=certificate,
            added_at=at,
        )
        lot.full_clean(exclude=["site", "bin", "kit", "part"])
        lot.save()
        return lot
    if found.shelf_until != shelf_until:
        raise Refused(
            Reason(
                "lot_differs",
                f"Lot {code} is here already, to be used until {found.shelf_until}, not "
                f"{shelf_until}.",
                "One lot has one last day: correct the day, or give another lot code.",
            )
        )
    return found


def _note_check(
    lot: Lot,
    line: Movement,
    quantity: int,
    checks: Mapping[str, str],
    is_accepted: bool,
    words: str,
    *,
    actor: Any,
    at: datetime,
) -> None:
    row = ReceivingCheck(
        lot=lot,
        movement=line,
        quantity=quantity,
        checks=dict(checks),
        is_accepted=is_accepted,
        words=words,
        by=actor,
        at=at,
    )
    row.clean_fields(exclude=["lot", "movement", "by"])
    row.save()


def _arrived(purchase_id: int, lot: Lot, *, site_id: int, at: datetime) -> None:
    rows = Purchase.objects.filter(
        pk=purchase_id,
        site_id=site_id,
        kit=lot.kit,
        part=lot.part,
        state=PurchaseState.ASKED.value,
    )
    if not rows.update(state=PurchaseState.RECEIVED.value, ended_at=at, lot=lot):
        raise Refused(
            Reason(
                "purchase_differs",
                "This purchase is not open here for this item.",
                "Choose the purchase that brought it, or none.",
            )
        )
