"""Verdicts and function tests over HTTP: shape, filters, keyset, ETag, permits, strangers."""

import json
from datetime import timedelta

import pytest
from django.utils import timezone

from tests.factories.protection import (
    NOON,
    plant,
    protecting,
    proven,
    verdict_policy,
)
from tests.factories.register import member, valve_at
from valvecare.core.permits import Role
from valvecare.models import DueItem, FunctionTest, Verdict
from valvecare.protection.actions import judge_all

pytestmark = pytest.mark.django_db


def nothing():
    return None


@pytest.fixture
def site(client):
    verdict_policy()
    site = plant(code="NH")
    client.force_login(member(site, Role.SHIFT_LEAD))
    return site


@pytest.fixture
def valve(site):
    valve = protecting(site, tag="NH-FW-3V")
    judge_all(timezone.now(), nothing)
    return valve


def get(client, url, **headers):
    return client.get(url, headers=headers)


def test_one_row_per_valve_in_service(client, site, valve):
    other = valve_at(site, tag="NH-FW-9V")
    valve_at(site, tag="NH-FW-SPARE", status="spare")
    content = get(client, "/api/v1/protection").json()
    assert [row["valve"]["tag"] for row in content["results"]] == [valve.tag, other.tag]
    row, unjudged = content["results"]
    assert set(row) == {
        "valve",
        "url",
        "site",
        "group",
        "pump",
        "word",
        "code",
        "since",
        "until",
        "until_earliest",
        "until_latest",
        "reason",
        "restriction",
        "next_action",
        "evidence",
        "grade",
        "margin_share",
        "required_m3_per_h",
        "notes",
        "stale",
        "judged_at",
        "confirmed_at",
        "updated_at",
        "rule_version",
    }
    assert (row["word"], row["stale"], row["since"]) == ("Protects", False, "2025-09-23")
    assert row["required_m3_per_h"] == pytest.approx(27.0)
    assert (unjudged["word"], unjudged["code"]) == ("Not known", "not_judged_yet")


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("site=NH", 2),
        ("site=AF", 0),
        ("word=Protects", 1),
        ("word=Not known", 1),
        ("word=Doubtful", 0),
        ("updated_since=2020-01-01T00:00:00Z", 1),
        ("updated_since=2099-01-01T00:00:00Z", 0),
    ],
)
def test_the_filters(client, site, valve, query, count):
    valve_at(site)
    answer = get(client, f"/api/v1/protection?{query}")
    assert len(answer.json()["results"]) == count


def test_filters_by_group_and_valve(client, site, valve):
    valve_at(site)
    for query in (f"group={valve.pump.group.code}", f"valve={valve.pk}"):
        found = get(client, f"/api/v1/protection?{query}").json()["results"]
        assert [row["valve"]["id"] for row in found] == [valve.pk]


@pytest.mark.parametrize(
    "query", ["wrod=Protects", "word=Fine", "valve=1_0", "updated_since=2026-05-04T12:00:00"]
)
def test_an_unknown_name_or_bad_value_is_refused(client, valve, query):
    assert get(client, f"/api/v1/protection?{query}").status_code == 400


def test_pages_follow_one_another_without_a_gap(client, site):
    valves = [valve_at(site).pk for _ in range(5)]
    url, seen = "/api/v1/protection?page_size=2", []
    while url:
        content = get(client, url).json()
        seen += [row["valve"]["id"] for row in content["results"]]
        url = content["next"]
    assert seen == valves


def test_an_unchanged_answer_is_304(client, valve):
    first = get(client, "/api/v1/protection")
    again = get(client, "/api/v1/protection", **{"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    Verdict.objects.update(reason="another reason")
    assert get(client, "/api/v1/protection", **{"If-None-Match": first["ETag"]}).status_code == 200


def test_the_cost_of_the_list_does_not_grow(client, site, django_assert_num_queries):
    def row():
        return valve_at(site)

    row()
    with django_assert_num_queries(5):
        get(client, "/api/v1/protection")
    for _ in range(20):
        row()
    with django_assert_num_queries(5):
        get(client, "/api/v1/protection")


def test_one_verdict_comes_with_all_it_rests_on(client, valve):
    content = get(client, f"/api/v1/protection/{valve.pk}").json()
    assert content["grounds"] == []
    assert content["facts"]["tests"][0]["flow_m3_per_h"] == 30.0
    assert content["policy"]["margin_share"] == 0.05
    assert [row["word"] for row in content["history"]] == ["Protects"]
    assert content["cautions"][0]["signal"] == "DANGER"
    steps = {step["title"]: step for step in content["capacity"]["steps"]}
    assert list(steps) == [
        "From the register",
        "Heat limit",
        "Required minimum flow",
        "Computed bypass flow",
        "Computed margin",
        "If nothing flows",
        "What the test of 23 Sep 2025 means",
    ]
    required = {line["label"]: line for line in steps["Required minimum flow"]["lines"]}
    assert required["Required minimum flow"]["value"] == pytest.approx(27.0)
    assert required["Required minimum flow"]["unit"] == "m³/h"
    for step in content["capacity"]["steps"]:
        assert step["source"]
        assert step["method"]
        if step["calculation"]:
            assert get(client, f"/calculations/{step['calculation']}/").status_code == 200


def test_a_stranger_finds_nothing(client, valve):
    client.force_login(member(plant(code="AF"), Role.SHIFT_LEAD))
    assert get(client, "/api/v1/protection").json()["results"] == []
    assert get(client, f"/api/v1/protection/{valve.pk}").status_code == 404
    assert get(client, "/api/v1/function-tests").json()["results"] == []
    assert post(client, valve).status_code == 404


TEST = {
    "method": "clamp-on meter",
    "done_at": "2026-05-04T10:00:00+02:00",
    "bypass_flow_m3_per_h": 29.4,
    "uncertainty_share": 0.05,
    "required_m3_per_h": 27.0,
    "words": "weekly no-flow run",
}


def post(client, valve, key=None, **changes):
    body = {"valve": valve.pk, **TEST, **changes}
    body = {name: value for name, value in body.items() if value is not None}
    headers = {"Idempotency-Key": key} if key else {}
    return client.post(
        "/api/v1/function-tests",
        data=json.dumps(body),
        content_type="application/json",
        headers=headers,
    )


def test_a_test_outside_an_order_is_recorded_and_judged_at_once(client, valve):
    answer = post(client, valve, bypass_flow_m3_per_h=21.0, restriction="load within 60 s")
    assert answer.status_code == 201
    content = answer.json()
    assert (content["result"], content["valve"]["tag"]) == ("fail", "NH-FW-3V")
    row = Verdict.objects.get(valve=valve, is_current=True)
    assert (row.word, row.code) == ("Does not protect", "test_failed")
    assert row.restriction.startswith("Load within 60 s.")
    found = get(client, f"/api/v1/protection?valve={valve.pk}").json()["results"][0]
    assert (found["word"], found["stale"]) == ("Does not protect", False)


def test_a_pass_restarts_the_clock_of_the_function_test(client, valve):
    from tests.factories.due import policy_for

    policy_for(valve=valve, kind="function test", months=12)
    post(client, valve, bypass_flow_m3_per_h=30.0)
    item = DueItem.objects.get(valve=valve, kind="function test")
    assert item.due_on.isoformat() == "2027-05-04"


def test_the_same_key_records_once(client, valve):
    before = FunctionTest.objects.count()
    first, again = post(client, valve, key="k-1"), post(client, valve, key="k-1")
    assert first.json() == again.json()
    assert FunctionTest.objects.count() == before + 1


@pytest.mark.parametrize(
    ("changes", "status", "code"),
    [
        ({"uncertainty_share": None}, 409, "flow_incomplete"),
        ({"method": "on the bench"}, 409, "flow_without_method"),
        ({"required_m3_per_h": 20.0}, 409, "required_below_register"),
        ({"result": "fail"}, 409, "result_contradicts_numbers"),
        ({"done_at": "2099-05-04T10:00:00Z"}, 409, "in_the_future"),
        ({"method": "not recorded"}, 400, None),
        ({"done_at": "2026-05-04T10:00:00"}, 400, None),
        ({"bypass_flow_m3_per_h": "29.4"}, 400, None),
        ({"flow": 3}, 400, None),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_is_stored(client, valve, changes, status, code):
    before = FunctionTest.objects.count()
    answer = post(client, valve, **changes)
    assert answer.status_code == status
    if code is not None:
        assert answer.json()["code"] == code
    assert FunctionTest.objects.count() == before


def test_a_planner_may_not_record_a_test(client, site, valve):
    client.force_login(member(site, Role.PLANNER))
    assert post(client, valve).status_code == 403


def test_tests_are_listed_in_the_order_of_recording(client, valve):
    proven(valve, "2024-01-01", result="fail", recorded_at=NOON - timedelta(days=1))
    found = get(client, "/api/v1/function-tests?result=fail").json()["results"]
    assert [row["result"] for row in found] == ["fail"]
    assert len(get(client, f"/api/v1/function-tests?valve={valve.pk}").json()["results"]) == 2
    assert get(client, "/api/v1/function-tests?vlave=1").status_code == 400


# pages


def test_the_page_why_leads_from_the_verdict_to_the_sources(client, valve):
    html = client.get(f"/valves/{valve.pk}/verdict/").content.decode()
    for words in (
        "Nothing speaks against it.",
        "Computed bypass flow",
        "IEC 60534-2-1",
        "Margin asked",
        "invented",
        "Verdicts so far",
        "DANGER",
        "Not judged:",
    ):
        assert words in html
    assert html.count('<figure class="plot">') == 2


def test_the_page_of_the_shift_says_one_sentence_per_pump(client, site, valve):
    post(client, valve, bypass_flow_m3_per_h=21.0, restriction="load within 60 s")
    html = client.get("/shift/?site=NH").content.decode()
    assert html.count('<th scope="row">') == 1
    assert "<strong>Load within 60 s. For short holding it is safe against heat" in html


def test_the_page_why_of_a_foreign_valve_is_not_there(client, valve):
    client.force_login(member(plant(code="AF")))
    assert client.get(f"/valves/{valve.pk}/verdict/").status_code == 404
    assert "NH-FW-3V" not in client.get("/shift/").content.decode()
