"""From due to closed to due again, and the background jobs that carry it."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.utils import timezone

from tests.factories.due import NOON, act_of, daily, policy_for, scene
from tests.factories.register import SiteFactory, UserFactory, member, valve_at
from tests.factories.work import Job
from valvecare.core.jobs import REGISTRY, run_job
from valvecare.core.permits import Role
from valvecare.due.actions import sweep
from valvecare.due.rules import TaskKind
from valvecare.models import Act, DueItem, IdempotentAnswer, JobRun, WorkOrder
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.raise_due import raise_due
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.rules import OrderKind

pytestmark = pytest.mark.django_db

OPENED = datetime(2024, 4, 2, 12, tzinfo=UTC)


def test_every_task_kind_can_be_an_order():
    assert {kind.value for kind in TaskKind} | {"corrective"} == {kind.value for kind in OrderKind}


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def overdue(site):
    """Opened 25 months ago; 24 months allowed, function test yearly."""
    valve = valve_at(site)
    policy_for(valve=valve, months=24)
    policy_for(valve=valve, kind=TaskKind.FUNCTION_TEST, months=12)
    act_of(valve, OPENED)
    act_of(valve, OPENED, kind=TaskKind.FUNCTION_TEST)
    return valve


def item(valve, kind="strip-down"):
    return DueItem.objects.get(valve=valve, kind=kind)


def test_an_overdue_valve_is_raised_worked_and_due_again_in_two_years(site, overdue):
    sweep(NOON)
    assert raise_due(NOON)["raised"] == 2
    order = WorkOrder.objects.get(kind="strip-down")
    assert order.why == item(overdue).reason
    assert (order.due_on, order.share_used) == (date(2026, 4, 2), item(overdue).share_used)
    job = Job(site, order).to_proven()
    job.do(close_work_order)
    done = job.order.done_at
    assert done.date() == date(2026, 5, 4)
    assert (item(overdue).state, item(overdue).due_on) == ("not yet", date(2028, 5, 4))
    test = item(overdue, "function test")
    assert (test.state, test.due_on) == ("not yet", date(2027, 5, 4))
    assert set(Act.objects.filter(origin=order.number).values_list("kind", flat=True)) == {
        "strip-down",
        "function test",
    }
    # the function test that was waiting is no longer wanted
    assert WorkOrder.objects.get(kind="function test").state == "dropped"
    assert WorkOrder.objects.open().count() == 0


def test_without_proof_the_function_test_stays_due(site, overdue):
    sweep(NOON)
    raise_due(NOON)
    job = Job(site, WorkOrder.objects.get(kind="strip-down")).to_moved_by_hand()
    job.do(
        release_provisionally,
        until=date(2026, 6, 30),
        restriction="Load within 60 s.",
        words="No low load before June ends.",
        actor=member(site, Role.APPROVER),
    )
    job.do(close_work_order)
    assert item(overdue).state == "not yet"
    assert item(overdue, "function test").state == "overdue"
    assert WorkOrder.objects.open().get().kind == "function test"


def test_a_corrective_repair_restarts_nothing(site, overdue):
    sweep(NOON)
    job = Job(site, valve=overdue, kind="corrective").to_proven()
    job.do(close_work_order)
    assert item(overdue).state == "overdue"
    assert Act.objects.filter(origin=job.order.number).count() == 0


def test_amending_a_closed_record_is_no_second_act(site, overdue):
    sweep(NOON)
    raise_due(NOON)
    job = Job(site, WorkOrder.objects.get(kind="strip-down")).to_proven()
    job.do(close_work_order)
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    job.do(reopen, "Spring length left out.", work_again=False, actor=engineer)
    job.do(close_work_order, remarks="387 mm")
    assert Act.objects.filter(origin=job.order.number).count() == 2
    assert item(overdue).due_on == date(2028, 5, 4)


def test_the_age_at_closing_is_kept_for_learning():
    place = scene()
    act_of(place.valve, OPENED)
    first = datetime(2024, 4, 2, 12, tzinfo=UTC)
    place.push(place.hours, daily(first, 760, 12.0), at=NOON)
    place.push(place.starts, daily(first, 760, 0.1), at=NOON)
    sweep(NOON)
    job = Job(place.valve.site_of(), valve=place.valve).to_proven()
    job.do(close_work_order)
    assert job.order.run_hours_since == pytest.approx(760 * 12.0, rel=1e-6)
    assert job.order.starts_since == pytest.approx(76.0, rel=1e-6)


# ---- jobs


def test_the_jobs_are_registered_with_their_periods():
    wanted = {
        "sweep": timedelta(minutes=5),
        "due.refresh": timedelta(minutes=1),
        "protection.refresh": timedelta(minutes=1),
        "housekeeping": timedelta(days=1),
    }
    assert {name: REGISTRY[name].every for name in wanted} == wanted


def test_the_sweep_job_raises_what_is_due(overdue):
    run = run_job("sweep", now=timezone.now, at=NOON)
    assert run.finished_at is not None
    assert run.counts["raised"] == 2
    assert run_job("sweep", now=timezone.now, at=NOON, slot=run.slot) is None
    again = run_job("sweep", now=timezone.now, at=NOON, slot="again")
    assert (again.counts["raised"], WorkOrder.objects.count()) == (0, 2)


def test_the_refresh_job_raises_for_what_was_touched():
    place = scene(run_hours=1_000)
    act_of(place.valve, datetime(2026, 1, 1, tzinfo=UTC))
    run_job("due.refresh", now=timezone.now, at=NOON)
    assert WorkOrder.objects.count() == 0
    place.push(place.hours, daily(datetime(2026, 1, 1, tzinfo=UTC), 120, 20.0), at=NOON)
    run = run_job("due.refresh", now=timezone.now, at=NOON, slot="after the push")
    assert run.counts["raised"] == 1
    order = WorkOrder.objects.get()
    assert (order.governed_by, order.valve) == ("run-hours", place.valve)


def test_housekeeping_forgets_old_answers_and_old_runs():
    user = UserFactory()
    for key in ("old", "new"):
        IdempotentAnswer.objects.create(actor=user, key=key, fingerprint="x", status=200)
        JobRun.objects.create(name="sweep", slot=key, finished_at=NOON)
    IdempotentAnswer.objects.filter(key="old").update(created_at=NOON - timedelta(days=31))
    IdempotentAnswer.objects.filter(key="new").update(created_at=NOON - timedelta(days=29))
    JobRun.objects.filter(slot="old").update(finished_at=NOON - timedelta(days=31))
    JobRun.objects.create(name="sweep", slot="unfinished")
    run = run_job("housekeeping", now=timezone.now, at=NOON)
    assert run.counts == {"answers": 1, "job_runs": 1}
    assert list(IdempotentAnswer.objects.values_list("key", flat=True)) == ["new"]
    assert not JobRun.objects.filter(slot="old").exists()
    assert JobRun.objects.filter(slot="unfinished").exists()
