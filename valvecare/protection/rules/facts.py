"""The facts a verdict rests on and the decision it becomes. Data only."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from valvecare.due.rules import RESTARTS, TaskKind
from valvecare.protection.rules.capacity import Capacity
from valvecare.protection.rules.proof import ProofMethod

RULE_VERSION = "verdict 4"

_FULL_OPENINGS = frozenset(
    kind.value for kind, restarted in RESTARTS.items() if TaskKind.STRIP_DOWN in restarted
)
"""As stored; a corrective repair of one part and a bypass-only inspection are none."""


class Word(StrEnum):
    """The four words, best first."""

    PROTECTS = "Protects"
    DOUBTFUL = "Doubtful"
    NOT_KNOWN = "Not known"
    DOES_NOT_PROTECT = "Does not protect"


SEVERITY: Mapping[Word, int] = {word: rank for rank, word in enumerate(Word)}


class Grade(StrEnum):
    """How good the evidence is, best first."""

    WITH_PUMP = "measured with the pump"
    BENCH = "measured on the bench"
    SEEN_INSIDE = "seen inside"
    INDIRECT = "indirect reading"
    POLICY = "assumed by policy"


@dataclass(frozen=True)
class Policy:
    """The owner's limits. Data with a source, never constants of the program.

    The uncertainties are those of the indirect judgement whether a shut bypass passes.
    """

    margin_share: float
    source: str
    owner: str
    line_sensor_k: float
    time_constant_share: float
    power_share: float


@dataclass(frozen=True)
class TestFact:
    """One function test. Flows in m3/h; `uncertainty_share` is expanded (k = 2)."""

    id: int
    done_at: datetime
    done_on: date
    method: str
    flow_m3_per_h: float | None
    uncertainty_share: float | None
    required_m3_per_h: float | None
    result: str
    restriction: str = ""
    words: str = ""

    @property
    def measured(self) -> bool:
        """A flow with its uncertainty, taken with the pump running (a bench shows no flow)."""
        return (
            ProofMethod(self.method) is not ProofMethod.BENCH
            and self.flow_m3_per_h is not None
            and self.uncertainty_share is not None
        )

    @property
    def grade(self) -> Grade:
        method = ProofMethod(self.method)
        if method is ProofMethod.BENCH:
            return Grade.BENCH
        if method is ProofMethod.NOT_RECORDED and not self.measured:
            return Grade.SEEN_INSIDE
        return Grade.WITH_PUMP


NOT_GRADED = "not graded"
"""As found of an opening nobody has judged yet."""


@dataclass(frozen=True)
class InspectionFact:
    """The valve was opened: what it was found like, and whether a failure was found."""

    id: int
    done_at: datetime
    done_on: date
    kind: str
    as_found: str
    mode: str = ""
    words: str = ""

    @property
    def failed(self) -> bool:
        return self.as_found == "failed"

    @property
    def is_graded(self) -> bool:
        """Somebody has said what it was found like; a cover let go says nothing yet."""
        return self.as_found not in ("", NOT_GRADED)

    @property
    def is_full(self) -> bool:
        """The whole valve was seen: what it shows replaces what was found before."""
        return self.kind in _FULL_OPENINGS


@dataclass(frozen=True)
class DueFact:
    """One due item: the clock that ages the evidence."""

    kind: str
    state: str
    share_used: float | None
    governed_by: str
    due_on: date | None
    earliest_on: date | None
    likely_on: date | None
    latest_on: date | None
    sentence: str = ""


@dataclass(frozen=True)
class SisterFact:
    """A failure at another valve of the group that this valve has not been checked for since."""

    valve: str
    failed_on: date
    words: str
    shared: tuple[str, ...] = ()


@dataclass(frozen=True)
class EventFact:
    """Something that happened to the pump since closing was last proven."""

    kind: str
    at: datetime
    on: date
    words: str


class Passing(StrEnum):
    """What the line temperature says about the shut bypass."""

    PASSES = "passes"
    TIGHT = "tight"
    NOT_JUDGED = "not judged"


@dataclass(frozen=True)
class PassingFact:
    """Does the shut bypass pass? A cost, not a loss of protection. `words` says why."""

    result: Passing
    words: str
    size: str = ""
    numbers: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ReleaseFact:
    """A second person let the valve run unproven, with a restriction, until a day."""

    until: date
    restriction: str
    words: str
    signed_by: str
    signed_on: date


@dataclass(frozen=True)
class PairFact:
    """A stronger pump of the group pushes this one shut below the limit flow of the stronger."""

    stronger: str
    limit_m3_per_h: float
    share_of_best_flow: float


@dataclass(frozen=True)
class Facts:
    """All that a verdict may rest on, as of one instant. Sequences newest first."""

    valve: str
    as_of: datetime
    as_of_on: date
    missing_identity: tuple[str, ...]
    capacity: Capacity
    tests: Sequence[TestFact] = ()
    inspections: Sequence[InspectionFact] = ()
    has_record: bool = True
    due: Sequence[DueFact] = ()
    sisters: Sequence[SisterFact] = ()
    events: Sequence[EventFact] = ()
    passing: PassingFact | None = None
    pair: PairFact | None = None
    hydraulics_changed_on: date | None = None
    hydraulics_change: str = ""
    rejected_readings: Sequence[str] = ()
    standing_counters: Sequence[str] = ()
    """Counters that stand while the pump runs: what they say ages nothing."""
    release: ReleaseFact | None = None
    placed_on: date | None = None
    """The day it was last moved to its pump or put back into service; tests before are left out,
    save a failure."""
    pump: str = ""


@dataclass(frozen=True)
class Ground:
    """What one rule says: its word, a stable code, a sentence, and what follows from it."""

    word: Word
    code: str
    words: str
    since: date | None = None
    next_action: str = ""
    restriction: str = ""
    numbers: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Decision:
    """The verdict: word, since, until, evidence with grade, reason, next action, restriction."""

    word: Word
    since: date | None
    until: date | None
    until_earliest: date | None
    until_latest: date | None
    reason: str
    code: str
    next_action: str
    restriction: str
    evidence: str
    grade: Grade
    margin_share: float | None
    required_m3_per_h: float | None
    grounds: tuple[Ground, ...]
    notes: tuple[str, ...]
    rule_version: str = RULE_VERSION
