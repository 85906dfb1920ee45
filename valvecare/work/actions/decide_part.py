"""The engineer decides on a part where the rule cannot, or where it was not followed."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason, Refused
from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.models import Finding, WorkOrder
from valvecare.work.reads import facts_of, latest_findings
from valvecare.work.rules import (
    OrderState,
    PartDecision,
    PartName,
    why_not_in_state,
    why_not_judge_now,
    why_not_words,
)


@transaction.atomic
def decide_part(
    order_id: int,
    part: PartName,
    decision: PartDecision,
    *,
    because: str,
    version: int,
    actor: Any,
    at: datetime,
) -> WorkOrder:
    """Add the engineer's finding on a part that was found; what was found stays as it was."""
    order = taken(order_id, version=version, actor=actor, permit="decide_part")
    refuse_if(why_not_in_state(OrderState(order.state), (OrderState.UNDER_WAY,), "decided upon"))
    part, decision = PartName(part), PartDecision(decision)
    seen = latest_findings(order).get(part)
    if seen is None:
        raise Refused(
            Reason(
                "not_found_yet",
                f"Nothing was recorded of the {part} yet.",
                "Let the technician record what is found first.",
            )
        )
    refuse_if(
        why_not_judge_now(facts_of(order)),
        why_not_words(because, code="no_why", what="The reason for the decision"),
        Reason(
            "engineer_undecided",
            "The engineer's decision is reuse, lap or replace.",
            "Ask for what is needed to decide, and leave it open until then.",
        )
        if decision is PartDecision.CANNOT_DECIDE
        else None,
    )
    row = Finding(
        order=order,
        revision=order.revision,
        part=part.value,
        found=seen.found,
        grade=seen.grade,
        decision=decision.value,
        stage=seen.stage,
        kinds=seen.kinds,
        rule_says=seen.rule_says,
        rule_words=seen.rule_words,
        rule_version=seen.rule_version,
        disagree_because=because,
        is_engineers=True,
        by=actor,
        at=at,
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "by", "done_by", "gauge"])
    row.save(force_insert=True)
    return keep(
        order,
        "part_decided",
        actor=actor,
        at=at,
        words=f"{order}: {part}: {decision}, decided by the engineer. {because}",
        data={"part": part.value, "decision": decision.value, "because": because},
    )
