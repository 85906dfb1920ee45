"""The shape of an order's card: one dataclass per kind of line."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from valvecare.work.reads.steps import OrderStep
from valvecare.work.reads.torque import JointCard
from valvecare.work.rules import GateKind, OrderKind, OrderState, ReadyItem


@dataclass(frozen=True, slots=True)
class StepLine:
    """One word of the line of progress."""

    state: OrderState
    is_done: bool
    is_now: bool


@dataclass(frozen=True, slots=True)
class GateLine:
    """One gate: passed when and by whom, or what stands before it."""

    kind: GateKind
    passed_at: datetime | None
    by: str | None
    done_by: str | None
    words: str
    recorded: Mapping[str, Any]
    is_next: bool
    why_not: str


@dataclass(frozen=True, slots=True)
class MeasuredLine:
    """One value read at a part, in its unit, from this gauge (empty: none)."""

    quantity: str
    value: float
    unit: str
    gauge: str


@dataclass(frozen=True, slots=True)
class FindingLine:
    part: str
    is_asked: bool
    found: str
    value: float | None
    unit: str
    grade: str
    grade_words: str
    decision: str
    not_checked_because: str
    rule_says: str
    rule_words: str
    disagree_because: str
    for_engineer: bool
    stage: str
    measured: tuple[str, ...]
    values: tuple[MeasuredLine, ...]
    kinds: tuple[str, ...]
    gauge: str
    by: str | None
    done_by: str | None
    at: datetime | None

    @property
    def is_judged(self) -> bool:
        return bool(self.decision or self.not_checked_because)


@dataclass(frozen=True, slots=True)
class AskLine:
    """One quantity measured on a part, with the limit it is judged by."""

    part: str
    quantity: str
    unit: str
    limit: str
    needs_gauge: bool


@dataclass(frozen=True, slots=True)
class SignatureLine:
    signed: str
    revision: int
    name: str
    at: datetime
    meaning: str
    content_hash: str
    is_intact: bool
    words: str


@dataclass(frozen=True, slots=True)
class PartUsedLine:
    name: str
    quantity: int
    lot: str
    serial: str
    part: str
    words: str


@dataclass(frozen=True, slots=True)
class KeptLine:
    """Pieces of a lot kept for this order."""

    lot_id: int
    item: str
    lot: str
    quantity: int
    place: str
    fit: str


@dataclass(frozen=True, slots=True)
class ProofLine:
    id: int
    done_at: datetime
    method: str
    result: str
    bypass_flow_m3_per_h: float | None
    uncertainty_share: float | None
    required_m3_per_h: float | None
    restriction: str
    words: str


@dataclass(frozen=True, slots=True)
class DeferralLine:
    why: str
    risk: str
    until: date
    asked_by: str
    signature: str
    signed_by: str | None


@dataclass(frozen=True, slots=True)
class ReleaseLine:
    until: date
    restriction: str
    words: str
    signed_by: str
    signed_at: datetime


@dataclass(frozen=True, slots=True)
class PhotoLine:
    """A photograph of this revision; `part` empty: the valve as found."""

    id: int
    part: str
    words: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class OutLine:
    """Who has the order out on a phone, and since when."""

    by: str
    since: datetime
    heard_at: datetime


@dataclass(frozen=True, slots=True)
class VerdictChangeLine:
    """The verdict of the valve changed under the open order, and what it says now."""

    at: datetime
    before: str
    now: str
    reason: str
    restriction: str


@dataclass(frozen=True, slots=True)
class SlotLine:
    window: str
    crew: str
    starts_on: date
    ends_on: date
    hours: float


@dataclass(frozen=True, slots=True)
class OrderCard:
    """One order with its facts of the present revision, and the verbs open to this person."""

    id: int
    number: str
    version: int
    revision: int
    site: str
    time_zone: str
    group: str
    pump: str
    valve_id: int
    valve: str
    design: str
    serial: str
    kind: OrderKind
    state: OrderState
    why: str
    raised_by: str
    raised_at: datetime
    due_on: date
    share_used: float | None
    governed_by: str
    assigned_to: str | None
    readiness: Mapping[str, str]
    ready_items: tuple[ReadyItem, ...]
    pause_why: str
    pause_until: date | None
    started_at: datetime | None
    as_found: str
    as_found_words: str
    mode: str
    mechanism: str
    cause: str
    detection: str
    run_hours_since: float | None
    starts_since: float | None
    remarks: str
    done_at: datetime | None
    ended_at: datetime | None
    is_imported: bool
    needs_proof: bool
    required_m3_per_h: float | None
    updated_at: datetime
    verdict_change: VerdictChangeLine | None
    slot: SlotLine | None
    progress: tuple[StepLine, ...]
    gates: tuple[GateLine, ...]
    findings: tuple[FindingLine, ...]
    parts_used: tuple[PartUsedLine, ...]
    joint: JointCard | None
    kept: tuple[KeptLine, ...]
    kit_blocked: tuple[str, ...]
    photos: tuple[PhotoLine, ...]
    out_with: tuple[OutLine, ...]
    tests: tuple[ProofLine, ...]
    deferrals: tuple[DeferralLine, ...]
    releases: tuple[ReleaseLine, ...]
    closed_revisions: tuple[Mapping[str, Any], ...]
    asks: tuple[AskLine, ...]
    reminders: tuple[str, ...]
    signatures: tuple[SignatureLine, ...]
    verbs: tuple[str, ...]
    procedure: str
    """Code and version of the procedure it goes by; empty: none is fixed."""
    procedure_withdrawn: str
    """Why that version was withdrawn; empty: it was not."""
    steps: tuple[OrderStep, ...]
    to_witness: tuple[int, ...]
