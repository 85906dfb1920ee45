"""The job pack of one order: everything that is known before the valve is touched."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from valvecare.engineering.cautions import Caution, StepKind, cautions_for_step
from valvecare.engineering.flow_choice import MethodJudgement
from valvecare.protection.models import FunctionTest
from valvecare.register.models import ProtectionValve, Pump
from valvecare.work.models import Finding, WorkOrder
from valvecare.work.reads.card import OrderCard, order_card
from valvecare.work.reads.cover import Lifting, Release, lifting_of, release_of
from valvecare.work.reads.procedures import OrderProcedure, order_procedure
from valvecare.work.reads.test_methods import methods_found
from valvecare.work.reads.torque import JointCard
from valvecare.work.rules import (
    CLOSES_THE_COVER,
    GATES,
    GRADE_WORDS,
    NEEDS_PROOF,
    FindingGrade,
    OrderKind,
    cautions_before,
)
from valvecare.work.rules.pack import (
    GoLine,
    Isolation,
    ReadyFacts,
    Step,
    go_lines,
    hold_points,
    isolation_list,
    numbered_steps,
)
from valvecare.work.rules.test_steps import TEST_STEPS, WATCHED_UNITS, TestStep

WHOLE_VALVE = "The whole valve is lifted and its mass is not in the register: read it or weigh it."
"""Said of an exchange; the register knows the mass of the cover only."""

LAST_FINDINGS = 300
"""Findings of the past that are looked through for each part's latest."""


@dataclass(frozen=True, slots=True)
class LastFinding:
    """What was found at a part the last time it was seen."""

    part: str
    order: str
    at: Any
    found: str
    value: float | None
    unit: str
    grade: str
    grade_words: str
    decision: str


@dataclass(frozen=True, slots=True)
class TestPlan:
    """How the function is proven afterwards. `methods` empty: see `words`."""

    required_m3_per_h: float | None
    design_m3_per_h: float | None
    switching_m3_per_h: float | None
    steps: tuple[TestStep, ...]
    watched: tuple[tuple[str, str], ...]
    methods: tuple[MethodJudgement, ...]
    words: str


@dataclass(frozen=True, slots=True)
class JobPack:
    """One order's pack. Parts that do not apply to its kind are None or empty."""

    card: OrderCard
    has_lever: bool | None
    is_identified: bool
    medium: str
    temperature_degc: float | None
    suction_bar_g: float | None
    steps: tuple[Step, ...]
    procedure: OrderProcedure
    go: tuple[GoLine, ...]
    isolation: tuple[Isolation, ...]
    hold_points: tuple[str, ...]
    release: Release | None
    lifting: Lifting | None
    tightening: JointCard | None
    last: tuple[LastFinding, ...]
    last_test: FunctionTest | None
    test_plan: TestPlan | None
    cautions: tuple[Caution, ...]

    @property
    def red(self) -> int:
        return sum(not line.is_go for line in self.go)


def _test_plan(valve: ProtectionValve, on: date) -> TestPlan:
    required = valve.pump.stable_min_flow_m3_per_h
    found = methods_found(valve, required, on, with_recorded=True)
    return TestPlan(
        required,
        valve.design_bypass_flow_m3_per_h,
        valve.switching_flow_m3_per_h,
        TEST_STEPS,
        tuple((watched.value, unit) for watched, unit in WATCHED_UNITS.items()),
        found.methods,
        found.words,
    )


def last_findings(valve_id: int, order_id: int, parts: tuple[str, ...]) -> tuple[LastFinding, ...]:
    """What was found last time at each of these parts, in other orders that have ended."""
    rows = (
        Finding.objects.filter(order__valve_id=valve_id, order__ended_at__isnull=False)
        .exclude(order_id=order_id)
        .select_related("order")
        .order_by("-at", "-id")[:LAST_FINDINGS]
    )
    latest: dict[str, Finding] = {}
    for row in rows:
        latest.setdefault(row.part, row)
    ordered = [*(part for part in parts if part in latest), *(p for p in latest if p not in parts)]
    return tuple(
        LastFinding(
            part,
            latest[part].order.number,
            latest[part].at,
            latest[part].found,
            latest[part].value,
            latest[part].unit,
            latest[part].grade,
            GRADE_WORDS[FindingGrade(latest[part].grade)] if latest[part].grade else "",
            latest[part].decision,
        )
        for part in ordered
    )


def _cautions(kind: OrderKind) -> tuple[Caution, ...]:
    """Every caution of the steps of this kind, each once, in the order of the steps."""
    steps = [step for gate in GATES[kind] for step in cautions_before(kind, gate)]
    if kind in NEEDS_PROOF:
        steps += [StepKind.TEST, StepKind.RETURN_TO_SERVICE]
    found: dict[str, Caution] = {}
    for step in steps:
        for caution in cautions_for_step(step):
            found.setdefault(caution.id, caution)
    return tuple(found.values())


def job_pack(order_id: int, user: Any) -> JobPack:
    """Everything known before the valve is touched. Raises `NotFound` as `order_card` does."""
    card = order_card(order_id, user)
    valve = ProtectionValve.objects.select_related("design", "pump__group").get(pk=card.valve_id)
    kind, pump, design = card.kind, valve.pump, valve.design
    procedure = order_procedure(WorkOrder.objects.get(pk=order_id))
    lets_go = kind in CLOSES_THE_COVER
    release = release_of(valve) if lets_go else None
    lifting = lifting_of(design) if lets_go else None
    others = (
        Pump.objects.filter(group=pump.group, retired_at=None)
        .order_by("tag")
        .values_list("tag", flat=True)
    )
    facts = ReadyFacts(
        proofs=card.readiness,
        is_identified=valve.is_identified,
        kept=[f"{row.quantity} {row.item}, lot {row.lot}, {row.place}" for row in card.kept],
        kit_blocked=card.kit_blocked,
        way=release.way if release else None,
        way_words=release.words if release else "",
        lifting=lifting.verdict.way if lifting and lifting.verdict else None,
        lifting_words=lifting.words if lifting else WHOLE_VALVE,
        crew=card.slot.crew if card.slot else "",
    )
    return JobPack(
        card=card,
        has_lever=design.has_lever if design else None,
        is_identified=valve.is_identified,
        medium=pump.medium,
        temperature_degc=pump.suction_temperature_degc,
        suction_bar_g=pump.suction_pressure_bar_g,
        steps=numbered_steps(kind),
        procedure=procedure,
        go=go_lines(kind, facts),
        isolation=isolation_list(
            kind, pump=pump.tag, group_pumps=list(others), common_return=pump.group.common_return
        ),
        hold_points=(*procedure.hold_points, *hold_points(kind)),
        release=release,
        lifting=lifting,
        tightening=card.joint,
        last=last_findings(valve.pk, order_id, tuple(line.part for line in card.findings)),
        last_test=FunctionTest.objects.filter(valve=valve).order_by("-done_at", "-id").first(),
        test_plan=_test_plan(valve, card.due_on) if kind in NEEDS_PROOF else None,
        cautions=_cautions(kind),
    )
