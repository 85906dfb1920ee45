"""Every action: it works; each refusal with its exact reason and nothing changed; stale version;
a stranger; done twice."""

from datetime import date, timedelta

import pytest

from tests.factories.register import SiteFactory, ValveDesignFactory, member, valve_at
from tests.factories.work import NOW, Job, WorkOrderFactory
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import (
    ClosedRevision,
    Deferral,
    Event,
    Finding,
    FunctionTest,
    Gate,
    PartUsed,
    ProvisionalRelease,
    WorkOrder,
)
from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.work.actions.agree import agree
from valvecare.work.actions.assign import assign
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.drop import drop
from valvecare.work.actions.hold import hold, resume
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.put_off import ask_to_put_off, put_off
from valvecare.work.actions.raise_work_order import raise_work_order
from valvecare.work.actions.ready import ready
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_parts_used import record_parts_used
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.actions.start import start
from valvecare.work.rules import (
    AsFound,
    FindingGrade,
    GateKind,
    OrderKind,
    OrderState,
    PartDecision,
    PartName,
    Rods,
)

pytestmark = pytest.mark.django_db

FACTS = (Gate, Finding, PartUsed, FunctionTest, Deferral, ProvisionalRelease, ClosedRevision)


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    return Job(site)


def snapshot(order):
    """Everything an action could have changed."""
    row = WorkOrder.objects.filter(pk=order.pk).values().get()
    return row, [model.objects.count() for model in FACTS], Event.objects.count()


def refused(job, action, *args, **kwargs):
    """The code of the refusal; nothing may have changed, the version included."""
    before = snapshot(job.order)
    version = job.order.version
    with pytest.raises(Refused) as caught:
        job.do(action, *args, **kwargs)
    assert snapshot(job.order) == before
    assert job.order.version == version
    return caught.value.code


# ---- raise


def test_a_person_raises_an_order(site):
    valve, planner = valve_at(site), member(site, Role.PLANNER)
    order = raise_work_order(
        valve.pk,
        OrderKind.CORRECTIVE,
        why="Bypass line cold at no flow.",
        due_on=date(2026, 5, 5),
        actor=planner,
        at=NOW,
    )
    assert (order.state, order.raised_by, order.site_id) == ("raised", "person", site.pk)
    assert order.number == f"WO-{order.pk:06d}"
    event = Event.objects.get(type="work_order.raised")
    assert (event.site_id, event.valve_id, event.actor_id) == (site.pk, valve.pk, planner.pk)


def test_raising_twice_names_the_open_order(site):
    order = WorkOrderFactory(valve__pump__group__site=site)
    with pytest.raises(Refused) as caught:
        raise_work_order(
            order.valve_id,
            OrderKind.STRIP_DOWN,
            why="Again.",
            due_on=date(2026, 6, 1),
            actor=member(site, Role.PLANNER),
            at=NOW,
        )
    assert caught.value.code == "open_order_exists"
    assert caught.value.reasons[0].numbers == {"number": order.number}
    assert WorkOrder.objects.count() == 1


def test_raising_needs_sight_permit_and_a_reason(site):
    valve = valve_at(site)
    facts = {"due_on": date(2026, 6, 1), "at": NOW}
    with pytest.raises(NotFound):
        raise_work_order(
            valve.pk, OrderKind.CORRECTIVE, why="x", actor=member(SiteFactory()), **facts
        )
    with pytest.raises(Forbidden):
        raise_work_order(
            valve.pk,
            OrderKind.CORRECTIVE,
            why="x",
            actor=member(site, Role.TECHNICIAN),
            **facts,
        )
    with pytest.raises(Refused) as caught:
        raise_work_order(valve.pk, OrderKind.CORRECTIVE, why=" ", actor=member(site), **facts)
    assert caught.value.code == "no_why"
    assert WorkOrder.objects.count() == 0


# ---- the same three for every verb


VERBS = {
    "agree": (agree, (), {}),
    "assign": (assign, ("",), {}),
    "ready": (ready, ({},), {}),
    "start": (start, (), {}),
    "pass_gate": (pass_gate, (GateKind.ISOLATED,), {}),
    "record_as_found": (record_as_found, ("warm",), {}),
    "record_finding": (record_finding, (PartName.LEVER_PIN,), {}),
    "record_parts_used": (record_parts_used, ("pin",), {}),
    "record_test": (record_test, (ProofMethod.BENCH,), {"result": ProofResult.PASS}),
    "release_provisionally": (
        release_provisionally,
        (),
        {"until": date(2026, 6, 1), "restriction": "r", "words": "w"},
    ),
    "close": (close_work_order, (), {}),
    "hold": (hold, ("why",), {"until": date(2026, 6, 1)}),
    "resume": (resume, (), {}),
    "ask_to_put_off": (ask_to_put_off, (), {"why": "w", "risk": "r", "until": date(2026, 6, 1)}),
    "put_off": (put_off, ("I accept.",), {}),
    "drop": (drop, ("why",), {}),
    "reopen": (reopen, ("why",), {"work_again": False}),
}


@pytest.mark.parametrize("name", VERBS)
def test_a_stranger_finds_nothing(job, name):
    action, args, kwargs = VERBS[name]
    before = snapshot(job.order)
    with pytest.raises(NotFound):
        job.do(action, *args, actor=member(SiteFactory(), Role.TECHNICIAN), **kwargs)
    assert snapshot(job.order) == before


@pytest.mark.parametrize("name", VERBS)
def test_an_auditor_may_look_only(job, name, site):
    action, args, kwargs = VERBS[name]
    before = snapshot(job.order)
    with pytest.raises(Forbidden):
        job.do(action, *args, actor=member(site, Role.AUDITOR), **kwargs)
    assert snapshot(job.order) == before


@pytest.mark.parametrize("name", VERBS)
def test_a_stale_version_writes_nothing(job, name):
    action, args, kwargs = VERBS[name]
    job.do(agree, actor=job.planner)
    before = snapshot(job.order)
    with pytest.raises(Conflict) as caught:
        action(job.order.pk, *args, version=1, actor=job.planner, at=NOW, **kwargs)
    assert (caught.value.given, caught.value.current) == (1, 2)
    assert snapshot(job.order) == before


@pytest.mark.parametrize("name", [name for name in VERBS if name not in ("agree", "assign")])
def test_a_verb_out_of_turn_is_refused(job, name, site):
    """On a raised order: each verb that does not follow from 'raised' says so."""
    action, args, kwargs = VERBS[name]
    actor = {
        "ready": job.planner,
        "release_provisionally": member(site, Role.APPROVER),
        "reopen": member(site, Role.APPROVER),
        "put_off": member(site, Role.APPROVER),
        "drop": job.planner,
    }.get(name)
    if name in ("hold", "ask_to_put_off", "drop"):
        job.to_proven()
        if name == "hold":
            job.do(close_work_order)
    code = {"put_off": "deferral_not_asked"}.get(name, "wrong_state")
    assert refused(job, action, *args, actor=actor, **kwargs) == code


# ---- agree, assign, ready, start


def test_agreeing_moves_the_order_and_twice_is_refused(job):
    job.to_agreed()
    assert (job.order.state, job.order.version) == ("agreed", 2)
    assert refused(job, agree, actor=job.planner) == "wrong_state"


def test_an_order_is_assigned_to_a_worker_of_the_site_only(job, site):
    name = job.technician.get_username()
    assert job.do(assign, name, actor=job.planner).assigned_to == job.technician
    for other in (member(SiteFactory(), Role.TECHNICIAN), member(site, Role.AUDITOR)):
        assert refused(job, assign, other.get_username(), actor=job.planner) == "not_a_worker"
    assert refused(job, assign, "nobody-at-all", actor=job.planner) == "not_a_worker"
    assert job.do(assign, "", actor=job.planner).assigned_to is None


def test_readying_needs_every_item_in_words(job):
    job.to_agreed()
    WorkOrder.objects.filter(pk=job.order.pk).update(state="placed")
    with pytest.raises(Refused) as caught:
        job.do(ready, {"kit": "lot 1", "permit": " "}, actor=job.planner)
    assert caught.value.code == "not_ready"
    assert caught.value.reasons[0].numbers == {
        "missing": ["permit", "rods and spring", "lifting", "crew and skill", "test slot"]
    }
    assert refused(job, ready, {"paint": "blue"}, actor=job.planner) == "unknown_ready_item"


def test_a_contractor_works_only_on_orders_assigned_to_them(job, site):
    contractor = member(site, Role.CONTRACTOR)
    job.to_readied()
    with pytest.raises(Forbidden):
        job.do(start, actor=contractor)
    job.do(assign, contractor.get_username(), actor=job.planner)
    assert job.do(start, actor=contractor).state == "under way"


def test_work_that_takes_nothing_out_of_service_starts_when_agreed(site):
    job = Job(site, kind=OrderKind.LOOK_AND_LISTEN.value).to_agreed()
    assert job.do(start).state == "under way"


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
        value=12.0,
        unit="% preload loss",
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


# ---- close


def test_closing_needs_proof_or_a_signed_release(job, site):
    job.to_moved_by_hand()
    assert refused(job, close_work_order) == "not_proven"
    approver = member(site, Role.APPROVER)
    release = {
        "until": date(2026, 6, 30),
        "restriction": "Load within 60 s after start.",
        "words": "The pump cannot run before July.",
        "actor": approver,
    }
    ended = release | {"until": date(2026, 5, 4)}
    assert refused(job, release_provisionally, **ended) == "end_not_ahead"
    silent = release | {"restriction": " "}
    assert refused(job, release_provisionally, **silent) == "release_without_words"
    job.do(release_provisionally, **release)
    job.do(close_work_order, remarks="Bench only.")
    assert (job.order.state, job.order.closed_by) == ("closed", job.technician)
    event = Event.objects.get(type="work_order.closed")
    assert event.data["proven"] is False
    assert event.data["provisional_until"] == "2026-06-30"


def test_who_did_the_work_or_closes_is_not_the_second_person(job, site):
    from tests.factories.register import MembershipFactory

    job.to_moved_by_hand()
    MembershipFactory(user=job.technician, site=site, role=Role.APPROVER.value)
    release = {"until": date(2026, 6, 30), "restriction": "r", "words": "w"}
    assert refused(job, release_provisionally, **release) == "second_person"
    other = member(site, Role.APPROVER)
    MembershipFactory(user=other, site=site, role=Role.TECHNICIAN.value)
    job.do(release_provisionally, **release, actor=other)
    assert refused(job, close_work_order, actor=other) == "second_person"
    job.do(close_work_order)


def test_an_expired_release_closes_nothing(job, site):
    job.to_moved_by_hand()
    approver = member(site, Role.APPROVER)
    release = {"until": date(2026, 5, 5), "restriction": "r", "words": "w", "actor": approver}
    job.do(release_provisionally, **release)
    job.at += timedelta(days=2)
    assert refused(job, close_work_order) == "release_expired"


def test_a_failure_needs_mode_and_cause_and_learning_a_grade(job):
    job.to_under_way().gate(GateKind.ISOLATED).as_found(None)
    failed = {"grade": AsFound.FAILED}
    assert refused(job, record_as_found, "stuck", **failed) == "failure_without_mode"
    assert refused(job, record_as_found, "stuck", mode="XXX") == "unknown_code"
    assert refused(job, record_as_found, " ") == "no_as_found_words"
    job.gate(GateKind.COVER_RELEASED).judge_parts().gate(GateKind.PARTS_JUDGED)
    job.gate(GateKind.JOINT_CLOSED).gate(GateKind.MOVED_BY_HAND).test()
    assert refused(job, close_work_order) == "no_as_found"
    job.as_found(AsFound.FAILED, mode="FTC", cause="3.4")
    job.do(close_work_order)
    assert (job.order.as_found, job.order.mode, job.order.cause) == ("failed", "FTC", "3.4")


def test_closing_twice_is_refused(job):
    job.to_proven().do(close_work_order)
    assert refused(job, close_work_order) == "wrong_state"


def test_a_look_needs_no_proof(site):
    job = Job(site, kind=OrderKind.LOOK_AND_LISTEN.value).to_under_way()
    assert refused(job, close_work_order) == "gates_open"
    job.as_found().do(close_work_order)
    assert job.order.state == "closed"
    assert job.order.done_at == Gate.objects.get().at


# ---- hold, put off, drop, reopen


def test_a_hold_has_a_reason_and_an_end_and_goes_back_to_where_it_was(job):
    job.to_under_way()
    until = {"until": date(2026, 6, 1)}
    assert refused(job, hold, " ", **until) == "no_why"
    assert refused(job, hold, "kit", until=date(2026, 5, 4)) == "end_not_ahead"
    job.do(hold, "Wrong kit.", **until)
    assert (job.order.state, job.order.state_before) == ("on hold", "under way")
    assert refused(job, pass_gate, GateKind.ISOLATED) == "wrong_state"
    job.do(resume)
    assert (job.order.state, job.order.pause_why) == ("under way", "")


def test_a_deferral_is_asked_by_one_and_signed_by_another(job, site):
    from tests.factories.register import MembershipFactory

    job.to_agreed()
    asked = {"why": "No window.", "risk": "0.72 used.", "until": date(2026, 9, 1)}
    assert refused(job, ask_to_put_off, **asked | {"risk": ""}) == "no_risk"
    job.do(ask_to_put_off, **asked, actor=job.planner)
    assert job.order.state == "agreed"
    MembershipFactory(user=job.planner, site=site, role=Role.APPROVER.value)
    assert refused(job, put_off, "Yes.", actor=job.planner) == "second_person"
    approver = member(site, Role.APPROVER)
    assert refused(job, put_off, " ", actor=approver) == "no_signature"
    job.do(put_off, "I accept the risk.", actor=approver)
    assert (job.order.state, job.order.pause_until) == ("put off", date(2026, 9, 1))
    row = Deferral.objects.get()
    assert (row.asked_by, row.signed_by) == (job.planner, approver)
    assert row.signature == "I accept the risk."


def test_an_automatic_order_of_a_valve_in_service_is_put_off_not_dropped(job, site):
    WorkOrder.objects.filter(pk=job.order.pk).update(raised_by="automatic")
    assert refused(job, drop, "No time.", actor=job.planner) == "still_due"
    job.order.valve.status = "retired"
    job.order.valve.save()
    job.do(drop, "Valve retired.", actor=job.planner)
    assert job.order.state == "dropped"
    assert job.order.ended_at == job.at


def test_a_dropped_order_makes_room_for_another(job, site):
    job.do(drop, "Raised twice.", actor=job.planner)
    assert refused(job, drop, "Again.", actor=job.planner) == "wrong_state"
    WorkOrderFactory(valve=job.order.valve)


def test_reopening_keeps_the_closed_revision_readable(job, site):
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    job.to_proven().do(close_work_order, remarks="No leak.")
    closed_at = job.order.ended_at
    assert refused(job, reopen, " ", work_again=False, actor=engineer) == "no_why"
    job.do(reopen, "Spring length left out.", work_again=False, actor=engineer)
    assert (job.order.state, job.order.revision) == ("proven", 2)
    kept = ClosedRevision.objects.get()
    assert kept.record["remarks"] == "No leak."
    assert kept.record["closed_at"] == closed_at.isoformat()
    assert kept.record["closed_by"] == job.technician.get_username()
    assert Gate.objects.filter(revision=1).count() == Gate.objects.filter(revision=2).count() == 6
    job.do(close_work_order, remarks="Spring 387 mm.")
    assert kept.record["remarks"] == "No leak."
    assert job.order.remarks == "Spring 387 mm."


def test_reopening_for_work_starts_the_gates_anew(job, site):
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    job.to_proven().do(close_work_order)
    job.do(reopen, "Leaks at the cover.", work_again=True, actor=engineer)
    assert (job.order.state, job.order.as_found) == ("under way", "")
    assert refused(job, close_work_order) == "gates_open"
    job.gate(GateKind.ISOLATED)


def test_reopening_beside_an_open_order_is_refused(job, site):
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    job.to_proven().do(close_work_order)
    WorkOrder.objects.filter(valve=job.order.valve).exclude(pk=job.order.pk).delete()
    WorkOrderFactory(valve=job.order.valve)
    code = refused(job, reopen, "x", work_again=False, actor=engineer)
    assert code == "open_order_exists"


def test_a_release_does_not_carry_over_into_the_next_revision(job, site):
    approver = member(site, Role.APPROVER)
    job.to_moved_by_hand()
    job.do(
        release_provisionally,
        until=date(2026, 6, 30),
        restriction="r",
        words="w",
        actor=approver,
    )
    job.do(close_work_order)
    job.do(reopen, "Typing error.", work_again=False, actor=approver)
    assert job.order.state == OrderState.UNDER_WAY
    assert refused(job, close_work_order) == "not_proven"
    assert ClosedRevision.objects.get().record["release"][0]["restriction"] == "r"


def test_parts_used_are_added_line_by_line(job):
    job.to_under_way()
    job.do(record_parts_used, "lever pin", quantity=2, lot="L1")
    job.do(record_parts_used, "cover gasket", serial="S-9")
    assert list(PartUsed.objects.values_list("name", "quantity", "lot", "serial")) == [
        ("lever pin", 2, "L1", ""),
        ("cover gasket", 1, "", "S-9"),
    ]
