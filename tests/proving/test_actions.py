"""Begin, read, answer, finish: it works, every refusal with its reason and nothing changed."""

from datetime import date, timedelta

import pytest

from tests.factories.protection import verdict_policy
from tests.factories.proving import GAUGES, LIMITS, LINE_UP, METER, Guided, one, passing
from tests.factories.register import ProtectionValveFactory, PumpFactory, SiteFactory, member
from tests.factories.work import GaugeFactory
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.core.signing import FreshCredential
from valvecare.models import (
    Event,
    FunctionTest,
    Gauge,
    ProvisionalRelease,
    StepAnswer,
    TestPolicy,
    TestReading,
    TestRun,
    Verdict,
)
from valvecare.protection.reads.fleet import fleet_of
from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.protection.rules.capacity import capacity_of
from valvecare.proving.actions import answer_step, begin_test, finish_test, record_readings
from valvecare.proving.reads import limits_for, run_card
from valvecare.proving.rules import AbortLimit, LineUp, Vessel
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.reads.signed import verify_signature
from valvecare.work.rules.test_steps import Watched

pytestmark = pytest.mark.django_db


@pytest.fixture
def job():
    verdict_policy()
    return Guided.new()


def refused(caught):
    return [reason.code for reason in caught.value.reasons]


# ---- begin


def test_a_run_keeps_what_it_began_with(job):
    version = job.order.version
    run = job.begin().run
    assert (run.method, run.instruments) == (METER, list(GAUGES))
    assert run.limits["required_m3_per_h"] == 27.0
    assert run.limits["weaker_required_m3_per_h"] == 27.0
    assert run.not_applicable == {"T7": "no warm-keeping line"}
    assert [row["method"] for row in run.methods][:3] == [METER, "energy balance", "clamp-on meter"]
    assert job.order.version == version + 1
    TestPolicy.objects.update(probability=0.6)
    assert TestRun.objects.get().limits["probability"] == 0.975
    kinds = set(Event.objects.values_list("type", flat=True))
    assert {"test_run.begun", "work_order.test_begun"} <= kinds


def test_a_single_pump_has_no_pair_and_a_warm_line_has_its_step():
    job = Guided.new(installed=1)
    line_up = LineUp(True, True, True, True, "single pump", True)
    assert job.begin(line_up=line_up).run.not_applicable == {"T6": "single pump"}


NOT_BEGUN = [
    ("unknown method", {"method": "guessing"}, "method_unknown"),
    ("circular", {"method": "Kv and pressure drop"}, "method_not_able"),
    ("from the curve", {"method": "head on the curve"}, "method_not_able"),
    ("no level data", {"method": "vessel level"}, "method_not_able"),
    ("worse without words", {"method": "clamp-on meter"}, "method_not_best"),
    ("no meter taken along", {"instruments": ["TH-01"]}, "instruments_missing"),
    ("gauge nobody knows", {"instruments": ["XX-99"]}, "gauge_unknown"),
    ("no abort limits", {"abort_limits": {}}, "abort_limits_not_agreed"),
    (
        "one neither limited nor explained",
        {"abort_limits": {**LIMITS, Watched.NOISE: AbortLimit(None)}},
        "abort_limits_not_agreed",
    ),
    (
        "limit of zero",
        {"abort_limits": {**LIMITS, Watched.VIBRATION: AbortLimit(0.0)}},
        "abort_limit_odd",
    ),
    (
        "return line not sealed open",
        {"line_up": LineUp(True, True, False, True, "stopped", False)},
        "line_up_open",
    ),
    (
        "parallel pump not decided",
        {"line_up": LineUp(True, True, True, True, " ", False)},
        "line_up_open",
    ),
]


def test_nothing_begins_without_what_a_test_needs(job):
    version = job.order.version
    for case, given, code in NOT_BEGUN:
        with pytest.raises(Refused) as caught:
            job.begin(**given)
        assert refused(caught) == [code], case
    job.order.refresh_from_db()
    assert (TestRun.objects.count(), job.order.version) == (0, version)


def test_another_able_method_with_words(job):
    run = job.begin(method="clamp-on meter", method_words="The meter is in repair.").run
    assert (run.method, run.method_words) == ("clamp-on meter", "The meter is in repair.")


def test_the_level_becomes_able_with_the_vessels_data(job):
    Gauge.objects.filter(kind__contains="flow meter").update(uncertainty_share=None)
    job.begin(
        method="vessel level",
        method_words="No meter here.",
        vessel=Vessel(12.0, 0.1, 0.0, 0.2),
    )
    assert job.run.vessel["surface_m2"] == 12.0


def test_an_overdue_gauge_is_not_taken_along(job):
    Gauge.objects.filter(code="FM-01").update(calibrated_until=date(2026, 5, 3))
    with pytest.raises(Refused) as caught:
        job.begin()
    assert refused(caught) == ["gauge_overdue"]


def test_what_the_register_does_not_hold_is_named(job):
    TestPolicy.objects.all().delete()
    type(job.order.valve).objects.filter(pk=job.order.valve_id).update(switching_flow_m3_per_h=None)
    type(job.order.valve.pump).objects.update(allowed_rise_k=None)
    with pytest.raises(Refused) as caught:
        job.begin()
    [reason] = caught.value.reasons
    assert reason.code == "limits_not_known"
    assert reason.numbers["missing"] == [
        "allowed rise",
        "limits of the owner",
        "required flow",
        "switching flow",
    ]


def test_the_weaker_pump_needs_the_larger_of_its_heat_and_stable_limit(job):
    """A sister with a stable flow of 10 m³/h is held by its heat; one without a curve by nothing
    that is known."""
    valve, pump = job.order.valve, job.order.valve.pump
    on = job.at.date()
    assert limits_for(valve, on).limits.weaker_required_m3_per_h == 27.0
    sister = PumpFactory(
        group=pump.group,
        with_curve=True,
        tag="NH-FT-2P",
        stable_min_flow_m3_per_h=10.0,
        allowed_rise_k=2.5,
    )
    assert limits_for(valve, on).limits.weaker_required_m3_per_h is None  # no valve in service
    twin = ProtectionValveFactory(pump=sister, tag="NH-FT-2V")
    heat = capacity_of(fleet_of([twin.pk]).hydraulics[twin.pk])
    assert heat.required_m3_per_h == heat.thermal_min_m3_per_h > 27.0
    found = limits_for(valve, on).limits.weaker_required_m3_per_h
    assert found == pytest.approx(heat.thermal_min_m3_per_h)
    type(sister).objects.filter(pk=sister.pk).update(stable_min_flow_m3_per_h=None)
    assert limits_for(valve, on).limits.weaker_required_m3_per_h is None


def test_one_open_run_per_order_and_no_stale_or_strange_beginning(job):
    job.begin()
    with pytest.raises(Refused) as caught:
        job.begin()
    assert refused(caught) == ["test_open"]
    given = {"instruments": list(GAUGES), "abort_limits": LIMITS, "line_up": LINE_UP}
    who = {"version": job.order.version, "at": job.tick()}
    with pytest.raises(NotFound):
        begin_test(job.order.pk, METER, actor=member(SiteFactory()), **given, **who)
    with pytest.raises(Forbidden):
        begin_test(job.order.pk, METER, actor=job.planner, **given, **who)
    with pytest.raises(Conflict):
        begin_test(job.order.pk, METER, actor=job.technician, **given, **{**who, "version": 1})
    assert TestRun.objects.count() == 1


def test_a_test_before_the_last_gate_is_refused():
    job = Guided.new()
    job.order.gates.all().delete()
    with pytest.raises(Refused) as caught:
        job.begin()
    assert refused(caught) == ["gates_open"]


def test_a_test_that_begins_takes_the_proof_of_the_one_before_back(job):
    job.begin().read_all()
    job.finish()
    assert job.order.state == "proven"
    job.begin()
    assert job.order.state == "under way"
    with pytest.raises(Refused) as caught:
        close_work_order(
            job.order.pk,
            version=job.order.version,
            actor=job.technician,
            at=(at := job.tick()),
            credential=FreshCredential(job.technician.pk, at, "password"),
        )
    assert "not_proven" in refused(caught)


def closed_with_an_open_test(job):
    """A released order is closed while its test is open, and opened again."""
    job.begin()
    job.do(
        release_provisionally,
        actor=member(job.site, Role.APPROVER),
        until=date(2026, 6, 30),
        restriction="Load within 60 s after start.",
        words="The motor failed during the test.",
    )
    job.do(close_work_order)
    approver = member(job.site, Role.APPROVER)
    job.do(reopen, "The motor is back.", work_again=False, actor=approver)
    return job.run


def test_a_run_of_an_earlier_revision_is_over_and_another_one_begins(job):
    old = closed_with_an_open_test(job)
    assert not run_card(old.pk, job.technician).may_record
    for act in (lambda: job.read([one("T0", "joints tight", 1)]), lambda: job.answer("T0")):
        with pytest.raises(Refused) as caught:
            act()
        assert refused(caught) == ["test_of_old_revision"]
    with pytest.raises(Refused) as caught:
        job.finish()
    assert refused(caught) == ["test_of_old_revision"]
    run = job.begin().run
    assert (run.revision, run_card(run.pk, job.technician).may_record) == (2, True)
    assert TestRun.objects.filter(finished_at=None).count() == 2


VESSELS_REFUSED = [
    ("no surface", Vessel(0.0, 0.1, 0.0, 0.2), ["surface_m2"]),
    ("surface known for certain", Vessel(12.0, 0.0, 0.0, 0.2), ["u_surface_m2"]),
    ("other flows known for certain", Vessel(12.0, 0.1, 0.0, 0.0), ["u_other_outflow_m3_per_h"]),
    (
        "all below zero",
        Vessel(-12.0, -0.1, -5.0, -0.2),
        ["surface_m2", "u_surface_m2", "u_other_outflow_m3_per_h"],
    ),
]


def test_a_vessel_that_cannot_be_is_refused_by_name(job):
    for case, vessel, names in VESSELS_REFUSED:
        with pytest.raises(Refused) as caught:
            job.begin(method="vessel level", method_words="No meter here.", vessel=vessel)
        [reason] = caught.value.reasons
        assert (reason.code, reason.numbers) == ("vessel_odd", {"fields": names}), case
    assert TestRun.objects.count() == 0


# ---- readings


def test_a_reading_keeps_gauge_uncertainty_and_who_read_it(job):
    other = member(job.site, Role.TECHNICIAN)
    row = one("T1", "bypass flow", 29.4, "FM-01", done_by=other.username)
    [result] = job.begin().read([row])
    reading = TestReading.objects.get()
    assert (result.status, result.id) == ("created", reading.pk)
    assert (reading.unit, reading.gauge.code) == ("m³/h", "FM-01")
    assert reading.spread == pytest.approx(0.2954, abs=1e-3)  # 1 % and the step of 0.1
    assert (reading.done_by, reading.recorded_by) == (other, job.technician)


ROWS_REFUSED = [
    ("step of nobody", one("T9", "bypass flow", 1, "FM-01"), "step_unknown"),
    ("does not apply", one("T7", "pump turns backwards", 0), "step_not_applicable"),
    ("not read in this step", one("T0", "bypass flow", 1, "FM-01"), "not_asked"),
    ("not of this method", one("T1", "electrical power", 90, "PM-01"), "not_asked"),
    ("odd value", one("T1", "speed", 5e5, "SP-01"), "value_odd"),
    ("neither yes nor no", one("T0", "joints tight", 0.5), "value_odd"),
    ("no gauge", one("T1", "bypass flow", 29), "gauge_not_named"),
    ("outside its range", one("T1", "bypass flow", 600, "FM-01"), "out_of_gauge_range"),
    ("other unit", one("T1", "bypass flow", 29, "TH-01"), "gauge_of_other_unit"),
    ("no stop", one("T2", "main flow", 12, "FM-01"), "no_stop"),
    ("a stop too many", one("T1", "bypass flow", 29, "FM-01", stop=1), "stop_not_asked"),
    ("gauge of another method", one("T1", "bypass flow", 29, "CM-01"), "gauge_of_other_kind"),
]


def test_a_row_is_refused_by_itself(job):
    rows = [row for _, row, _ in ROWS_REFUSED]
    results = job.begin().read([*rows, one("T0", "joints tight", 1)])
    assert [result.status for result in results] == [*["refused"] * len(rows), "created"]
    for (case, _, code), result in zip(ROWS_REFUSED, results, strict=False):
        assert [reason.code for reason in result.reasons] == [code], case
    assert TestReading.objects.count() == 1


def test_a_gauge_of_another_kind_with_the_same_unit_is_refused(job):
    GaugeFactory(site=job.site, code="XX-01", kind="torque wrench", unit="m³/h")
    [result] = job.begin().read([one("T1", "bypass flow", 29, "XX-01")])
    assert result.reasons[0].code == "gauge_of_other_kind"


def test_the_flow_at_a_stop_may_be_read_from_any_meter(job):
    """T1 is the proof and is read by the method of the run; a stop shows the course."""
    rows = [
        one("T2", "main flow", 12, "CM-01", stop=1),
        one("T2", "bypass flow", 29, "CM-01", stop=1),
    ]
    assert [result.status for result in job.begin().read(rows)] == ["created", "created"]


def test_the_same_key_adds_nothing_and_an_overdue_gauge_is_refused_by_its_day(job):
    rows = [one("T1", "bypass flow", 29, "FM-01", key="a"), one("T0", "joints tight", 1, key="b")]
    job.begin().read(rows)
    again = job.read([{**rows[0], "value": 31.0}, rows[1]])
    assert [result.status for result in again] == ["duplicate", "duplicate"]
    assert TestReading.objects.get(key="a").value == 29.0
    Gauge.objects.filter(code="FM-01").update(calibrated_until=date(2026, 5, 3))
    [late] = job.read([one("T1", "bypass flow", 29, "FM-01")])
    assert late.reasons[0].code == "gauge_overdue"


def test_times_lie_after_the_start_and_not_in_the_future(job):
    job.begin()
    early = one("T0", "joints tight", 1, read_at=job.run.begun_at - timedelta(minutes=1))
    late = one("T0", "joints tight", 1, read_at=job.at + timedelta(hours=1))
    results = job.read([early, late])
    assert [r.reasons[0].code for r in results] == ["out_of_order", "in_the_future"]


def test_a_wrong_reading_is_replaced_and_stays_on_record(job):
    [wrong] = job.begin().read([one("T1", "vibration", 12, "VM-01")])
    assert wrong.crossed == "vibration 12 mm/s, agreed limit 7.1 mm/s"
    right = one("T1", "vibration", 1.2, "VM-01", instead_of=wrong.id)
    [without] = job.read([right], key="x")
    assert without.reasons[0].code == "cannot_replace"
    [result] = job.read([{**right, "because": "typed without the point"}], key="y")
    assert result.status == "created"
    [twice] = job.read([{**right, "because": "again"}], key="z")
    assert twice.reasons[0].code == "cannot_replace"
    assert TestReading.objects.count() == 2
    job.read_all()
    assert job.finish().result == "pass"  # the replaced one crossed nothing


@pytest.mark.parametrize(
    ("case", "rows", "crossed"),
    [
        ("at the limit", [one("T1", "vibration", 7.1, "VM-01")], []),
        ("current", [one("T1", "motor current", 421, "AM-01")], ["motor current 421 A"]),
        (
            "rise from two temperatures",
            [
                one("T1", "temperature at the pump inlet", 130, "TH-01"),
                one("T1", "temperature at the pump outlet", 143, "TH-02"),
            ],
            ["temperature rise 13 K"],
        ),
    ],
)
def test_an_abort_limit_is_recorded_when_it_is_crossed(job, case, rows, crossed):
    results = job.begin().read(rows)
    told = [result.crossed for result in results if result.crossed]
    assert [words.split(",")[0] for words in told] == crossed, case
    events = Event.objects.filter(type="test_run.abort_limit_crossed")
    assert events.count() == len(crossed)


def test_a_test_that_was_broken_off_is_ended_at_once(job):
    job.begin().read([one("T0", "joints tight", 1), one("T1", "vibration", 12, "VM-01")])
    job.answer("T6", "the second pump is in repair")
    run = job.finish()
    because = "the test was broken off: T1: vibration 12 mm/s, agreed limit 7.1 mm/s"
    assert (run.result, job.order.state) == ("undecided", "under way")
    assert run.test.evidence["not_done"] == {
        "T6": "the second pump is in repair",
        **{step: because for step in ("T1", "T2", "T3", "T4", "T5")},
    }
    assert StepAnswer.objects.filter(recorded_by=job.technician).count() == 6


def test_temperatures_read_together_are_held_against_each_other(job):
    """A colder inlet read with its own outlet is no rise over the outlet of before."""
    cold, hot = "temperature at the pump inlet", "temperature at the pump outlet"
    job.begin().read([one("T1", cold, 130, "TH-01"), one("T1", hot, 135, "TH-02")])
    results = job.read([one("T1", cold, 121, "TH-01"), one("T1", hot, 126, "TH-02")])
    assert [result.crossed for result in results] == ["", ""]
    [alone] = job.read([one("T1", cold, 113, "TH-01")])
    assert alone.crossed == "temperature rise 13 K, agreed limit 12 K"
    results = job.read([one("T1", hot, 140, "TH-02"), one("T1", cold, 120, "TH-01")])
    assert [bool(result.crossed) for result in results] == [False, True]


def test_no_rise_is_lost_between_pairs_or_when_the_other_end_is_refused(job):
    cold, hot = "temperature at the pump inlet", "temperature at the pump outlet"
    pairs = [(cold, 130), (hot, 150), (cold, 130), (hot, 135)]
    gauges = {cold: "TH-01", hot: "TH-02"}
    results = job.begin().read([one("T1", name, value, gauges[name]) for name, value in pairs])
    assert [bool(result.crossed) for result in results] == [False, True, False, False]
    results = job.read([one("T1", hot, 151, "TH-02"), one("T1", cold, 130, "NONE")])
    assert [result.status for result in results] == ["created", "refused"]
    assert results[0].crossed == "temperature rise 21 K, agreed limit 12 K"
    kept = Event.objects.filter(type="test_run.abort_limit_crossed")
    assert kept.count() == 2


def test_readings_need_sight_a_permit_and_an_open_run(job):
    job.begin()
    row = [one("T0", "joints tight", 1)]
    for actor, error in ((member(SiteFactory()), NotFound), (job.planner, Forbidden)):
        with pytest.raises(error):
            record_readings(job.run.pk, row, key="k", actor=actor, at=job.tick())
        with pytest.raises(error):
            answer_step(job.run.pk, "T0", "no", actor=actor, at=job.tick())
    job.read_all()
    job.finish()
    with pytest.raises(Refused) as caught:
        job.read(row)
    assert "run_ended" in refused(caught)
    assert TestReading.objects.count() == 43


# ---- finish


def test_a_passed_run_proves_the_order_and_closes_signed(job):
    run = job.begin().read_all().finish()
    assert (run.result, job.order.state) == ("pass", "proven")
    test = FunctionTest.objects.get()
    assert (test.method, test.result, test.rule_version) == (
        "flow meter",
        "pass",
        "function test 1",
    )
    assert test.bypass_flow_m3_per_h == pytest.approx(30.0)
    assert test.uncertainty_share == pytest.approx(0.0201, abs=1e-4)
    assert test.required_m3_per_h == 27.0
    assert len(test.evidence["readings"]) == job.count()
    assert test.evidence["limits"]["source"] == "invented; engineer, from 2020-01-01"
    assert {gauge["code"] for gauge in test.evidence["gauges"]} <= set(GAUGES)
    assert test.done_at == max(row.read_at for row in TestReading.objects.all())
    verdict = Verdict.objects.get(valve=job.order.valve, is_current=True)
    assert verdict.facts["tests"][0]["id"] == test.pk
    at = job.tick()
    close_work_order(
        job.order.pk,
        version=job.order.version,
        actor=job.technician,
        at=at,
        credential=FreshCredential(job.technician.pk, at, "password"),
    )
    signature = job.order.signatures.get()
    assert verify_signature(signature).is_intact
    FunctionTest.objects.update(evidence={**test.evidence, "method": "another"})
    assert not verify_signature(signature).is_intact


def test_a_finished_test_is_shown_as_it_was_judged(job):
    run = job.begin().read_all().finish()
    before = run_card(run.pk, job.technician)
    assert (before.judgement.result, before.crossed) == ("pass", ())
    pump = job.order.valve.pump
    type(pump).objects.filter(pk=pump.pk).update(speed_rpm=3200.0, motor_efficiency=0.5)
    assert run_card(run.pk, job.technician) == before
    type(job.order.valve).objects.filter(pk=job.order.valve_id).update(status="in stock")
    assert run_card(run.pk, job.technician) == before


def test_a_failed_run_is_evidence_and_takes_the_proof_back(job):
    job.begin().read_all()
    job.finish()
    job.begin().read_all(bypass_flow=21.0)
    run = job.finish(restriction="Load within 60 s after start.")
    assert (run.result, job.order.state) == ("fail", "under way")
    assert run.test.restriction == "Load within 60 s after start."
    assert Verdict.objects.get(is_current=True).word == "Does not protect"
    assert TestRun.objects.count() == 2


def test_a_slam_fails_the_run_although_the_flow_is_enough(job):
    job.begin().read_all(slam=1)
    run = job.finish()
    assert (run.result, run.test.bypass_flow_m3_per_h) == ("fail", pytest.approx(30.0))
    assert "T5 fail" in run.words
    assert Verdict.objects.get(is_current=True).code == "test_failed"


def test_empty_is_no_answer_and_not_done_proves_nothing(job):
    job.begin().read_all(leave=("T6",))
    version = job.order.version
    with pytest.raises(Refused) as caught:
        job.finish()
    assert refused(caught) == ["steps_not_answered"]
    assert caught.value.reasons[0].numbers == {"steps": ["T6"]}
    job.order.refresh_from_db()
    assert (job.order.version, FunctionTest.objects.count()) == (version, 0)
    job.answer("T6")
    run = job.finish()
    assert (run.result, job.order.state) == ("undecided", "under way")
    assert run.test.evidence["not_done"] == {"T6": "no second pump may run today"}
    assert Verdict.objects.get(is_current=True).word == "Doubtful"


def test_an_answer_needs_its_reason(job):
    job.begin()
    for step, because, code in (
        ("T6", " ", "no_because"),
        ("T7", "x", "step_not_applicable"),
        ("T8", "x", "step_unknown"),
    ):
        with pytest.raises(Refused) as caught:
            job.answer(step, because)
        assert refused(caught) == [code]
    assert StepAnswer.objects.count() == 0


def test_a_run_without_any_flow_is_recorded_as_such(job):
    job.begin()
    for number in range(7):
        job.answer(f"T{number}", "the pump tripped at the start")
    run = job.finish()
    assert (run.result, run.test.method) == ("undecided", "with the pump, no flow measured")
    assert run.test.bypass_flow_m3_per_h is None


def test_finishing_on_a_stale_order_changes_nothing(job):
    job.begin().read_all()
    with pytest.raises(Conflict):
        finish_test(job.run.pk, version=1, actor=job.technician, at=job.tick())
    assert TestRun.objects.get().is_open
    assert FunctionTest.objects.count() == 0


def test_a_result_may_still_be_recorded_without_steps(job):
    job.do(
        record_test,
        ProofMethod.FLOW_METER,
        bypass_flow_m3_per_h=30.0,
        uncertainty_share=0.02,
        required_m3_per_h=27.0,
    )
    test = FunctionTest.objects.get()
    assert (test.result, test.rule_version, test.evidence) == ("pass", "", {})


def test_the_pump_cannot_run_bench_test_and_a_signed_release_with_an_end(job):
    job.do(record_test, ProofMethod.BENCH, result=ProofResult.PASS, words="stroke and seat")
    assert job.order.state == "under way"  # the bench proves nothing of the chain
    given = {
        "until": date(2026, 6, 30),
        "restriction": "Load within 60 s after start.",
        "words": "The pump cannot run: its motor is out until the end of June.",
    }
    worker = member(job.site, Role.APPROVER)
    with pytest.raises(Refused) as caught:
        job.do(release_provisionally, actor=worker, **{**given, "restriction": " "})
    assert refused(caught) == ["release_without_words"]
    with pytest.raises(Refused) as caught:
        job.do(release_provisionally, actor=worker, **{**given, "until": date(2026, 5, 4)})
    assert refused(caught) == ["end_not_ahead"]
    with pytest.raises(Forbidden):
        job.do(release_provisionally, actor=job.technician, **given)
    job.do(release_provisionally, actor=worker, **given)
    assert ProvisionalRelease.objects.get().until == date(2026, 6, 30)
    verdict = Verdict.objects.get(is_current=True)
    assert verdict.word == "Doubtful"
    assert "Load within 60 s after start." in verdict.restriction


def test_readings_of_the_factory_are_all_asked(job):
    """The passing set leaves no required quantity out: every step is judged."""
    assert set(passing(job.at)) == {f"T{number}" for number in range(7)}
