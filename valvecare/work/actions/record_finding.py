"""Judge one part."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.pictures import Picture
from valvecare.work.actions.add_photos import add_photos
from valvecare.work.actions.measure import read_values, save_values, usable_gauge, who_did_it
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.models import Finding, WorkOrder
from valvecare.work.reads import facts_of, limits_of
from valvecare.work.rules import (
    RULE_VERSION,
    FindingGrade,
    Measured,
    OrderState,
    PartDecision,
    PartName,
    Stage,
    differs,
    judge_part,
    why_not_agree,
    why_not_finding,
    why_not_judge_now,
    why_not_stage,
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
    gauge: str = "",
    measurements: Sequence[dict[str, Any]] = (),
    kinds: Sequence[str] = (),
    stage: Stage = Stage.AS_FOUND,
    disagree_because: str = "",
    done_by: str = "",
    photos: Sequence[Picture] = (),
    photo_words: str = "",
) -> WorkOrder:
    """Add a finding. The latest row of a part counts; earlier ones stay.

    The rule judges the measurements by the design's limits; its word is stored beside the
    person's. A softer word than the rule's waits for the engineer, and so does 'cannot decide'.
    """
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
    found_at = fact_time(done_at, at=at, not_before=facts.started_at)
    latest = facts.judgements.get(part)
    measured = read_values(order, measurements, taken_at=found_at)
    seen = {Measured(one.quantity): one.value for one in measured}
    judged = judge_part(part, seen, limits_of(order.valve), kinds=kinds)
    refuse_if(
        why_not_stage(stage, latest=latest.decision if latest else None),
        why_not_agree(decision, judged, because=disagree_because),
    )
    read_from = None
    if value is not None:
        first = unit.split()[0]
        read_from = usable_gauge(order, gauge, used_at=found_at, value=None, unit="")
        if read_from.unit == first:
            usable_gauge(order, gauge, used_at=found_at, value=value, unit=first)
    disagrees = decision is not None and differs(decision, judged)
    for_engineer = disagrees or decision is PartDecision.CANNOT_DECIDE
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
        gauge=read_from,
        stage=stage.value,
        kinds=list(kinds),
        rule_says=judged.decision.value,
        rule_words=judged.words,
        rule_version=RULE_VERSION,
        disagree_because=disagree_because if disagrees else "",
        for_engineer=for_engineer,
        done_by=who_did_it(order, done_by),
        by=actor,
        at=found_at,
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "by", "done_by", "gauge"])
    row.save(force_insert=True)
    save_values(measured, row)
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
            "stage": stage.value,
            "measured": {one.quantity: one.value for one in measured},
            "rule_says": judged.decision.value,
            "disagree_because": row.disagree_because,
            "for_engineer": for_engineer,
        },
    )
    add_photos(kept, photos, finding=row, words=photo_words, done_at=row.at, actor=actor, at=at)
    return kept
