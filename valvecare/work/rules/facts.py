"""What the rules are told about one order, gathered in one place."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from valvecare.engineering.release import ReleaseWay
from valvecare.work.rules.step_answers import StepState
from valvecare.work.rules.words import (
    AsFound,
    GateKind,
    OrderKind,
    OrderState,
    PartDecision,
    PartName,
)


@dataclass(frozen=True)
class PartJudgement:
    """The latest word on one part: a decision, or why it was not checked."""

    part: PartName
    decision: PartDecision | None
    not_checked_because: str = ""
    waits_for_engineer: bool = False


@dataclass(frozen=True)
class ProofFact:
    """One function test of the order: its result, when it was done, and with the pump or not."""

    result: str
    done_at: datetime
    with_pump: bool


@dataclass(frozen=True)
class ReleaseFact:
    """A signed provisional release of this revision."""

    until: date
    signed_by: int


@dataclass(frozen=True)
class OrderFacts:
    """Everything the rules ask about one order, gathered in one place."""

    kind: OrderKind
    state: OrderState
    gates: Mapping[GateKind, datetime]
    judgements: Mapping[PartName, PartJudgement]
    parts: Sequence[PartName]
    release_way: ReleaseWay | None
    """How the cover is let go by the register; None: nothing can be said."""
    as_found: AsFound | None
    mode: str
    cause: str
    test: ProofFact | None
    release: ReleaseFact | None
    workers: frozenset[int]
    started_at: datetime | None
    is_labelled: bool = False
    """The valve carries a live label: its identity is confirmed before it is isolated."""
    steps: Sequence[StepState] = ()
    """The steps of its procedure that apply; empty where no version is fixed."""
