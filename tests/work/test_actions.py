"""Raising, agreeing, assigning, readying, starting; and what every verb does alike: a stranger, a
visitor, a stale version, a verb out of turn."""

from datetime import date

import pytest

from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import NOW, Job, WorkOrderFactory, refused, snapshot
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import (
    Event,
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
    GateKind,
    OrderKind,
    PartName,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    return Job(site)


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
    with pytest.raises(NotFound):
        job.do(start, actor=contractor)
    job.do(assign, contractor.get_username(), actor=job.planner)
    assert job.do(start, actor=contractor).state == "under way"


def test_work_that_takes_nothing_out_of_service_starts_when_agreed(site):
    job = Job(site, kind=OrderKind.LOOK_AND_LISTEN.value).to_agreed()
    assert job.do(start).state == "under way"
