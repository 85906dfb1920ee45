"""Why a verdict says what it says: the whole chain from number to formula to source."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from valvecare.core.errors import NotFound
from valvecare.engineering.cautions import Caution, caution
from valvecare.engineering.errors import Refusal
from valvecare.protection.models import FunctionTest, ValveCapacity, Verdict
from valvecare.protection.reads.facts import policy_on
from valvecare.protection.reads.fleet import fleet_of
from valvecare.protection.reads.standing import Standing, standing_of, standings
from valvecare.protection.reads.steps import Step, capacity_steps, tested_step
from valvecare.protection.rules import Hydraulics, Policy
from valvecare.protection.rules.grounds import day_words
from valvecare.protection.rules.tested import TestedPoint, tested_point

HISTORY_SHOWN = 50

CAUTIONS = ("closed-in-running", "reverse-rotation", "advice-only")
"""Shown with every verdict, whatever its word."""


@dataclass(frozen=True, slots=True)
class Why:
    """All of it. `verdict` None: not judged yet, or the valve is not in service."""

    standing: Standing
    verdict: Verdict | None
    policy: Policy | None
    capacity: ValveCapacity | None
    steps: Sequence[Step]
    tests: Sequence[FunctionTest]
    tested: TestedPoint | None
    history: Sequence[Verdict]
    cautions: Sequence[Caution]
    hydraulics: Hydraulics


def standing_one(user: Any, valve_id: int, at: datetime) -> Standing:
    """How one valve stands. Raises `NotFound` for strangers and valves out of service."""
    row = standings(user, at).filter(pk=valve_id).first()
    if row is None:
        raise NotFound("There is no such protection valve in service for you.")
    return standing_of(row)


def why(user: Any, valve_id: int, at: datetime) -> Why:
    """The verdict of one valve with everything it rests on."""
    standing = standing_one(user, valve_id, at)
    history = list(Verdict.objects.filter(valve_id=valve_id).defer("facts")[:HISTORY_SHOWN])
    verdict = Verdict.objects.filter(valve_id=valve_id, is_current=True).first()
    capacity = ValveCapacity.objects.filter(valve_id=valve_id).first()
    tests = list(FunctionTest.objects.filter(valve_id=valve_id).select_related("recorded_by"))
    hydraulics = fleet_of([valve_id]).hydraulics[valve_id]
    steps: list[Step] = []
    if capacity is not None:
        steps += capacity_steps(capacity.working, capacity.result)
    point = None
    measured = next((t for t in tests if t.bypass_flow_m3_per_h is not None), None)
    if measured is not None:
        refusal = ""
        try:
            point = tested_point(hydraulics, measured.bypass_flow_m3_per_h or 0.0)
        except Refusal as error:
            refusal = str(error)
        steps.append(tested_step(point, refusal, day_words(measured.done_at.date())))
    return Why(
        standing=standing,
        verdict=verdict,
        policy=policy_on(at.date()),
        capacity=capacity,
        steps=steps,
        tests=tests,
        tested=point,
        history=history,
        cautions=tuple(caution(name) for name in CAUTIONS),
        hydraulics=hydraulics,
    )


def passing_of_verdict(verdict: Verdict | None) -> Mapping[str, Any] | None:
    """What was said about the shut bypass, as stored with the verdict."""
    found: Mapping[str, Any] | None = None if verdict is None else verdict.facts.get("passing")
    return found
