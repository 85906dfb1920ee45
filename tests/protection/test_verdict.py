"""Every ground of the verdict: word, code, sentence, restriction, since; order; until."""

from dataclasses import replace
from datetime import date

import pytest

from tests.factories.protection import (
    POLICY,
    at,
    capacity,
    due_fact,
    facts,
    proof_fact,
    seen_fact,
)
from valvecare.protection.reads import facts as reads
from valvecare.protection.rules import (
    EventFact,
    Grade,
    PairFact,
    Passing,
    PassingFact,
    ReleaseFact,
    SisterFact,
    Word,
    judge,
)
from valvecare.protection.rules.facts import SEVERITY

KEEP = "Keep the pump above 27 m³/h."
LOW = "Do not rely on this valve at low load."
PROVE = "Prove it by a function test with the pump."
EVENT = EventFact("reverse rotation", at("2026-04-19"), date(2026, 4, 19), "180 rpm for 14 s.")
SISTER = SisterFact("NH-FW-1V", date(2026, 2, 10), "pin worn", ("crew A", "consecutive days"))
PAIR = PairFact("NH-DH-1P", 311.2, 0.3618)
RELEASE = ReleaseFact(date(2026, 6, 30), "load above 30 m³/h", "kit late", "anna", date(2026, 5, 1))
FAILED = proof_fact(flow=21.0, uncertainty_share=0.05, result="fail")
NO_FLOW = proof_fact(flow=None, method="with the pump, no flow measured")


def only(**given):
    """The verdict and its one ground."""
    found = judge(facts(**given), POLICY)
    assert len(found.grounds) == 1, [ground.code for ground in found.grounds]
    return found


def said(found):
    return found.word, found.code, found.since, found.restriction


def test_a_sound_valve_protects_until_its_first_due_item():
    found = judge(facts(), POLICY)
    assert found.word is Word.PROTECTS
    assert found.code == "proven"
    assert found.since == date(2025, 9, 23)
    assert (found.until_earliest, found.until, found.until_latest) == (
        date(2027, 2, 1),
        date(2027, 3, 1),
        date(2027, 4, 1),
    )
    assert found.margin_share == pytest.approx(30.0 * 0.98 / 27.0 - 1.0)
    assert found.grade is Grade.WITH_PUMP
    assert found.reason == (
        "Proven and in date: function test of 23 Sep 2025: pass, 30 m³/h ±2.0% (clamp-on meter); "
        "margin +8.9% (measured)."
    )
    assert found.next_action == "Strip-down, by run-hours."
    assert found.restriction == ""
    assert found.grounds == ()


def test_without_any_record_nothing_is_known():
    found = only(tests=(), has_record=False, missing_identity=("serial number",))
    assert said(found) == (Word.NOT_KNOWN, "no_record", None, KEEP)
    assert found.reason == (
        "Nothing to judge by: serial number not known, no inspection or test on record."
    )
    assert found.next_action.endswith("Treat the cover as spring-loaded: long rods and a clamp.")
    assert found.grade is Grade.POLICY


def test_an_unknown_identity_without_a_measured_proof_is_not_known():
    found = only(tests=(NO_FLOW,), missing_identity=("revision", "serial number"))
    assert said(found) == (Word.NOT_KNOWN, "identity_not_known", None, KEEP)
    assert "revision not known, serial number not known" in found.reason


def test_a_measured_proof_lifts_the_unknown_identity_but_not_the_caution():
    found = judge(facts(missing_identity=("serial number",)), POLICY)
    assert found.word is Word.PROTECTS
    assert found.notes == (
        "Not known: serial number. Take the spring as loaded; no kit can be reserved until the "
        "plate is read.",
    )


def test_without_a_required_flow_nothing_is_known():
    broken = capacity(
        required_m3_per_h=None, margin_share=None, refusals={"required flow": "no curve"}
    )
    found = only(capacity=broken, tests=(proof_fact(required_m3_per_h=None),))
    assert said(found) == (Word.NOT_KNOWN, "required_flow_not_known", None, LOW)
    assert found.reason == "The required minimum flow cannot be worked out: no curve."


def test_the_requirement_of_the_test_itself_still_shows_a_failure():
    broken = capacity(required_m3_per_h=None, margin_share=None)
    found = judge(facts(capacity=broken, tests=(FAILED,)), POLICY)
    assert [g.code for g in found.grounds] == ["test_failed", "required_flow_not_known"]


def test_heat_alone_never_proves_protection():
    found = only(capacity=capacity(stable_known=False))
    assert said(found) == (Word.NOT_KNOWN, "stable_flow_not_known", None, LOW)


def test_without_a_verdict_policy_nothing_is_called_protected():
    found = judge(facts(), None)
    assert (found.word, found.code) == (Word.NOT_KNOWN, "no_verdict_policy")
    assert judge(facts(tests=(FAILED,)), None).word is Word.DOES_NOT_PROTECT


def test_a_measured_failure_says_what_it_means_for_heat():
    found = only(tests=(replace(FAILED, restriction="load within 60 s after start"),))
    assert said(found) == (
        Word.DOES_NOT_PROTECT,
        "test_failed",
        date(2025, 9, 23),
        "Load within 60 s after start. For short holding it is safe against heat (19.95 m³/h at "
        "least against 14.75 m³/h).",
    )
    assert found.reason == (
        "The bypass passes too little: 21 m³/h ±5.0% measured on 23 Sep 2025, 27 m³/h needed."
    )


def test_a_failure_below_the_heat_limit_is_not_safe():
    found = only(tests=(replace(FAILED, flow_m3_per_h=15.0),))
    assert found.restriction == (
        f"{KEEP} For short holding it is NOT safe against heat (14.25 m³/h at least against "
        "14.75 m³/h)."
    )


def test_a_failure_without_a_flow_is_a_failure():
    found = only(tests=(replace(NO_FLOW, result="fail", words="no warm line"),))
    assert said(found) == (Word.DOES_NOT_PROTECT, "test_failed", date(2025, 9, 23), KEEP)
    assert found.reason == "The function test of 23 Sep 2025 failed. no warm line."


def test_a_failure_for_another_reason_than_its_flow_stays_one():
    found = only(tests=(replace(proof_fact(), result="fail", words="did not shut"),))
    assert found.word is Word.DOES_NOT_PROTECT


def test_a_band_across_the_requirement_cannot_decide():
    found = only(tests=(proof_fact(flow=27.2, uncertainty_share=0.05, result="undecided"),))
    assert said(found) == (Word.DOUBTFUL, "test_undecided", date(2025, 9, 23), KEEP)
    assert "the lower bound is 25.84 m³/h" in found.reason


def test_a_small_margin_is_doubtful():
    found = only(tests=(proof_fact(flow=28.5),))
    assert said(found) == (Word.DOUBTFUL, "margin_small", date(2025, 9, 23), "")
    assert "lower bound +3.4%, policy asks 5%" in found.reason


@pytest.mark.parametrize(
    ("case", "flow", "word"),
    [
        ("lower bound exactly at the policy", 27.0 * 1.05 / 0.98 * (1 + 1e-12), Word.PROTECTS),
        ("just below the policy", 27.0 * 1.05 / 0.98 * (1 - 1e-9), Word.DOUBTFUL),
        ("lower bound just below the requirement", 27.0 / 0.98 * (1 - 1e-9), Word.DOUBTFUL),
        ("upper bound exactly at the requirement", 27.0 / 1.02 * (1 + 1e-12), Word.DOUBTFUL),
        ("upper bound below the requirement", 27.0 / 1.02 * (1 - 1e-9), Word.DOES_NOT_PROTECT),
    ],
)
def test_the_boundaries_of_a_measured_flow(case, flow, word):
    assert judge(facts(tests=(proof_fact(flow=flow),)), POLICY).word is word


@pytest.mark.parametrize("result", ["undecided", "not able"])
def test_a_test_without_an_answer_is_doubtful(result):
    found = only(tests=(replace(NO_FLOW, result=result, words="meter lost signal"),))
    assert (found.word, found.code) == (Word.DOUBTFUL, "test_undecided")
    assert found.reason == f"The function test of 23 Sep 2025 was {result}. meter lost signal."


def test_a_bench_test_proves_the_valve_not_the_chain():
    found = only(tests=(proof_fact(flow=None, method="on the bench"),))
    assert said(found) == (Word.DOUBTFUL, "bench_only", date(2025, 9, 23), "")
    assert found.grade is Grade.BENCH


def test_only_dates_of_work_prove_nothing():
    found = only(tests=())
    assert said(found) == (Word.DOUBTFUL, "never_proven", None, "")
    assert found.next_action == PROVE


def test_opened_after_the_proof():
    found = only(inspections=(seen_fact("2026-03-01"),))
    assert said(found) == (Word.DOUBTFUL, "opened_after_proof", date(2026, 3, 1), KEEP)
    assert found.reason == "Opened on 1 Mar 2026 and not proven since."


def test_opened_and_proven_the_same_moment_is_proven():
    assert judge(facts(inspections=(seen_fact("2025-09-23"),)), POLICY).word is Word.PROTECTS


def test_found_failed_and_not_proven_since():
    opened = seen_fact("2026-03-01", "failed", mode="FTC", words="ring swollen")
    found = judge(facts(inspections=(opened,)), POLICY)
    assert [g.code for g in found.grounds] == ["found_failed", "opened_after_proof"]
    assert said(found) == (Word.DOES_NOT_PROTECT, "found_failed", date(2026, 3, 1), KEEP)
    assert found.reason == "Found failed on 1 Mar 2026: ring swollen."


def test_found_failed_and_proven_later_is_over():
    opened = seen_fact("2025-09-01", "failed", mode="FTC", words="ring swollen")
    assert judge(facts(inspections=(opened,)), POLICY).word is Word.PROTECTS


def test_a_counter_that_stands_ages_nothing():
    found = only(standing_counters=("P.HOURS: Stands still: 1144 h for 5 days",))
    assert said(found) == (Word.DOUBTFUL, "counter_stands", None, "")
    assert "P.HOURS: Stands still" in found.reason


NO_ANSWER = replace(NO_FLOW, id=2, done_at=at("2026-04-01"), done_on=date(2026, 4, 1))


@pytest.mark.parametrize("result", ["undecided", "not able"])
@pytest.mark.parametrize("failed", [FAILED, replace(NO_FLOW, result="fail")], ids=["flow", "words"])
def test_a_test_without_an_answer_takes_no_failure_back(result, failed):
    found = judge(facts(tests=(replace(NO_ANSWER, result=result), failed)), POLICY)
    assert [g.code for g in found.grounds] == ["test_failed", "test_undecided"]
    assert (found.word, found.since) == (Word.DOES_NOT_PROTECT, date(2025, 9, 23))


def test_a_failure_is_answered_by_a_later_pass_or_an_opening():
    newest = replace(NO_ANSWER, result="not able")
    passed = proof_fact("2026-01-10")
    answered = judge(facts(tests=(newest, passed, FAILED)), POLICY)
    assert [g.code for g in answered.grounds] == ["test_undecided"]
    opened = seen_fact("2026-01-10")
    repaired = judge(facts(tests=(newest, FAILED), inspections=(opened,)), POLICY)
    assert [g.code for g in repaired.grounds] == ["test_undecided"]


@pytest.mark.parametrize(
    ("case", "later"),
    [
        ("a test without an answer", {"tests": (replace(NO_ANSWER, result="not able"),)}),
        ("a look at one part", {"inspections": (seen_fact("2026-04-01", kind="corrective"),)}),
        (
            "the bypass alone",
            {"inspections": (seen_fact("2026-04-01", kind="bypass-only inspection"),)},
        ),
    ],
)
def test_found_failed_stays_until_it_is_answered(case, later):
    opened = seen_fact("2026-03-01", "failed", words="ring swollen")
    given = {"tests": (proof_fact(),), **later}
    given["inspections"] = (*later.get("inspections", ()), opened)
    found = judge(facts(**given), POLICY)
    assert (found.word, found.code) == (Word.DOES_NOT_PROTECT, "found_failed"), case
    assert found.since == date(2026, 3, 1)


def test_a_later_full_opening_is_newer_than_what_was_found_before():
    seen = (seen_fact("2026-04-01"), seen_fact("2026-03-01", "failed", words="ring swollen"))
    assert only(inspections=seen).code == "opened_after_proof"


def test_a_passed_date_that_no_reading_confirms_is_not_protected():
    """Silent run-hours: the likely date has passed, the share used stands still below the limit."""
    silent = due_fact(state="coming up", share_used=0.81, likely_on=date(2026, 4, 30))
    found = only(due=(silent,))
    assert said(found) == (Word.DOUBTFUL, "limit_not_confirmed", date(2026, 4, 30), "")
    assert found.reason == (
        "The strip-down was likely due on 30 Apr 2026 by run-hours, and no reading since tells "
        "whether it is."
    )
    assert judge(facts(due=(due_fact(state="coming up"),)), POLICY).word is Word.PROTECTS


CHANGED = {"hydraulics_changed_on": date(2025, 3, 11), "hydraulics_change": "impeller trimmed"}


def test_after_a_change_a_computed_flow_is_not_a_measured_one():
    found = only(tests=(proof_fact("2022-11-08"),), **CHANGED)
    assert said(found) == (Word.DOUBTFUL, "computed_only_after_change", date(2025, 3, 11), "")
    assert found.reason == (
        "Since 11 Mar 2025 (impeller trimmed) the bypass is computed, not measured. Computed "
        "margin +11.1%."
    )


def test_a_flow_measured_after_the_change_counts():
    assert judge(facts(**CHANGED), POLICY).word is Word.PROTECTS


def test_a_change_that_makes_the_bypass_too_small_is_no_longer_only_doubtful():
    small = capacity(computed_m3_per_h=24.3, margin_share=-0.1)
    found = judge(facts(tests=(proof_fact("2022-11-08"),), capacity=small, **CHANGED), POLICY)
    assert [g.code for g in found.grounds] == ["capacity_too_small", "computed_only_after_change"]
    assert said(found) == (Word.DOES_NOT_PROTECT, "capacity_too_small", date(2025, 3, 11), KEEP)


def test_an_unmeasured_proof_rests_on_the_computed_margin():
    found = judge(facts(tests=(NO_FLOW,)), POLICY)
    assert found.word is Word.PROTECTS
    assert found.margin_share == pytest.approx(30.0 / 27.0 - 1.0)
    assert "margin +11.1% (computed)" in found.reason
    small = only(
        tests=(NO_FLOW,), capacity=capacity(computed_m3_per_h=28.0, margin_share=28 / 27 - 1)
    )
    assert (small.word, small.code) == (Word.DOUBTFUL, "margin_small")


def test_an_unmeasured_and_incomputable_capacity_is_doubtful():
    unknown = capacity(
        computed_m3_per_h=None, margin_share=None, refusals={"computed bypass flow": "no Kv"}
    )
    found = only(tests=(NO_FLOW,), capacity=unknown)
    assert (found.word, found.code) == (Word.DOUBTFUL, "capacity_not_known")
    assert found.reason.endswith("no Kv.")


def test_evidence_without_a_limit_never_ages():
    found = only(due=())
    assert said(found) == (Word.DOUBTFUL, "no_policy", None, "")


def test_reached_is_overdue():
    late = due_fact(state="overdue", share_used=1.43, governed_by="calendar")
    found = only(due=(late,))
    assert said(found) == (Word.DOUBTFUL, "overdue", date(2027, 3, 1), "")
    assert found.reason == "The strip-down is overdue by calendar (1.43 of the limit)."
    assert found.next_action == "Plan the strip-down."
    assert found.until is None


def test_a_task_without_a_record_is_doubtful():
    found = only(due=(due_fact(), due_fact("function test", state="no record", share_used=None)))
    assert (found.word, found.code) == (Word.DOUBTFUL, "no_record_of_task")


def test_an_event_puts_the_closing_in_doubt():
    found = only(events=(EVENT,))
    assert said(found) == (
        Word.DOUBTFUL,
        "closing_in_doubt",
        date(2026, 4, 19),
        "No restart until zero speed is seen.",
    )
    assert found.reason == (
        "Closing in doubt since 19 Apr 2026: reverse rotation. 180 rpm for 14 s."
    )


def test_a_failed_sister_counts():
    found = only(sisters=(SISTER,))
    assert said(found) == (Word.DOUBTFUL, "sister_failed", date(2026, 2, 10), "")
    assert found.reason == (
        "Sister NH-FW-1V failed on 10 Feb 2026: pin worn. Shared: crew A, consecutive days."
    )
    assert found.next_action.endswith("not in the same shift as its sisters.")


def test_a_pump_pushed_shut_must_be_measured():
    found = only(tests=(NO_FLOW,), pair=PAIR)
    assert said(found) == (
        Word.DOUBTFUL,
        "pushed_shut_by_stronger",
        None,
        "Do not run both pumps with NH-DH-1P below 311.2 m³/h.",
    )
    assert "(36% of its best flow)" in found.reason
    assert judge(facts(pair=PAIR), POLICY).word is Word.PROTECTS


def test_a_release_in_force_adds_its_restriction():
    found = only(release=RELEASE)
    assert said(found) == (
        Word.DOUBTFUL,
        "released_provisionally",
        date(2026, 5, 1),
        "Load above 30 m³/h.",
    )
    assert "until 30 Jun 2026, signed by anna: Kit late." in found.reason


def test_a_release_holds_through_its_last_day_and_then_ends():
    last = only(release=replace(RELEASE, until=date(2026, 5, 4)))
    assert last.code == "released_provisionally"
    ended = only(release=replace(RELEASE, until=date(2026, 5, 3)))
    assert said(ended) == (Word.DOUBTFUL, "release_ended", date(2026, 5, 3), KEEP)


def test_passing_is_a_cost_and_a_frozen_reading_is_only_said():
    leak = PassingFact(Passing.PASSES, "at least 84 kg/h.", "About 3 m³/h.")
    found = judge(facts(passing=leak, rejected_readings=("X.LINE_T: frozen for 9 days",)), POLICY)
    assert found.word is Word.PROTECTS
    assert found.notes == (
        "Reading not used: X.LINE_T: frozen for 9 days.",
        "Passing is a cost, not a loss of protection: at least 84 kg/h. About 3 m³/h.",
    )
    for result in (Passing.TIGHT, Passing.NOT_JUDGED):
        assert judge(facts(passing=replace(leak, result=result)), POLICY).notes == ()


def test_severity_is_worst_last_and_not_known_is_worse_than_doubtful():
    assert sorted(Word, key=SEVERITY.__getitem__) == [
        Word.PROTECTS,
        Word.DOUBTFUL,
        Word.NOT_KNOWN,
        Word.DOES_NOT_PROTECT,
    ]


def test_the_worst_word_governs_all_grounds_are_kept_and_all_restrictions_hold():
    found = judge(
        facts(
            tests=(FAILED,),
            capacity=capacity(stable_known=False),
            events=(EVENT,),
            sisters=(SISTER,),
            due=(due_fact(state="overdue", share_used=1.2),),
            release=RELEASE,
        ),
        POLICY,
    )
    assert [(g.word, g.code) for g in found.grounds] == [
        (Word.DOES_NOT_PROTECT, "test_failed"),
        (Word.NOT_KNOWN, "stable_flow_not_known"),
        (Word.DOUBTFUL, "released_provisionally"),
        (Word.DOUBTFUL, "closing_in_doubt"),
        (Word.DOUBTFUL, "sister_failed"),
        (Word.DOUBTFUL, "overdue"),
    ]
    for part in (LOW, "Load above 30 m³/h.", "No restart until zero speed is seen."):
        assert found.restriction.count(part) == 1
    assert found.word is Word.DOES_NOT_PROTECT


def test_the_latest_test_decides_not_the_best():
    newer = replace(FAILED, done_at=at("2026-01-10"), done_on=date(2026, 1, 10))
    assert judge(facts(tests=(newer, proof_fact())), POLICY).word is Word.DOES_NOT_PROTECT
    older = replace(FAILED, done_at=at("2025-01-10"), done_on=date(2025, 1, 10))
    assert judge(facts(tests=(proof_fact(), older)), POLICY).word is Word.PROTECTS


def test_until_is_the_first_of_all_due_items_and_unknown_bounds_stay_unknown():
    first = due_fact("function test", likely_on=date(2026, 9, 23), earliest_on=None, latest_on=None)
    found = judge(facts(due=(due_fact(), first)), POLICY)
    assert (found.until_earliest, found.until, found.until_latest) == (
        None,
        date(2026, 9, 23),
        date(2027, 4, 1),
    )
    assert found.next_action == "Function test, by run-hours."


def test_without_any_date_until_is_not_known():
    undated = due_fact(due_on=None, likely_on=None, earliest_on=None, latest_on=None)
    found = judge(facts(due=(undated,)), POLICY)
    assert found.word is Word.PROTECTS
    assert (found.until, found.until_earliest, found.until_latest) == (None, None, None)


@pytest.mark.parametrize(("flow", "share"), [(27.6, 0.02), (28.0, 0.10)])
def test_a_test_that_failed_for_its_closing_is_no_matter_of_margin(flow, share):
    failed = proof_fact(flow=flow, uncertainty_share=share, result="fail")
    assert judge(facts(tests=[failed]), POLICY).word is Word.DOES_NOT_PROTECT


def test_a_cover_let_go_takes_no_failure_back_before_somebody_has_graded():
    failed = seen_fact("2026-03-01", as_found="failed")
    opened = seen_fact("2026-04-01", as_found="not graded")
    graded = seen_fact("2026-04-01", as_found="sound")
    assert judge(facts(inspections=[opened, failed]), POLICY).word is Word.DOES_NOT_PROTECT
    assert judge(facts(inspections=[graded, failed]), POLICY).word is Word.DOUBTFUL


def test_a_failure_goes_with_the_valve_also_behind_a_test_without_an_answer():
    failed = proof_fact("2026-01-01", flow=20.0, result="fail")
    undecided = proof_fact("2026-02-01", flow=None, result="undecided")
    assert reads.tests_here([undecided, failed], at("2026-03-01")) == [failed]


@pytest.mark.parametrize("given", [{"kind": "bypass-only inspection"}, {"as_found": "not graded"}])
def test_no_test_without_an_answer_makes_a_half_opened_valve_better(given):
    seen = seen_fact("2026-01-10", **given)
    undecided = replace(NO_ANSWER, result="not able")
    worse = judge(facts(tests=(FAILED,), inspections=(seen,)), POLICY)
    asked = judge(facts(tests=(undecided, FAILED), inspections=(seen,)), POLICY)
    assert worse.word is asked.word is Word.DOES_NOT_PROTECT
