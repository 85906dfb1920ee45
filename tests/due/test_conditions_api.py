"""Condition rules and findings over HTTP, on the pages and in the admin."""

import pytest
from django.test import Client

from tests.factories.due import EVENT_FACTS, LIMIT_FACTS, NOON, act_of, condition_rule, scene
from tests.factories.register import ProtectionValveFactory, member
from valvecare.core.permits import Role
from valvecare.due.actions import sweep
from valvecare.models import ConditionFinding, ConditionRule, PlantEvent, Source
from valvecare.web import clock

pytestmark = pytest.mark.django_db

RULES, FOUND = "/api/v1/condition-rules", "/api/v1/conditions"
BODY = {
    "name": "reverse rotation",
    "task_kind": "function test",
    "lead_days": 14,
    "source": "invented",
    "owner": "reliability engineer",
    **EVENT_FACTS,
}


@pytest.fixture(autouse=True)
def demo_day(monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: NOON)


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def post(client, body, **headers):
    return client.post(RULES, body, content_type="application/json", headers=headers)


def patch(client, url, body, etag):
    return client.patch(
        url, body, content_type="application/json", headers={"If-Match": etag} if etag else {}
    )


@pytest.fixture
def found():
    """A valve with an open finding: it was turned backwards on the demo day."""
    plant = scene(months=24, run_hours=None, starts=None)
    act_of(plant.valve, NOON.replace(year=2025))
    plant.rule = condition_rule(**EVENT_FACTS, lead_days=14, name="reverse rotation")
    PlantEvent.objects.create(
        pump=plant.valve.pump,
        kind="reverse rotation",
        at=NOON,
        source=Source.objects.create(name="invented"),
        recorded_at=NOON,
        speed_rpm=180,
    )
    sweep(NOON)
    return plant


def test_an_engineer_sets_reads_changes_and_ends_a_rule():
    valve = ProtectionValveFactory()
    client = signed_in(member(valve.site_of(), Role.RELIABILITY_ENGINEER))
    body = {**BODY, "valve": valve.pk}
    made = post(client, body, **{"Idempotency-Key": "k1"})
    assert made.status_code == 201, made.content
    again = post(client, body, **{"Idempotency-Key": "k1"})
    assert (again.status_code, again["Idempotency-Replayed"]) == (201, "true")
    assert ConditionRule.objects.count() == 1
    url = made["Location"].removeprefix("http://testserver")
    read = client.get(url)
    assert (read["ETag"], read.json()["who"]) == ('"1"', f"valve {valve}")
    assert (read.json()["least_count"], read.json()["limit"]) == (1, None)
    assert patch(client, url, {"lead_days": 3}, None).status_code == 428
    changed = patch(client, url, {"lead_days": 3, "reason": "sooner"}, '"1"')
    assert (changed.status_code, changed["ETag"], changed.json()["lead_days"]) == (200, '"2"', 3)
    assert patch(client, url, {"lead_days": 4}, '"1"').status_code == 412
    ended = patch(client, url, {"is_ended": True}, '"2"')
    assert ended.json()["ended_at"] is not None
    late = patch(client, url, {"lead_days": 4}, '"3"')
    assert (late.status_code, late.json()["code"]) == (409, "condition_rule_ended")
    assert client.get(f"{RULES}?valve={valve.pk}").json()["results"] == [ended.json()]


@pytest.mark.parametrize(
    ("case", "body", "pointer"),
    [
        ("lead as text", {**BODY, "lead_days": "7"}, "/lead_days"),
        ("no lead", {name: BODY[name] for name in BODY if name != "lead_days"}, "/lead_days"),
        ("unknown name", {**BODY, "limmit": 1}, "/limmit"),
        ("unknown basis", {**BODY, "basis": "feeling"}, "/basis"),
        ("a field of another basis", {**BODY, "limit": 1.0}, "/limit"),
        ("one reading", {**BODY, **EVENT_FACTS, **LIMIT_FACTS, "confirm_count": 1}, ""),
        ("valve of nobody", {**BODY, "valve": 999_999}, "/valve"),
    ],
)
def test_a_bad_body_is_refused_by_field_and_stores_nothing(case, body, pointer):
    valve = ProtectionValveFactory()
    client = signed_in(member(valve.site_of(), Role.RELIABILITY_ENGINEER))
    answer = post(client, body)
    assert answer.status_code in (400, 422), answer.content
    assert pointer in {error["pointer"] for error in answer.json()["errors"]} or not pointer
    assert not ConditionRule.objects.exists()


def test_a_planner_may_read_but_not_set():
    valve = ProtectionValveFactory()
    client = signed_in(member(valve.site_of(), Role.PLANNER))
    assert post(client, {**BODY, "valve": valve.pk}).status_code == 403
    assert client.get(RULES).json()["results"] == []


def test_open_findings_are_listed_with_their_evidence(found):
    client = signed_in(member(found.valve.site_of()))
    (row,) = client.get(FOUND).json()["results"]
    assert (row["valve"]["id"], row["kind"]) == (found.valve.pk, "function test")
    assert (row["likely_on"], row["rule"]["name"]) == ("2026-05-18", "reverse rotation")
    assert row["evidence"]["kind"] == "reverse rotation"
    assert len(row["evidence"]["events"]) == 1
    stranger = signed_in(member(ProtectionValveFactory().site_of()))
    assert stranger.get(FOUND).json()["results"] == []
    ConditionFinding.objects.update(closed_at=NOON)
    assert client.get(FOUND).json()["results"] == []


def test_the_due_list_and_the_working_say_the_condition(found):
    client = signed_in(member(found.valve.site_of()))
    (row,) = client.get("/api/v1/due?governed_by=condition").json()["results"]
    assert (row["state"], row["due_on"]) == ("coming up", "2026-05-18")
    working = client.get(f"/api/v1/due/{row['id']}").json()
    assert working["reasons"][0]["code"] == "condition_governs"
    assert (working["limits"], working["policy"]) == ([], None)
    for url in (f"/due/{row['id']}/", f"/valves/{found.valve.pk}/", "/due/?governed_by=condition"):
        page = client.get(url)
        assert page.status_code == 200, url
        assert "reverse rotation on 4 May 2026, 180 rpm" in page.content.decode(), url


def test_the_admin_sets_and_ends_a_rule(admin_client):
    valve = ProtectionValveFactory()
    form = {name: value for name, value in BODY.items() if value is not None}
    url = "/admin/valvecare/conditionrule/"
    bad = admin_client.post(f"{url}add/", {**form, "valve": valve.pk, "least_count": ""})
    assert (bad.status_code, ConditionRule.objects.count()) == (200, 0)
    assert "Give a count, or hours within the days." in bad.content.decode()
    made = admin_client.post(f"{url}add/", {**form, "valve": valve.pk})
    assert made.status_code == 302, made.content.decode()
    rule = ConditionRule.objects.get()
    changes = {**form, "lead_days": 2, "seen_version": rule.version, "is_ended": "on"}
    done = admin_client.post(f"{url}{rule.pk}/change/", changes)
    assert done.status_code == 302, done.content.decode()
    rule.refresh_from_db()
    assert (rule.lead_days, rule.ended_at, rule.history.count()) == (2, NOON, 2)
    assert admin_client.get("/admin/valvecare/conditionfinding/").status_code == 200
