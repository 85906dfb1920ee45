"""Due items and policies over HTTP."""

from datetime import timedelta

import pytest
from django.test import Client

from tests.factories.due import NOON, act_of, administrator, daily, policy_for, scene
from tests.factories.register import ProtectionValveFactory, SiteFactory, member
from valvecare.core.permits import Role
from valvecare.due.actions import refresh_touched, sweep
from valvecare.due.rules import TaskKind
from valvecare.models import DueItem, Policy
from valvecare.web import clock

pytestmark = pytest.mark.django_db

LIST = "/api/v1/due"
POLICIES = "/api/v1/policies"


@pytest.fixture(autouse=True)
def demo_day(monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: NOON)


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def asked(client, url, status=200):
    answer = client.get(url)
    assert answer.status_code == status, answer.content
    return answer.json()


@pytest.fixture
def plant():
    """Three valves of one site: without a record, overdue, not yet due."""
    site = SiteFactory(code="HERE")
    policy_for(design_code="OAK-5", months=24, run_hours=12_000)
    valves = [
        ProtectionValveFactory(
            tag=f"V{n}", pump__group__site=site, design__code="OAK-5", design__revision=f"R{n}"
        )
        for n in range(3)
    ]
    sweep(NOON)
    act_of(valves[1], NOON - timedelta(days=800))
    act_of(valves[2], NOON - timedelta(days=100))
    return site, valves


def test_the_list_shows_no_record_first_then_by_due_date(plant):
    site, valves = plant
    rows = asked(signed_in(member(site)), LIST)["results"]
    assert [row["valve"]["tag"] for row in rows] == ["V0", "V1", "V2"]
    assert [row["state"] for row in rows] == ["no record", "overdue", "not yet"]
    assert (rows[0]["share_used"], rows[0]["due_on"]) == (None, None)
    assert (rows[1]["share_used"], rows[1]["governed_by"]) == (1.09, "calendar")
    assert rows[1]["valve"] == {"id": valves[1].pk, "tag": "V1"}
    assert rows[1]["site"] == "HERE"


@pytest.mark.parametrize(
    ("query", "tags"),
    [
        ("state=overdue", ["V1"]),
        ("state=no%20record", ["V0"]),
        ("governed_by=calendar", ["V1", "V2"]),
        ("governed_by=starts", []),
        ("site=HERE", ["V0", "V1", "V2"]),
        ("site=THERE", []),
        ("kind=function%20test", []),
        ("due_before=2026-05-04", ["V1"]),
        ("updated_since=2026-05-04T12:00:00Z", ["V0", "V1", "V2"]),
        ("updated_since=2026-05-04T12:00:01Z", []),
    ],
)
def test_filters(plant, query, tags):
    rows = asked(signed_in(member(plant[0])), f"{LIST}?{query}")["results"]
    assert [row["valve"]["tag"] for row in rows] == tags


def test_filters_by_valve_and_group(plant):
    site, valves = plant
    client = signed_in(member(site))
    for query in (f"valve={valves[1].pk}", f"group={valves[1].pump.group.code}"):
        rows = asked(client, f"{LIST}?{query}")["results"]
        assert [row["valve"]["tag"] for row in rows] == ["V1"]


@pytest.mark.parametrize(
    "query",
    [
        "colour=red",
        "state=fine",
        "kind=overhaul",
        "due_before=soon",
        "valve=x",
        "valve=99999999999999999999",
        "updated_since=2026-05-04T12:00:00",
        "updated_since=yesterday",
        "cursor=nonsense",
        "page_size=0",
    ],
)
def test_unknown_or_bad_parameters_are_refused(plant, query):
    body = asked(signed_in(member(plant[0])), f"{LIST}?{query}", 400)
    assert body["code"] == "invalid"


def test_pages_follow_one_another_without_a_gap(plant):
    client = signed_in(member(plant[0]))
    url, tags = f"{LIST}?page_size=1", []
    while url:
        page = asked(client, url)
        tags += [row["valve"]["tag"] for row in page["results"]]
        url = page["next"]
    assert tags == ["V0", "V1", "V2"]


def test_strangers_see_nothing(plant):
    stranger = signed_in(member(SiteFactory()))
    assert asked(stranger, LIST)["results"] == []
    item = DueItem.objects.first()
    assert asked(stranger, f"{LIST}/{item.pk}", 404)["code"] == "not_found"
    assert Client().get(LIST).status_code == 401


def test_the_list_takes_as_many_queries_for_many_as_for_few(plant, django_assert_max_num_queries):
    client = signed_in(member(plant[0]))
    with django_assert_max_num_queries(4):
        asked(client, LIST)


def test_one_item_shows_its_working():
    one = scene(zone="Asia/Kathmandu")
    start = NOON - timedelta(days=100)
    one.push(one.hours, daily(start, 99, 12), at=NOON)
    act_of(one.valve, start)
    refresh_touched(NOON)
    client = signed_in(member(one.valve.site_of()))
    found = asked(client, f"{LIST}/{one.item().pk}")
    assert found["state"] == "not yet"
    by_name = {limit["trigger"]: limit for limit in found["limits"]}
    assert set(by_name) == {"calendar", "run-hours", "starts"}
    hours = by_name["run-hours"]
    assert (hours["used"], hours["of"], hours["unit"]) == (99 * 12, 12_000, "h")
    assert hours["share"] == pytest.approx(0.099)
    assert (hours["base"], hours["total"], hours["age_s"]) == (0, 99 * 12, 86_400)
    assert (hours["series_tag"], hours["per_day"]) == (one.hours.tag, pytest.approx(12))
    assert hours["remaining"] == 12_000 - 99 * 12
    calendar = by_name["calendar"]
    assert (calendar["used"], calendar["unit"], calendar["limit"]) == (100, "days", 24)
    assert calendar["is_governing"]
    assert by_name["starts"]["note"] == "no reading of the counter has arrived"
    assert by_name["starts"]["is_silent"]
    assert found["policy"]["who"] == f"valve {one.valve.tag}"
    assert (found["policy"]["level"], found["policy"]["months"]) == ("valve", 24)
    assert found["act"]["kind"] == "strip-down"
    assert found["reasons"][0]["code"] == "calendar_governs"
    assert [reason["code"] for reason in found["reasons"]][1:] == ["no_reading"]
    assert (found["coming_up_from"], found["confidence"]) == (0.9, 0.9)


BODY = {
    "kind": "strip-down",
    "months": 24,
    "run_hours": 16_000,
    "valid_from": "2026-01-01",
    "source": "invented",
    "owner": "reliability engineer",
}


def post(client, body, **headers):
    return client.post(POLICIES, body, content_type="application/json", headers=headers)


def test_an_engineer_sets_reads_and_changes_a_policy():
    valve = ProtectionValveFactory()
    client = signed_in(member(valve.site_of(), Role.RELIABILITY_ENGINEER))
    made = post(client, {**BODY, "valve": valve.pk}, **{"Idempotency-Key": "k1"})
    assert made.status_code == 201, made.content
    url = made["Location"].removeprefix("http://testserver")
    again = post(client, {**BODY, "valve": valve.pk}, **{"Idempotency-Key": "k1"})
    assert (again.status_code, again["Idempotency-Replayed"]) == (201, "true")
    assert Policy.objects.count() == 1
    found = client.get(url)
    assert found["ETag"] == '"1"'
    assert found.json()["valve"]["id"] == valve.pk
    assert found.json()["run_hours"] == 16_000
    changed = client.patch(
        url,
        {"months": 12, "reason": "shorter"},
        content_type="application/json",
        headers={"If-Match": '"1"'},
    )
    assert (changed.status_code, changed["ETag"], changed.json()["months"]) == (200, '"2"', 12)
    assert asked(client, f"{POLICIES}?valve={valve.pk}")["results"] == [changed.json()]


def test_a_second_policy_for_the_same_valve_is_a_409_with_the_way_out():
    one = scene()
    client = signed_in(member(one.valve.site_of(), Role.RELIABILITY_ENGINEER))
    answer = post(client, {**BODY, "valve": one.valve.pk})
    assert (answer.status_code, answer.json()["code"]) == (409, "equally_specific_policy")
    assert answer.json()["errors"][0]["remedy"].startswith("Change that one, or end it")


@pytest.mark.parametrize(
    ("case", "body", "pointer"),
    [
        ("months as text", {"months": "24"}, "/months"),
        ("hours true", {"run_hours": True}, "/run_hours"),
        ("fraction of a month", {"months": 1.5}, "/months"),
        ("unknown name", {"moths": 2}, "/moths"),
        ("unknown task", {"kind": "overhaul"}, "/kind"),
        ("valve of nobody", {"valve": 999_999}, "/valve"),
        ("no owner", {"owner": ""}, "/owner"),
    ],
)
def test_a_bad_body_is_refused_by_field(case, body, pointer):
    valve = ProtectionValveFactory()
    client = signed_in(member(valve.site_of(), Role.RELIABILITY_ENGINEER))
    answer = post(client, {**BODY, "valve": valve.pk, **body})
    assert answer.status_code == 400
    assert pointer in [error["pointer"] for error in answer.json()["errors"]]
    assert not Policy.objects.exists()


def test_a_change_needs_the_version_that_was_read():
    one = scene()
    client = signed_in(member(one.valve.site_of(), Role.RELIABILITY_ENGINEER))
    url = f"{POLICIES}/{one.policy.pk}"
    for headers, status in (({}, 428), ({"If-Match": '"9"'}, 412), ({"If-Match": "x"}, 400)):
        answer = client.patch(url, {"months": 6}, content_type="application/json", headers=headers)
        assert answer.status_code == status
    assert Policy.objects.get().months == 24


def test_a_planner_may_look_but_not_set():
    one = scene()
    client = signed_in(member(one.valve.site_of(), Role.PLANNER))
    assert len(asked(client, POLICIES)["results"]) == 1
    policy_url = f"{POLICIES}/{one.policy.pk}"
    answer = client.patch(
        policy_url, {"months": 6}, content_type="application/json", headers={"If-Match": '"1"'}
    )
    assert answer.status_code == 403
    assert post(client, {**BODY, "group": one.valve.pump.group.pk}).status_code == 403


def test_a_policy_of_another_site_is_not_found():
    one = scene()
    client = signed_in(member(SiteFactory(), Role.RELIABILITY_ENGINEER))
    url = f"{POLICIES}/{one.policy.pk}"
    assert client.get(url).status_code == 404
    answer = client.patch(
        url, {"months": 6}, content_type="application/json", headers={"If-Match": '"1"'}
    )
    assert answer.status_code == 404
    assert post(client, {**BODY, "valve": one.valve.pk}).status_code == 400


def test_the_admin_sets_and_changes_policies_through_the_actions():
    valve = ProtectionValveFactory()
    client = signed_in(administrator())
    user = administrator()
    user.is_staff = True
    user.save()
    form = {
        "kind": TaskKind.STRIP_DOWN.value,
        "valve": valve.pk,
        "valid_from": "2026-01-01",
        "months": 24,
        "source": "invented",
        "owner": "reliability engineer",
        "seen_version": 1,
    }
    add = "/admin/valvecare/policy/add/"
    assert client.post(add, form).status_code == 302
    policy = Policy.objects.get()
    assert DueItem.objects.get(valve=valve).policy == policy
    refused = client.post(add, form)
    assert refused.status_code == 200
    assert "There is a policy already" in refused.content.decode()
    change = f"/admin/valvecare/policy/{policy.pk}/change/"
    assert client.post(change, {**form, "months": 12}).status_code == 302
    policy.refresh_from_db()
    assert (policy.months, policy.version, policy.history.count()) == (12, 2, 2)
    stale = client.post(change, {**form, "months": 6})
    assert "Somebody changed this policy" in stale.content.decode()
    assert client.get(f"/admin/valvecare/policy/{policy.pk}/history/").status_code == 200
    for name in ("act", "dueitem"):
        assert client.get(f"/admin/valvecare/{name}/").status_code == 200
        assert client.get(f"/admin/valvecare/{name}/add/").status_code == 403
