"""Answer steps of the procedure, and witness a hold point."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason
from valvecare.core.permits import require
from valvecare.work.actions.measure import usable_gauge, who_did_it
from valvecare.work.actions.order import (
    fact_time,
    keep,
    refuse_if,
    taken,
    taken_at_the_valve,
)
from valvecare.work.models import StepRecord, WorkOrder
from valvecare.work.reads import order_steps
from valvecare.work.reads.steps import WITNESS, AskedStep, may_witness, workers_of
from valvecare.work.rules import OrderState, why_not_in_state
from valvecare.work.rules.step_answers import StepOutcome, why_not_answer, why_not_witness

AT_ONCE = 60
"""Answers in one record."""

STATES = (OrderState.UNDER_WAY, OrderState.PROVEN)


def _answer(
    order: WorkOrder, line: AskedStep | None, given: dict[str, Any], *, at: datetime
) -> StepRecord:
    """The unsaved answer to one step; refused in the rule's words."""
    outcome = StepOutcome(given["outcome"])
    value, code = given.get("value"), str(given.get("gauge", ""))
    because = str(given.get("because", ""))
    refuse_if(
        why_not_answer(
            line.step if line else None, outcome=outcome, because=because, value=value, gauge=code
        )
    )
    assert line is not None  # noqa: S101 the rule has refused it
    gauge = None
    if value is not None and code.strip():
        gauge = usable_gauge(order, code, used_at=at, value=float(value), unit=line.step.unit)
    row = StepRecord(
        order=order,
        revision=order.revision,
        step_id=line.id,
        outcome=outcome.value,
        because=because,
        value=None if value is None else float(value),
        unit="" if value is None else line.step.unit,
        gauge=gauge,
        at=at,
    )
    row.clean_fields(exclude=["order", "step", "by", "done_by", "gauge", "recorded_at"])
    return row


@transaction.atomic
def record_steps(
    order_id: int,
    answers: Sequence[dict[str, Any]],
    *,
    version: int,
    actor: Any,
    at: datetime,
    done_at: datetime | None = None,
    done_by: str = "",
) -> WorkOrder:
    """Answer steps of an order: `{"step", "outcome", "because", "value", "gauge"}` by step number.

    All or none. The latest answer of a step counts; earlier ones stay.
    """
    order = taken_at_the_valve(
        order_id, version=version, actor=actor, verb="gone through", states=STATES
    )
    if not answers or len(answers) > AT_ONCE:
        refuse_if(
            Reason("no_answers", f"Give 1 to {AT_ONCE} answers.", "Answer at least one step.")
        )
    lines = {line.number: line for line in order_steps(order)}
    numbers = [int(given["step"]) for given in answers]
    if len(set(numbers)) != len(numbers):
        refuse_if(Reason("answered_twice", "A step is answered twice.", "Answer each once."))
    begun = fact_time(done_at, at=at, not_before=order.started_at)
    person = who_did_it(order, done_by)
    rows = []
    for number, given in zip(numbers, answers, strict=True):
        row = _answer(order, lines.get(number), given, at=begun)
        row.by, row.done_by, row.recorded_at = actor, person, at
        rows.append(row)
    StepRecord.objects.bulk_create(rows)
    said = ", ".join(f"{number} {row.outcome}" for number, row in zip(numbers, rows, strict=True))
    return keep(
        order,
        "steps_recorded",
        actor=actor,
        at=at,
        words=f"{order}: steps {said}."[:500],
        data={
            "procedure": str(order.procedure),
            "done_at": begun.isoformat(),
            "steps": [
                {
                    "step": number,
                    "outcome": row.outcome,
                    "because": row.because,
                    "value": row.value,
                    "unit": row.unit,
                }
                for number, row in zip(numbers, rows, strict=True)
            ],
        },
    )


@transaction.atomic
def witness_step(
    order_id: int,
    step: int,
    *,
    version: int,
    actor: Any,
    at: datetime,
    words: str = "",
    done_at: datetime | None = None,
) -> WorkOrder:
    """A second person of the role the step asks for has looked at a hold point; own login only."""
    order = taken(order_id, version=version, actor=actor, permit="view_work_order")
    require(actor, WITNESS, site_id=order.site_id)
    refuse_if(why_not_in_state(OrderState(order.state), STATES, "witnessed"))
    line = next((line for line in order_steps(order) if line.number == step), None)
    refuse_if(
        why_not_witness(
            line.state if line else None,
            workers=workers_of(order, line) if line else (),
            witness=actor.pk,
            has_role=line is not None and may_witness(line, actor, order.site_id),
        )
    )
    assert line is not None  # noqa: S101 the rule has refused it
    seen_at = fact_time(
        done_at, at=at, not_before=line.answer.at if line.answer else order.started_at
    )
    row = StepRecord(
        order=order,
        revision=order.revision,
        step_id=line.id,
        outcome=StepOutcome.WITNESSED.value,
        because=words,
        by=actor,
        at=seen_at,
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "step", "by", "done_by", "gauge"])
    row.save(force_insert=True)
    return keep(
        order,
        "step_witnessed",
        actor=actor,
        at=at,
        words=f"{order}: step {step} witnessed. {words}".strip(),
        data={"step": step, "done_at": seen_at.isoformat(), "words": words},
    )
