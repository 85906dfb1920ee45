"""The one way a quantity changes: the lot's sums and its line in the ledger, in one step."""

from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.parts.models import Lot, Movement
from valvecare.parts.rules import MovementKind, not_available, why_not_quantity

LOT_RELATIONS = ("site", "kit__design", "part", "bin__store")


def refuse_if(*reasons: Reason | None) -> None:
    """Raise `Refused` with every reason that is one."""
    found = [reason for reason in reasons if reason is not None]
    if found:
        raise Refused(*found)


def lot_for(lot_id: int, actor: Any, *, permit: str = "change_parts") -> Lot:
    """A lot this person may see, with the permit at its site."""
    lot = Lot.objects.for_user(actor).select_related(*LOT_RELATIONS).filter(pk=lot_id).first()
    if lot is None:
        raise NotFound("There is no such lot for you.")
    require(actor, permit, site_id=lot.site_id)
    found: Lot = lot
    return found


def move(
    lot: Lot,
    kind: MovementKind,
    quantity: int,
    *,
    actor: Any,
    at: datetime,
    order: Any = None,
    why: str = "",
    key: str | None = None,
    from_reserved: int = 0,
) -> Movement:
    """Add `quantity` (signed) to the lot, and one line to its ledger.

    `from_reserved`: so many of the pieces taken were reserved. The update is conditional, so that
    of many takers one wins; the database checks stand behind it. Refuses 'not_available', and
    'moved_already' when the key was used before. Call inside a transaction.
    """
    kept = F("reserved") - from_reserved
    rows = Lot.objects.filter(
        pk=lot.pk, reserved__gte=from_reserved, on_hand__gte=kept - quantity
    ).filter(on_hand__gte=-quantity)
    if not rows.update(on_hand=F("on_hand") + quantity, reserved=kept):
        lot.refresh_from_db(fields=["on_hand", "reserved"])
        raise Refused(
            not_available(lot.code, wanted=-quantity, on_hand=lot.on_hand, reserved=lot.reserved)
        )
    line = Movement(
        lot=lot, kind=kind.value, quantity=quantity, order=order, why=why, by=actor, at=at, key=key
    )
    line.clean_fields(exclude=["lot", "order", "by"])
    try:
        with transaction.atomic():
            line.save()
    except IntegrityError:
        raise Refused(
            Reason(
                "moved_already",
                f"The movement '{key}' is in the ledger already.",
                "Nothing to do.",
                {"key": key},
            )
        ) from None
    lot.refresh_from_db(fields=["on_hand", "reserved"])
    return line


def tell(
    event: str,
    lot: Lot,
    *,
    actor: Any,
    at: datetime,
    words: str,
    order: Any = None,
    **data: Any,
) -> None:
    """The event of something that happened to a lot."""
    record(
        f"lot.{event}",
        lot,
        actor=actor,
        at=at,
        words=words,
        valve=order.valve if order is not None else None,
        data={"lot": lot.code, "item": str(lot.item), **data},
    )


def sane(quantity: int) -> None:
    refuse_if(why_not_quantity(quantity))
