"""'Not done, because …' of one step."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.events import record
from valvecare.proving.actions.run import taken_run, tell_order
from valvecare.proving.models import StepAnswer, TestRun
from valvecare.proving.rules import why_not_answer, why_not_step
from valvecare.work.actions.order import fact_time, refuse_if


def add_answer(
    run: TestRun, step: str, because: str, *, answered_at: datetime, actor: Any, at: datetime
) -> StepAnswer:
    """Store why a step of a run that is held was not done."""
    row = StepAnswer(
        run=run,
        step=step,
        because=because,
        answered_at=answered_at,
        recorded_by=actor,
        recorded_at=at,
    )
    row.clean_fields(exclude=["run", "recorded_by"])
    row.save(force_insert=True)
    return row


@transaction.atomic
def answer_step(
    run_id: int,
    step: str,
    because: str,
    *,
    actor: Any,
    at: datetime,
    done_at: datetime | None = None,
) -> TestRun:
    """Say why a step that applies is not done. What was read in it stays and is judged."""
    run = taken_run(run_id, actor=actor)
    refuse_if(why_not_step(step, run.not_applicable))
    refuse_if(why_not_answer(because))
    answered_at = fact_time(done_at, at=at, not_before=run.begun_at)
    row = add_answer(run, step, because, answered_at=answered_at, actor=actor, at=at)
    record(
        "test_run.step_answered",
        run,
        actor=actor,
        at=at,
        words=f"{run.order}: {row}",
        data={"step": step, "because": because},
        site=run.order.site,
        valve=run.order.valve,
    )
    tell_order(run)
    return run
