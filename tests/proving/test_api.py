"""REST of a guided test: options, begin, bulk readings once each, judged live, finish."""

import json

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.proving import Guided, passing
from tests.factories.register import SiteFactory, member
from valvecare.core.permits import Role
from valvecare.models import FunctionTest, TestReading, TestRun
from valvecare.proving.api.runs import _BEGIN

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def today(settings):
    settings.VALVECARE = {"DEMO": True, "TODAY": "2026-05-05"}


@pytest.fixture
def job():
    return Guided.new()


def send(job, url, body, *, actor=None, **headers):
    client = Client()
    client.force_login(actor or job.technician)
    return client.post(url, json.dumps(body), content_type="application/json", headers=headers)


def begin_url(job):
    return reverse("valvecare:api-test-runs-of-order", args=[job.order.pk])


def run_url(name="", run=None):
    return reverse(f"valvecare:api-test-run{name}", args=[run or TestRun.objects.get().pk])


BODY = {
    **_BEGIN,
    "instruments": ["FM-01", "TH-01", "TH-02", "TH-03", "PG-01", "PG-02", "SP-01", "SW-01"],
}


def begun(job):
    answer = send(job, begin_url(job), BODY, **{"If-Match": f'"{job.order.version}"'})
    assert answer.status_code == 201, answer.json()
    job.run = TestRun.objects.get()
    return answer.json()


def readings(job):
    rows = [row for step in passing(job.run.begun_at).values() for row in step]
    return [
        {
            **{name: value for name, value in row.items() if name != "read_at"},
            "key": f"row-{number}",
            **({"read_at": row["read_at"].isoformat()} if "read_at" in row else {}),
        }
        for number, row in enumerate(rows)
        if row["quantity"] != "vibration"
    ]


def test_options_name_methods_limits_and_gauges(job):
    client = Client()
    client.force_login(job.technician)
    found = client.get(begin_url(job)).json()
    assert found["limits"]["required_m3_per_h"] == 27.0
    assert found["missing"] == {}
    assert [(m["method"], m["able"]) for m in found["methods"]][0] == (
        "meter in the bypass line",
        True,
    )
    assert {"code", "kind", "words", "is_usable"} == set(found["gauges"][0])


def test_a_whole_test_through_the_interface(job, monkeypatch):
    body = begun(job)
    assert (body["method"], body["judgement"]["result"]) == (
        "meter in the bypass line",
        "undecided",
    )
    monkeypatch.setattr("valvecare.web.clock.now", lambda: job.run.begun_at.replace(hour=20))
    rows = readings(job)
    wrong = {"key": "bad", "step": "T1", "quantity": "speed", "value": 2970, "gauge": "FM-01"}
    answer = send(job, run_url("-readings"), {"readings": [*rows, wrong]})
    results = answer.json()["results"]
    assert [row["status"] for row in results] == [*["created"] * len(rows), "refused"]
    assert results[-1]["reasons"][0]["code"] == "gauge_of_other_unit"
    again = send(job, run_url("-readings"), {"readings": rows}).json()
    assert {row["status"] for row in again["results"]} == {"duplicate"}
    assert TestReading.objects.count() == len(rows)
    client = Client()
    client.force_login(job.technician)
    shown = client.get(run_url())
    assert shown.json()["judgement"]["result"] == "pass"
    assert shown.json()["judgement"]["flow"]["margin_share"] == pytest.approx(0.0888, abs=1e-3)
    finish = {"words": "No leak."}
    bare = send(job, run_url("-finish"), finish)
    assert bare.status_code == 428
    stale = send(job, run_url("-finish"), finish, **{"If-Match": '"1"'})
    assert stale.status_code == 412
    keyed = {"If-Match": shown["ETag"], "Idempotency-Key": "finish-1"}
    done = send(job, run_url("-finish"), finish, **keyed)
    assert (done.status_code, done.json()["result"]) == (200, "pass")
    assert done.json()["order_state"] == "proven"
    repeated = send(job, run_url("-finish"), finish, **keyed)
    assert repeated.json() == done.json()
    assert FunctionTest.objects.count() == 1


def test_what_is_not_done_is_said(job):
    begun(job)
    answer = send(job, run_url("-not-done"), {"step": "T6", "because": "Second pump in repair."})
    line = next(s for s in answer.json()["judgement"]["steps"] if s["step"] == "T6")
    assert (line["outcome"], line["because"]) == ("not done", "Second pump in repair.")
    ended = send(job, run_url("-finish"), {}, **{"If-Match": f'"{job.order.version + 1}"'})
    assert ended.status_code == 409
    assert ended.json()["code"] == "steps_not_answered"


@pytest.mark.parametrize(
    ("case", "row"),
    [
        ("no key", {"step": "T0", "quantity": "joints tight", "value": 1}),
        ("unknown quantity", {"key": "k", "step": "T0", "quantity": "mood", "value": 1}),
        ("text for a number", {"key": "k", "step": "T0", "quantity": "joints tight", "value": "1"}),
        ("misspelt", {"key": "k", "step": "T0", "quantity": "joints tight", "valeu": 1}),
    ],
)
def test_a_row_of_another_shape_is_a_400(job, case, row):
    begun(job)
    assert send(job, run_url("-readings"), {"readings": [row]}).status_code == 400, case
    assert TestReading.objects.count() == 0


def test_a_stranger_finds_nothing(job):
    begun(job)
    stranger = member(SiteFactory(), Role.TECHNICIAN)
    row = {"key": "k", "step": "T0", "quantity": "joints tight", "value": 1}
    assert send(job, run_url("-readings"), {"readings": [row]}, actor=stranger).status_code == 404
    headers = {"If-Match": '"1"'}
    assert send(job, begin_url(job), BODY, actor=stranger, **headers).status_code == 404
    client = Client()
    client.force_login(stranger)
    assert client.get(run_url()).status_code == 404
    assert client.get(begin_url(job)).status_code == 404


def test_the_engineer_keeps_the_owners_limits_in_the_admin(job, client):
    engineer = member(job.site, Role.RELIABILITY_ENGINEER, is_staff=True)
    client.force_login(engineer)
    fields = {
        "switching_band_share": "0.2",
        "head_band_share": "0.03",
        "leak_limit_share": "0.1",
        "reverse_swing_limit_s": "3",
        "header_decay_limit_bar": "2",
        "closed_in_share": "0.5",
        "probability": "0.975",
        "steady_k_per_min": "0.1",
        "steady_after_min": "5",
        "source": "invented",
        "owner": "engineer",
        "valid_from": "2026-01-01",
    }
    url = reverse("admin:valvecare_testpolicy_add")
    assert client.post(url, fields).status_code == 302
    assert client.post(url, {**fields, "switching_band_share": "1.5"}).status_code == 200
    begun(job)
    assert TestRun.objects.get().limits["switching_band_share"] == 0.2
    client.force_login(job.technician)
    assert client.post(url, fields).status_code == 302  # to the login page of the admin
    listed = reverse("admin:valvecare_testrun_changelist")
    client.force_login(engineer)
    assert client.get(listed).status_code == 200
