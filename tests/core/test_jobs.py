import threading
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection

from valvecare.core import jobs
from valvecare.core.jobs import MAX_ATTEMPTS, Job, register_job, run_job, slot_of, wake
from valvecare.models import JobRun

NOON = datetime(2026, 5, 4, 12, 0, 7, tzinfo=UTC)


@pytest.fixture
def job(monkeypatch):
    monkeypatch.setattr(jobs, "REGISTRY", {})
    ran: list[datetime] = []

    def run(at, beat):
        beat()
        ran.append(at)
        return {"done": len(ran)}

    made = register_job(Job("test.job", timedelta(minutes=5), run, "Counts its own runs."))
    made_ran = ran
    return made, made_ran


def test_a_slot_starts_at_a_multiple_of_the_period(job):
    made, _ = job
    assert slot_of(made, NOON) == "2026-05-04T12:00:00+00:00"
    assert slot_of(made, NOON + timedelta(minutes=4, seconds=52)) == "2026-05-04T12:00:00+00:00"
    assert slot_of(made, NOON + timedelta(minutes=5)) == "2026-05-04T12:05:00+00:00"


@pytest.mark.django_db
def test_a_job_runs_once_per_slot_and_its_run_is_recorded(job):
    _, ran = job
    first = run_job("test.job", now=lambda: NOON)
    again = run_job("test.job", now=lambda: NOON + timedelta(minutes=1))
    later = run_job("test.job", now=lambda: NOON + timedelta(minutes=5))
    assert (first.counts, again, later.counts) == ({"done": 1}, None, {"done": 2})
    assert ran == [NOON, NOON + timedelta(minutes=5)]
    assert JobRun.objects.filter(finished_at__isnull=False).count() == 2


@pytest.mark.django_db
def test_the_business_time_may_differ_from_the_clock(job):
    _, ran = job
    demo_day = datetime(2026, 5, 4, 12, tzinfo=UTC)
    run_job("test.job", now=lambda: NOON + timedelta(days=200), at=demo_day)
    assert ran == [demo_day]


@pytest.mark.django_db
def test_a_run_that_died_is_taken_over_when_its_lease_is_over(job):
    _, ran = job
    slot = "2026-05-04T12:00:00+00:00"
    JobRun.objects.create(
        name="test.job",
        slot=slot,
        attempts=1,
        owner="dead",
        lease_until=NOON + timedelta(minutes=2),
    )
    assert run_job("test.job", now=lambda: NOON, slot=slot) is None
    taken = run_job("test.job", now=lambda: NOON + timedelta(minutes=3), slot=slot)
    assert (taken.attempts, taken.counts, len(ran)) == (2, {"done": 1}, 1)


@pytest.mark.django_db
def test_a_failing_job_keeps_its_error_and_is_parked_after_its_tries(job, monkeypatch):
    def fail(at, beat):
        raise RuntimeError("planted")

    monkeypatch.setitem(
        jobs.REGISTRY, "test.job", Job("test.job", timedelta(minutes=5), fail, "Fails.")
    )
    for _ in range(MAX_ATTEMPTS):
        with pytest.raises(RuntimeError, match="planted"):
            run_job("test.job", now=lambda: NOON)
    assert run_job("test.job", now=lambda: NOON) is None
    kept = JobRun.objects.get()
    assert kept.attempts == MAX_ATTEMPTS
    assert "planted" in kept.error
    assert kept.finished_at is None


@pytest.mark.django_db(transaction=True)
def test_two_schedulers_in_one_slot_run_the_job_once(job):
    _, ran = job
    start = threading.Barrier(6)

    def run() -> None:
        start.wait()
        try:
            run_job("test.job", now=lambda: NOON)
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(ran) == 1
    assert JobRun.objects.count() == 1


def test_a_name_cannot_be_taken_twice(job):
    made, _ = job
    with pytest.raises(ValueError, match=r"'test\.job' is registered already"):
        register_job(Job("test.job", timedelta(minutes=1), made.run, "Another."))


_woken: list[str] = []


def remember(name: str) -> None:
    _woken.append(name)
    raise RuntimeError("the broker is down")


@pytest.mark.django_db
def test_a_wake_up_comes_after_commit_and_its_failure_is_swallowed(
    settings, django_capture_on_commit_callbacks
):
    settings.VALVECARE = {"WAKER": "tests.core.test_jobs.remember"}
    _woken.clear()
    with django_capture_on_commit_callbacks(execute=True):
        wake("test.job")
        assert _woken == []
    assert _woken == ["test.job"]
