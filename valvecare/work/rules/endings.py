"""Closing, releasing, putting off, dropping: signatures, ends and second persons."""

from datetime import date

from valvecare.core.errors import Reason
from valvecare.work.rules.facts import OrderFacts
from valvecare.work.rules.gates import why_not_lapped, why_undecided
from valvecare.work.rules.step_answers import why_steps_open
from valvecare.work.rules.steps import GATES, NEEDS_PROOF
from valvecare.work.rules.words import ENDS, AsFound, GateKind, OrderState, RaisedBy


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
    undecided = why_undecided(facts) or why_not_lapped(facts)
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
        unproven = _why_not_provisional(facts, closer=closer, today=today)
        if unproven is not None:
            return unproven
    return why_steps_open(facts.steps)


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


def why_not_drop(
    state: OrderState, state_before: str, *, raised_by: RaisedBy, valve_in_service: bool
) -> Reason | None:
    """A valve that is open cannot be dropped, and a due task does not go away by dropping it."""
    opened = (OrderState.UNDER_WAY, OrderState.PROVEN)
    if state in ENDS or state in opened or state_before in opened:
        return Reason(
            "wrong_state",
            f"This order is '{state}', so it cannot be dropped.",
            "Work that was begun is closed, not dropped."
            if state not in ENDS
            else "It has ended already.",
            {"state": str(state)},
        )
    if raised_by is RaisedBy.AUTOMATIC and valve_in_service:
        return Reason(
            "still_due",
            "The task is due whatever becomes of this order: the next sweep would raise it again.",
            "Put it off with a signature, or change the policy.",
        )
    return None


def why_not_words(words: str, *, code: str, what: str) -> Reason | None:
    """A statement that must not be empty."""
    if words.strip():
        return None
    return Reason(code, f"{what} is missing.", "A plain sentence will do.")


def why_not_until(until: date, *, today: date) -> Reason | None:
    if until > today:
        return None
    return Reason("end_not_ahead", "The end date must lie ahead.", "Give a day after today.")
