"""A run taken for writing: sight, permit, still open, one writer at a time; its order told."""

from collections import defaultdict
from datetime import datetime
from typing import Any

from django.db.models import F

from valvecare.core.errors import NotFound
from valvecare.proving.models import StepAnswer, TestReading, TestRun
from valvecare.proving.reads import run_facts
from valvecare.proving.rules import RunJudgement, judge_run, why_not_read
from valvecare.work.actions.order import refuse_if, require_worker
from valvecare.work.actions.tell_test_steps import tell_test_steps
from valvecare.work.models import TestedStep
from valvecare.work.rules import OrderState, why_not_in_state


def taken_run(run_id: int, *, actor: Any) -> TestRun:
    """The run, its row held until commit. Readings only add, so no version is asked for.

    Raises `NotFound`, `Forbidden`, and `Refused` when the run or the order has ended.
    """
    if not TestRun.objects.for_user(actor).filter(pk=run_id).exists():
        raise NotFound("There is no such test for you.")
    TestRun.objects.filter(pk=run_id).update(version=F("version") + 1)
    run: TestRun = TestRun.objects.select_related("order__site", "order__valve__pump").get(
        pk=run_id
    )
    require_worker(run.order, actor)
    refuse_if(
        why_not_read(is_open=run.is_open, is_of_this_revision=run.is_of_this_revision),
        why_not_in_state(
            OrderState(run.order.state), (OrderState.UNDER_WAY, OrderState.PROVEN), "tested"
        ),
    )
    return run


def tell_order(run: TestRun, judged: RunJudgement | None = None, *, also: Any = None) -> None:
    """Tell the procedure of the run's order how each step stands; `judged`: where it is known.

    Who read, answered or led is no witness of a step, nor is `also`, who ends the test.
    """
    judged = judged or judge_run(run_facts(run))
    leaders = {run.begun_by_id, run.done_by_id, also.pk if also is not None else None}
    people: dict[str, set[int | None]] = defaultdict(lambda: set(leaders))
    latest: dict[str, datetime] = {}
    readings = TestReading.objects.filter(run=run).values_list(
        "step", "recorded_at", "recorded_by_id", "done_by_id"
    )
    answers = StepAnswer.objects.filter(run=run).values_list(
        "step", "recorded_at", "recorded_by_id"
    )
    for step, at, *who in (*readings, *answers):
        people[step].update(who)
        latest[step] = max(at, latest.get(step, at))
    tell_test_steps(
        run.order,
        [
            TestedStep(
                step=line.step,
                outcome=line.outcome,
                because=run.not_applicable.get(line.step, "")
                or (line.because if line.outcome == "not done" else ""),
                is_settled=line.is_answered,
                people=sorted(people[line.step] - {None}),
                recorded_at=latest.get(line.step, run.recorded_at),
            )
            for line in judged.steps
        ],
    )
