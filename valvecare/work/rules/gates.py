"""Which step may follow: states, the go/no-go list, gates."""

from collections.abc import Collection, Mapping
from datetime import datetime

from valvecare.core.errors import Reason
from valvecare.engineering.release import ReleaseWay
from valvecare.work.rules.facts import OrderFacts
from valvecare.work.rules.step_answers import why_open_before
from valvecare.work.rules.steps import GATES, NEEDS_NO_WINDOW, ready_items
from valvecare.work.rules.words import GateKind, OrderKind, OrderState, PartDecision, Rods


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
    if gate is GateKind.ISOLATED and facts.is_labelled and GateKind.IDENTITY not in facts.gates:
        return Reason(
            "identity_not_confirmed",
            "This valve has a label, and nobody has confirmed that this is the valve.",
            "Scan the label or type its code under 'Confirm identity' first.",
        )
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
    unread = why_open_before(gate, facts.steps)
    if unread is not None:
        return unread
    if gate is GateKind.COVER_RELEASED:
        return _why_not_release(facts.release_way, rods)
    if gate is GateKind.PARTS_JUDGED:
        return why_not_judged(facts)
    if gate is GateKind.JOINT_CLOSED:
        return why_undecided(facts) or why_not_lapped(facts)
    return None


def _why_not_release(way: ReleaseWay | None, rods: Rods | None) -> Reason | None:
    if rods is None:
        return Reason(
            "rods_not_named",
            "Say what holds the cover while the spring is let go.",
            f"One of: {', '.join(Rods)}.",
        )
    if way is ReleaseWay.LONG_RODS and rods is Rods.STANDARD_STUDS:
        return Reason(
            "rods_needed",
            "The spring still pushes at the end of the standard studs.",
            "Use long rods.",
        )
    is_known = way in (ReleaseWay.STANDARD_STUDS, ReleaseWay.LONG_RODS)
    if not is_known and rods is not Rods.LONG_RODS_AND_CLAMP:
        return Reason(
            "spring_unknown",
            "This cover counts as fully loaded: its spring is not known, or no stud holds it.",
            "Use long rods and a clamp, or enter the spring data of the design where they lack.",
        )
    return None


def why_undecided(facts: OrderFacts) -> Reason | None:
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
    waiting = sorted(
        part.value for part, judgement in facts.judgements.items() if judgement.waits_for_engineer
    )
    if waiting:
        return Reason(
            "waits_for_engineer",
            f"Decided more softly than the rule: {', '.join(waiting)}.",
            "Let the reliability engineer decide, or follow the rule.",
            {"parts": waiting},
        )
    return None


def why_not_lapped(facts: OrderFacts) -> Reason | None:
    """A lapped part is measured again before the valve is closed up."""
    lapped = sorted(
        part.value
        for part, judgement in facts.judgements.items()
        if judgement.decision is PartDecision.LAP
    )
    if lapped:
        return Reason(
            "not_measured_after_lapping",
            f"Not measured again after lapping: {', '.join(lapped)}.",
            "Lap it, then record a finding 'as left'.",
            {"parts": lapped},
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
    return why_undecided(facts)


def why_not_judge_now(facts: OrderFacts) -> Reason | None:
    """Why no part can be judged now: the kind, the joint, or the cover."""
    gates = GATES[facts.kind]
    if GateKind.PARTS_JUDGED not in gates:
        return Reason(
            "no_parts_in_kind",
            f"No part is judged in a {facts.kind}.",
            "Raise an order that opens the valve.",
        )
    if GateKind.JOINT_CLOSED in facts.gates:
        return Reason(
            "joint_is_closed",
            "The joint is closed: the parts can no longer be seen.",
            "Close the order and reopen it with the work to be done again.",
        )
    opened = GateKind.COVER_RELEASED if GateKind.COVER_RELEASED in gates else GateKind.ISOLATED
    if opened in gates and opened not in facts.gates:
        return Reason(
            "gate_out_of_order",
            f"A part can be judged after '{opened}'.",
            f"Record '{opened}' first.",
            {"missing": [opened.value]},
        )
    return None
