"""Judge one part."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.pictures import Picture
from valvecare.work.actions.add_photos import add_photos
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.models import Finding, WorkOrder
from valvecare.work.reads import facts_of
from valvecare.work.rules import (
    FindingGrade,
    OrderState,
    PartDecision,
    PartName,
    why_not_finding,
    why_not_judge_now,
)


@transaction.atomic
def record_finding(
    order_id: int,
    part: PartName,
    *,
    version: int,
    actor: Any,
    at: datetime,
    found: str = "",
    value: float | None = None,
    unit: str = "",
    grade: FindingGrade | None = None,
    decision: PartDecision | None = None,
    not_checked_because: str = "",
    done_at: datetime | None = None,
    photos: Sequence[Picture] = (),
    photo_words: str = "",
) -> WorkOrder:
    """Add a finding. The latest row of a part counts; earlier ones stay."""
    order = taken_at_the_valve(
        order_id, version=version, actor=actor, verb="judged", states=(OrderState.UNDER_WAY,)
    )
    part = PartName(part)
    facts = facts_of(order)
    refuse_if(
        why_not_judge_now(facts),
        why_not_finding(
            found=found,
            grade=grade,
            decision=decision,
            not_checked_because=not_checked_because,
            value=value,
            unit=unit,
        ),
    )
    row = Finding(
        order=order,
        revision=order.revision,
        part=part.value,
        found=found,
        value=value,
        unit=unit,
        grade=grade.value if grade else "",
        decision=decision.value if decision else "",
        not_checked_because=not_checked_because,
        by=actor,
        at=fact_time(done_at, at=at, not_before=facts.started_at),
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "by"])
    row.save(force_insert=True)
    said = f"not checked, because {not_checked_because}" if not_checked_because else row.decision
    kept = keep(
        order,
        "part_judged",
        actor=actor,
        at=at,
        words=f"{order}: {part}: {said}. {found}".strip(),
        data={
            "part": part.value,
            "found": found,
            "value": value,
            "unit": unit,
            "grade": row.grade,
            "decision": row.decision,
            "not_checked_because": not_checked_because,
        },
    )
    add_photos(kept, photos, finding=row, words=photo_words, done_at=row.at, actor=actor, at=at)
    return kept
