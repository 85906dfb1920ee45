"""End a guided test: the rule decides from its steps, the result becomes evidence."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.events import record
from valvecare.protection.rules import GuidedProof, ProofMethod
from valvecare.proving.actions.answer_step import add_answer
from valvecare.proving.actions.run import taken_run, tell_order
from valvecare.proving.models import TestRun
from valvecare.proving.reads import run_facts
from valvecare.proving.reads.run import reading_lines
from valvecare.proving.rules import (
    RULE_VERSION,
    RunFacts,
    RunJudgement,
    broken_off,
    judge_run,
    why_not_finish,
)
from valvecare.work.actions.order import refuse_if
from valvecare.work.actions.record_test import record_test
from valvecare.work.models import Gauge
from valvecare.work.rules.test_methods import PROOF_METHODS


@transaction.atomic
def finish_test(
    run_id: int,
    *,
    version: int,
    actor: Any,
    at: datetime,
    restriction: str = "",
    words: str = "",
    done_by: str = "",
) -> TestRun:
    """Judge the run from its readings and record it as the function test of its order.

    `version` is the order's. The worse of the steps and of the flow with its band is the result;
    the order is proven only as `record_test` says. Raises `Refused` while a step is unanswered;
    after a crossed abort limit what was left is 'not done, because the test was broken off'.
    """
    run = taken_run(run_id, actor=actor)
    facts = run_facts(run)
    judged = judge_run(facts)
    left = broken_off(judged, facts.crossed)
    if left:
        for step, because in left.items():
            add_answer(run, step, because, answered_at=at, actor=actor, at=at)
        facts = run_facts(run)
        judged = judge_run(facts)
    refuse_if(why_not_finish(judged))
    told = ". ".join(part for part in (words, judged.words) if part)[:500]
    given: dict[str, Any] = dict(judged.recorded)
    order = record_test(
        run.order_id,
        PROOF_METHODS[run.method] if given else ProofMethod.WITH_PUMP,
        version=version,
        actor=actor,
        at=at,
        done_at=max((row.at for row in facts.readings), default=None),
        restriction=restriction,
        words=told,
        done_by=done_by or (run.done_by.get_username() if run.done_by else ""),
        guided=GuidedProof(judged.result, RULE_VERSION, evidence_of(run, facts, judged)),
        **given,
    )
    run.finished_at, run.test = at, order.tests.select_related("test").order_by("-id")[0].test
    run.result, run.words, run.rule_version = run.test.result, told, RULE_VERSION
    run.save(update_fields=["finished_at", "test", "result", "words", "rule_version"])
    tell_order(run, judged, also=actor)
    record(
        "test_run.finished",
        run,
        actor=actor,
        at=at,
        words=f"{order}: function test {run.result}. {judged.words}",
        data={"result": run.result, "test": run.test_id},
        site=order.site,
        valve=order.valve,
    )
    return run


def evidence_of(run: TestRun, facts: RunFacts, judged: RunJudgement) -> Mapping[str, Any]:
    """All the result rests on, as plain data: readings, gauges, limits, working, criteria."""
    gauges = Gauge.objects.filter(test_readings__run=run).distinct().order_by("code")
    return {
        "run": run.pk,
        "method": run.method,
        "method_words": run.method_words,
        "methods": run.methods,
        "limits": run.limits,
        "abort_limits": run.abort_limits,
        "crossed": list(facts.crossed),
        "line_up": run.line_up,
        "not_applicable": run.not_applicable,
        "not_done": dict(facts.not_done),
        "hydraulics": asdict(facts.hydraulics),
        "motor_efficiency": facts.motor_efficiency,
        "vessel": run.vessel,
        "gauges": [
            {
                "code": row.code,
                "kind": row.kind,
                "unit": row.unit,
                "step": row.step,
                "calibrated_until": row.calibrated_until.isoformat(),
                "uncertainty": row.uncertainty,
                "uncertainty_share": row.uncertainty_share,
            }
            for row in gauges
        ],
        "readings": [
            {
                **{name: getattr(line, name) for name in _READING},
                "read_at": line.read_at.isoformat(),
            }
            for line in reading_lines(run)
        ],
        "judgement": asdict(judged),
    }


_READING = (
    "id",
    "step",
    "quantity",
    "stop",
    "value",
    "unit",
    "spread",
    "gauge",
    "done_by",
    "recorded_by",
    "crossed",
    "instead_of",
    "because",
    "replaced",
)
