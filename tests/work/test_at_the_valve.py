"""Gates, findings and function tests: each works, each refusal is exact and changes nothing."""

from datetime import timedelta

import pytest

from tests.factories.register import SiteFactory, ValveDesignFactory, valve_at
from tests.factories.work import Job, WorkOrderFactory, refused, sound
from valvecare.core.errors import Refused
from valvecare.models import (
    Event,
    Finding,
    FunctionTest,
    Gate,
)
from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_test import record_test
from valvecare.work.rules import (
    AsFound,
    FindingGrade,
    GateKind,
    OrderKind,
    PartDecision,
    PartName,
    Rods,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    return Job(site)


# ---- gates


def test_gates_are_passed_in_their_order_and_once(job):
    job.to_under_way()
    cover = (pass_gate, GateKind.COVER_RELEASED)
    assert refused(job, *cover, rods=Rods.LONG_RODS) == "gate_out_of_order"
    job.gate(GateKind.ISOLATED)
    assert refused(job, pass_gate, GateKind.ISOLATED) == "gate_passed"
    with pytest.raises(Refused) as caught:
        job.do(*cover, rods=Rods.LONG_RODS)
    assert caught.value.reasons[0].numbers == {"missing": ["as-found recorded"]}
    job.as_found()
    assert refused(job, *cover) == "rods_not_named"
    job.do(*cover, rods=Rods.LONG_RODS)
    assert Gate.objects.get(kind="cover released").data == {"rods": "long rods"}
    assert refused(job, pass_gate, GateKind.JOINT_CLOSED) == "gate_out_of_order"
    assert refused(job, pass_gate, GateKind.PARTS_JUDGED) == "parts_not_judged"


def test_the_as_found_gate_is_a_record(job):
    job.to_under_way()
    assert refused(job, pass_gate, GateKind.AS_FOUND) == "as_found_is_a_record"
    job.as_found(None)
    assert Gate.objects.get().kind == "as-found recorded"
    job.as_found(AsFound.WORSE)
    assert Gate.objects.count() == 1
    assert Event.objects.filter(type="work_order.as_found_recorded").count() == 2


def test_a_gate_the_kind_does_not_have_is_refused(site):
    job = Job(site, kind=OrderKind.FUNCTION_TEST.value).to_under_way()
    assert refused(job, pass_gate, GateKind.ISOLATED) == "gate_not_in_kind"


def test_an_unknown_spring_needs_rods_and_clamp(site):
    job = Job(site, valve=valve_at(site, design=None, serial="not known"))
    job.to_under_way().gate(GateKind.ISOLATED).as_found()
    cover = (pass_gate, GateKind.COVER_RELEASED)
    assert refused(job, *cover, rods=Rods.LONG_RODS) == "spring_unknown"
    assert refused(job, *cover, rods=Rods.STANDARD_STUDS) == "spring_unknown"
    job.do(*cover, rods=Rods.LONG_RODS_AND_CLAMP)


def test_a_pressure_seal_cover_is_never_let_go_on_its_studs(site):
    job = Job(site)
    design = job.order.valve.design
    type(design).objects.filter(pk=design.pk).update(cover_closure="pressure-seal ring")
    job.to_under_way().gate(GateKind.ISOLATED).as_found()
    cover = (pass_gate, GateKind.COVER_RELEASED)
    assert refused(job, *cover, rods=Rods.STANDARD_STUDS) == "spring_unknown"
    job.do(*cover, rods=Rods.LONG_RODS_AND_CLAMP)


def test_a_fact_lies_neither_in_the_future_nor_before_the_step_it_follows(job):
    job.to_under_way()
    later = job.at + timedelta(hours=1)
    assert refused(job, pass_gate, GateKind.ISOLATED, done_at=later) == "in_the_future"
    early = job.order.started_at - timedelta(seconds=1)
    assert refused(job, pass_gate, GateKind.ISOLATED, done_at=early) == "out_of_order"
    at = job.order.started_at
    job.do(pass_gate, GateKind.ISOLATED, done_at=at)
    assert Gate.objects.get().at == at


# ---- findings


def test_a_part_at_cannot_decide_keeps_the_joint_open(job):
    job.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    job.judge_parts()
    job.do(
        record_finding,
        PartName.CLOSING_SPRING,
        found="rust pits",
        grade=FindingGrade.NOT_MEASURED,
        decision=PartDecision.CANNOT_DECIDE,
    )
    assert refused(job, pass_gate, GateKind.PARTS_JUDGED) == "part_undecided"
    job.do(
        record_finding,
        PartName.CLOSING_SPRING,
        found="rust pits",
        measurements=sound(job.order, PartName.CLOSING_SPRING, free_length=126.0),
        grade=FindingGrade.NOT_FIT,
        decision=PartDecision.REPLACE,
    )
    job.gate(GateKind.PARTS_JUDGED)
    # judged again between the gates: the joint stays open as well
    job.do(
        record_finding,
        PartName.CLOSING_SPRING,
        found="second look",
        grade=FindingGrade.NOT_MEASURED,
        decision=PartDecision.CANNOT_DECIDE,
    )
    assert refused(job, pass_gate, GateKind.JOINT_CLOSED) == "part_undecided"
    assert Finding.objects.filter(part="closing spring").count() == 4


def test_not_checked_because_is_an_answer_and_empty_is_not(job):
    job.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    assert refused(job, record_finding, PartName.FLOW_RING) == "no_grade_or_decision"
    job.do(record_finding, PartName.FLOW_RING, not_checked_because="no lamp at hand")
    row = Finding.objects.get()
    assert (row.decision, row.grade, row.not_checked_because) == ("", "", "no lamp at hand")


@pytest.mark.parametrize(
    ("case", "given", "code"),
    [
        ("both", {"not_checked_because": "x", "grade": "1"}, "checked_and_not_checked"),
        ("no words", {"grade": "1", "decision": "reuse"}, "nothing_found_said"),
        (
            "no unit",
            {"grade": "1", "decision": "reuse", "found": "x", "value": 1.0},
            "measure_without_unit",
        ),
        (
            "unit alone",
            {"grade": "1", "decision": "reuse", "found": "x", "unit": "mm"},
            "measure_without_unit",
        ),
        (
            "unfit reused",
            {"grade": "4", "decision": "reuse", "found": "x"},
            "reuse_of_unfit_part",
        ),
        ("not measured", {"grade": "?", "decision": "lap", "found": "x"}, "not_measured"),
    ],
)
def test_a_finding_that_says_too_little_is_refused(job, case, given, code):
    job.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    given = dict(given)
    if "grade" in given:
        given["grade"] = FindingGrade(given["grade"])
    if "decision" in given:
        given["decision"] = PartDecision(given["decision"])
    assert refused(job, record_finding, PartName.BODY, **given) == code


def test_parts_are_judged_after_the_cover_and_before_the_joint(job):
    job.to_under_way().gate(GateKind.ISOLATED)
    fit = {"found": "x", "grade": FindingGrade.USED, "decision": PartDecision.REUSE}
    assert refused(job, record_finding, PartName.BODY, **fit) == "gate_out_of_order"
    job.as_found().gate(GateKind.COVER_RELEASED).judge_parts()
    job.gate(GateKind.PARTS_JUDGED).gate(GateKind.JOINT_CLOSED)
    assert refused(job, record_finding, PartName.BODY, **fit) == "joint_is_closed"


def test_the_list_of_parts_follows_the_design(site):
    from valvecare.work.reads import facts_of

    lever = ValveDesignFactory(has_lever=True, has_flow_ring=True, bypass_stages=1)
    plain = ValveDesignFactory(has_lever=False, has_flow_ring=False, bypass_stages=4)
    parts = {
        name: set(facts_of(WorkOrderFactory(valve=valve_at(site, design=design))).parts)
        for name, design in (("lever", lever), ("plain", plain), ("none", None))
    }
    assert PartName.LEVER_PIN in parts["lever"]
    assert PartName.LEVER_PIN not in parts["plain"]
    assert PartName.BREAKING_BUSHING in parts["plain"]
    assert PartName.BREAKING_BUSHING not in parts["lever"]
    assert parts["none"] == parts["lever"] | parts["plain"]


# ---- function test


def test_a_passed_test_with_the_pump_proves_the_order(job):
    job.to_moved_by_hand().test(30.0)
    assert job.order.state == "proven"
    test = FunctionTest.objects.get()
    assert (test.result, test.valve_id, test.with_pump) == ("pass", job.order.valve_id, True)


@pytest.mark.parametrize(
    ("case", "flow", "result"),
    [
        ("lower bound reaches", 28.5, "pass"),
        ("lower bound misses", 28.4, "undecided"),
        ("upper bound reaches", 25.8, "undecided"),
        ("upper bound misses", 25.7, "fail"),
    ],
)
def test_the_numbers_decide_with_their_uncertainty(job, case, flow, result):
    """27 m³/h needed, ±5 %: own calculation, 27/0.95 = 28.42 and 27/1.05 = 25.71."""
    job.to_moved_by_hand().test(flow)
    assert FunctionTest.objects.get().result == result
    assert job.order.state == ("proven" if result == "pass" else "under way")


def test_a_later_failure_takes_the_proof_back(job):
    job.to_proven().test(20.0)
    assert job.order.state == "under way"


def test_a_bench_test_proves_nothing(job):
    job.to_moved_by_hand().do(record_test, ProofMethod.BENCH, result=ProofResult.PASS)
    assert job.order.state == "under way"


@pytest.mark.parametrize(
    ("case", "method", "given", "code"),
    [
        ("no numbers", "flow meter", {}, "flow_incomplete"),
        ("no uncertainty", "flow meter", {"bypass_flow_m3_per_h": 30.0}, "flow_incomplete"),
        (
            "numbers on the bench",
            "on the bench",
            {"bypass_flow_m3_per_h": 3.0},
            "flow_without_method",
        ),
        ("no result", "on the bench", {}, "no_result"),
        (
            "contradiction",
            "flow meter",
            {
                "bypass_flow_m3_per_h": 20.0,
                "uncertainty_share": 0.05,
                "required_m3_per_h": 27.0,
                "result": ProofResult.PASS,
            },
            "result_contradicts_numbers",
        ),
        (
            "softer than the register",
            "flow meter",
            {"bypass_flow_m3_per_h": 20.0, "uncertainty_share": 0.05, "required_m3_per_h": 15.0},
            "required_below_register",
        ),
    ],
)
def test_a_test_that_says_too_little_is_refused(job, case, method, given, code):
    job.to_moved_by_hand()
    assert refused(job, record_test, ProofMethod(method), **given) == code


def test_a_test_comes_after_the_gates_and_after_the_joint(job):
    job.to_under_way()
    bench = (record_test, ProofMethod.BENCH)
    assert refused(job, *bench, result=ProofResult.PASS) == "gates_open"
    job.gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED).judge_parts()
    job.gate(GateKind.PARTS_JUDGED)
    before_joint = job.at
    job.gate(GateKind.JOINT_CLOSED).gate(GateKind.MOVED_BY_HAND)
    code = refused(job, *bench, result=ProofResult.PASS, done_at=before_joint)
    assert code == "test_before_joint"
