"""Closed word lists of a work order and every decision about its next step. Plain values only."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from valvecare.core.errors import Reason


class OrderKind(StrEnum):
    """What an order is for: every task kind that can fall due, and the corrective repair."""

    STRIP_DOWN = "strip-down"
    FUNCTION_TEST = "function test"
    BYPASS_ONLY = "bypass-only inspection"
    LOOK_AND_LISTEN = "look and listen"
    EXCHANGE = "exchange"
    RECEIVING_CHECK = "receiving check"
    SISTER_INSPECTION = "sister inspection"
    CORRECTIVE = "corrective"


class OrderState(StrEnum):
    """One line of progress, three sidings, two ends."""

    RAISED = "raised"
    AGREED = "agreed"
    PLACED = "placed"
    READIED = "readied"
    UNDER_WAY = "under way"
    PROVEN = "proven"
    CLOSED = "closed"
    ON_HOLD = "on hold"
    PUT_OFF = "put off"
    DROPPED = "dropped"


class GateKind(StrEnum):
    """Timed, signed facts inside 'under way', in the order in which they may be passed."""

    ISOLATED = "isolated"
    AS_FOUND = "as-found recorded"
    COVER_RELEASED = "cover released"
    PARTS_JUDGED = "every part judged"
    JOINT_CLOSED = "joint closed"
    MOVED_BY_HAND = "moved by hand"


class RaisedBy(StrEnum):
    AUTOMATIC = "automatic"
    PERSON = "person"


class AsFound(StrEnum):
    """How the valve was found, against what the interval led one to expect."""

    BETTER = "better than expected"
    AS_EXPECTED = "as expected"
    WORSE = "worse"
    FAILED = "failed"


class PartName(StrEnum):
    """The closed list of parts."""

    BODY = "body"
    COVER = "cover"
    COVER_GASKET = "cover gasket"
    SEAL_RING = "seal ring"
    O_RING = "O-ring"
    MAIN_DISC = "main disc"
    DISC_STEM = "disc stem"
    DISC_GUIDE = "disc guide"
    GUIDE_BUSH = "guide bush"
    BODY_SEAT = "body seat"
    DISC_SEAT = "disc seat"
    CONTACT_RING = "contact ring"
    CLOSING_SPRING = "closing spring"
    SPRING_SEAT = "spring seat"
    ACTUATING_LEVER = "actuating lever"
    LEVER_PIN = "lever pin"
    LEVER_BUSH = "lever bush"
    BYPASS_TRIM = "bypass trim"
    BYPASS_PLUG = "bypass plug"
    BYPASS_SLEEVE = "bypass sleeve"
    PORT = "port"
    BREAKING_BUSHING = "pressure-breaking bushing"
    BYPASS_ORIFICE = "bypass outlet orifice"
    BYPASS_NOZZLE = "bypass outlet nozzle"
    BYPASS_NON_RETURN = "bypass non-return element"
    FLOW_RING = "flow ring"
    ALL = "all parts"


class FindingGrade(StrEnum):
    AS_NEW = "0"
    USED = "1"
    MARKED = "2"
    REWORK = "3"
    NOT_FIT = "4"
    NOT_MEASURED = "?"


GRADE_WORDS = {
    FindingGrade.AS_NEW: "as new",
    FindingGrade.USED: "used, fit",
    FindingGrade.MARKED: "marked, fit until next time",
    FindingGrade.REWORK: "not fit, can be made fit",
    FindingGrade.NOT_FIT: "not fit",
    FindingGrade.NOT_MEASURED: "not measured",
}


class PartDecision(StrEnum):
    REUSE = "reuse"
    LAP = "lap"
    REPLACE = "replace"
    CANNOT_DECIDE = "cannot decide"


class Rods(StrEnum):
    """What held the cover while the spring was let go."""

    STANDARD_STUDS = "standard studs"
    LONG_RODS = "long rods"
    LONG_RODS_AND_CLAMP = "long rods and clamp"


# Codes in the style of ISO 14224 valve tables, from memory: to be checked against the standard.
FAILURE_MODES = {
    "FTO": "fails to open",
    "FTC": "fails to close",
    "DOP": "delayed operation",
    "ELP": "external leak of process medium",
    "INL": "internal leak",
    "LCP": "leak in closed position",
    "PLU": "plugged",
    "STD": "structural deficiency",
    "VIB": "vibration",
    "NOI": "noise",
    "LOO": "low output",
    "HIO": "high output",
    "SER": "minor in-service problem",
    "UNK": "not known",
}
MECHANISMS = {
    "1.3": "clearance or alignment",
    "1.5": "looseness",
    "1.6": "sticking",
    "2.1": "cavitation",
    "2.2": "corrosion",
    "2.3": "erosion",
    "2.4": "wear",
    "2.5": "breakage",
    "2.6": "fatigue",
    "5.1": "blockage",
    "5.2": "contamination",
}
CAUSES = {
    "1.1": "capacity",
    "2.2": "installation",
    "3.1": "off-design service",
    "3.2": "operating error",
    "3.3": "maintenance error",
    "3.4": "normal wear",
}
DETECTIONS = {
    "1": "periodic maintenance",
    "2": "functional test",
    "3": "inspection",
    "4": "periodic monitoring",
    "6": "continuous monitoring",
    "7": "production interference",
    "8": "casual observation",
    "10": "on demand",
}

PROGRESS = (
    OrderState.RAISED,
    OrderState.AGREED,
    OrderState.PLACED,
    OrderState.READIED,
    OrderState.UNDER_WAY,
    OrderState.PROVEN,
    OrderState.CLOSED,
)
SIDINGS = (OrderState.ON_HOLD, OrderState.PUT_OFF)
ENDS = (OrderState.CLOSED, OrderState.DROPPED)
OPEN_STATES = tuple(state for state in OrderState if state not in ENDS)

_K, _G = OrderKind, GateKind
_OPENED = (
    _G.ISOLATED,
    _G.AS_FOUND,
    _G.COVER_RELEASED,
    _G.PARTS_JUDGED,
    _G.JOINT_CLOSED,
    _G.MOVED_BY_HAND,
)
GATES: Mapping[OrderKind, tuple[GateKind, ...]] = {
    _K.STRIP_DOWN: _OPENED,
    _K.SISTER_INSPECTION: _OPENED,
    _K.CORRECTIVE: _OPENED,
    _K.BYPASS_ONLY: (_G.ISOLATED, _G.AS_FOUND, _G.PARTS_JUDGED, _G.JOINT_CLOSED),
    _K.EXCHANGE: (_G.ISOLATED, _G.AS_FOUND, _G.JOINT_CLOSED),
    _K.FUNCTION_TEST: (_G.AS_FOUND,),
    _K.LOOK_AND_LISTEN: (_G.AS_FOUND,),
    _K.RECEIVING_CHECK: (_G.PARTS_JUDGED, _G.MOVED_BY_HAND),
}
"""The gates each kind of order has; a kind without a gate is never asked for it."""

NEEDS_PROOF = frozenset(OrderKind) - {_K.LOOK_AND_LISTEN, _K.RECEIVING_CHECK}
"""Kinds that may be closed only when the function is proven, or under a signed release."""

OPENS_THE_VALVE = frozenset(kind for kind, gates in GATES.items() if _G.JOINT_CLOSED in gates)
"""Kinds that break a pressure joint: the closed season and the group rule are about these."""

NEEDS_NO_WINDOW = frozenset({_K.LOOK_AND_LISTEN, _K.RECEIVING_CHECK})
"""Kinds that take nothing out of service and start as soon as they are agreed."""


class ReadyItem(StrEnum):
    """What must be shown green before an order is readied (go/no-go of the trade)."""

    KIT = "kit"
    PERMIT = "permit"
    RODS = "rods and spring"
    LIFTING = "lifting"
    CREW = "crew and skill"
    TEST_SLOT = "test slot"


def ready_items(kind: OrderKind) -> tuple[ReadyItem, ...]:
    """The items of the go/no-go list for this kind of order."""
    if GateKind.COVER_RELEASED in GATES[kind]:
        return tuple(ReadyItem)
    if kind in OPENS_THE_VALVE:
        return (
            ReadyItem.KIT,
            ReadyItem.PERMIT,
            ReadyItem.LIFTING,
            ReadyItem.CREW,
            ReadyItem.TEST_SLOT,
        )
    if kind is OrderKind.FUNCTION_TEST:
        return (ReadyItem.PERMIT, ReadyItem.CREW, ReadyItem.TEST_SLOT)
    return ()


def parts_to_judge(
    kind: OrderKind, *, has_lever: bool | None, has_flow_ring: bool | None, stages: int | None
) -> tuple[PartName, ...]:
    """The parts that must be judged. A design that is not known (None) leaves nothing out."""
    if GateKind.PARTS_JUDGED not in GATES[kind]:
        return ()
    lever = (PartName.ACTUATING_LEVER, PartName.LEVER_PIN, PartName.LEVER_BUSH)
    bushing = (PartName.BREAKING_BUSHING,) if stages is None or stages > 1 else ()
    bypass = (PartName.BYPASS_TRIM, *bushing, PartName.BYPASS_NON_RETURN)
    if kind is OrderKind.BYPASS_ONLY:
        return bypass
    return (
        PartName.MAIN_DISC,
        PartName.BODY_SEAT,
        PartName.DISC_GUIDE,
        PartName.GUIDE_BUSH,
        PartName.CLOSING_SPRING,
        *(lever if has_lever is not False else ()),
        *bypass,
        *((PartName.FLOW_RING,) if has_flow_ring is not False else ()),
        PartName.BODY,
        PartName.COVER,
    )


# ---- decisions: why not?


@dataclass(frozen=True)
class PartJudgement:
    """The latest word on one part: a decision, or why it was not checked."""

    part: PartName
    decision: PartDecision | None
    not_checked_because: str = ""


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
    spring_known: bool
    as_found: AsFound | None
    mode: str
    cause: str
    test: ProofFact | None
    release: ReleaseFact | None
    workers: frozenset[int]
    started_at: datetime | None


def why_not_in_state(
    state: OrderState, allowed: Collection[OrderState], verb: str
) -> Reason | None:
    """Refuse a verb that does not follow from the present state."""
    if state in allowed:
        return None
    wanted = " or ".join(f"'{word.value}'" for word in OrderState if word in allowed)
    return Reason(
        "wrong_state",
        f"This order is '{state}', so it cannot be {verb}.",
        f"It must be {wanted} first.",
        {"state": str(state), "allowed": [word.value for word in OrderState if word in allowed]},
    )


def why_not_ready(kind: OrderKind, proofs: Mapping[str, str]) -> Reason | None:
    """Every item of the go/no-go list needs its proof in words; unknown items are refused."""
    items = ready_items(kind)
    strange = sorted(set(proofs) - {item.value for item in items})
    if strange:
        return Reason(
            "unknown_ready_item",
            f"{', '.join(strange)} is not on the list of this order.",
            f"The list is: {', '.join(items) or 'empty'}.",
        )
    missing = [item.value for item in items if not proofs.get(item.value, "").strip()]
    if missing:
        return Reason(
            "not_ready",
            f"Not proven yet: {', '.join(missing)}.",
            "Say for each what proves it (number of the permit, lot of the kit, name of the slot).",
            {"missing": missing},
        )
    return None


def may_start_from(kind: OrderKind) -> tuple[OrderState, ...]:
    return (OrderState.AGREED,) if kind in NEEDS_NO_WINDOW else (OrderState.READIED,)


def why_not_done_at(
    done_at: datetime, *, at: datetime, not_before: datetime | None
) -> Reason | None:
    """A fact lies neither in the future nor before the fact it follows."""
    if done_at > at:
        return Reason(
            "in_the_future",
            "The time given lies in the future.",
            "Give the time at which it was done.",
            {"done_at": done_at.isoformat(), "now": at.isoformat()},
        )
    if not_before is not None and done_at < not_before:
        return Reason(
            "out_of_order",
            "The time given lies before the step it follows.",
            f"Give a time at or after {not_before.isoformat()}.",
            {"done_at": done_at.isoformat(), "not_before": not_before.isoformat()},
        )
    return None


def why_not_pass(gate: GateKind, facts: OrderFacts, *, rods: Rods | None = None) -> Reason | None:
    """Why this gate cannot be passed now: not in this kind, passed already, or out of order."""
    gates = GATES[facts.kind]
    if gate not in gates:
        return Reason(
            "gate_not_in_kind",
            f"A {facts.kind} has no gate '{gate}'.",
            f"Its gates are: {', '.join(gates)}.",
        )
    if gate in facts.gates:
        return Reason("gate_passed", f"The gate '{gate}' is passed already.", "Nothing to do.")
    before = [earlier for earlier in gates[: gates.index(gate)] if earlier not in facts.gates]
    if gate is GateKind.AS_FOUND:
        # read before or after isolation: a valve is best seen working before it is isolated
        before = [earlier for earlier in before if earlier is not GateKind.ISOLATED]
    if before:
        return Reason(
            "gate_out_of_order",
            f"'{gate}' comes after '{before[0]}'.",
            f"Record '{before[0]}' first.",
            {"missing": [earlier.value for earlier in before]},
        )
    if gate is GateKind.COVER_RELEASED:
        return _why_not_release(facts.spring_known, rods)
    if gate is GateKind.PARTS_JUDGED:
        return why_not_judged(facts)
    if gate is GateKind.JOINT_CLOSED:
        return _why_undecided(facts)
    return None


def _why_not_release(spring_known: bool, rods: Rods | None) -> Reason | None:
    if rods is None:
        return Reason(
            "rods_not_named",
            "Say what holds the cover while the spring is let go.",
            f"One of: {', '.join(Rods)}.",
        )
    if not spring_known and rods is not Rods.LONG_RODS_AND_CLAMP:
        return Reason(
            "spring_unknown",
            "The spring of this valve is not known, so it counts as fully loaded.",
            "Use long rods and a clamp, or enter the spring data of the design first.",
        )
    return None


def _why_undecided(facts: OrderFacts) -> Reason | None:
    open_parts = [
        part.value
        for part, judgement in facts.judgements.items()
        if judgement.decision is PartDecision.CANNOT_DECIDE
    ]
    if open_parts:
        return Reason(
            "part_undecided",
            f"'Cannot decide' stands for: {', '.join(sorted(open_parts))}.",
            "Measure again, or let the engineer decide reuse, lap or replace.",
            {"parts": sorted(open_parts)},
        )
    return None


def why_not_judged(facts: OrderFacts) -> Reason | None:
    """Every part of the list has a decision, or says why it was not checked."""
    missing = [part.value for part in facts.parts if part not in facts.judgements]
    if missing:
        return Reason(
            "parts_not_judged",
            f"No word yet on: {', '.join(missing)}.",
            "Record a finding for each, or 'not checked, because …'.",
            {"parts": missing},
        )
    return _why_undecided(facts)


def why_not_finding(
    *,
    found: str,
    grade: FindingGrade | None,
    decision: PartDecision | None,
    not_checked_because: str,
    value: float | None,
    unit: str,
) -> Reason | None:
    """A finding is an observation with grade and decision, or 'not checked, because …'."""
    if not_checked_because.strip():
        if decision is not None or grade is not None or value is not None:
            return Reason(
                "checked_and_not_checked",
                "A part cannot be graded and 'not checked' at once.",
                "Leave either the reason or the grade, measure and decision empty.",
            )
        return None
    if grade is None or decision is None:
        return Reason(
            "no_grade_or_decision",
            "A finding needs a grade and a decision; an empty field is not 'good'.",
            "Give both, or say 'not checked, because …'.",
        )
    if not found.strip():
        return Reason("nothing_found_said", "Say what was found.", "A few plain words will do.")
    if (value is None) != (not unit.strip()):
        return Reason(
            "measure_without_unit",
            "A measured value and its unit belong together.",
            "Give both or neither.",
        )
    if decision is PartDecision.REUSE and grade in (FindingGrade.REWORK, FindingGrade.NOT_FIT):
        return Reason(
            "reuse_of_unfit_part",
            f"A part of grade {grade} ({GRADE_WORDS[grade]}) cannot be reused as it is.",
            "Decide lap or replace, or grade it again.",
        )
    if decision in (PartDecision.REUSE, PartDecision.LAP) and grade is FindingGrade.NOT_MEASURED:
        return Reason(
            "not_measured",
            "A part that was not measured cannot be judged fit.",
            "Measure it, replace it, or say 'cannot decide'.",
        )
    return None


def why_not_test(facts: OrderFacts, *, done_at: datetime) -> Reason | None:
    """A function test belongs after the last gate: an older one proves nothing."""
    if facts.kind not in NEEDS_PROOF:
        return Reason(
            "no_test_in_kind",
            f"A {facts.kind} has no function test.",
            "Raise an order of the kind 'function test'.",
        )
    missing = [gate.value for gate in GATES[facts.kind] if gate not in facts.gates]
    if missing:
        return Reason(
            "gates_open",
            f"Before the function test these gates are open: {', '.join(missing)}.",
            f"Record '{missing[0]}' first.",
            {"missing": missing},
        )
    if facts.kind in OPENS_THE_VALVE and done_at < facts.gates[GateKind.JOINT_CLOSED]:
        return Reason(
            "test_before_joint",
            "This test was done before the joint was closed.",
            "Test the valve as it now stands.",
        )
    return None


def why_not_close(facts: OrderFacts, *, closer: int, today: date) -> Reason | None:
    """No 'closed' without 'proven' or a signed release; no closing without something to learn."""
    missing = [gate.value for gate in GATES[facts.kind] if gate not in facts.gates]
    if missing:
        return Reason(
            "gates_open",
            f"These gates are open: {', '.join(missing)}.",
            f"Record '{missing[0]}' first.",
            {"missing": missing},
        )
    undecided = _why_undecided(facts)
    if undecided is not None:
        return undecided
    if facts.as_found is None and GateKind.AS_FOUND in GATES[facts.kind]:
        return Reason(
            "no_as_found",
            "The as-found grade is missing; without it nothing can be learned.",
            f"Grade it: {', '.join(AsFound)}.",
        )
    if facts.as_found is AsFound.FAILED and not (facts.mode and facts.cause):
        return Reason(
            "failure_without_mode",
            "A failure needs its mode and its cause.",
            "Add both to the as-found record.",
        )
    if facts.kind in NEEDS_PROOF and facts.state is not OrderState.PROVEN:
        return _why_not_provisional(facts, closer=closer, today=today)
    return None


def _why_not_provisional(facts: OrderFacts, *, closer: int, today: date) -> Reason | None:
    if facts.release is None:
        return Reason(
            "not_proven",
            "The function is not proven.",
            "Record a passed function test, or let an approver sign a provisional release.",
        )
    if facts.release.until < today:
        return Reason(
            "release_expired",
            f"The provisional release ended on {facts.release.until.isoformat()}.",
            "Prove the function, or let an approver sign a new release.",
        )
    if facts.release.signed_by == closer:
        return Reason(
            "second_person",
            "Who signed the provisional release cannot close the order.",
            "Let a second person close it.",
        )
    return None


def why_not_release(
    facts: OrderFacts, *, signer: int, until: date, today: date, words: str, restriction: str
) -> Reason | None:
    """A provisional release needs an end, a statement, a restriction, and a second person."""
    if until <= today:
        return Reason("end_not_ahead", "The end date must lie ahead.", "Give a day after today.")
    if not words.strip() or not restriction.strip():
        return Reason(
            "release_without_words",
            "A release needs a statement and the restriction that goes with it.",
            "Say why it may run and what must be kept to.",
        )
    if signer in facts.workers:
        return Reason(
            "second_person",
            "Who did the work cannot release it.",
            "Let a second person sign.",
        )
    return None


def why_not_put_off(
    *, asked_by: int, signer: int, until: date, today: date, signature: str
) -> Reason | None:
    """A deferral needs a signature of somebody who did not ask for it, and an end ahead."""
    if signer == asked_by:
        return Reason(
            "second_person",
            "Who asks for the deferral cannot sign it.",
            "Let a second person sign.",
        )
    if until <= today:
        return Reason("end_not_ahead", "The end date must lie ahead.", "Give a day after today.")
    if not signature.strip():
        return Reason(
            "no_signature", "A signature is a statement in words.", "Say what you accept, and why."
        )
    return None


def clocks_reset(kind: OrderKind, *, test_passed: bool) -> tuple[OrderKind, ...]:
    """The clocks that doing this work restarts. A corrective repair of one part restarts none.

    The clock of the function test restarts only with a passed test.
    """
    opened = (OrderKind.STRIP_DOWN, OrderKind.BYPASS_ONLY, OrderKind.SISTER_INSPECTION)
    resets = {
        OrderKind.STRIP_DOWN: opened,
        OrderKind.SISTER_INSPECTION: opened,
        OrderKind.EXCHANGE: (*opened, OrderKind.EXCHANGE),
        OrderKind.BYPASS_ONLY: (OrderKind.BYPASS_ONLY,),
        OrderKind.LOOK_AND_LISTEN: (OrderKind.LOOK_AND_LISTEN,),
        OrderKind.FUNCTION_TEST: (),
        OrderKind.RECEIVING_CHECK: (),
        OrderKind.CORRECTIVE: (),
    }[kind]
    if test_passed and kind in NEEDS_PROOF and kind is not OrderKind.CORRECTIVE:
        return (*resets, OrderKind.FUNCTION_TEST)
    return resets
