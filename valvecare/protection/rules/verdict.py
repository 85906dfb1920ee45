"""Can this valve still protect its pump, and until when? A pure function of the facts.

Every rule that has something to say leaves a `Ground`. The worst word governs; among equals the
first rule in the order of `judge`. All grounds are kept, so that the page 'Why' can show each.
"""

from datetime import date
from typing import Any

from valvecare.protection.rules.capacity import Capacity
from valvecare.protection.rules.facts import (
    SEVERITY,
    Decision,
    Facts,
    Grade,
    Ground,
    Policy,
    TestFact,
    Word,
)
from valvecare.protection.rules.proof import ProofResult


def _flow(value: float) -> str:
    return f"{value:,.0f} m³/h" if value >= 100 else f"{value:.3g} m³/h"


def _day(value: date) -> str:
    return f"{value.day} {value:%b %Y}"


def lower_bound(flow_m3_per_h: float, uncertainty_share: float) -> float:
    """The measured flow less its expanded uncertainty: the worst case of the band decides."""
    return flow_m3_per_h * (1.0 - uncertainty_share)


def _required_at(test: TestFact, capacity: Capacity) -> float | None:
    """Today's requirement decides; the one written in the test only when today's is unknown."""
    if capacity.required_m3_per_h is not None:
        return capacity.required_m3_per_h
    return test.required_m3_per_h


def _keep_above(capacity: Capacity) -> str:
    if capacity.required_m3_per_h is None:
        return "Do not rely on this valve at low load."
    return f"Keep the pump above {_flow(capacity.required_m3_per_h)}."


def _unknown(facts: Facts) -> list[Ground]:
    found = []
    keep = _keep_above(facts.capacity)
    if facts.missing_identity or not facts.has_record:
        parts = [f"{name} not known" for name in facts.missing_identity]
        if not facts.has_record:
            parts.append("no inspection or test on record")
        found.append(
            Ground(
                Word.NOT_KNOWN,
                "no_record" if not facts.has_record else "identity_not_known",
                "Nothing to judge by: " + ", ".join(parts) + ".",
                next_action="Prove it by a function test; measure and photograph the valve. "
                "Treat the cover as spring-loaded: long rods and a clamp.",
                restriction=keep,
            )
        )
    capacity = facts.capacity
    if capacity.required_m3_per_h is None:
        found.append(
            Ground(
                Word.NOT_KNOWN,
                "required_flow_not_known",
                "The required minimum flow cannot be worked out: "
                + capacity.refusals.get("required flow", "inputs are missing"),
                next_action="Complete the pump's record.",
                restriction=keep,
            )
        )
    elif not capacity.stable_known:
        found.append(
            Ground(
                Word.NOT_KNOWN,
                "stable_flow_not_known",
                "The pump's stable minimum flow is not known; heat alone never proves protection.",
                next_action="Get the stable minimum flow from the pump's maker.",
                restriction=keep,
                numbers={"thermal_min_m3_per_h": capacity.thermal_min_m3_per_h},
            )
        )
    return found


def _failed_restriction(test: TestFact, capacity: Capacity) -> str:
    heat = capacity.thermal_min_m3_per_h
    text = test.restriction or _keep_above(capacity)
    if text[-1] not in ".!":
        text += "."
    if test.measured and heat is not None:
        least = lower_bound(test.flow_m3_per_h or 0.0, test.uncertainty_share or 0.0)
        safe = "safe against heat" if least >= heat else "NOT safe against heat"
        text += f" For short holding it is {safe} ({_flow(least)} against {_flow(heat)})."
    return text


def _by_test(facts: Facts, test: TestFact, policy: Policy) -> list[Ground]:
    """What the latest function test shows."""
    capacity = facts.capacity
    numbers: dict[str, Any] = {"test": test.id, "result": test.result}
    again = "Repeat the function test with a better method."
    if test.measured:
        needed = _required_at(test, capacity)
        flow, share = test.flow_m3_per_h or 0.0, test.uncertainty_share or 0.0
        least, most = lower_bound(flow, share), flow * (1.0 + share)
        numbers |= {"flow": flow, "uncertainty_share": share, "lower": least, "required": needed}
        if needed is None:
            return []  # said by the requirement that is not known
        told = (
            f"{_flow(flow)} ±{share:.0%} measured on {_day(test.done_on)}, {_flow(needed)} needed"
        )
        if most < needed:
            return [
                Ground(
                    Word.DOES_NOT_PROTECT,
                    "test_failed",
                    f"The bypass passes too little: {told}.",
                    since=test.done_on,
                    next_action="Open the valve, restore the bypass and prove it with the pump.",
                    restriction=_failed_restriction(test, capacity),
                    numbers=numbers,
                )
            ]
        margin = least / needed - 1.0
        numbers["margin_share"] = margin
        if margin < 0.0:
            return [
                Ground(
                    Word.DOUBTFUL,
                    "test_undecided",
                    f"The test cannot decide: {told}; the lower bound is {_flow(least)}.",
                    since=test.done_on,
                    next_action=again,
                    restriction=_keep_above(capacity),
                    numbers=numbers,
                )
            ]
        if margin < policy.margin_share:
            return [
                Ground(
                    Word.DOUBTFUL,
                    "margin_small",
                    f"The margin is small: {told}; lower bound {margin:+.1%}, policy asks "
                    f"{policy.margin_share:.0%}.",
                    since=test.done_on,
                    next_action="Watch the trend; plan the bypass trim.",
                    numbers=numbers,
                )
            ]
    if test.result == ProofResult.FAIL:
        return [
            Ground(
                Word.DOES_NOT_PROTECT,
                "test_failed",
                f"The function test of {_day(test.done_on)} failed. {test.words}".strip(),
                since=test.done_on,
                next_action="Open the valve, restore it and prove it with the pump.",
                restriction=_failed_restriction(test, capacity),
                numbers=numbers,
            )
        ]
    if test.result in (ProofResult.UNDECIDED, ProofResult.NOT_ABLE):
        return [
            Ground(
                Word.DOUBTFUL,
                "test_undecided",
                f"The function test of {_day(test.done_on)} was {test.result}.",
                since=test.done_on,
                next_action=again,
                numbers=numbers,
            )
        ]
    return []


def _proof(facts: Facts) -> list[Ground]:
    """Is there a proof at all, and was the valve or the pump changed after it?"""
    found: list[Ground] = []
    opened = facts.inspections[0] if facts.inspections else None
    latest = facts.tests[0] if facts.tests else None
    if facts.has_record and latest is None:
        found.append(
            Ground(
                Word.DOUBTFUL,
                "never_proven",
                "No function test is on record; only dates of earlier work are.",
                since=opened.done_on if opened else None,
                next_action="Prove it by a function test with the pump.",
            )
        )
    if latest is not None and opened is not None and opened.done_at > latest.done_at:
        found.append(
            Ground(
                Word.DOUBTFUL,
                "opened_after_proof",
                f"Opened on {_day(opened.done_on)} and not proven since.",
                since=opened.done_on,
                next_action="Prove it by a function test with the pump.",
            )
        )
    if opened is not None and opened.failed and (latest is None or latest.done_at < opened.done_at):
        found.append(
            Ground(
                Word.DOES_NOT_PROTECT,
                "found_failed",
                f"Found failed on {_day(opened.done_on)}: {opened.words or opened.mode}.",
                since=opened.done_on,
                next_action="Restore it and prove it with the pump.",
                restriction=_keep_above(facts.capacity),
            )
        )
    changed = facts.hydraulics_changed_on
    measured = next((test for test in facts.tests if test.measured), None)
    if changed is not None and (measured is None or measured.done_on < changed):
        margin = facts.capacity.margin_share
        told = "" if margin is None else f" Computed margin {margin:.1%}."
        what = facts.hydraulics_change or "pump or return line changed"
        found.append(
            Ground(
                Word.DOUBTFUL,
                "computed_only_after_change",
                f"Since {_day(changed)} ({what}) the bypass is computed, not measured.{told}",
                since=changed,
                next_action="Measure the bypass flow in a function test.",
                numbers={"margin_share": margin},
            )
        )
    return found


def _computed(facts: Facts, policy: Policy) -> list[Ground]:
    """Without a measured flow the computed one must reach requirement and policy margin."""
    capacity = facts.capacity
    if facts.tests and facts.tests[0].measured:
        return []
    needed, passed, margin = (
        capacity.required_m3_per_h,
        capacity.computed_m3_per_h,
        capacity.margin_share,
    )
    if needed is None:
        return []
    if passed is None or margin is None:
        return [
            Ground(
                Word.DOUBTFUL,
                "capacity_not_known",
                "The bypass flow was not measured and cannot be computed: "
                + capacity.refusals.get("computed bypass flow", "inputs are missing"),
                next_action="Measure the bypass flow, or complete the record.",
            )
        ]
    numbers = {"computed": passed, "required": needed, "margin_share": margin}
    told = f"{_flow(passed)} computed against {_flow(needed)} needed ({margin:+.1%})"
    if margin < 0.0:
        return [
            Ground(
                Word.DOES_NOT_PROTECT,
                "capacity_too_small",
                f"Even a sound bypass passes too little: {told}.",
                since=facts.hydraulics_changed_on,
                next_action="Change trim, return line or pump; measure the bypass flow.",
                restriction=_keep_above(capacity),
                numbers=numbers,
            )
        ]
    if margin < policy.margin_share:
        return [
            Ground(
                Word.DOUBTFUL,
                "margin_small",
                f"The margin is small: {told}; policy asks {policy.margin_share:.0%}.",
                next_action="Measure the bypass flow in a function test.",
                numbers=numbers,
            )
        ]
    return []


def _aged(facts: Facts) -> list[Ground]:
    """Evidence ages by the clocks of the due items; reached is overdue."""
    if not facts.due:
        return [
            Ground(
                Word.DOUBTFUL,
                "no_policy",
                "No limit is set for this valve, so its evidence would never age.",
                next_action="Set a policy for its design, group or tag.",
            )
        ]
    found = []
    for item in facts.due:
        if item.state == "overdue":
            share = "" if item.share_used is None else f" ({item.share_used:.2f} of the limit)"
            found.append(
                Ground(
                    Word.DOUBTFUL,
                    "overdue",
                    f"The {item.kind} is overdue by {item.governed_by}{share}.",
                    since=item.due_on,
                    next_action=f"Plan the {item.kind}.",
                    numbers={"share_used": item.share_used, "kind": item.kind},
                )
            )
        elif item.state == "no record" and facts.has_record:
            found.append(
                Ground(
                    Word.DOUBTFUL,
                    "no_record_of_task",
                    f"There is no record of a {item.kind}.",
                    next_action=f"Plan the {item.kind}.",
                    numbers={"kind": item.kind},
                )
            )
    return found


def _neighbours(facts: Facts) -> list[Ground]:
    found = []
    for sister in facts.sisters:
        shared = f" Shared: {', '.join(sister.shared)}." if sister.shared else ""
        found.append(
            Ground(
                Word.DOUBTFUL,
                "sister_failed",
                f"Sister {sister.valve} failed on {_day(sister.failed_on)}: "
                f"{sister.words}.{shared}",
                since=sister.failed_on,
                next_action="Inspect or prove this valve; not in the same shift as its sisters.",
            )
        )
    for event in facts.events:
        found.append(
            Ground(
                Word.DOUBTFUL,
                "closing_in_doubt",
                f"Closing in doubt since {_day(event.on)}: {event.kind}. {event.words}".strip(),
                since=event.on,
                next_action="Prove the closing: stop test, or open the valve in the next window.",
                restriction="No restart until zero speed is seen.",
            )
        )
    if facts.pair is not None:
        measured = next((test for test in facts.tests if test.measured), None)
        if measured is None:
            found.append(
                Ground(
                    Word.DOUBTFUL,
                    "pushed_shut_by_stronger",
                    f"{facts.pair.stronger} pushes this pump shut while it runs below "
                    f"{_flow(facts.pair.limit_m3_per_h)} "
                    f"({facts.pair.share_of_best_flow:.0%} of its best flow); this bypass alone "
                    "then protects the pump and must be proven by a measured flow.",
                    next_action="Measure the bypass flow in a function test with both pumps (T6).",
                    restriction=f"Do not run both pumps with {facts.pair.stronger} below "
                    f"{_flow(facts.pair.limit_m3_per_h)}.",
                )
            )
    return found


def _evidence(facts: Facts) -> tuple[str, Grade, date | None]:
    """The best standing proof in words, its grade and its day."""
    if facts.tests:
        test = facts.tests[0]
        told = f"function test of {_day(test.done_on)}: {test.result}"
        if test.measured and test.flow_m3_per_h is not None:
            told += f", {_flow(test.flow_m3_per_h)} ±{test.uncertainty_share:.0%} ({test.method})"
        return told, test.grade, test.done_on
    if facts.inspections:
        seen = facts.inspections[0]
        return f"{seen.kind} of {_day(seen.done_on)}", Grade.SEEN_INSIDE, seen.done_on
    return "none on record", Grade.POLICY, None


def _until(facts: Facts) -> tuple[date | None, date | None, date | None]:
    """The first day on which a due item makes the evidence too old: likely, earliest, latest."""
    dated = [item for item in facts.due if item.likely_on is not None]
    if not dated:
        return None, None, None
    likely = min(item.likely_on for item in dated if item.likely_on)
    earliest = min((item.earliest_on for item in dated if item.earliest_on), default=likely)
    latest = min((item.latest_on for item in dated if item.latest_on), default=None)
    return likely, earliest, latest


def judge(facts: Facts, policy: Policy) -> Decision:
    """The verdict on one valve as of `facts.as_of`.

    Order among equally severe grounds: what is not known, what the latest test shows, proof
    missing or overtaken by a change, computed capacity, age, sisters, events, pairs.
    """
    grounds = _unknown(facts)
    if facts.tests:
        grounds += _by_test(facts, facts.tests[0], policy)
    grounds += _proof(facts) + _computed(facts, policy) + _aged(facts) + _neighbours(facts)
    evidence, grade, proven_on = _evidence(facts)
    until, earliest, latest = _until(facts)
    notes = [f"Reading not used: {words}" for words in facts.rejected_readings]
    if facts.passing is not None:
        notes.append(f"Passing is a cost, not a loss of protection: {facts.passing.words}")
    if grounds:
        worst = max(grounds, key=lambda ground: SEVERITY[ground.word])
        restriction = worst.restriction or next(
            (ground.restriction for ground in grounds if ground.restriction), ""
        )
        if facts.provisional_until is not None and facts.provisional_until >= facts.as_of_on:
            restriction = facts.provisional_restriction or restriction
        rest = [ground for ground in grounds if ground is not worst]
        return Decision(
            word=worst.word,
            since=worst.since,
            until=None,
            until_earliest=None,
            until_latest=None,
            reason=worst.words,
            code=worst.code,
            next_action=worst.next_action,
            restriction=restriction,
            evidence=evidence,
            grade=grade,
            margin_share=_margin(facts),
            required_m3_per_h=facts.capacity.required_m3_per_h,
            grounds=(worst, *sorted(rest, key=lambda ground: -SEVERITY[ground.word])),
            notes=tuple(notes),
        )
    coming = min(
        (item for item in facts.due if item.likely_on == until), key=lambda item: item.kind
    )
    margin = _margin(facts)
    return Decision(
        word=Word.PROTECTS,
        since=proven_on,
        until=until,
        until_earliest=earliest,
        until_latest=latest,
        reason=f"Proven and in date: {evidence}"
        + ("" if margin is None else f"; margin {margin:+.1%}")
        + ".",
        code="proven",
        next_action=f"Next: {coming.kind}, by {coming.governed_by}.",
        restriction="",
        evidence=evidence,
        grade=grade,
        margin_share=margin,
        required_m3_per_h=facts.capacity.required_m3_per_h,
        grounds=(),
        notes=tuple(notes),
    )


def _margin(facts: Facts) -> float | None:
    """The margin the verdict rests on: measured lower bound if there is one, else computed."""
    if facts.tests and facts.tests[0].measured:
        test = facts.tests[0]
        needed = _required_at(test, facts.capacity)
        if needed:
            least = lower_bound(test.flow_m3_per_h or 0.0, test.uncertainty_share or 0.0)
            return least / needed - 1.0
        return None
    return facts.capacity.margin_share
