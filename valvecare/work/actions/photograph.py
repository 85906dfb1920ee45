"""Photographs of a part that was found, or of the valve as found, sent on their own."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason, Refused
from valvecare.core.pictures import Picture
from valvecare.work.actions.add_photos import add_photos
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.models import Photo, WorkOrder
from valvecare.work.reads import facts_of, latest_findings
from valvecare.work.rules import GateKind, OrderState, PartName
from valvecare.work.rules.photos import why_no_photos


@transaction.atomic
def photograph(
    order_id: int,
    photos: Sequence[Picture],
    *,
    version: int,
    actor: Any,
    at: datetime,
    part: PartName | None = None,
    words: str = "",
    done_at: datetime | None = None,
) -> list[Photo]:
    """Keep photographs with the latest finding of `part`, or with the as-found record.

    Raises as every step at the valve does; `Refused` where nothing is recorded to belong to.
    """
    order: WorkOrder = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="photographed",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    facts = facts_of(order)
    refuse_if(why_no_photos(len(photos)))
    finding = None
    if part is not None:
        finding = latest_findings(order).get(PartName(part))
        if finding is None:
            raise Refused(
                Reason(
                    "not_found_yet",
                    f"Nothing was recorded of the {part} yet.",
                    "Record the finding first, then send its photographs.",
                )
            )
    elif GateKind.AS_FOUND not in facts.gates:
        raise Refused(
            Reason(
                "not_found_yet",
                "Nothing was recorded as found yet.",
                "Record as found first, then send its photographs.",
            )
        )
    taken_at = fact_time(done_at, at=at, not_before=facts.started_at)
    keep(order, "photographed", actor=actor, at=at, words=f"{order}: {len(photos)} photographs.")
    return add_photos(
        order, photos, finding=finding, words=words, done_at=taken_at, actor=actor, at=at
    )
