"""Set a lot apart until somebody has judged it."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason, Refused
from valvecare.core.take import take
from valvecare.parts.actions.ledger import LOT_RELATIONS, lot_for, move, refuse_if, tell
from valvecare.parts.actions.reserve import release_of_lot
from valvecare.parts.models import Lot, Movement
from valvecare.parts.rules import MovementKind, why_not_said


def _taken(lot_id: int, version: int, actor: Any) -> Lot:
    lot_for(lot_id, actor)
    found: Lot = take(Lot.objects.for_user(actor).select_related(*LOT_RELATIONS), lot_id, version)
    return found


@transaction.atomic
def quarantine(lot_id: int, why: str, *, version: int, actor: Any, at: datetime) -> Lot:
    """Nothing of the lot is available any more; what was kept for orders is let go."""
    lot = _taken(lot_id, version, actor)
    refuse_if(why_not_said(why, code="no_why", what="The reason for the quarantine"))
    if lot.quarantined_at is not None:
        raise Refused(
            Reason("quarantined_already", f"Lot {lot.code} is in quarantine.", "Nothing to do.")
        )
    freed = release_of_lot(lot, f"Lot {lot.code} went into quarantine: {why}", actor=actor, at=at)
    lot.quarantined_at, lot.quarantine_why = at, why
    lot.clean_fields(exclude=["site", "bin", "kit", "part"])
    lot.save(update_fields=["quarantined_at", "quarantine_why"])
    move(lot, MovementKind.QUARANTINED, 0, actor=actor, at=at, why=why)
    words = f"{lot} put into quarantine. {why}"
    tell("quarantined", lot, actor=actor, at=at, words=words, why=why, released=freed)
    return lot


@transaction.atomic
def free(lot_id: int, why: str, *, version: int, actor: Any, at: datetime) -> Lot:
    """Put a lot back among the good ones; a second person, and never a kit that is not whole."""
    lot = _taken(lot_id, version, actor)
    refuse_if(why_not_said(why, code="no_why", what="The judgement"))
    if lot.quarantined_at is None:
        raise Refused(
            Reason("not_quarantined", f"Lot {lot.code} is not in quarantine.", "Nothing to do.")
        )
    if lot.missing:
        raise Refused(
            Reason(
                "kit_not_whole",
                f"Lot {lot.code} lacks {', '.join(lot.missing)}; it is no kit.",
                "Break it up into loose parts, or scrap it.",
            )
        )
    set_by = (
        Movement.objects.filter(lot=lot, kind=MovementKind.QUARANTINED.value)
        .order_by("-id")
        .values_list("by_id", flat=True)
        .first()
    )
    if set_by is not None and set_by == actor.pk:
        raise Refused(
            Reason(
                "second_person",
                "Who put the lot into quarantine cannot free it.",
                "Let a second person judge it.",
            )
        )
    lot.quarantined_at, lot.quarantine_why = None, ""
    lot.save(update_fields=["quarantined_at", "quarantine_why"])
    tell("freed", lot, actor=actor, at=at, words=f"{lot} freed. {why}", why=why)
    return lot
