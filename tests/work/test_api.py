"""The REST of orders: polling, one endpoint per verb, and the same rules as everywhere."""

import json
from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.register import PASSWORD, PumpGroupFactory, SiteFactory, member, valve_at
from tests.factories.work import NOW, Job, WorkOrderFactory, joint_closed, sound
from valvecare.core.permits import Role
from valvecare.models import Event, IdempotentAnswer, WorkOrder
from valvecare.work.api.verbs import VERB_ENDPOINTS, VERBS
from valvecare.work.rules import PartName

pytestmark = pytest.mark.django_db

DUE_JOBS = "/api/v1/due-jobs"
ORDERS = "/api/v1/work-orders"


@pytest.fixture
def site():
    return SiteFactory(code="NH", time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    return Job(site)


@pytest.fixture
def client(job):
    found = Client()
    found.force_login(job.planner)
    return found


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def post(client, path, body, **headers):
    return client.post(
        path, json.dumps(body), content_type="application/json", headers=headers or None
    )


def orders(site, count):
    return [
        WorkOrderFactory(
            valve=valve_at(site), due_on=date(2026, 6, 1) + timedelta(days=n % 3), state="raised"
        )
        for n in range(count)
    ]


def test_a_job_row_says_what_a_plant_system_needs(client, job, site):
    answer = client.get(DUE_JOBS)
    assert answer.status_code == 200
    order = job.order
    valve = order.valve
    assert answer.json() == {
        "results": [
            {
                "id": order.pk,
                "number": order.number,
                "url": f"{ORDERS}/{order.pk}",
                "version": 1,
                "site": "NH",
                "group": valve.pump.group.code,
                "pump": valve.pump.tag,
                "valve": {"id": valve.pk, "tag": valve.tag},
                "kind": "strip-down",
                "state": "raised",
                "due_on": "2026-06-01",
                "share_used": None,
                "governed_by": "",
                "why": order.why,
                "window": None,
                "updated_at": "2026-04-24T12:00:00Z",
            }
        ],
        "next": None,
    }


def test_pages_follow_by_due_date_without_a_gap_or_a_repeat(client, job, site):
    made = {job.order.pk, *(order.pk for order in orders(site, 10))}
    seen, path = [], f"{DUE_JOBS}?page_size=3"
    while path:
        answer = client.get(path)
        body = answer.json()
        seen += [(row["due_on"], row["id"]) for row in body["results"]]
        path = body["next"]
        assert ("Link" in answer.headers) == (path is not None)
        if path:
            assert answer.headers["Link"] == f'<{path}>; rel="next"'
    assert seen == sorted(seen)
    assert {pk for _, pk in seen} == made
    assert len(seen) == 11


def test_any_page_costs_the_same_few_queries(client, job, site, django_assert_num_queries):
    orders(site, 12)
    first = client.get(f"{DUE_JOBS}?page_size=4").json()
    # session, user, membership's site, the page
    for path in (f"{DUE_JOBS}?page_size=4", first["next"], f"{DUE_JOBS}?page_size=200"):
        with django_assert_num_queries(4):
            assert client.get(path).status_code == 200


def test_the_filters(client, job, site):
    other = WorkOrderFactory(
        valve=valve_at(site, pump__group=PumpGroupFactory(site=site, code="G-X")),
        kind="function test",
        state="agreed",
        due_on=date(2026, 7, 1),
        updated_at=NOW,
    )
    for query, wanted in (
        ("site=NH", {job.order.pk, other.pk}),
        ("site=XX", set()),
        ("group=G-X", {other.pk}),
        (f"valve={job.order.valve_id}", {job.order.pk}),
        ("state=agreed", {other.pk}),
        ("kind=function+test", {other.pk}),
        ("due_before=2026-07-01", {job.order.pk}),
        ("updated_since=2026-05-04T12:00:00Z", {other.pk}),
    ):
        rows = client.get(f"{DUE_JOBS}?{query}").json()["results"]
        assert {row["id"] for row in rows} == wanted, query


@pytest.mark.parametrize(
    "query",
    [
        "stauts=raised",
        "state=open",
        "valve=1.5",
        "valve=x",
        "due_before=tomorrow",
        "updated_since=2026-05-04T12:00:00",
        "page_size=201",
        "page_size=0",
        "cursor=abc",
        "cursor=WyJ4IiwxXQ",
    ],
)
def test_a_bad_query_is_a_400_and_never_ignored(client, job, query):
    answer = client.get(f"{DUE_JOBS}?{query}")
    assert answer.status_code == 400
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_a_poller_is_told_when_nothing_changed_and_of_ended_orders(client, job, site):
    answer = client.get(DUE_JOBS)
    etag = answer.headers["ETag"]
    again = client.get(DUE_JOBS, headers={"If-None-Match": etag})
    assert (again.status_code, again.content) == (304, b"")
    WorkOrder.objects.filter(pk=job.order.pk).update(state="dropped", ended_at=NOW, updated_at=NOW)
    gone = client.get(DUE_JOBS, headers={"If-None-Match": etag})
    assert gone.json()["results"] == []
    since = client.get(f"{DUE_JOBS}?updated_since=2026-05-04T12:00:00Z").json()["results"]
    assert [(row["id"], row["state"]) for row in since] == [(job.order.pk, "dropped")]
    assert [row["id"] for row in client.get(ORDERS).json()["results"]] == [job.order.pk]


def test_a_stranger_sees_no_job_and_no_order(job):
    stranger = signed_in(member(SiteFactory(), Role.PLANNER))
    assert stranger.get(DUE_JOBS).json()["results"] == []
    assert stranger.get(f"{DUE_JOBS}?site=NH").json()["results"] == []
    assert stranger.get(f"{DUE_JOBS}?valve={job.order.valve_id}").json()["results"] == []
    assert stranger.get(f"{ORDERS}/{job.order.pk}").status_code == 404
    for verb in VERBS:
        path = f"{ORDERS}/{job.order.pk}/{verb.name}"
        answer = post(stranger, path, verb.example, **{"If-Match": '"1"'})
        assert answer.status_code == 404, verb.name
    assert Client().get(DUE_JOBS).status_code == 401


def test_one_order_with_its_etag(client, job, django_assert_max_num_queries):
    job.to_moved_by_hand()
    with django_assert_max_num_queries(14):
        answer = client.get(f"{ORDERS}/{job.order.pk}")
    body = answer.json()
    assert answer.headers["ETag"] == f'"{job.order.version}"'
    assert [step["state"] for step in body["progress"] if step["is_now"]] == ["under way"]
    assert [gate["passed_at"] is not None for gate in body["gates"]] == [True] * 6
    assert {row["decision"] for row in body["findings"]} == {"reuse"}
    assert body["needs_proof"] is True
    assert body["required_m3_per_h"] == 27.0


def test_an_order_is_raised_once_per_key(client, site):
    valve = valve_at(site)
    body = {"valve": valve.pk, "kind": "corrective", "why": "Cold.", "due_on": "2026-05-05"}
    first = post(client, ORDERS, body, **{"Idempotency-Key": "k1"})
    again = post(client, ORDERS, body, **{"Idempotency-Key": "k1"})
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert again.headers["Idempotency-Replayed"] == "true"
    assert first.headers["Location"] == f"{ORDERS}/{first.json()['id']}"
    assert WorkOrder.objects.filter(valve=valve).count() == 1
    other = post(client, ORDERS, {**body, "why": "Hot."}, **{"Idempotency-Key": "k1"})
    assert other.status_code == 422
    twice = post(client, ORDERS, body, **{"Idempotency-Key": "k2"})
    assert (twice.status_code, twice.json()["code"]) == (409, "open_order_exists")


def test_a_verb_needs_the_version_and_says_when_it_is_stale(client, job):
    path = f"{ORDERS}/{job.order.pk}/agree"
    assert post(client, path, {}).status_code == 428
    assert post(client, path, {}, **{"If-Match": "x"}).status_code == 400
    done = post(client, path, {}, **{"If-Match": '"1"'})
    assert (done.status_code, done.headers["ETag"]) == (200, '"2"')
    assert done.json()["state"] == "agreed"
    stale = post(client, path, {}, **{"If-Match": '"1"'})
    assert (stale.status_code, stale.json()["current_version"]) == (412, 2)
    late = post(client, path, {}, **{"If-Match": '"2"'})
    assert (late.status_code, late.json()["code"]) == (409, "wrong_state")
    assert late.json()["errors"][0]["remedy"] == "It must be 'raised' first."


def test_a_replayed_verb_is_answered_and_not_done_again(client, job):
    path = f"{ORDERS}/{job.order.pk}/agree"
    headers = {"If-Match": '"1"', "Idempotency-Key": "agree-1"}
    answers = [post(client, path, {}, **headers) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200] * 3
    assert Event.objects.filter(type="work_order.agreed").count() == 1
    assert IdempotentAnswer.objects.count() == 1


def test_a_job_can_be_carried_from_agreed_to_closed_over_the_api(job, site):
    planner, technician = signed_in(job.planner), signed_in(job.technician)
    version, path = 1, f"{ORDERS}/{job.order.pk}"

    def step(client, verb, body):
        nonlocal version
        answer = post(client, f"{path}/{verb}", body, **{"If-Match": f'"{version}"'})
        assert answer.status_code == 200, answer.content
        version = answer.json()["version"]
        return answer.json()

    step(planner, "agree", {})
    window = post(
        planner,
        "/api/v1/windows",
        {
            "site": "NH",
            "name": "Stop",
            "starts_at": "2026-06-08T06:00:00+02:00",
            "ends_at": "2026-06-26T18:00:00+02:00",
        },
    ).json()
    crew = post(
        planner,
        "/api/v1/crews",
        {"site": "NH", "name": "Crew", "people": 2, "hours_per_day": 10},
    ).json()
    where = {"window": window["id"], "crew": crew["id"]}
    seen = post(planner, f"{path}/check-place", where).json()
    assert seen == {
        "fits": True,
        "days": {"2026-06-08": 10.0, "2026-06-09": 9.0},
        "refusals": [],
        "warnings": [],
    }
    placed = step(planner, "place", where)
    assert placed["slot"]["ends_on"] == "2026-06-09"
    row = planner.get(DUE_JOBS).json()["results"][0]
    assert row["window"] == {"name": "Stop", "starts_on": "2026-06-08"}
    items = placed["ready_items"]
    step(planner, "ready", {"proofs": dict.fromkeys(items, "shown")})
    step(technician, "start", {})
    step(technician, "gates", {"gate": "isolated", "words": "Three locks."})
    step(technician, "as-found", {"words": "Warm.", "grade": "as expected"})
    opened = step(technician, "gates", {"gate": "cover released", "rods": "long rods"})
    fit = {"found": "polish", "grade": "1", "decision": "reuse"}
    for row in opened["findings"]:
        values = sound(job.order, PartName(row["part"]))
        step(technician, "findings", {"part": row["part"], "measurements": values, **fit})
    for gate in ("every part judged", "joint closed", "moved by hand"):
        more = joint_closed(site) if gate == "joint closed" else {}
        step(technician, "gates", {"gate": gate, **more})
    step(technician, "parts-used", {"name": "cover gasket"})
    proven = step(
        technician,
        "tests",
        {
            "method": "flow meter",
            "bypass_flow_m3_per_h": 29.4,
            "uncertainty_share": 0.05,
            "required_m3_per_h": 27,
        },
    )
    assert proven["state"] == "proven"
    assert (
        step(technician, "close", {"remarks": "No leak.", "password": PASSWORD})["state"]
        == "closed"
    )
    assert planner.get(DUE_JOBS).json()["results"] == []


@pytest.mark.parametrize(
    "value", [True, "1_000", "1e3", "NaN", "٣", "1,5", 1e308, [1], {"a": 1}, None]
)
def test_odd_numbers_are_refused(job, value):
    job.to_moved_by_hand()
    answer = post(
        signed_in(job.technician),
        f"{ORDERS}/{job.order.pk}/tests",
        {
            "method": "flow meter",
            "bypass_flow_m3_per_h": value,
            "uncertainty_share": 0.05,
            "required_m3_per_h": 27,
        },
        **{"If-Match": f'"{job.order.version}"'},
    )
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "/bypass_flow_m3_per_h"


def test_lists_of_the_plan_cost_the_same_for_any_number(client, site, django_assert_num_queries):
    from tests.factories.planning import CrewFactory, WindowFactory

    for _ in range(2):
        for _ in range(3):
            WindowFactory(site=site)
            CrewFactory(site=site)
        # session, user, may look, page, groups of the windows
        with django_assert_num_queries(5):
            client.get("/api/v1/windows")
        with django_assert_num_queries(4):
            client.get("/api/v1/crews")
    assert len(client.get("/api/v1/windows?site=NH").json()["results"]) == 6
    assert client.get("/api/v1/windows?sight=NH").status_code == 400
    away = signed_in(member(SiteFactory(), Role.PLANNER))
    assert away.get("/api/v1/windows").json()["results"] == []


@pytest.mark.parametrize("verb", VERBS, ids=lambda verb: verb.name)
def test_the_example_of_each_verb_fits_its_shape(verb):
    shape = verb.shape(data=verb.example)
    assert shape.is_valid(), shape.errors


def test_a_misspelt_field_is_refused(client, job):
    answer = post(client, f"{ORDERS}/{job.order.pk}/agree", {"wrods": "x"}, **{"If-Match": '"1"'})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "/wrods"


def test_every_verb_has_a_route():
    for name in VERB_ENDPOINTS:
        assert reverse(f"valvecare:api-work-order-{name}", args=[1]) == f"{ORDERS}/1/{name}"
