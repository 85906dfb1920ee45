from datetime import timedelta

import pytest
from django.utils import timezone

from valvecare.core import jobs
from valvecare.core.jobs import Job
from valvecare.models import JobRun
from valvecare.web import health


@pytest.fixture
def sweep_job(monkeypatch):
    monkeypatch.setattr(health, "_migrations", lambda: "")
    monkeypatch.setitem(
        jobs.REGISTRY, "sweep", Job("sweep", timedelta(minutes=5), lambda at, beat: {}, "")
    )


def test_livez_needs_no_login_and_no_database(client):
    assert client.get("/livez").json() == {"alive": True}


@pytest.mark.django_db
def test_readyz_says_when_no_sweep_has_run(client, sweep_job):
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["problems"] == {"sweep": "the sweep has not run yet"}


@pytest.mark.django_db
@pytest.mark.parametrize(("age_min", "status"), [(14, 200), (16, 503)])
def test_readyz_turns_when_the_last_sweep_is_older_than_three_periods(
    client, sweep_job, age_min, status
):
    JobRun.objects.create(
        name="sweep", slot="s", finished_at=timezone.now() - timedelta(minutes=age_min)
    )
    assert client.get("/readyz").status_code == status


@pytest.mark.django_db
def test_readyz_names_a_database_that_does_not_answer(client, monkeypatch):
    monkeypatch.setattr(health, "_database", lambda: "the database does not answer")
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()["ready"]) == (503, False)
    assert answer.json()["problems"] == {"database": "the database does not answer"}
