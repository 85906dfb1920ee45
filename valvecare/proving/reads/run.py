"""One run with its readings, judged as it stands now."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q
from msgspec import convert

from valvecare.core.errors import NotFound
from valvecare.protection.reads.fleet import fleet_of
from valvecare.proving.models import TestReading, TestRun
from valvecare.proving.rules import (
    ReadingFact,
    RunFacts,
    RunJudgement,
    RunLimits,
    TestQuantity,
    Vessel,
    judge_run,
)
from valvecare.register.models import ProtectionValve
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderState


def run_facts(run: TestRun) -> RunFacts:
    """What the judge of an open run is told, with the register as it stands. Five queries.

    Raises `NotFound` when the valve is in service no longer.
    """
    rows = list(
        TestReading.objects.filter(run=run, replaced_by__isnull=True)
        .select_related("gauge")
        .order_by("read_at", "id")
    )
    valve = ProtectionValve.objects.select_related("pump").get(pk=run.order.valve_id)
    found = fleet_of([valve.pk]).hydraulics.get(valve.pk)
    if found is None:
        raise NotFound("The valve is no longer in service.")
    return RunFacts(
        method=run.method,
        limits=RunLimits(**run.limits),
        hydraulics=found,
        motor_efficiency=valve.pump.motor_efficiency,
        vessel=Vessel(**run.vessel) if run.vessel else None,
        readings=tuple(
            ReadingFact(
                row.pk,
                row.step,
                TestQuantity(row.quantity),
                row.value,
                row.stop,
                row.read_at,
                row.spread,
                row.gauge.code if row.gauge else "",
            )
            for row in rows
        ),
        not_done={row.step: row.because for row in run.answers.order_by("id")},
        not_applicable=run.not_applicable,
        crossed=tuple(f"{row.step}: {row.crossed}" for row in rows if row.crossed),
    )


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One raw reading as recorded. `replaced`: another one counts instead."""

    id: int
    step: str
    quantity: str
    stop: int | None
    value: float
    unit: str
    spread: float | None
    gauge: str
    read_at: datetime
    done_by: str
    recorded_by: str
    crossed: str
    instead_of: int | None
    because: str
    replaced: bool

    @property
    def is_seen(self) -> bool:
        return not self.unit

    @property
    def words(self) -> str:
        if self.is_seen:
            return "yes" if self.value > 0.5 else "no"
        return f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True)
class RunCard:
    """One run as page and endpoint show it."""

    id: int
    version: int
    order: int
    order_version: int
    order_number: str
    order_state: str
    revision: int
    site: str
    time_zone: str
    valve_id: int
    valve: str
    pump: str
    group: str
    method: str
    method_words: str
    methods: Sequence[Mapping[str, Any]]
    limits: Mapping[str, Any]
    abort_limits: Mapping[str, Any]
    line_up: Mapping[str, Any]
    instruments: Sequence[str]
    not_applicable: Mapping[str, str]
    begun_at: datetime
    begun_by: str
    done_by: str
    finished_at: datetime | None
    result: str
    words: str
    restriction: str
    """For operations, where the test did not pass."""
    rule_version: str
    test: int | None
    readings: tuple[ReadingLine, ...]
    judgement: RunJudgement
    crossed: tuple[str, ...]
    may_record: bool

    @property
    def is_open(self) -> bool:
        return self.finished_at is None

    def readings_of(self, step: str) -> tuple[ReadingLine, ...]:
        return tuple(row for row in self.readings if row.step == step)


def _name(user: Any) -> str:
    return user.get_username() if user is not None else ""


def reading_lines(run: TestRun) -> tuple[ReadingLine, ...]:
    """Every raw reading of a run in the order of recording, replaced ones too."""
    rows = (
        TestReading.objects.filter(run=run)
        .select_related("gauge", "done_by", "recorded_by")
        .order_by("id")
    )
    found = list(rows)
    replaced = {row.instead_of_id for row in found}
    return tuple(
        ReadingLine(
            row.pk,
            row.step,
            row.quantity,
            row.stop,
            row.value,
            row.unit,
            row.spread,
            row.gauge.code if row.gauge else "",
            row.read_at,
            _name(row.done_by or row.recorded_by),
            _name(row.recorded_by),
            row.crossed,
            row.instead_of_id,
            row.because,
            row.pk in replaced,
        )
        for row in found
    )


def _visible(user: Any) -> Any:
    return TestRun.objects.for_user(user).select_related(
        "order__site", "order__valve__pump__group", "begun_by", "done_by", "test"
    )


def latest_run(order: WorkOrder) -> TestRun | None:
    """The open run of an order's present revision, or the latest one that ended.

    A test that an amended record carried over is one of the present revision.
    """
    present = Q(revision=order.revision) | Q(test__of_order__revision=order.revision)
    return (
        TestRun.objects.filter(present, order=order)
        .select_related("order__site", "order__valve__pump__group", "begun_by", "done_by", "test")
        .order_by("-id")
        .first()
    )


def _judged(run: TestRun) -> tuple[RunJudgement, tuple[str, ...]]:
    """The judgement of a run and the abort limits it crossed.

    An open run is judged now; one that ended as it was judged then, whatever register, rules and
    the valve's place became since.
    """
    if run.test is not None:
        kept = run.test.evidence
        return convert(kept["judgement"], RunJudgement), tuple(kept["crossed"])
    facts = run_facts(run)
    return judge_run(facts), tuple(facts.crossed)


def card_of(run: TestRun) -> RunCard:
    """The card of a run: judged now, or as it was judged at its end."""
    order = run.order
    judgement, crossed = _judged(run)
    open_states = (OrderState.UNDER_WAY.value, OrderState.PROVEN.value)
    return RunCard(
        id=run.pk,
        version=run.version,
        order=order.pk,
        order_version=order.version,
        order_number=order.number,
        order_state=order.state,
        revision=run.revision,
        site=order.site.code,
        time_zone=order.site.time_zone,
        valve_id=order.valve_id,
        valve=order.valve.tag,
        pump=order.valve.pump.tag,
        group=order.valve.pump.group.code,
        method=run.method,
        method_words=run.method_words,
        methods=run.methods,
        limits=run.limits,
        abort_limits=run.abort_limits,
        line_up=run.line_up,
        instruments=run.instruments,
        not_applicable=run.not_applicable,
        begun_at=run.begun_at,
        begun_by=_name(run.begun_by),
        done_by=_name(run.done_by or run.begun_by),
        finished_at=run.finished_at,
        result=run.result,
        words=run.words,
        restriction=run.test.restriction if run.test else "",
        rule_version=run.rule_version,
        test=run.test_id,
        readings=reading_lines(run),
        judgement=judgement,
        crossed=crossed,
        may_record=run.is_open and run.is_of_this_revision and order.state in open_states,
    )


def run_card(run_id: int, user: Any) -> RunCard:
    """The card of one run. Raises `NotFound` for strangers."""
    run = _visible(user).filter(pk=run_id).first()
    if run is None:
        raise NotFound("There is no such test for you.")
    return card_of(run)


def run_card_of_order(order_id: int, user: Any) -> RunCard | None:
    """The card of the order's latest run; None before the first."""
    order = WorkOrder.objects.for_user(user).filter(pk=order_id).first()
    if order is None:
        raise NotFound("There is no such work order for you.")
    run = latest_run(order)
    return card_of(run) if run is not None else None
