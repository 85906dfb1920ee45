"""In which order the page asks: by the procedure where one is fixed, else by the gates."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from valvecare.work.reads import OrderCard
from valvecare.work.reads.steps import OrderStep
from valvecare.work.rules import GATES, GateKind
from valvecare.work.rules.procedures import WorkStepKind

OWN_FORMS = {GateKind.AS_FOUND: "as-found", GateKind.IDENTITY: "identity"}
"""Gates that are passed by a form of their own."""

AT_ONCE = 8
"""Steps in one form, at most."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One form to come: its verb, and the gate, part or steps it is about."""

    verb: str
    gate: GateKind | None = None
    part: str = ""
    numbers: tuple[int, ...] = ()


def _passed(card: OrderCard) -> set[GateKind]:
    return {line.kind for line in card.gates if line.passed_at is not None}


def _by_procedure(card: OrderCard) -> Iterator[Asked]:
    """The open steps in their order; neighbours of one phase that are answered share a form."""
    waiting: list[OrderStep] = []
    judged = {line.part for line in card.steps if line.kind == WorkStepKind.JUDGE}
    for line in card.steps:
        if line.is_settled:
            continue
        is_new = waiting and (waiting[0].phase != line.phase or len(waiting) == AT_ONCE)
        if waiting and (is_new or not line.is_answered):
            yield Asked("steps", numbers=tuple(one.number for one in waiting))
            waiting = []
        if line.is_answered:
            waiting.append(line)
        elif line.kind == WorkStepKind.GATE:
            gate = GateKind(line.gate)
            yield Asked(OWN_FORMS.get(gate, "gates"), gate)
            if gate is GateKind.PARTS_JUDGED and not card.as_found:
                # a grade may wait until the parts have been seen
                yield Asked("as-found")
        elif line.kind == WorkStepKind.JUDGE or (line.at_the_part and line.part not in judged):
            yield Asked("findings", part=line.part)
    if waiting:
        yield Asked("steps", numbers=tuple(one.number for one in waiting))


def _by_gates(card: OrderCard) -> Iterator[Asked]:
    passed = _passed(card)
    if GateKind.IDENTITY not in passed:
        yield Asked("identity")
    for kind in GATES[card.kind]:
        if kind is GateKind.PARTS_JUDGED and kind not in passed:
            for line in card.findings:
                if line.is_asked and not line.is_judged:
                    yield Asked("findings", part=line.part)
        if kind not in passed:
            yield Asked("as-found" if kind is GateKind.AS_FOUND else "gates", kind)
        if kind is GateKind.PARTS_JUDGED and not card.as_found:
            yield Asked("as-found")


def left(card: OrderCard) -> Iterator[Asked]:
    """Every form from here to the close, in the order of the job."""
    if "start" in card.verbs:
        yield Asked("start")
    tests = [line for line in card.steps if line.kind == WorkStepKind.TEST]
    last_test = max((line.number for line in tests), default=0)
    is_tested = not card.needs_proof
    for asked in _by_procedure(card) if card.steps else _by_gates(card):
        if not is_tested and asked.numbers and asked.numbers[0] > last_test > 0:
            yield from _test(card, tests)
            is_tested = True
        yield asked
    if not is_tested:
        yield from _test(card, tests)
    yield Asked("close")


def _test(card: OrderCard, tests: list[OrderStep]) -> Iterator[Asked]:
    kinds = GATES[card.kind]
    if GateKind.PARTS_JUDGED in kinds or GateKind.JOINT_CLOSED in kinds:
        yield Asked("parts-used")
    is_recorded = card.tests or card.releases
    if not tests or not is_recorded or not all(line.is_settled for line in tests):
        yield Asked("tests")


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """The steps of one phase, and how many of them are done with."""

    name: str
    lines: tuple[OrderStep, ...]

    @property
    def done(self) -> int:
        return sum(not line.is_open for line in self.lines)


def phases_of(card: OrderCard) -> list[PhaseLine]:
    """The steps of the order's procedure by phase, in their order."""
    return [
        PhaseLine(name, tuple(lines))
        for name, lines in groupby(card.steps, key=lambda line: line.phase)
    ]


def next_gate(card: OrderCard) -> GateKind | None:
    """The next gate that has a form of its own."""
    return next(
        (line.kind for line in card.gates if line.is_next and line.kind not in OWN_FORMS),
        None,
    )


def next_asked(card: OrderCard) -> Asked | None:
    """What the procedure asks next of this person; None: no procedure, or not open to them."""
    if "witness" in card.verbs:
        return Asked("witness", numbers=card.to_witness[:1])
    if not card.steps:
        return None
    return next(
        (one for one in left(card) if one.verb in card.verbs and one.verb != "parts-used"), None
    )


def first_steps(card: OrderCard) -> tuple[int, ...]:
    """The first open steps that are answered in a form of their own."""
    return next((one.numbers for one in _by_procedure(card) if one.numbers), ())


def next_verb(card: OrderCard) -> str:
    """The verb that is unfolded: what comes next on the line of progress."""
    if "gates" in card.verbs:
        line = next((line for line in card.gates if line.is_next), None)
        if line is None:
            return "tests" if "tests" in card.verbs else "close"
        if line.kind in OWN_FORMS:
            return OWN_FORMS[line.kind]
        waiting = any(row.is_asked and not row.is_judged for row in card.findings)
        return "findings" if line.kind is GateKind.PARTS_JUDGED and waiting else "gates"
    for verb in ("close", "resume", "start", "ready", "put-off", "agree"):
        if verb in card.verbs:
            return verb
    return ""
