"""The owner of an open order is told once that the verdict of its valve changed (S-65)."""

from datetime import timedelta

import pytest
from django.urls import reverse

from tests.factories.protection import plant, protecting, proven, verdict_policy
from tests.factories.register import member
from tests.factories.work import NOW, Job, WorkOrderFactory
from valvecare.core.permits import Role
from valvecare.models import Event, Verdict, WorkOrder
from valvecare.protection.actions import judge_valves
from valvecare.register.actions import change_pump
from valvecare.work.actions.tell_verdicts import tell_verdict_changes
from valvecare.work.rules import GateKind
from valvecare.work.tasks import run_refresh, run_sweep

pytestmark = pytest.mark.django_db

SOON = NOW + timedelta(minutes=5)
TOLD = "work_order.verdict_changed"


def nothing():
    return None


def told():
    return Event.objects.filter(type=TOLD).order_by("id")


@pytest.fixture
def site():
    verdict_policy()
    return plant()


@pytest.fixture
def order(site):
    """An order under way for a valve that protects, given to a technician and told of that."""
    valve = protecting(site)
    worker = member(site, Role.TECHNICIAN)
    made = WorkOrderFactory(valve=valve, state="placed", assigned_to=worker)
    judge_valves([valve.pk], NOW)
    assert tell_verdict_changes(NOW) == {"owners_told": 0}
    return made


def correct_the_pump(order, **changes):
    pump = order.valve.pump
    change_pump(
        pump.pk,
        changes,
        version=pump.version,
        actor=member(order.site, Role.RELIABILITY_ENGINEER),
        at=SOON,
        reason="the record was wrong",
    )


def test_a_corrected_input_makes_the_verdict_stale_and_the_owner_is_told(order, client):
    correct_the_pump(order, stable_min_flow_m3_per_h=40.0)
    run_sweep(SOON, nothing)
    now = Verdict.objects.get(valve=order.valve, is_current=True)
    assert now.word == "Does not protect"
    order.refresh_from_db()
    assert (order.told_verdict_id, order.verdict_before) == (now.pk, "Protects")
    assert (order.verdict_changed_at, order.version) == (SOON, 1)
    event = told().get()
    assert event.words.startswith(
        f"{order}, {order.assigned_to.get_username()}: The verdict changed from 'Protects' to "
        "'Does not protect'. "
    )
    assert event.valve == order.valve
    assert event.data == {
        "verdict": now.pk,
        "from": "Protects",
        "to": "Does not protect",
        "assigned_to": order.assigned_to.get_username(),
    }
    client.force_login(order.assigned_to)
    page = client.get(reverse("valvecare:work-order", args=[order.pk])).content.decode()
    assert "The verdict of this valve changed on" in page
    assert now.reason.split(":")[0] in page
    assert "The verdict changed on" in client.get(reverse("valvecare:my-work")).content.decode()
    card = client.get(f"/api/v1/work-orders/{order.pk}").json()
    assert card["verdict_change"] == {
        "at": SOON.isoformat().replace("+00:00", "Z"),
        "before": "Protects",
        "now": "Does not protect",
        "reason": now.reason,
        "restriction": now.restriction,
    }


def test_it_is_told_once_however_often_the_runs_come(order):
    correct_the_pump(order, stable_min_flow_m3_per_h=40.0)
    run_refresh(SOON, nothing)
    assert told().count() == 1
    run_refresh(SOON + timedelta(minutes=1), nothing)
    run_sweep(SOON + timedelta(minutes=5), nothing)
    assert tell_verdict_changes(SOON + timedelta(minutes=6)) == {"owners_told": 0}
    assert told().count() == 1


def test_moved_dates_alone_are_not_told(order):
    Verdict.objects.update(is_current=False)
    old = Verdict.objects.get()
    old.pk, old.is_current, old.judged_at = None, True, SOON
    old.save(force_insert=True)
    assert tell_verdict_changes(SOON) == {"owners_told": 0}
    assert WorkOrder.objects.get().told_verdict_id == old.pk
    assert not told().exists()


def test_a_due_date_moved_by_the_same_run_does_not_swallow_the_telling(order):
    """`due_changed` is an event of the order at the instant of the verdict, but nobody's step."""
    correct_the_pump(order, stable_min_flow_m3_per_h=40.0)
    Event.objects.create(
        at=SOON,
        type="work_order.due_changed",
        site=order.site,
        valve=order.valve,
        object_type="workorder",
        object_id=str(order.pk),
        object_name=str(order),
        actor=None,
        words="moved",
    )
    run_sweep(SOON, nothing)
    assert told().count() == 1


def test_an_order_nobody_agreed_to_yet_has_no_owner_to_tell(order):
    WorkOrder.objects.update(state="raised", assigned_to=None)
    correct_the_pump(order, stable_min_flow_m3_per_h=40.0)
    run_sweep(SOON, nothing)
    assert not told().exists()
    assert WorkOrder.objects.get().verdict_changed_at is None


def test_a_change_since_the_order_was_raised_is_told_although_no_run_came_between(site):
    valve = protecting(site)
    judge_valves([valve.pk], NOW - timedelta(days=1))
    made = WorkOrderFactory(valve=valve, state="agreed", raised_at=NOW)
    proven(valve, "2026-05-04", bypass_flow_m3_per_h=21.0, result="fail", done_at=NOW)
    judge_valves([valve.pk], SOON)
    assert tell_verdict_changes(SOON) == {"owners_told": 1}
    assert f"{made}, given to nobody yet: The verdict changed" in told().get().words


def test_what_the_order_itself_changed_is_not_told(site):
    valve = protecting(site)
    judge_valves([valve.pk], NOW)
    job = Job(site, WorkOrderFactory(valve=valve)).to_under_way()
    tell_verdict_changes(job.tick())
    before = Verdict.objects.get(valve=valve, is_current=True)
    job.gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    assert Verdict.objects.get(valve=valve, is_current=True).pk != before.pk
    assert tell_verdict_changes(job.tick()) == {"owners_told": 0}
    assert not told().exists()
