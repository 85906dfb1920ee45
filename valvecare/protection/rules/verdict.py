"""Can this valve still protect its pump, and until when? A pure function of the facts.

Every rule that has something to say leaves a `Ground` (see `grounds`). The worst word governs;
among equals the first in the order of `judge`. All grounds are kept, so that the page 'Why' can
show each, and the restrictions of all grounds hold together.
"""

from collections.abc import Sequence
from datetime import date
from typing import Any

from valvecare.protection.rules import grounds as rules
from valvecare.protection.rules.facts import (
    SEVERITY,
    Decision,
    Facts,
    Ground,
    Passing,
    Policy,
    Word,
)
from valvecare.protection.rules.grounds import lower_bound, required_at


def _until(facts: Facts) -> tuple[date | None, date | None, date | None]:
    """The first day on which a due item makes the evidence too old: likely, earliest, latest.

    No earliest day where one of the items cannot say its own.
    """
    likely = min((item.likely_on for item in facts.due if item.likely_on), default=None)
    latest = min((item.latest_on for item in facts.due if item.latest_on), default=None)
    first = [item.earliest_on for item in facts.due]
    known = [day for day in first if day is not None]
    earliest = min(known) if known and len(known) == len(first) else None
    return likely, earliest, latest


def _margin(facts: Facts) -> float | None:
    """The margin the verdict rests on: measured lower bound if there is one, else computed."""
    if facts.tests and facts.tests[0].measured:
        test = facts.tests[0]
        needed = required_at(test, facts.capacity)
        if needed:
            least = lower_bound(test.flow_m3_per_h or 0.0, test.uncertainty_share or 0.0)
            return least / needed - 1.0
        return None
    return facts.capacity.margin_share


def _notes(facts: Facts) -> tuple[str, ...]:
    notes = [f"Reading not used: {rules.sentence(words)}" for words in facts.rejected_readings]
    if facts.passing is not None and facts.passing.result is Passing.PASSES:
        told = " ".join(filter(None, (facts.passing.words, facts.passing.size)))
        notes.append(f"Passing is a cost, not a loss of protection: {told}")
    if facts.missing_identity:
        names = ", ".join(facts.missing_identity)
        notes.append(
            f"Not known: {names}. Take the spring as loaded; no kit can be reserved until the "
            "plate is read."
        )
    return tuple(notes)


def _restrictions(found: Sequence[Ground]) -> str:
    """All of them, each once, in the order of the grounds: none may hide another."""
    told = ""
    for ground in found:
        if ground.restriction and ground.restriction not in told:
            told = f"{told} {ground.restriction}".strip()
    return told


def grounds_of(facts: Facts, policy: Policy | None) -> list[Ground]:
    """Everything that speaks against 'Protects', in the order that breaks ties.

    What is not known, what the latest test shows, proof missing or overtaken, a provisional
    release, events, failed sisters, computed capacity, age, pumps pushed shut.
    """
    margin_asked = 0.0 if policy is None else policy.margin_share
    return [
        *rules.not_known(facts),
        *rules.no_policy_of_verdicts(policy),
        *rules.by_test(facts, margin_asked),
        *rules.proof(facts),
        *rules.released(facts),
        *rules.events(facts),
        *rules.sisters(facts),
        *rules.computed(facts, margin_asked),
        *rules.aged(facts),
        *rules.pair(facts),
    ]


def judge(facts: Facts, policy: Policy | None) -> Decision:
    """The verdict on one valve as of `facts.as_of`."""
    found = sorted(grounds_of(facts, policy), key=lambda ground: -SEVERITY[ground.word])
    evidence, grade, proven_on = rules.evidence(facts)
    margin = _margin(facts)
    if found:
        worst = found[0]
        return Decision(
            word=worst.word,
            since=worst.since,
            until=None,
            until_earliest=None,
            until_latest=None,
            reason=worst.words,
            code=worst.code,
            next_action=worst.next_action,
            restriction=_restrictions(found),
            evidence=evidence,
            grade=grade,
            margin_share=margin,
            required_m3_per_h=facts.capacity.required_m3_per_h,
            grounds=tuple(found),
            notes=_notes(facts),
        )
    until, earliest, latest = _until(facts)
    coming = min(facts.due, key=lambda item: (item.likely_on or date.max, item.kind))
    how = "measured" if facts.tests and facts.tests[0].measured else "computed"
    told = "" if margin is None else f"; margin {margin:+.1%} ({how})"
    return Decision(
        word=Word.PROTECTS,
        since=proven_on,
        until=until,
        until_earliest=earliest,
        until_latest=latest,
        reason=f"Proven and in date: {evidence}{told}.",
        code="proven",
        next_action=f"{coming.kind[0].upper()}{coming.kind[1:]}, by {coming.governed_by}.",
        restriction="",
        evidence=evidence,
        grade=grade,
        margin_share=margin,
        required_m3_per_h=facts.capacity.required_m3_per_h,
        grounds=(),
        notes=_notes(facts),
    )


def _same_core(verdict: Any) -> tuple[Any, ...]:
    grounds = tuple((ground["word"], ground["code"], ground["since"]) for ground in verdict.grounds)
    notes = tuple(note.partition(":")[0] for note in verdict.notes)
    return (
        verdict.word,
        verdict.code,
        verdict.since,
        verdict.restriction,
        verdict.next_action,
        verdict.evidence,
        verdict.grade,
        verdict.rule_version,
        grounds,
        notes,
    )


def same_answer(old: Any, new: Any) -> bool:
    """Do two stored verdicts say the same? Dates, shares and sizes may have moved on."""
    return _same_core(old) == _same_core(new)
