"""What each rule has to say about a valve. A rule that is content says nothing.

Each function looks at one kind of evidence and leaves a `Ground` with a word, a stable code, one
sentence and what follows from it. `verdict.judge` calls them in order and lets the worst govern.
"""

from datetime import date
from typing import Any

from valvecare.protection.rules.capacity import Capacity
from valvecare.protection.rules.facts import (
    Facts,
    Grade,
    Ground,
    InspectionFact,
    Policy,
    TestFact,
    Word,
)
from valvecare.protection.rules.proof import ProofMethod, ProofResult

NOT_AT_LOW_LOAD = "Do not rely on this valve at low load."
UNDECIDED = "test_undecided"


def flow_words(value: float) -> str:
    """A flow as people read it, never rounded so far that a margin disappears."""
    return f"{value:,.0f} m³/h" if value >= 1000 else f"{value:.4g} m³/h"


def day_words(value: date) -> str:
    return f"{value.day} {value:%b %Y}"


def lower_bound(flow_m3_per_h: float, uncertainty_share: float) -> float:
    """The measured flow less its expanded uncertainty: the worst case of the band decides."""
    return flow_m3_per_h * (1.0 - uncertainty_share)


def required_at(test: TestFact, capacity: Capacity) -> float | None:
    """Today's requirement decides; the one written in the test only when today's is unknown."""
    if capacity.required_m3_per_h is not None:
        return capacity.required_m3_per_h
    return test.required_m3_per_h


def keep_above(capacity: Capacity) -> str:
    """The restriction that replaces a bypass nobody may rely on."""
    if capacity.required_m3_per_h is None or not capacity.stable_known:
        return NOT_AT_LOW_LOAD
    return f"Keep the pump above {flow_words(capacity.required_m3_per_h)}."


def sentence(text: str) -> str:
    """Words of a person as a sentence: a capital first, a full stop at its end."""
    return closed(text[:1].upper() + text[1:])


def closed(text: str) -> str:
    """The text with a full stop at its end."""
    return text if not text or text[-1] in ".!" else f"{text}."


def measured_since_change(facts: Facts) -> TestFact | None:
    """The newest measured flow that still speaks for the pump as it is now."""
    changed = facts.hydraulics_changed_on
    return next(
        (
            test
            for test in facts.tests
            if test.measured and (changed is None or test.done_on >= changed)
        ),
        None,
    )


def not_known(facts: Facts) -> list[Ground]:
    """Without a record, an identity, a requirement or a stable limit nothing can be judged."""
    found = []
    keep = keep_above(facts.capacity)
    latest = facts.tests[0] if facts.tests else None
    proven = latest is not None and latest.measured and latest.result == ProofResult.PASS
    treat = "Treat the cover as spring-loaded: long rods and a clamp."
    missing = ", ".join(f"{name} not known" for name in facts.missing_identity)
    if not facts.has_record:
        told = ", ".join(filter(None, (missing, "no inspection or test on record")))
        found.append(
            Ground(
                Word.NOT_KNOWN,
                "no_record",
                f"Nothing to judge by: {told}.",
                next_action="Prove it by a function test; measure and photograph the valve. "
                + treat,
                restriction=keep,
            )
        )
    elif missing and not proven:
        found.append(
            Ground(
                Word.NOT_KNOWN,
                "identity_not_known",
                f"Which valve this is cannot be said: {missing}; no measured flow proves it.",
                next_action=f"Prove it by a function test; read or stamp its identity. {treat}",
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
                + closed(capacity.refusals.get("required flow", "inputs are missing")),
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
                restriction=NOT_AT_LOW_LOAD,
                numbers={"thermal_min_m3_per_h": capacity.thermal_min_m3_per_h},
            )
        )
    return found


def no_policy_of_verdicts(policy: Policy | None) -> list[Ground]:
    """Without the owner's limits nothing may be called protected."""
    if policy is not None:
        return []
    return [
        Ground(
            Word.NOT_KNOWN,
            "no_verdict_policy",
            "No verdict policy is set: the margin the owner asks for is not known.",
            next_action="Set a verdict policy with its margin, uncertainties, source and owner.",
        )
    ]


def _failed_restriction(test: TestFact, capacity: Capacity) -> str:
    heat = capacity.thermal_min_m3_per_h
    text = sentence(test.restriction or keep_above(capacity))
    if test.measured and heat is not None:
        least = lower_bound(test.flow_m3_per_h or 0.0, test.uncertainty_share or 0.0)
        safe = "safe against heat" if least >= heat else "NOT safe against heat"
        text += (
            f" For short holding it is {safe} ({flow_words(least)} at least against "
            f"{flow_words(heat)})."
        )
    return text


def _measured(test: TestFact, capacity: Capacity, margin_asked: float) -> Ground | None:
    """The measured band against the requirement: below, across, above by too little."""
    needed = required_at(test, capacity)
    if needed is None:
        return None  # said by the requirement that is not known
    flow, share = test.flow_m3_per_h or 0.0, test.uncertainty_share or 0.0
    least, most = lower_bound(flow, share), flow * (1.0 + share)
    margin = least / needed - 1.0
    numbers = {
        "test": test.id,
        "flow_m3_per_h": flow,
        "uncertainty_share": share,
        "lower_m3_per_h": least,
        "upper_m3_per_h": most,
        "required_m3_per_h": needed,
        "margin_share": margin,
        "margin_asked_share": margin_asked,
    }
    told = (
        f"{flow_words(flow)} ±{share:.1%} measured on {day_words(test.done_on)}, "
        f"{flow_words(needed)} needed"
    )
    if most < needed:
        return Ground(
            Word.DOES_NOT_PROTECT,
            "test_failed",
            f"The bypass passes too little: {told}.",
            since=test.done_on,
            next_action="Open the valve, restore the bypass and prove it with the pump.",
            restriction=_failed_restriction(test, capacity),
            numbers=numbers,
        )
    if margin < 0.0:
        return Ground(
            Word.DOUBTFUL,
            UNDECIDED,
            f"The test cannot decide: {told}; the lower bound is {flow_words(least)}.",
            since=test.done_on,
            next_action="Repeat the function test with a better method.",
            restriction=keep_above(capacity),
            numbers=numbers,
        )
    if margin < margin_asked:
        return Ground(
            Word.DOUBTFUL,
            "margin_small",
            f"The margin is small: {told}; lower bound {margin:+.1%}, policy asks "
            f"{margin_asked:.0%}.",
            since=test.done_on,
            next_action="Watch the trend; plan the bypass trim.",
            numbers=numbers,
        )
    return None


def by_test(facts: Facts, margin_asked: float) -> list[Ground]:
    """What the latest function test shows. A test cannot be outvoted by an older one.

    One that could not decide takes nothing back: a failure shown before it stands until the valve
    passes a test, or is opened in full and found sound or repaired.
    """
    if not facts.tests:
        return []
    found = _of_test(facts.tests[0], facts.capacity, margin_asked)
    if found is None:
        return []
    if found.code == UNDECIDED:
        standing = _standing_failure(facts, margin_asked)
        if standing is not None:
            return [standing, found]
    return [found]


def _standing_failure(facts: Facts, margin_asked: float) -> Ground | None:
    """The failure that tests without an answer have left standing, if there is one."""
    seen = (one for one in facts.inspections if one.is_full and one.is_graded and not one.failed)
    opened = max((one.done_at for one in seen), default=None)
    for test in facts.tests[1:]:
        if opened is not None and opened > test.done_at:
            return None
        found = _of_test(test, facts.capacity, margin_asked)
        if found is None or found.code != UNDECIDED:
            return found if found and found.word is Word.DOES_NOT_PROTECT else None
    return None


def _of_test(test: TestFact, capacity: Capacity, margin_asked: float) -> Ground | None:
    if test.result == ProofResult.FAIL and not test.measured:
        return _failed(test, capacity)
    if test.measured:
        ground = _measured(test, capacity, margin_asked)
        is_failed = test.result == ProofResult.FAIL
        if ground is not None and (not is_failed or ground.word is Word.DOES_NOT_PROTECT):
            return ground
        if is_failed:  # for another reason than its flow
            return _failed(test, capacity)
    if test.result in (ProofResult.UNDECIDED, ProofResult.NOT_ABLE):
        return Ground(
            Word.DOUBTFUL,
            UNDECIDED,
            sentence(
                f"The function test of {day_words(test.done_on)} was {test.result}. "
                f"{test.words}".strip()
            ),
            since=test.done_on,
            next_action="Repeat the function test with a better method.",
            restriction=sentence(test.restriction),
            numbers={"test": test.id, "result": test.result},
        )
    if ProofMethod(test.method) is ProofMethod.BENCH:
        return Ground(
            Word.DOUBTFUL,
            "bench_only",
            f"Proven on the bench only ({day_words(test.done_on)}): pump, return line and "
            "vessel took no part.",
            since=test.done_on,
            next_action="Prove it by a function test with the pump.",
            restriction=sentence(test.restriction),
            numbers={"test": test.id},
        )
    return None


def _failed(test: TestFact, capacity: Capacity) -> Ground:
    return Ground(
        Word.DOES_NOT_PROTECT,
        "test_failed",
        sentence(f"The function test of {day_words(test.done_on)} failed. {test.words}".strip()),
        since=test.done_on,
        next_action="Open the valve, restore it and prove it with the pump.",
        restriction=_failed_restriction(test, capacity),
        numbers={"test": test.id, "result": test.result},
    )


def _unanswered_failure(facts: Facts) -> InspectionFact | None:
    """The newest failure found inside that no passed test and no later full opening answers."""
    passed = [test.done_at for test in facts.tests if test.result == ProofResult.PASS]
    for seen in facts.inspections:
        if passed and max(passed) >= seen.done_at:
            return None
        if seen.failed:
            return seen
        if seen.is_full and seen.is_graded:
            return None
    return None


def proof(facts: Facts) -> list[Ground]:
    """Is there a proof at all, and was the valve or the pump changed after it?"""
    found: list[Ground] = []
    opened = facts.inspections[0] if facts.inspections else None
    latest = facts.tests[0] if facts.tests else None
    overtaken = opened is not None and latest is not None and opened.done_at > latest.done_at
    failure = _unanswered_failure(facts)
    if failure is not None:
        found.append(
            Ground(
                Word.DOES_NOT_PROTECT,
                "found_failed",
                sentence(
                    f"Found failed on {day_words(failure.done_on)}: "
                    f"{failure.words or failure.mode or 'no words'}"
                ),
                since=failure.done_on,
                next_action="Restore it and prove it with the pump.",
                restriction=keep_above(facts.capacity),
            )
        )
    if facts.placed_on is not None and (latest is None or latest.done_on < facts.placed_on):
        found.append(
            Ground(
                Word.DOUBTFUL,
                "not_proven_here",
                f"Stands at {facts.pump} since {day_words(facts.placed_on)} and has not been "
                "proven there.",
                since=facts.placed_on,
                next_action="Prove it by a function test with the pump.",
                restriction=keep_above(facts.capacity),
            )
        )
    elif facts.has_record and latest is None:
        found.append(
            Ground(
                Word.DOUBTFUL,
                "never_proven",
                "No function test is on record; only dates of earlier work are.",
                since=opened.done_on if opened else None,
                next_action="Prove it by a function test with the pump.",
            )
        )
    if opened is not None and overtaken:
        found.append(
            Ground(
                Word.DOUBTFUL,
                "opened_after_proof",
                f"Opened on {day_words(opened.done_on)} and not proven since.",
                since=opened.done_on,
                next_action="Prove it by a function test with the pump.",
                restriction=keep_above(facts.capacity),
            )
        )
    changed = facts.hydraulics_changed_on
    if changed is not None and measured_since_change(facts) is None:
        margin = facts.capacity.margin_share
        told = "" if margin is None else f" Computed margin {margin:+.1%}."
        what = facts.hydraulics_change or "pump or return line changed"
        found.append(
            Ground(
                Word.DOUBTFUL,
                "computed_only_after_change",
                f"Since {day_words(changed)} ({what}) the bypass is computed, not measured.{told}",
                since=changed,
                next_action="Measure the bypass flow in a function test.",
                numbers={"margin_share": margin},
            )
        )
    return found


def released(facts: Facts) -> list[Ground]:
    """A provisional release in force adds its restriction; an ended one is said."""
    release = facts.release
    if release is None:
        return []
    if release.until >= facts.as_of_on:
        return [
            Ground(
                Word.DOUBTFUL,
                "released_provisionally",
                f"Runs unproven by a provisional release until {day_words(release.until)}, signed "
                f"by {release.signed_by}: {sentence(release.words)}",
                since=release.signed_on,
                next_action="Prove it by a function test with the pump before the release ends.",
                restriction=sentence(release.restriction),
                numbers={"until": release.until.isoformat()},
            )
        ]
    return [
        Ground(
            Word.DOUBTFUL,
            "release_ended",
            f"The provisional release ended on {day_words(release.until)} and nothing has been "
            "proven since.",
            since=release.until,
            next_action="Prove it by a function test with the pump, or take the pump out of use.",
            restriction=keep_above(facts.capacity),
        )
    ]


def computed(facts: Facts, margin_asked: float) -> list[Ground]:
    """Without a measured flow that still counts, the computed one must reach the requirement."""
    capacity = facts.capacity
    needed, passed, margin = (
        capacity.required_m3_per_h,
        capacity.computed_m3_per_h,
        capacity.margin_share,
    )
    counts = bool(facts.tests) and measured_since_change(facts) is facts.tests[0]
    if counts or needed is None:
        return []
    if passed is None or margin is None:
        return [
            Ground(
                Word.DOUBTFUL,
                "capacity_not_known",
                "The bypass flow was not measured and cannot be computed: "
                + closed(capacity.refusals.get("computed bypass flow", "inputs are missing")),
                next_action="Measure the bypass flow, or complete the record.",
            )
        ]
    numbers: dict[str, Any] = {
        "computed_m3_per_h": passed,
        "required_m3_per_h": needed,
        "margin_share": margin,
        "margin_asked_share": margin_asked,
    }
    told = f"{flow_words(passed)} computed against {flow_words(needed)} needed ({margin:+.1%})"
    if margin < 0.0:
        return [
            Ground(
                Word.DOES_NOT_PROTECT,
                "capacity_too_small",
                f"Even a sound bypass passes too little: {told}.",
                since=facts.hydraulics_changed_on,
                next_action="Change trim, return line or pump; measure the bypass flow.",
                restriction=keep_above(capacity),
                numbers=numbers,
            )
        ]
    if margin < margin_asked:
        return [
            Ground(
                Word.DOUBTFUL,
                "margin_small",
                f"The margin is small: {told}; policy asks {margin_asked:.0%}.",
                next_action="Measure the bypass flow in a function test.",
                numbers=numbers,
            )
        ]
    return []


def aged(facts: Facts) -> list[Ground]:
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
    found = [
        Ground(
            Word.DOUBTFUL,
            "counter_stands",
            f"A counter stands while the pump runs, so nobody knows how old the evidence is: "
            f"{sentence(words)}",
            next_action="Repair the counter and declare what it missed as a changed meter.",
        )
        for words in facts.standing_counters
    ]
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
        elif item.likely_on is not None and item.likely_on <= facts.as_of_on:
            found.append(
                Ground(
                    Word.DOUBTFUL,
                    "limit_not_confirmed",
                    f"The {item.kind} was likely due on {day_words(item.likely_on)} by "
                    f"{item.governed_by}, and no reading since tells whether it is.",
                    since=item.likely_on,
                    next_action=f"Read the counter, or plan the {item.kind}.",
                    numbers={"share_used": item.share_used, "kind": item.kind},
                )
            )
    return found


def events(facts: Facts) -> list[Ground]:
    """Reverse rotation and water hammer put the closing in doubt until it is proven again."""
    return [
        Ground(
            Word.DOUBTFUL,
            "closing_in_doubt",
            f"Closing in doubt since {day_words(event.on)}: {event.kind}. {event.words}".strip(),
            since=event.on,
            next_action="Prove the closing: stop test, or open the valve in the next window.",
            restriction="No restart until zero speed is seen.",
            numbers={"kind": event.kind},
        )
        for event in facts.events
    ]


def sisters(facts: Facts) -> list[Ground]:
    """A failure at a sister counts for this valve until it is proven or looked into."""
    found = []
    for sister in facts.sisters:
        shared = f" Shared: {', '.join(sister.shared)}." if sister.shared else ""
        found.append(
            Ground(
                Word.DOUBTFUL,
                "sister_failed",
                f"Sister {sister.valve} failed on {day_words(sister.failed_on)}: "
                f"{sister.words.rstrip('. ')}.{shared}",
                since=sister.failed_on,
                next_action="Inspect or prove this valve; not in the same shift as its sisters.",
                numbers={"sister": sister.valve},
            )
        )
    return found


def pair(facts: Facts) -> list[Ground]:
    """A pump pushed shut by a stronger one lives on its bypass alone: it must be measured."""
    if facts.pair is None or measured_since_change(facts) is not None:
        return []
    limit = flow_words(facts.pair.limit_m3_per_h)
    return [
        Ground(
            Word.DOUBTFUL,
            "pushed_shut_by_stronger",
            f"{facts.pair.stronger} pushes this pump shut while it runs below {limit} "
            f"({facts.pair.share_of_best_flow:.0%} of its best flow); this bypass alone then "
            "protects the pump and must be proven by a measured flow.",
            next_action="Measure the bypass flow in a function test with both pumps (T6).",
            restriction=f"Do not run both pumps with {facts.pair.stronger} below {limit}.",
            numbers={
                "stronger": facts.pair.stronger,
                "limit_m3_per_h": facts.pair.limit_m3_per_h,
                "share_of_best_flow": facts.pair.share_of_best_flow,
            },
        )
    ]


def evidence(facts: Facts) -> tuple[str, Grade, date | None]:
    """The best standing proof in words, its grade and its day."""
    if facts.tests:
        test = facts.tests[0]
        told = f"function test of {day_words(test.done_on)}: {test.result}"
        if test.measured and test.flow_m3_per_h is not None:
            how = "method " if test.method == ProofMethod.NOT_RECORDED else ""
            told += (
                f", {flow_words(test.flow_m3_per_h)} ±{test.uncertainty_share:.1%} "
                f"({how}{test.method})"
            )
        return told, test.grade, test.done_on
    if facts.inspections:
        seen = facts.inspections[0]
        return f"{seen.kind} of {day_words(seen.done_on)}", Grade.SEEN_INSIDE, seen.done_on
    return "none on record", Grade.POLICY, None
