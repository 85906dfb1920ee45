"""The steps of the procedure an order goes by: which apply, what is recorded, what is open."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from valvecare.engineering.cautions import Caution
from valvecare.register.models import ProtectionValve
from valvecare.work.models import Measurement, StepRecord, WorkOrder
from valvecare.work.reads.procedures import rows_of, valve_facts
from valvecare.work.rules import GateKind, PartJudgement, PartName
from valvecare.work.rules.procedures import Applied, WorkStep, apply_steps
from valvecare.work.rules.step_answers import (
    Recorded,
    StepOutcome,
    StepState,
    is_settled,
)


@dataclass(frozen=True, slots=True)
class StepLine:
    """One step that applies to an order, with its answer and its witness."""

    id: int
    step: WorkStep
    state: StepState
    why: str
    is_unsure: bool
    answer: StepRecord | None
    witness: StepRecord | None

    @property
    def number(self) -> int:
        return self.step.number

    @property
    def cautions(self) -> tuple[Caution, ...]:
        return self.step.caution_list

    @property
    def outcome(self) -> str:
        return self.answer.outcome if self.answer else ""

    @property
    def words(self) -> str:
        """What is recorded, in one line."""
        if self.answer is None:
            return "recorded" if self.state.is_settled else ""
        row = self.answer
        value = "" if row.value is None else f" {row.value:g} {row.unit}"
        gauge = f", {row.gauge}" if row.gauge else ""
        because = f", because {row.because}" if row.because else ""
        return f"{row.outcome}{value}{gauge}{because}"

    @property
    def by(self) -> str | None:
        return self.answer.by.get_username() if self.answer else None

    @property
    def at(self) -> datetime | None:
        return self.answer.at if self.answer else None

    @property
    def witnessed_by(self) -> str | None:
        return self.witness.by.get_username() if self.witness else None


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


def step_lines(
    order: WorkOrder,
    valve: ProtectionValve,
    *,
    gates: Mapping[GateKind, datetime],
    judgements: Mapping[PartName, PartJudgement],
    has_test: bool,
) -> tuple[StepLine, ...]:
    """Every step that applies to this order, in its order. Empty where no version is fixed."""
    if order.procedure_id is None:
        return ()
    rows = rows_of(order.procedure_id)
    applied: Sequence[Applied] = apply_steps([step for _, step in rows], valve_facts(valve))
    answers, witnesses = _records(order)
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
    )
    return tuple(
        StepLine(
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
        )
        for (pk, step), one in zip(rows, applied, strict=True)
        if one.applies
    )
