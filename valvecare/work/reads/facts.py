"""Answers about one order, put together from its facts."""

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
from valvecare.work.reads.cover import spring_known
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


def latest_test(order: WorkOrder) -> FunctionTest | None:
    """The latest function test of the present revision (by the time it was done)."""
    row = (
        OrderTest.objects.filter(order=order, revision=order.revision)
        .select_related("test")
        .order_by("-test__done_at", "-id")
        .first()
    )
    return row.test if row else None


def gathered(order: WorkOrder) -> tuple[OrderFacts, tuple[AskedStep, ...]]:
    """The facts of an order, and the steps of its procedure they settle."""
    gates = list(Gate.objects.filter(order=order, revision=order.revision))
    judgements = {
        part: PartJudgement(
            part,
            PartDecision(row.decision) if row.decision else None,
            row.not_checked_because,
            waits_for_engineer=row.for_engineer
            and bool(row.decision)
            and is_softer(PartDecision(row.decision), PartDecision(row.rule_says)),
        )
        for part, row in latest_findings(order).items()
    }
    test = latest_test(order)
    release = (
        ProvisionalRelease.objects.filter(order=order, revision=order.revision)
        .order_by("-id")
        .first()
    )
    valve = ProtectionValve.objects.select_related("design", "pump__group").get(pk=order.valve_id)
    kind = OrderKind(order.kind)
    passed = {GateKind(gate.kind): gate.at for gate in gates}
    steps = step_lines(
        order,
        valve,
        gates=passed,
        judgements=judgements,
        has_test=test is not None or release is not None,
    )
    facts = OrderFacts(
        kind=kind,
        state=OrderState(order.state),
        gates=passed,
        judgements=judgements,
        parts=parts_of(valve, kind),
        spring_known=spring_known(valve),
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
    return facts, steps


def facts_of(order: WorkOrder) -> OrderFacts:
    """Gather what the rules ask about an order. Seven queries, whatever the order holds;
    four more where a procedure is fixed."""
    return gathered(order)[0]


def order_steps(order: WorkOrder) -> tuple[AskedStep, ...]:
    """The steps that apply to an order, with their answers; empty where no version is fixed."""
    return gathered(order)[1] if order.procedure_id is not None else ()


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
