"""Why a procedure may not be put in use, named step by step."""

from collections.abc import Collection, Iterator, Sequence
from typing import Final

from valvecare.core.errors import Reason
from valvecare.engineering.cautions import ALL_CAUTIONS, Signal
from valvecare.work.rules.judgement import Measured
from valvecare.work.rules.procedures import (
    YES_OR_NO,
    Condition,
    Fact,
    Phase,
    Witness,
    WorkStep,
    WorkStepKind,
    gate_of,
)
from valvecare.work.rules.steps import GATES, NEEDS_PROOF, OPENS_THE_VALVE, parts_to_judge
from valvecare.work.rules.test_steps import STEP_IDS
from valvecare.work.rules.words import GateKind, OrderKind, PartName

MOST_STEPS: Final = 150
MOST_CONDITIONS: Final = 8
"""Conditions one step may have, in the form, over the interface and when it is put in use."""

COUNTED_UNITS: Final = ("pieces", "holes", "turns", "min", "s")
"""Units that are counted or read from any watch; every other unit needs a gauge."""

GAUGE_UNITS: Final = ("mm", "N m", "N", "bar", "°C", "K", "m³/h", "kW", "A", "mm/s", "dB(A)", "%")
STEP_UNITS: Final = (*GAUGE_UNITS, *COUNTED_UNITS)
_CAUTIONS: Final = frozenset(one.id for one in ALL_CAUTIONS)
_G, _K = GateKind, WorkStepKind


def _wrong(step: WorkStep, code: str, words: str, remedy: str) -> Reason:
    return Reason(code, f"Step {step.number}: {words}", remedy, {"step": step.number})


def _unknown(step: WorkStep, what: str, word: str, known: Sequence[str]) -> Reason:
    return _wrong(
        step, f"unknown_{what}", f"'{word}' is no {what}.", f"Take one of: {', '.join(known)}."
    )


def _words(step: WorkStep) -> Iterator[Reason]:
    """Words that are not on their closed list, and what a kind of step lacks."""
    lists: tuple[tuple[str, str, Sequence[str]], ...] = (
        ("phase", step.phase, [word.value for word in Phase]),
        ("kind", step.kind, [word.value for word in _K]),
        ("part", step.part, [word.value for word in PartName]),
        ("gate", step.gate, [word.value for word in _G]),
        ("witness", step.witness, [word.value for word in Witness]),
        ("signal word", step.own_signal, [word.value for word in Signal]),
        ("test step", step.test_step, STEP_IDS),
    )
    for what, word, known in lists:
        if word and word not in known:
            yield _unknown(step, what.replace(" ", "_"), word, known)
    if step.unit and step.unit not in STEP_UNITS:
        yield _unknown(step, "unit", step.unit, STEP_UNITS)
    for name in step.cautions:
        if name not in _CAUTIONS:
            yield _unknown(step, "caution", name, sorted(_CAUTIONS))
    if not step.words.strip():
        yield _wrong(step, "no_words", "it says nothing.", "Say what is to be done.")
    if bool(step.own_caution.strip()) != bool(step.own_signal):
        yield _wrong(
            step,
            "caution_without_signal",
            "its own caution and the signal word belong together.",
            "Give both or neither.",
        )
    if len(step.when) > MOST_CONDITIONS:
        yield _wrong(
            step,
            "too_many_conditions",
            f"{len(step.when)} conditions; at most {MOST_CONDITIONS}.",
            "Leave some out, or write two steps.",
        )


def _lacks(step: WorkStep) -> Iterator[Reason]:
    if step.kind == _K.CAUTION and not (step.cautions or step.own_caution.strip()):
        yield _wrong(step, "no_caution", "it names no caution.", "Name one, or write your own.")
    if step.kind == _K.GATE and not step.gate:
        yield _wrong(step, "no_gate", "it names no gate.", "Name the gate.")
    if step.kind == _K.JUDGE and not step.part:
        yield _wrong(step, "no_part", "it names no part.", "Name the part to be judged.")
    if step.kind == _K.TEST and not step.test_step:
        yield _wrong(step, "no_test_step", "it names no step of the test.", "Name T0 to T7.")
    if step.kind == _K.MEASURE:
        if not step.quantity.strip():
            yield _wrong(step, "no_quantity", "it measures nothing.", "Name the quantity.")
        elif step.at_the_part and not step.part:
            yield _wrong(step, "no_part", "it names no part.", "Name the part it is read at.")
        elif not step.at_the_part and not step.unit:
            yield _wrong(step, "no_unit", "its value has no unit.", "Name the unit.")


def _why_not_condition(step: WorkStep, one: Condition) -> Reason | None:
    if one.fact not in set(Fact):
        return _unknown(step, "condition", one.fact, [word.value for word in Fact])
    if Fact(one.fact) in YES_OR_NO and one.is_ not in ("yes", "no"):
        return _wrong(
            step,
            "condition_word",
            f"'{one.fact}' is answered by yes or no, not by '{one.is_}'.",
            "Write yes or no.",
        )
    if not one.is_.strip():
        return _wrong(step, "condition_word", f"'{one.fact}' is what?", "Give the word.")
    return None


def _order_of_gates(kind: OrderKind, steps: Sequence[WorkStep]) -> Iterator[Reason]:
    wanted = GATES[kind]
    at: dict[GateKind, int] = {}
    for step in steps:
        gate = gate_of(step) if step.kind == _K.GATE else None
        if gate is None:
            continue
        if gate in at:
            yield _wrong(step, "gate_twice", f"the gate '{gate}' is asked twice.", "Once is enough")
        elif gate is not _G.IDENTITY and gate not in wanted:
            yield _wrong(
                step,
                "gate_not_in_kind",
                f"a {kind} has no gate '{gate}'.",
                f"Its gates are: {', '.join(wanted) or 'none'}.",
            )
        else:
            at[gate] = step.number
        if step.when or not step.is_mandatory:
            yield _wrong(
                step, "gate_not_always", "a gate is never left out.", "Take its condition away."
            )
    missing = [gate.value for gate in wanted if gate not in at]
    if missing:
        yield Reason(
            "gates_missing",
            f"These gates of a {kind} have no step: {', '.join(missing)}.",
            "Add a step of the kind 'gate' for each.",
            {"missing": missing},
        )
    # as found may be recorded before or after isolation; the cover follows both
    order = [gate for gate in wanted if gate in at and gate is not _G.AS_FOUND]
    for earlier, later in zip(order, order[1:], strict=False):
        if at[earlier] > at[later]:
            yield Reason(
                "gates_out_of_order",
                f"'{later}' (step {at[later]}) stands before '{earlier}' (step {at[earlier]}).",
                f"Put '{earlier}' first.",
            )
    opening = (_G.COVER_RELEASED, _G.PARTS_JUDGED, _G.JOINT_CLOSED)
    opened = next((gate for gate in opening if gate in at), None)
    if _G.AS_FOUND in at and opened and at[_G.AS_FOUND] > at[opened]:
        yield Reason(
            "gates_out_of_order",
            f"'{_G.AS_FOUND}' stands after '{opened}': what was changed cannot be seen any more.",
            f"Put '{_G.AS_FOUND}' first.",
        )


def _cautions_first(kind: OrderKind, steps: Sequence[WorkStep]) -> Iterator[Reason]:
    """Where a joint is broken, the two cautions that save lives stand before it: where no gate
    releases a cover, the joint is broken right after isolation."""
    if kind not in OPENS_THE_VALVE:
        return
    gates = {gate_of(step): step.number for step in steps if step.kind == _K.GATE}
    until = {
        "three-isolations": gates.get(_G.ISOLATED),
        "stored-energy": gates.get(_G.COVER_RELEASED) or gates.get(_G.ISOLATED),
    }
    for name, before in until.items():
        if before is None:
            continue
        is_said = any(
            name in step.cautions and step.number <= before and step.is_mandatory and not step.when
            for step in steps
        )
        if not is_said:
            yield Reason(
                "caution_missing",
                f"The caution '{name}' is not said before step {before}.",
                "Name it in a step that always applies, at or before that one.",
                {"caution": name},
            )


def _parts(kind: OrderKind, steps: Sequence[WorkStep]) -> Iterator[Reason]:
    wanted = parts_to_judge(kind, has_lever=None, has_flow_ring=None, stages=None)
    judged = {step.part for step in steps if step.kind == _K.JUDGE}
    missing = [part.value for part in wanted if part.value not in judged]
    if missing:
        yield Reason(
            "parts_missing",
            f"No step judges: {', '.join(missing)}.",
            "Add a step of the kind 'judge part' for each, with a condition where a design "
            "has no such part.",
            {"parts": missing},
        )
    gate = next((s.number for s in steps if s.gate == _G.PARTS_JUDGED and s.kind == _K.GATE), None)
    for step in steps:
        if gate is not None and step.kind == _K.JUDGE and step.number > gate:
            yield _wrong(
                step,
                "judged_too_late",
                f"the {step.part} is judged after '{_G.PARTS_JUDGED}' (step {gate}).",
                "Put it before that gate.",
            )


def _work(kind: OrderKind, steps: Sequence[WorkStep]) -> Iterator[Reason]:
    kinds = {step.kind for step in steps}
    if kind in OPENS_THE_VALVE and _K.TIGHTEN not in kinds:
        yield Reason(
            "no_tightening",
            "No step tightens the joint that was opened.",
            "Add a step of the kind 'tighten' before 'joint closed'.",
        )
    if kind in NEEDS_PROOF and not {s.test_step for s in steps} >= {"T1"}:
        yield Reason(
            "no_test",
            "No step tests that the bypass passes its flow with the main line shut.",
            "Add a step of the kind 'test' for T1.",
        )
    if kind not in NEEDS_PROOF and _K.TEST in kinds:
        yield Reason(
            "test_not_in_kind",
            f"A {kind} has no function test with the pump.",
            "Take the step out, or write the procedure for a function test.",
        )
    if kind not in OPENS_THE_VALVE and _K.TIGHTEN in kinds:
        yield Reason(
            "tightening_not_in_kind",
            f"A {kind} opens no joint.",
            "Take the step out, or make it a check.",
        )


def why_not_steps(kind: OrderKind, steps: Sequence[WorkStep]) -> tuple[Reason, ...]:
    """Every reason why these steps may not be put in use for this kind of order; empty: they may.

    Words must be on their lists, every step complete, every gate of the kind there once and in
    order, every mandatory part judged before its gate, the cautions of a pressure joint said.
    """
    if not steps:
        return (Reason("no_steps", "The version has no step.", "Write its steps first."),)
    if len(steps) > MOST_STEPS:
        return (
            Reason(
                "too_many_steps",
                f"{len(steps)} steps; at most {MOST_STEPS}.",
                "Join steps, or write two procedures.",
            ),
        )
    found: list[Reason] = []
    for step in steps:
        found += [*_words(step), *_lacks(step)]
        found += [why for one in step.when if (why := _why_not_condition(step, one))]
    for check in (_order_of_gates, _cautions_first, _parts, _work):
        found += check(kind, steps)
    return tuple(found)


def why_not_second(*, writers: Collection[int | None], signer: int | None) -> Reason | None:
    """Who wrote any of a version does not put it in use."""
    if signer is None or signer in writers:
        return Reason(
            "second_person",
            "Who wrote a version cannot put it in use.",
            "Let a second person read it and put it in use.",
        )
    return None


MEASURED_WORDS: Final = tuple(word.value for word in Measured)
"""Quantities that are read at a part and stored with its finding."""
