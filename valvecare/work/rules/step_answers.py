"""Answers to the steps of a procedure: what they must say, and which steps are still open."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from valvecare.core.errors import Reason
from valvecare.work.rules.procedure_checks import GAUGE_UNITS
from valvecare.work.rules.procedures import Witness, WorkStep, WorkStepKind, gate_of
from valvecare.work.rules.words import GateKind


class StepOutcome(StrEnum):
    """What became of a step. An empty answer is no answer."""

    DONE = "done"
    NOT_DONE = "not done"
    NOT_APPLICABLE = "does not apply"
    WITNESSED = "witnessed"


ANSWERS = (StepOutcome.DONE, StepOutcome.NOT_DONE, StepOutcome.NOT_APPLICABLE)


@dataclass(frozen=True, slots=True)
class StepState:
    """One step that applies to an order: is it answered, and is its witness in."""

    step: WorkStep
    is_settled: bool
    """Answered here, or its gate, finding, joint or test is recorded where it belongs."""
    needs_witness: bool
    has_witness: bool

    @property
    def is_open(self) -> bool:
        return not self.is_settled or (self.needs_witness and not self.has_witness)

    @property
    def protects(self) -> bool:
        """Cautions and hold points: asked for before the next gate, not only at the close."""
        return self.step.kind == WorkStepKind.CAUTION or self.needs_witness

    @property
    def name(self) -> str:
        waits = ", waits for its witness" if self.is_settled else ""
        return f"{self.step.number} '{self.step.words}'{waits}"


@dataclass(frozen=True, slots=True)
class Recorded:
    """What is recorded of an order where it belongs: the facts that settle pointing steps."""

    gates: Collection[GateKind] = ()
    judged: Collection[str] = ()
    """Parts with a decision or 'not checked, because …'."""
    measured: Collection[tuple[str, str]] = ()
    """Part and quantity of every value read at a part."""
    has_test: bool = False
    """A function test."""
    tested: Mapping[str, bool] = field(default_factory=dict)
    """Steps T0 to T7 of a guided test: is each judged, answered or not applicable."""
    is_released: bool = False
    """A signed provisional release: the pump cannot run."""


def is_settled(step: WorkStep, recorded: Recorded, *, is_answered: bool) -> bool:
    """Is this step done with: its own answer, or the record it points to."""
    if step.is_answered:
        return is_answered
    if step.kind == WorkStepKind.TEST:
        by_its_own = recorded.tested.get(step.test_step, recorded.has_test)
        return by_its_own or recorded.is_released
    if step.kind in (WorkStepKind.GATE, WorkStepKind.TIGHTEN):
        return gate_of(step) in recorded.gates
    return step.part in recorded.judged or (step.part, step.quantity) in recorded.measured


def _named(states: Sequence[StepState]) -> str:
    shown = "; ".join(state.name for state in states[:3])
    more = len(states) - 3
    return f"{shown}; and {more} more" if more > 0 else shown


def why_open_before(gate: GateKind, states: Sequence[StepState]) -> Reason | None:
    """Mandatory cautions and hold points that stand before this gate's step and are open."""
    at = next(
        (
            state.step.number
            for state in states
            if state.step.kind == WorkStepKind.GATE and gate_of(state.step) is gate
        ),
        None,
    )
    if at is None:
        return None
    found = [
        state
        for state in states
        if state.step.number < at
        and state.step.is_mandatory
        and state.protects
        and state.is_open
        and not _comes_with_gate(state, gate)
    ]
    if not found:
        return None
    return Reason(
        "steps_open_before_gate",
        f"Before '{gate}' these steps of the procedure are open: {_named(found)}.",
        "Answer each, and let its witness look where one is named.",
        {"steps": [state.step.number for state in found]},
    )


def _comes_with_gate(state: StepState, gate: GateKind) -> bool:
    """Tightening is settled by the gate itself, so it cannot be asked for before it."""
    return gate_of(state.step) is gate and not state.is_settled


def why_steps_open(states: Sequence[StepState]) -> Reason | None:
    """Mandatory steps that are open when the order is to be closed."""
    found = [state for state in states if state.step.is_mandatory and state.is_open]
    if not found:
        return None
    return Reason(
        "steps_open",
        f"These steps of the procedure are open: {_named(found)}.",
        "Answer each: done, 'not done, because …' or 'does not apply, because …'.",
        {"steps": [state.step.number for state in found]},
    )


def why_not_answer(
    step: WorkStep | None,
    *,
    outcome: StepOutcome,
    because: str,
    value: float | None,
    gauge: str,
) -> Reason | None:
    """Why this answer to a step is none. `step` None: not a step of this order's procedure."""
    if step is None:
        return Reason(
            "not_a_step",
            "This is no step of the order's procedure.",
            "Open the order again: its steps may have changed.",
        )
    name = f"Step {step.number}"
    if not step.is_answered:
        return Reason(
            "step_points_elsewhere",
            f"{name} is settled by its {_record_of(step)}, not by an answer.",
            f"Record the {_record_of(step)}.",
            {"step": step.number},
        )
    if outcome not in ANSWERS:
        return Reason("not_an_answer", f"{name}: a witness has a form of his own.", "Use that one.")
    if outcome is not StepOutcome.DONE:
        if step.kind == WorkStepKind.CAUTION and outcome is StepOutcome.NOT_DONE:
            return Reason(
                "caution_not_read",
                f"{name}: a caution is read before work goes on.",
                "Read it, or say why it does not apply.",
                {"step": step.number},
            )
        if not because.strip():
            return Reason(
                "no_because",
                f"{name}: '{outcome}' needs its reason.",
                "Say why in a few words.",
                {"step": step.number},
            )
        if value is not None:
            return Reason(
                "value_of_nothing",
                f"{name}: a value belongs to a step that was done.",
                "Leave the value empty.",
            )
        return None
    return _why_not_value(step, value=value, gauge=gauge)


def _why_not_value(step: WorkStep, *, value: float | None, gauge: str) -> Reason | None:
    name = f"Step {step.number}"
    if step.kind != WorkStepKind.MEASURE:
        if value is None and not gauge.strip():
            return None
        return Reason("nothing_measured", f"{name} measures nothing.", "Leave the value empty.")
    if value is None:
        return Reason(
            "no_value",
            f"{name}: the value of '{step.quantity}' is missing.",
            "Give it, or say 'not done, because …'.",
            {"step": step.number},
        )
    if step.unit in GAUGE_UNITS and not gauge.strip():
        return Reason(
            "gauge_not_named",
            f"{name}: a measured value names the gauge it was read from.",
            "Give the number on the gauge's label.",
            {"step": step.number},
        )
    return None


def _record_of(step: WorkStep) -> str:
    if step.kind == WorkStepKind.GATE:
        return f"gate '{step.gate}'"
    if step.kind == WorkStepKind.TIGHTEN:
        return f"gate '{GateKind.JOINT_CLOSED}'"
    if step.kind == WorkStepKind.TEST:
        return "function test"
    return f"finding on the {step.part}"


def why_not_witness(
    state: StepState | None, *, workers: Collection[int], witness: int, has_role: bool
) -> Reason | None:
    """Why this person's word is no witness to a hold point. `workers`: who did or typed it."""
    if state is None:
        return why_not_answer(None, outcome=StepOutcome.WITNESSED, because="", value=None, gauge="")
    name = f"Step {state.step.number}"
    if not state.needs_witness:
        return Reason("no_hold_point", f"{name} asks for no witness.", "Nothing to do.", {})
    if not state.is_settled:
        return Reason(
            "nothing_to_witness",
            f"{name} is not recorded yet.",
            "Look at it when it is done, and when it is recorded.",
            {"step": state.step.number},
        )
    if state.has_witness:
        return Reason("witnessed_already", f"{name} has its witness.", "Nothing to do.")
    if witness in workers:
        return Reason(
            "second_person",
            f"{name}: who did it cannot be its witness.",
            "Let a second person look.",
            {"step": state.step.number},
        )
    if not has_role:
        wanted = Witness(state.step.witness)
        who = "somebody who works at this site" if wanted is Witness.SECOND_PERSON else wanted
        return Reason(
            "wrong_witness",
            f"{name} is witnessed by: {who}.",
            "Let the right person look.",
            {"step": state.step.number},
        )
    return None
