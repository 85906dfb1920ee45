"""Answers about one order, put together from its facts."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.db import models

from valvecare.due.models import Clock
from valvecare.due.rules import TaskKind, Trigger
from valvecare.parts.reads import SpareLine
from valvecare.protection.models import FunctionTest
from valvecare.register.models import ProtectionValve
from valvecare.register.reads import live_labels
from valvecare.register.rules import LabelKind
from valvecare.work.models import (
    Finding,
    Gate,
    OrderTest,
    PartUsed,
    ProvisionalRelease,
    WorkOrder,
)
from valvecare.work.reads.cover import release_of
from valvecare.work.reads.held import held_by
from valvecare.work.reads.steps import AskedStep, step_lines
from valvecare.work.rules import (
    AsFound,
    GateKind,
    OrderFacts,
    OrderKind,
    OrderState,
    PartDecision,
    PartJudgement,
    PartName,
    ProofFact,
    ReleaseFact,
    is_softer,
    parts_to_judge,
)


def parts_of(valve: ProtectionValve, kind: OrderKind) -> tuple[PartName, ...]:
    """The parts to judge at this valve; a valve without a design leaves nothing out."""
    design = valve.design
    return parts_to_judge(
        kind,
        has_lever=design.has_lever if design else None,
        has_flow_ring=design.has_flow_ring if design else None,
        stages=design.bypass_stages if design else None,
    )


def latest_findings(order: WorkOrder) -> dict[PartName, Finding]:
    """The latest finding of each part in the present revision."""
    rows = Finding.objects.filter(order=order, revision=order.revision).order_by("id")
    return {PartName(row.part): row for row in rows}


def _latest(tests: Iterable[OrderTest]) -> FunctionTest | None:
    """The test that was done last; of two at one instant the one entered last."""
    last = max(tests, key=lambda row: (row.test.done_at, row.pk), default=None)
    return last.test if last else None


def latest_test(order: WorkOrder) -> FunctionTest | None:
    """The latest function test of the present revision (by the time it was done)."""
    rows = OrderTest.objects.filter(order=order, revision=order.revision)
    return _latest(rows.select_related("test"))


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the rules ask about an order, and the rows of its present revision it was made of."""

    facts: OrderFacts
    steps: tuple[AskedStep, ...]
    held: frozenset[type[models.Model]]
    gates: list[Gate]
    findings: list[Finding]
    tests: list[OrderTest]
    releases: list[ProvisionalRelease]


def gathered(order: WorkOrder, valve: ProtectionValve | None = None) -> Gathered:
    """The facts of an order, and the steps of its procedure they settle.

    `valve`: as just read with its design, pump and group; None reads it again.
    """
    held = held_by(order)
    now = {"order": order, "revision": order.revision}
    gates = list(Gate.objects.filter(**now).select_related("by", "done_by") if Gate in held else ())
    findings = list(
        Finding.objects.filter(**now).select_related("by", "done_by", "gauge").order_by("id")
        if Finding in held
        else ()
    )
    tests = list(
        OrderTest.objects.filter(**now).select_related("test") if OrderTest in held else ()
    )
    releases = list(
        ProvisionalRelease.objects.filter(**now).select_related("signed_by")
        if ProvisionalRelease in held
        else ()
    )
    judgements = {
        PartName(row.part): PartJudgement(
            PartName(row.part),
            PartDecision(row.decision) if row.decision else None,
            row.not_checked_because,
            waits_for_engineer=row.for_engineer
            and bool(row.decision)
            and is_softer(PartDecision(row.decision), PartDecision(row.rule_says)),
        )
        for row in findings
    }
    test = _latest(tests)
    release = max(releases, key=lambda row: row.pk, default=None)
    valve = valve or ProtectionValve.objects.select_related("design", "pump__group").get(
        pk=order.valve_id
    )
    kind = OrderKind(order.kind)
    passed = {GateKind(gate.kind): gate.at for gate in gates}
    steps = step_lines(
        order,
        valve,
        gates=passed,
        judgements=judgements,
        has_test=test is not None,
        is_released=release is not None,
    )
    facts = OrderFacts(
        kind=kind,
        state=OrderState(order.state),
        gates=passed,
        judgements=judgements,
        parts=parts_of(valve, kind),
        release_way=release_of(valve).way,
        as_found=AsFound(order.as_found) if order.as_found else None,
        mode=order.mode,
        cause=order.cause,
        test=ProofFact(test.result, test.done_at, test.with_pump) if test else None,
        release=ReleaseFact(release.until, release.signed_by_id) if release else None,
        workers=frozenset(
            person
            for gate in gates
            for person in (gate.by_id, gate.done_by_id)
            if person is not None
        ),
        started_at=order.started_at,
        is_labelled=bool(live_labels(LabelKind.VALVE, [order.valve_id])),
        steps=tuple(line.state for line in steps),
    )
    return Gathered(facts, steps, held, gates, findings, tests, releases)


def facts_of(order: WorkOrder) -> OrderFacts:
    """Gather what the rules ask about an order. At most eight queries, whatever the order holds;
    four more where a procedure is fixed."""
    return gathered(order).facts


def order_steps(order: WorkOrder) -> tuple[AskedStep, ...]:
    """The steps that apply to an order, with their answers; empty where no version is fixed."""
    return gathered(order).steps if order.procedure_id is not None else ()


def replaced_parts(facts: OrderFacts) -> list[str]:
    """The parts judged 'replace' in the present revision."""
    return [
        part.value
        for part, judgement in facts.judgements.items()
        if judgement.decision is PartDecision.REPLACE
    ]


def spare_lines(order: WorkOrder) -> list[SpareLine]:
    """What was built in, in the present revision; of each replaced part the latest line."""
    rows = list(PartUsed.objects.filter(order=order, revision=order.revision).order_by("id"))
    latest = {row.part: row.pk for row in rows if row.part}
    return [
        SpareLine(row.name, row.part, row.lot, row.serial, row.quantity)
        for row in rows
        if not row.part or latest[row.part] == row.pk
    ]


def used_since_strip_down(valve: ProtectionValve) -> tuple[float | None, float | None]:
    """Run-hours and starts since the strip-down clock last restarted; None where not counted."""
    used = dict(
        Clock.objects.filter(item__valve=valve, item__kind=TaskKind.STRIP_DOWN.value).values_list(
            "trigger", "used"
        )
    )
    return used.get(Trigger.RUN_HOURS.value), used.get(Trigger.STARTS.value)
