"""The generator: open orders follow the due items and never double."""

from datetime import date, timedelta

import pytest

from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import NOW, Job, WorkOrderFactory, due_item
from valvecare.core.permits import Role
from valvecare.models import DueItem, Event, Policy, WorkOrder
from valvecare.work.actions.put_off import ask_to_put_off, put_off
from valvecare.work.actions.raise_due import raise_due

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


def counts(**changed):
    return {"raised": 0, "followed": 0, "dropped": 0, "woken": 0} | changed


def test_no_record_overdue_and_coming_up_are_raised_and_nothing_else(site):
    for state, share in (("overdue", 1.4), ("coming up", 0.95), ("not yet", 0.4)):
        due_item(valve_at(site), state=state, share_used=share)
    due_item(valve_at(site), state="no record", share_used=None, due_on=None, governed_by="")
    assert raise_due(NOW) == counts(raised=3)
    assert set(WorkOrder.objects.values_list("share_used", flat=True)) == {1.4, 0.95, None}
    unknown = WorkOrder.objects.get(share_used=None)
    assert unknown.due_on == date(2026, 5, 4)
    assert set(Event.objects.values_list("type", "actor_name")) == {
        ("work_order.raised", "valvecare")
    }
    assert Event.objects.filter(site=site, valve__isnull=False).count() == 3


def test_a_second_run_raises_nothing_more(site):
    due_item(valve_at(site))
    assert raise_due(NOW)["raised"] == 1
    assert raise_due(NOW + timedelta(minutes=5)) == counts()
    assert WorkOrder.objects.count() == 1


def test_an_order_raised_by_a_person_counts_as_the_open_one(site):
    order = WorkOrderFactory(valve=valve_at(site))
    due_item(order.valve, share_used=1.3)
    assert raise_due(NOW) == counts(followed=1)
    row = WorkOrder.objects.get()
    assert (row.share_used, row.why, row.due_on) == (1.3, order.why, order.due_on)


def test_nothing_is_raised_without_a_policy_or_out_of_service(site):
    without, retired = valve_at(site), valve_at(site)
    due_item(without)
    DueItem.objects.update(policy=None)
    due_item(retired)
    type(retired).objects.filter(pk=retired.pk).update(status="retired")
    assert raise_due(NOW) == counts()


def test_an_open_order_follows_its_item_without_a_new_version(site):
    valve = valve_at(site)
    due_item(valve)
    raise_due(NOW)
    version = WorkOrder.objects.get().version
    due_item(valve, due_on=date(2026, 3, 1), share_used=1.1, reason="Run-hours, 1.10.")
    later = NOW + timedelta(minutes=5)
    assert raise_due(later) == counts(followed=1)
    row = WorkOrder.objects.get()
    assert (row.due_on, row.share_used, row.why) == (date(2026, 3, 1), 1.1, "Run-hours, 1.10.")
    assert (row.version, row.updated_at) == (version, later)
    event = Event.objects.get(type="work_order.due_changed")
    assert event.data == {"from": "2026-04-20", "to": "2026-03-01"}


def test_an_untouched_order_goes_when_its_task_is_no_longer_due(site):
    valve, touched = valve_at(site), valve_at(site)
    due_item(valve)
    due_item(touched)
    raise_due(NOW)
    WorkOrder.objects.filter(valve=touched).update(state="agreed")
    for one in (valve, touched):
        due_item(one, state="not yet", share_used=0.6)
    assert raise_due(NOW)["dropped"] == 0
    for one in (valve, touched):
        due_item(one, state="not yet", share_used=0.0)
    assert raise_due(NOW)["dropped"] == 1
    assert WorkOrder.objects.get(valve=valve).state == "dropped"
    assert WorkOrder.objects.get(valve=touched).state == "agreed"
    assert Event.objects.get(type="work_order.dropped").valve == valve


def test_a_policy_taken_away_drops_the_untouched_order(site):
    due_item(valve_at(site))
    raise_due(NOW)
    DueItem.objects.update(policy=None)
    Policy.objects.all().delete()
    assert raise_due(NOW)["dropped"] == 1
    assert WorkOrder.objects.get().pause_why.startswith("No policy asks")


def test_a_deferral_that_has_ended_wakes_the_order(site):
    job = Job(site)
    job.do(
        ask_to_put_off,
        why="No window.",
        risk="0.72 used.",
        until=date(2026, 5, 10),
        actor=job.planner,
    )
    job.do(put_off, "I accept.", actor=member(site, Role.APPROVER))
    assert raise_due(NOW + timedelta(days=5))["woken"] == 0
    # 22:30 UTC is already the next day at the site
    assert raise_due(NOW.replace(day=9, hour=22, minute=30))["woken"] == 1
    assert WorkOrder.objects.get().state == "raised"


def test_only_the_named_valves_are_looked_at(site):
    here, there = valve_at(site), valve_at(site)
    due_item(here)
    due_item(there)
    assert raise_due(NOW, valve_ids=[here.pk])["raised"] == 1
    assert WorkOrder.objects.get().valve == here


def test_a_fleet_is_raised_in_few_statements(site, django_assert_max_num_queries):
    for _ in range(25):
        due_item(valve_at(site))
    with django_assert_max_num_queries(12):
        assert raise_due(NOW)["raised"] == 25
    with django_assert_max_num_queries(8):
        assert raise_due(NOW) == counts()
