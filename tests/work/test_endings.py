"""Closing, releasing, holding, putting off, dropping, reopening: signatures and second persons."""

from datetime import date, timedelta

import pytest

from tests.factories.register import SiteFactory, member
from tests.factories.work import Job, WorkOrderFactory, refused
from valvecare.core.permits import Role
from valvecare.models import (
    ClosedRevision,
    Deferral,
    Event,
    Gate,
    PartUsed,
    WorkOrder,
)
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.drop import drop
from valvecare.work.actions.hold import hold, resume
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.put_off import ask_to_put_off, put_off
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_parts_used import record_parts_used
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.rules import (
    AsFound,
    GateKind,
    OrderKind,
    OrderState,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    return Job(site)


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
