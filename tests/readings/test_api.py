"""The interface plant systems push to: bodies, bounds, verdicts, lists, judgements."""

import gzip
import json
import resource
import time
from datetime import UTC, datetime

import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from tests.factories.readings import (
    START,
    GaugeFactory,
    SeriesFactory,
    bearer,
    integrator,
    json_row,
    push,
    row,
)
from tests.factories.register import PumpFactory, member
from valvecare.core.permits import Role
from valvecare.models import Event, PlantEvent, Push, Reading, Series, SeriesState, SetAside

pytestmark = pytest.mark.django_db
BULK = "/api/v1/readings/bulk"


@pytest.fixture(autouse=True)
def empty_cache():
    cache.clear()


@pytest.fixture
def series():
    return SeriesFactory()


@pytest.fixture
def token(series):
    return bearer(series.site)


def send(body, token, content_type="application/json", **more):
    raw = body if isinstance(body, bytes) else json.dumps(body).encode()
    return APIClient(raise_request_exception=False).post(
        BULK, data=raw, content_type=content_type, **token, **more
    )


def rows_of(series, count=3):
    return [json_row(row(series, hour, 100.0 + hour)) for hour in range(count)]


def signed_in(site, role):
    client = APIClient(raise_request_exception=False)
    client.force_login(member(site, role))
    return client


# --- the push itself


def test_a_push_answers_row_by_row(series, token):
    rows = rows_of(series)
    rows[1]["series"] = "NOBODY"
    answer = send({"source": "gateway 1", "rows": rows}, token)
    assert answer.status_code == 200
    body = answer.json()
    assert body["counts"] == {
        "created": 2,
        "duplicate": 0,
        "conflict": 0,
        "rejected": 1,
        "set_aside": 0,
    }
    assert body["results"][0] == {"index": 0, "status": "created"}
    assert body["results"][1]["code"] == "unknown_series"
    assert Push.objects.get(pk=body["push"]).source.name == "gateway 1"
    assert send({"source": "gateway 1", "rows": rows}, token).json()["counts"]["duplicate"] == 2


def test_lines_and_tables_say_the_same(series, token):
    rows = rows_of(series, 4)
    lines = "\n".join(json.dumps(one) for one in rows[:2]).encode()
    answer = send(lines, token, "application/x-ndjson")
    assert answer.json()["counts"]["created"] == 2
    table = "series,at,value,unit\r\n" + "\r\n".join(
        f"{one['series']},{one['at']},{one['value']},h" for one in rows
    )
    answer = send(table.encode(), token, "text/csv")
    assert (answer.json()["counts"]["created"], answer.json()["counts"]["duplicate"]) == (2, 2)


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("1_000", "not_a_number"),
        ("1,5", None),
        ("nan", "not_a_number"),
        ("٣", "not_a_number"),
        ("inf", "not_a_number"),
        ("", "missing_value"),
        ("=1+1", "not_a_number"),
        ("1e999", "not_finite"),
    ],
)
def test_a_wrong_cell_of_a_table_is_refused_by_itself(cell, code, series, token):
    table = f"series,at,value,unit\n{series.tag},2026-01-01T00:00:00Z,{cell},h\n"
    answer = send(table.encode(), token, "text/csv")
    assert answer.status_code == 200
    assert answer.json()["counts"]["rejected"] == 1
    if code:
        assert answer.json()["results"][0]["code"] == code
    assert Reading.objects.count() == 0


@pytest.mark.parametrize("header", ["series,at,value", "series,at,value,unit,colour", ""])
def test_a_table_with_another_header_is_not_understood(header, token):
    assert send(f"{header}\n1,2,3\n".encode(), token, "text/csv").status_code == 400


WRONG = [
    ("text", '"101"', "not_a_number"),
    ("true", "true", "not_a_number"),
    ("underscored", '"1_000"', "not_a_number"),
    ("other digits", '"٣"', "not_a_number"),
    ("1e999", "1e999", "not_finite"),
    ("huge", "1" + "0" * 400, "not_finite"),
    ("null", "null", "not_a_number"),
    ("list", "[1]", "not_a_number"),
]


@pytest.mark.parametrize(("case", "value", "code"), WRONG, ids=[case[0] for case in WRONG])
def test_a_wrong_number_is_refused_and_its_neighbours_taken(case, value, code, series, token):
    good, bad = rows_of(series, 2)
    text = json.dumps({"rows": [good, {**bad, "value": "HERE"}]}).replace('"HERE"', value)
    body = send(text.encode(), token).json()
    assert [one["status"] for one in body["results"]] == ["created", "rejected"]
    assert body["results"][1]["code"] == code


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"unit": None}, "malformed_row"),
        ({"colour": "red"}, "unknown_field"),
        ({"at": "2026-01-01T00:00:00"}, "time_without_offset"),
        ({"at": "yesterday"}, "time_not_understood"),
        ({"at": 1767225600}, "time_not_understood"),
        ({"quality": "fair"}, "unknown_quality"),
        ({"series": ""}, "malformed_row"),
        ({"source_key": "a\0b"}, "text_not_storable"),
    ],
)
def test_a_wrong_field_is_refused_and_its_neighbours_taken(change, code, series, token):
    good, bad = rows_of(series, 2)
    body = send({"rows": [good, {**bad, **change}]}, token).json()
    assert [one["status"] for one in body["results"]] == ["created", "rejected"]
    assert body["results"][1]["code"] == code


def test_a_missing_unit_is_named(series, token):
    bad = rows_of(series, 1)[0]
    del bad["unit"]
    assert send({"rows": [bad]}, token).json()["results"][0]["code"] == "missing_unit"


def test_the_source_is_named_soundly(series, token):
    for source in ("", " ", "x" * 81, "a\0"):
        assert send({"source": source, "rows": []}, token).status_code == 400
    send({"rows": rows_of(series)}, token)
    assert Push.objects.get().source.name.startswith("invented gateway")


# --- S-09 and S-10: size and shape of bodies


def test_s09_bodies_over_the_limits_are_413_and_cost_little_memory(series, token, figure):
    """S-09: 10,001 rows, 60,000 rows, 9 MB; memory rise below 50 MB, no 5xx.

    200,000 rows and 100 MB in chunks, over the network: tests/faults/test_large_bodies.py.
    """
    one = json.dumps(rows_of(series, 1)[0])
    bodies = {
        "10,001 rows": f'{{"rows":[{",".join([one] * 10_001)}]}}'.encode(),
        "60,000 rows": f'{{"rows":[{",".join([one] * 60_000)}]}}'.encode(),
        "9 MB": b" " * 9_000_000 + b"{}",
    }
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    codes = {name: send(body, token).status_code for name, body in bodies.items()}
    rise_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    figure("S-09", "rise of resident memory in MB", round(rise_mb), 50)
    assert set(codes.values()) == {413}, codes
    assert rise_mb < 50
    assert send(bodies["9 MB"], token).json()["code"] == "payload_too_large"
    assert Reading.objects.count() == 0


def _deep(depth):
    return b'{"rows":' + b"[" * depth + b"]" * depth + b"}"


HOSTILE = [
    ("malformed", b'{"rows": [', {}, 400),
    ("empty", b"", {}, 400),
    ("not an object", b"[]", {}, 400),
    ("no rows", b"{}", {}, 400),
    ("rows not a list", b'{"rows": 3}', {}, 400),
    ("unknown member", b'{"rows": [], "x": 1}', {}, 400),
    ("3,000 deep", _deep(3_000), {}, 400),
    ("100,000 deep", _deep(100_000), {}, 400),
    ("byte order mark", b"\xef\xbb\xbf" + b'{"rows": []}', {}, 400),
    ("UTF-16", '{"rows": []}'.encode("utf-16"), {}, 400),
    ("NaN", b'{"rows": [{"value": NaN}]}', {}, 400),
    ("lone surrogate", b'{"rows": [], "source": "\\ud800"}', {}, 400),
    ("not gzip", b"abc", {"HTTP_CONTENT_ENCODING": "gzip"}, 400),
    ("cut gzip", gzip.compress(b'{"rows": []}')[:-4], {"HTTP_CONTENT_ENCODING": "gzip"}, 400),
    ("other packing", b"abc", {"HTTP_CONTENT_ENCODING": "br"}, 415),
    ("gzip bomb", gzip.compress(bytes(100_000_000)), {"HTTP_CONTENT_ENCODING": "gzip"}, 413),
    (
        "bomb of members",
        gzip.compress(bytes(1_000_000)) * 20,
        {"HTTP_CONTENT_ENCODING": "gzip"},
        413,
    ),
]


@pytest.mark.parametrize(
    ("case", "body", "headers", "status"), HOSTILE, ids=[case[0] for case in HOSTILE]
)
def test_s10_hostile_bodies_get_a_problem_and_no_5xx(case, body, headers, status, token, figure):
    """S-10: slowest below 1 s, of processor time: the machine may be busy with other tests."""
    send(b"[", token)  # what is loaded at the first request
    started = time.process_time()
    answer = send(body, token, **headers)
    took = time.process_time() - started
    figure("S-10", f"{case}: answer {answer.status_code}, seconds", round(took, 3), 1)
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"
    assert took < 1.0
    assert Reading.objects.count() == 0


def test_s10_another_content_type_is_415(token):
    answer = send(b"<rows/>", token, "application/xml")
    assert (answer.status_code, answer["Content-Type"]) == (415, "application/problem+json")


def test_gzip_is_accepted(series, token):
    packed = gzip.compress(json.dumps({"rows": rows_of(series)}).encode())
    answer = send(packed, token, HTTP_CONTENT_ENCODING="gzip")
    assert answer.json()["counts"]["created"] == 3


# --- who may


def test_a_push_needs_a_token_its_scope_and_a_site(series, token):
    assert send({"rows": []}, {}).status_code == 401
    reader = bearer(series.site, scopes=["readings:read"])
    assert send({"rows": []}, reader).status_code == 403
    planner = signed_in(series.site, Role.PLANNER)
    assert planner.post(BULK, {"rows": []}, format="json").status_code == 403
    other = bearer(SeriesFactory().site)
    body = send({"rows": rows_of(series, 1)}, other).json()
    assert body["results"][0]["code"] == "unknown_series"


def test_s12_a_token_over_its_rate_waits_and_others_do_not(series, token, settings, monkeypatch):
    """S-12: 600 pushes at 60 a minute: 60 pass, the rest 429 with Retry-After."""
    monkeypatch.setattr("valvecare.readings.api.push.time.time", lambda: 1_800_000_010.0)
    other = bearer(series.site)
    codes = [send({"rows": []}, token).status_code for _ in range(70)]
    assert (codes.count(200), codes.count(429)) == (60, 10)
    last = send({"rows": []}, token)
    assert 0 < int(last["Retry-After"]) <= 60
    assert last["Content-Type"] == "application/problem+json"
    assert send({"rows": []}, other).status_code == 200


# --- series and what hangs on them


def test_series_are_listed_with_their_state(series, token):
    GaugeFactory()
    push([row(series, h, 100 + h) for h in range(3)], integrator(series.site))
    body = APIClient().get("/api/v1/series", **token).json()
    assert [one["tag"] for one in body["results"]] == [series.tag]
    state = body["results"][0]["state"]
    assert (state["accumulated"], state["is_lower_bound"], state["points"]) == (2.0, False, 3)
    assert state["last_at"] == "2026-01-01T02:00:00Z"
    assert APIClient().get("/api/v1/series?colour=red", **token).status_code == 400
    assert APIClient().get("/api/v1/series?doubtful=true", **token).json()["results"] == []


def test_the_list_of_series_costs_the_same_queries(series, token, django_assert_num_queries):
    for _ in range(5):
        SeriesFactory(pump=series.pump)
    client = APIClient()
    client.force_login(member(series.site))
    client.get("/api/v1/series")
    with django_assert_num_queries(3):
        assert len(client.get("/api/v1/series").json()["results"]) == 6


def test_a_series_is_added_once_and_changed_with_its_version(series):
    client = signed_in(series.site, Role.RELIABILITY_ENGINEER)
    pump = PumpFactory(group=series.pump.group)
    body = {"pump": pump.pk, "tag": "NEW", "quantity": "run hours", "unit": "h", "resolution": 0.1}
    answer = client.post("/api/v1/series", body, format="json", headers={"Idempotency-Key": "k1"})
    assert answer.status_code == 201
    again = client.post("/api/v1/series", body, format="json", headers={"Idempotency-Key": "k1"})
    assert again.json()["id"] == answer.json()["id"]
    assert SeriesState.objects.filter(series__tag="NEW").count() == 1
    at = f"/api/v1/series/{answer.json()['id']}"
    assert client.patch(at, {"note": "x"}, format="json").status_code == 428
    changed = client.patch(at, {"note": "x"}, format="json", headers={"If-Match": '"1"'})
    assert (changed.status_code, changed.json()["note"]) == (200, "x")
    stale = client.patch(at, {"note": "y"}, format="json", headers={"If-Match": '"1"'})
    assert stale.status_code == 412
    for wrong in ({**body, "unit": "bar"}, {**body, "resolution": "0.1"}, {**body, "x": 1}):
        assert client.post("/api/v1/series", wrong, format="json").status_code == 400
    assert client.post("/api/v1/series", {**body, "pump": 10**9}, format="json").status_code == 404


def test_readings_are_read_in_pages(series, token):
    push([row(series, h, 100 + h) for h in range(5)], integrator(series.site))
    at = f"/api/v1/series/{series.pk}/readings"
    first = APIClient().get(f"{at}?page_size=2", **token)
    assert [one["value"] for one in first.json()["results"]] == [100, 101]
    assert first.json()["results"][0] == {
        "at": "2026-01-01T00:00:00Z",
        "value": 100.0,
        "quality": "good",
        "source": "invented historian",
        "source_key": None,
    }
    second = APIClient().get(first.json()["next"], **token).json()
    assert [one["value"] for one in second["results"]] == [102, 103]
    some = (
        APIClient()
        .get(f"{at}?from=2026-01-01T01:00:00Z&until=2026-01-01T03:00:00%2B00:00", **token)
        .json()
    )
    assert [one["value"] for one in some["results"]] == [101, 102]
    assert APIClient().get(f"{at}?from=yesterday", **token).status_code == 400
    days = APIClient().get(f"/api/v1/series/{series.pk}/days", **token).json()["results"]
    assert (days[0]["day"], days[0]["increment"], days[0]["n"]) == ("2026-01-01", 4.0, 5)
    other = bearer(SeriesFactory().site)
    assert APIClient().get(at, **other).status_code == 404


def test_a_meter_event_is_declared_by_a_plant_system(series, token):
    push([row(series, 0, 41_230.0), row(series, 24, 30.0)], integrator(series.site))
    at = f"/api/v1/series/{series.pk}/meter-events"
    body = {
        "kind": "replaced",
        "at": "2026-01-01T10:00:00Z",
        "closing_value": 41_236,
        "opening_value": 12,
    }
    client = APIClient()
    assert client.post(at, body, format="json", **token).status_code == 201
    assert client.post(at, body, format="json", **token).status_code == 201
    assert len(client.get(at, **token).json()["results"]) == 1
    assert SeriesState.objects.get(series=series).accumulated == 24.0
    clash = client.post(at, {**body, "opening_value": 13}, format="json", **token)
    assert (clash.status_code, clash.json()["code"]) == (409, "other_meter_event")
    wrong = client.post(at, {**body, "closing_value": "41236"}, format="json", **token)
    assert wrong.status_code == 400


def test_what_was_set_aside_is_judged_over_the_api(series, token):
    push([row(series, 0, 100.0), row(series, 1, 1e9), row(series, 3, 1e8)], integrator(series.site))
    listed = APIClient().get("/api/v1/set-aside?state=waiting", **token).json()["results"]
    assert [(one["value"], one["code"], one["unit"]) for one in listed] == [
        (1e8, "impossible_jump", "h"),
        (1e9, "impossible_jump", "h"),
    ]
    client = signed_in(series.site, Role.RELIABILITY_ENGINEER)
    one, two = (f"/api/v1/set-aside/{item['id']}" for item in listed)
    assert client.post(f"{one}/accept", {}, format="json").status_code == 428
    done = client.post(f"{one}/accept", {"why": "seen"}, format="json", headers={"If-Match": '"1"'})
    assert (done.status_code, done.json()["state"]) == (200, "accepted")
    done = client.post(f"{two}/dismiss", {}, format="json", headers={"If-Match": '"1"'})
    assert (done.status_code, done.json()["state"]) == (200, "dismissed")
    assert APIClient().post(f"{one}/accept", {}, format="json", **token).status_code == 403
    assert SetAside.objects.filter(state="waiting").count() == 0


def test_a_wrong_reading_a_doubt_and_a_swap_are_answered_over_the_api(series):
    client = signed_in(series.site, Role.RELIABILITY_ENGINEER)
    push([row(series, 0, 100.0), row(series, 10, 90.0)], integrator(series.site))
    at = f"/api/v1/series/{series.pk}"
    body = {"at": "2026-01-01T10:00:00Z", "why": "gateway restarted"}
    assert client.post(f"{at}/wrong-readings", body, format="json").status_code == 200
    assert SeriesState.objects.get(series=series).points == 1
    SeriesState.objects.filter(series=series).update(doubtful_code="frozen", doubtful_words="w")
    assert client.post(f"{at}/confirm", {"why": " "}, format="json").status_code == 400
    assert client.post(f"{at}/confirm", {"why": "probe agrees"}, format="json").status_code == 200
    assert SeriesState.objects.get(series=series).doubtful_code == ""
    twin = SeriesFactory(pump=PumpFactory(group=series.pump.group))
    swap = {"with_series": twin.pk, "with_version": 1}
    assert client.post(f"{at}/swap", swap, format="json").status_code == 428
    done = client.post(f"{at}/swap", swap, format="json", headers={"If-Match": '"1"'})
    assert done.status_code == 200
    assert Series.objects.get(pk=series.pk).pump_id == twin.pump_id


def test_the_log_of_pushes_shows_what_a_person_may_see(series, token):
    send({"source": "gateway 1", "rows": rows_of(series)}, token)
    elsewhere = SeriesFactory()
    push([row(elsewhere, 0, 1.0)], integrator(elsewhere.site))
    seen = signed_in(series.site, Role.PLANNER).get("/api/v1/pushes").json()["results"]
    assert [(one["source"], one["created"]) for one in seen] == [("gateway 1", 3)]


# --- plant events


def test_plant_events_are_stored_once(series, token):
    pump = series.pump
    event = {
        "pump": pump.tag,
        "kind": "reverse rotation",
        "at": "2026-04-19T02:11:00Z",
        "duration_s": 14,
        "speed_rpm": 180,
    }
    rows = [
        event,
        event,
        {**event, "pump": "NOBODY"},
        {**event, "kind": "low load", "duration_s": None},
        {**event, "at": "2199-01-01T00:00:00Z"},
        {**event, "kind": "sneeze"},
        {**event, "duration_s": -1},
        7,
        {**event, "duration_s": 3_600},
    ]
    client = APIClient()
    answer = client.post("/api/v1/plant-events", {"events": rows}, format="json", **token)
    assert answer.status_code == 200
    assert [(one["status"], one.get("code")) for one in answer.json()["results"]] == [
        ("created", None),
        ("duplicate", None),
        ("rejected", "unknown_pump"),
        ("rejected", "missing_duration_s"),
        ("rejected", "future_time"),
        ("rejected", "malformed_row"),
        ("rejected", "malformed_row"),
        ("rejected", "malformed_row"),
        ("conflict", "other_event_stored"),
    ]
    assert (
        client.post(
            "/api/v1/plant-events", b"", content_type="application/json", **token
        ).status_code
        == 400
    )
    stored = PlantEvent.objects.get()
    assert (stored.pump, stored.speed_rpm, stored.duration_s) == (pump, 180.0, 14.0)
    assert Event.objects.filter(type="plant.reported").count() == 1
    listed = client.get("/api/v1/plant-events?kind=reverse rotation", **token).json()["results"]
    assert [one["pump"]["name"] for one in listed] == [pump.tag]
    assert (
        client.get("/api/v1/plant-events", **bearer(SeriesFactory().site)).json()["results"] == []
    )


def test_the_year_of_the_tests_is_fixed():
    assert datetime(2026, 1, 1, tzinfo=UTC) == START
