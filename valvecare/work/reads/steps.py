"""The steps of the procedure an order goes by: which apply, what is recorded, what is open."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from valvecare.core.permits import Role, may, roles_at
from valvecare.engineering.cautions import Caution, caution
from valvecare.register.models import ProtectionValve
from valvecare.work.models import (
    Finding,
    Gate,
    Measurement,
    OrderTest,
    ProvisionalRelease,
    StepRecord,
    TestedStep,
    WorkOrder,
)
from valvecare.work.reads.procedures import rows_of, valve_facts
from valvecare.work.rules import GateKind, PartJudgement, PartName
from valvecare.work.rules.procedures import (
    Applied,
    Witness,
    WorkStep,
    WorkStepKind,
    apply_steps,
    gate_of,
)
from valvecare.work.rules.step_answers import (
    Recorded,
    StepOutcome,
    StepState,
    is_settled,
)


@dataclass(frozen=True, slots=True)
class AskedStep:
    """One step that applies to an order, with its answer and its witness."""

    id: int
    step: WorkStep
    state: StepState
    why: str
    is_unsure: bool
    answer: StepRecord | None
    witness: StepRecord | None
    tested: TestedStep | None = None
    """How its own step of a guided test stands."""

    @property
    def number(self) -> int:
        return self.step.number


@dataclass(frozen=True, slots=True)
class OrderStep:
    """One step of an order as it is shown and sent: plain values only."""

    number: int
    phase: str
    kind: str
    words: str
    cautions: tuple[str, ...]
    own_signal: str
    own_caution: str
    part: str
    gate: str
    quantity: str
    unit: str
    test_step: str
    witness: str
    is_mandatory: bool
    is_answered: bool
    """It has an answer of its own; else it points to a gate, finding, joint or test."""
    at_the_part: bool
    why: str
    is_unsure: bool
    is_settled: bool
    is_open: bool
    outcome: str
    because: str
    value: float | None
    gauge: str
    by: str | None
    done_by: str | None
    at: datetime | None
    witnessed_by: str | None
    witnessed_at: datetime | None

    @property
    def caution_list(self) -> tuple[Caution, ...]:
        return tuple(caution(name) for name in self.cautions)

    @property
    def said(self) -> str:
        """What is recorded, in one line."""
        if not self.outcome or (self.test_step and not self.is_settled):
            return "recorded" if self.is_settled else ""
        value = "" if self.value is None else f" {self.value:g} {self.unit}"
        gauge = f", {self.gauge}" if self.gauge else ""
        because = f", because {self.because}" if self.because else ""
        return f"{self.outcome}{value}{gauge}{because}"


def _name(user: Any) -> str | None:
    return user.get_username() if user is not None else None


def plain_step(line: AskedStep) -> OrderStep:
    """The step without rows of tables."""
    step, row, looked, tested = line.step, line.answer, line.witness, line.tested
    told = row or tested
    return OrderStep(
        step.number,
        step.phase,
        step.kind,
        step.words,
        step.cautions,
        step.own_signal,
        step.own_caution,
        step.part,
        step.gate,
        step.quantity,
        step.unit_words,
        step.test_step,
        step.witness,
        step.is_mandatory,
        step.is_answered,
        step.at_the_part,
        line.why,
        line.is_unsure,
        line.state.is_settled,
        line.state.is_open,
        told.outcome if told else "",
        told.because if told else "",
        row.value if row else None,
        str(row.gauge) if row and row.gauge else "",
        _name(row.by) if row else None,
        _name(row.done_by) if row else None,
        row.at if row else None,
        _name(looked.by) if looked else None,
        looked.at if looked else None,
    )


def _records(
    order: WorkOrder,
) -> tuple[dict[int, StepRecord], dict[int, StepRecord]]:
    """The latest answer of each step, and the witness's word that came after it."""
    answers: dict[int, StepRecord] = {}
    witnesses: dict[int, StepRecord] = {}
    rows = StepRecord.objects.filter(order=order, revision=order.revision)
    for row in rows.select_related("by", "done_by", "gauge").order_by("id"):
        if row.outcome == StepOutcome.WITNESSED:
            witnesses[row.step_id] = row
        else:
            answers[row.step_id] = row
            witnesses.pop(row.step_id, None)
    return answers, witnesses


def _tested(order: WorkOrder) -> dict[str, TestedStep]:
    """How each step of the order's guided test stands; empty where none was begun."""
    rows = TestedStep.objects.filter(order=order, revision=order.revision)
    return {row.step: row for row in rows}


@dataclass(frozen=True, slots=True)
class Doing:
    """Who did what settles a step, and when it was recorded."""

    people: frozenset[int | None]
    recorded_at: datetime


def _doings(order: WorkOrder, step: WorkStep) -> list[Doing]:
    """The records a step points to, in the present revision of the order."""
    here = {"order": order, "revision": order.revision}
    gate = gate_of(step)
    rows: list[Any] = []
    if gate is not None:
        rows += Gate.objects.filter(**here, kind=gate.value)
    if step.kind == WorkStepKind.JUDGE or step.at_the_part:
        rows += Finding.objects.filter(**here, part=step.part)
    found = [Doing(frozenset((row.by_id, row.done_by_id)), row.recorded_at) for row in rows]
    if step.kind == WorkStepKind.TEST:
        tested = _tested(order).get(step.test_step)
        if tested is not None:
            found.append(Doing(frozenset(tested.people), tested.recorded_at))
        else:
            for row in OrderTest.objects.filter(**here).select_related("test"):
                people = frozenset((row.test.recorded_by_id, row.done_by_id))
                found.append(Doing(people, row.test.recorded_at))
        for release in ProvisionalRelease.objects.filter(**here):
            found.append(Doing(frozenset((release.signed_by_id,)), release.signed_at))
    return found


def _still_stands(order: WorkOrder, step: WorkStep, witness: StepRecord) -> bool:
    """A witness saw what was there; what was recorded anew since then is looked at anew.

    A gate is passed once in a revision, so nothing is asked of it.
    """
    if gate_of(step) is not None:
        return True
    return all(one.recorded_at <= witness.recorded_at for one in _doings(order, step))


def step_lines(
    order: WorkOrder,
    valve: ProtectionValve,
    *,
    gates: Mapping[GateKind, datetime],
    judgements: Mapping[PartName, PartJudgement],
    has_test: bool,
    is_released: bool,
) -> tuple[AskedStep, ...]:
    """Every step that applies to this order, in its order. Empty where no version is fixed."""
    if order.procedure_id is None:
        return ()
    rows = rows_of(order.procedure_id)
    applied: Sequence[Applied] = apply_steps([step for _, step in rows], valve_facts(valve))
    answers, given = _records(order)
    witnesses = {
        pk: given[pk] for pk, step in rows if pk in given and _still_stands(order, step, given[pk])
    }
    tested = _tested(order) if any(step.test_step for _, step in rows) else {}
    measured = Measurement.objects.filter(order=order, revision=order.revision)
    recorded = Recorded(
        gates=gates,
        judged={
            part.value
            for part, one in judgements.items()
            if one.decision is not None or one.not_checked_because
        },
        measured=set(measured.order_by().values_list("finding__part", "quantity")),
        has_test=has_test,
        tested={name: row.is_settled for name, row in tested.items()},
        is_released=is_released,
    )
    return tuple(
        AskedStep(
            pk,
            step,
            StepState(
                step,
                is_settled(step, recorded, is_answered=pk in answers),
                bool(step.witness),
                pk in witnesses,
            ),
            one.why,
            one.is_unsure,
            answers.get(pk),
            witnesses.get(pk),
            tested.get(step.test_step),
        )
        for (pk, step), one in zip(rows, applied, strict=True)
        if one.applies
    )


WITNESS = "witness_step"
_ROLES = {
    Witness.ENGINEER: Role.RELIABILITY_ENGINEER,
    Witness.SHIFT_LEAD: Role.SHIFT_LEAD,
    Witness.PERMIT_ISSUER: Role.PERMIT_ISSUER,
}


def workers_of(order: WorkOrder, line: AskedStep) -> set[int]:
    """Who answered the step, or did or typed what settles it (gate, finding, test, release); where
    nothing says, who the order is given to."""
    found = {person for one in _doings(order, line.step) for person in one.people}
    if line.answer:
        found |= {line.answer.by_id, line.answer.done_by_id}
    return {one for one in found - {None} or {order.assigned_to_id} if one is not None}


def may_witness(line: AskedStep, user: Any, site_id: int) -> bool:
    """Does this person hold the role the hold point asks for."""
    if not line.step.witness or not may(user, WITNESS, site_id):
        return False
    wanted = Witness(line.step.witness)
    return wanted is Witness.SECOND_PERSON or _ROLES[wanted] in roles_at(user, site_id)


def to_witness(order: WorkOrder, lines: Sequence[AskedStep], user: Any) -> tuple[int, ...]:
    """Numbers of the hold points this person may witness now."""
    return tuple(
        line.number
        for line in lines
        if line.state.is_settled
        and line.state.is_open
        and may_witness(line, user, order.site_id)
        and user.pk not in workers_of(order, line)
    )
