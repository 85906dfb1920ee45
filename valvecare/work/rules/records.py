"""What a finding, an as-found record and a function test must say."""

from datetime import datetime

from valvecare.core.errors import Reason
from valvecare.work.rules.facts import OrderFacts
from valvecare.work.rules.steps import GATES, NEEDS_PROOF, OPENS_THE_VALVE
from valvecare.work.rules.words import (
    CAUSES,
    DETECTIONS,
    FAILURE_MODES,
    GRADE_WORDS,
    MECHANISMS,
    AsFound,
    FindingGrade,
    GateKind,
    PartDecision,
)


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


def why_not_codes(
    grade: AsFound | None, *, mode: str, mechanism: str, cause: str, detection: str
) -> Reason | None:
    """Codes come from the closed lists; a failure has mode and cause."""
    for name, code, known in (
        ("mode", mode, FAILURE_MODES),
        ("mechanism", mechanism, MECHANISMS),
        ("cause", cause, CAUSES),
        ("detection", detection, DETECTIONS),
    ):
        if code and code not in known:
            return Reason(
                "unknown_code",
                f"{code} is not a known {name} code.",
                f"One of: {', '.join(f'{key} {words}' for key, words in known.items())}.",
                {"field": name},
            )
    if grade is AsFound.FAILED and not (mode and cause):
        return Reason(
            "failure_without_mode",
            "A failure needs its mode and its cause.",
            "Give both, or grade the valve otherwise for now.",
        )
    return None
