"""The Readings pages work without JavaScript and say what the API says."""

import re
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from django.test import Client

from tests.factories.readings import (
    LONG_AFTER,
    START,
    GaugeFactory,
    SeriesFactory,
    derived,
    integrator,
    push,
    row,
)
from tests.factories.register import PumpFactory, UserFactory, member
from valvecare.core.permits import Role
from valvecare.models import MeterEvent, Reading, Series, SeriesState, SetAside
from valvecare.readings import actions
from valvecare.readings.actions.check_readings import check_readings
from valvecare.readings.rules import MeterEventKind
from valvecare.web.clock import now

pytestmark = pytest.mark.django_db
PAGES = ("/readings/", "/readings/set-aside/", "/readings/quality/", "/readings/sources/")


@pytest.fixture
def series():
    return SeriesFactory()


@pytest.fixture
def actor(series):
    return integrator(series.site)


def page_as(person, url, **query):
    client = Client()
    client.force_login(person)
    return client.get(url, query)


@pytest.fixture
def engineer(series):
    return member(series.site, Role.RELIABILITY_ENGINEER)


@pytest.fixture
def client(engineer):
    client = Client()
    client.force_login(engineer)
    return client


class Forms(HTMLParser):
    """Hidden and visible inputs of each form by its action."""

    def __init__(self, html):
        super().__init__()
        self.forms, self.now = {}, None
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if tag == "form":
            self.now = self.forms.setdefault(given.get("action", ""), [])
        elif tag == "input" and self.now is not None:
            self.now.append((given.get("name"), given.get("value", "")))

    def handle_endtag(self, tag):
        if tag == "form":
            self.now = None


def hidden(answer, action):
    fields = Forms(answer.content.decode()).forms[action]
    return {name: value for name, value in fields if name and value}


def words(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


@pytest.mark.parametrize("url", PAGES)
def test_pages_ask_strangers_to_sign_in_and_are_empty_for_people_of_no_site(url, series):
    assert Client().get(url).status_code == 302
    answer = page_as(UserFactory(), url)
    assert answer.status_code == 200
    assert series.tag not in answer.content.decode()


@pytest.mark.parametrize("url", PAGES)
def test_pages_hold_no_inline_script_or_style(url, series, actor, client):
    push([row(series, 0, 100.0), row(series, 1, 1e9)], actor)
    html = client.get(url).content.decode()
    assert re.findall(r"<script(?![^>]*\ssrc=)", html) == []
    assert 'style="' not in html


def test_the_list_shows_value_age_total_and_lower_bound(series, actor, client):
    push([row(series, 0, 100.0), row(series, 10, 110.0), row(series, 20, 105.0)], actor)
    text = words(client.get("/readings/"))
    assert series.tag in text
    assert "105" in text
    assert "at least: something was lost" in text


def test_the_list_is_filtered_and_refuses_unknown_filters(series, client):
    other = GaugeFactory(pump=series.pump)
    assert other.tag not in words(client.get("/readings/", {"quantity": "run hours"}))
    assert series.tag in words(client.get("/readings/", {"q": series.tag.lower()}))
    assert "No series matches" in words(client.get("/readings/", {"doubtful": "yes"}))
    assert client.get("/readings/", {"colour": "red"}).status_code == 400
    assert client.get("/readings/", {"site": "NOWHERE"}).status_code == 400


def test_the_list_costs_the_same_queries(series, client, django_assert_max_num_queries):
    for _ in range(20):
        SeriesFactory(pump=series.pump)
    client.get("/readings/")
    with django_assert_max_num_queries(9):
        client.get("/readings/")


def test_the_page_of_a_series_draws_and_lists(series, actor, engineer, client):
    push([row(series, h, 41_200.0 + h) for h in range(0, 30, 3)], actor)
    push([row(series, 54, 30.0)], actor)
    actions.declare_meter_event(
        series.pk,
        kind=MeterEventKind.REPLACED,
        event_at=row(series, 40, 0).at,
        closing_value=41_236.0,
        opening_value=12.0,
        actor=engineer,
        at=LONG_AFTER,
    )
    answer = client.get(f"/readings/series/{series.pk}/")
    html = answer.content.decode()
    assert 'role="img"' in html
    assert "meter replaced" in html
    assert "goes on from" in words(answer)
    assert "gained each day (UTC)" in words(answer)
    assert html.count("Call wrong") == 11
    for days in (7, 366, 3660):
        assert client.get(f"/readings/series/{series.pk}/?days={days}").status_code == 200


def test_a_long_history_is_drawn_by_day(series, actor, client, monkeypatch):
    monkeypatch.setattr("valvecare.readings.reads.screen.RAW_POINTS", 50)
    gauge = GaugeFactory(pump=series.pump)
    push([row(gauge, h, 40.0 + h % 24) for h in range(96)], actor)
    text = words(client.get(f"/readings/series/{gauge.pk}/"))
    assert "daily mean" in text
    assert "lowest to highest of the day" in text


def test_gaps_are_named(series, actor, client):
    gauge = GaugeFactory(pump=series.pump, expected_period_s=3_600.0)
    push([row(gauge, h, 40.0 + h) for h in (0, 1, 2, 12, 13)], actor)
    assert "Gaps in this range" in words(client.get(f"/readings/series/{gauge.pk}/"))


def test_a_series_of_another_site_is_not_found(series, client):
    other = SeriesFactory()
    for url in (f"/readings/series/{other.pk}/", "/readings/series/999999/"):
        assert client.get(url).status_code == 404
    assert client.post(f"/readings/series/{other.pk}/confirm", {}).status_code == 404


def test_a_meter_is_declared_on_the_page_as_over_the_api(series, actor, client, engineer):
    twin = SeriesFactory(pump=series.pump)
    for one in (series, twin):
        push([row(one, 0, 41_230.0), row(one, 24, 30.0)], actor)
    actions.declare_meter_event(
        twin.pk,
        kind=MeterEventKind.REPLACED,
        event_at=row(twin, 10, 0).at,
        closing_value=41_236.0,
        opening_value=12.0,
        actor=engineer,
        at=LONG_AFTER,
    )
    at = f"/readings/series/{series.pk}/"
    form = hidden(client.get(at), f"{at}meter")
    given = {
        **form,
        "kind": "replaced",
        "at": "2026-01-01T11:00",
        "closing_value": "41236,0",
        "opening_value": "12",
    }
    first = client.post(f"{at}meter", given)
    assert (first.status_code, first["Location"]) == (303, at)
    assert client.post(f"{at}meter", given).status_code == 303
    assert MeterEvent.objects.filter(series=series).count() == 1
    assert MeterEvent.objects.get(series=series).at_us == MeterEvent.objects.get(series=twin).at_us
    assert derived(series) == derived(twin)


@pytest.mark.parametrize(
    ("local", "words_of"),
    [("2026-03-29T02:30", "does not exist"), ("2025-10-26T02:30", "came twice"), ("soon", "valid")],
)
def test_a_local_time_that_is_none_or_two_is_refused(local, words_of, series, client):
    at = f"/readings/series/{series.pk}/"
    form = hidden(client.get(at), f"{at}meter")
    given = {**form, "kind": "replaced", "at": local, "closing_value": "2", "opening_value": "1"}
    answer = client.post(f"{at}meter", given)
    assert answer.status_code == 400
    assert words_of in words(answer)
    assert MeterEvent.objects.count() == 0


def test_a_refused_meter_keeps_the_input(series, client):
    at = f"/readings/series/{series.pk}/"
    form = hidden(client.get(at), f"{at}meter")
    given = {
        **form,
        "kind": "replaced",
        "at": "2090-01-01T11:00",
        "closing_value": "41236",
        "opening_value": "12",
    }
    answer = client.post(f"{at}meter", given)
    assert answer.status_code == 400
    assert "lies in the future" in words(answer)
    assert 'value="41236"' in answer.content.decode()


def test_a_reading_is_called_wrong_on_the_page(series, actor, client):
    push([row(series, 0, 100.0), row(series, 10, 90.0)], actor)
    at = f"/readings/series/{series.pk}/"
    wrong = Reading.objects.get(value=90.0)
    given = {"idempotency_key": "x" * 20, "at_us": wrong.at_us, "why": "gateway restarted"}
    assert client.post(f"{at}wrong", given).status_code == 303
    assert SeriesState.objects.get(series=series).points == 1
    assert client.post(f"{at}wrong", {**given, "why": ""}).status_code == 400


def test_ticked_readings_are_judged_together(series, actor, client):
    push([row(series, 0, 100.0)], actor)
    push([row(series, h, 1e9 - h * 1e7) for h in (1, 2, 3)], actor)
    assert SetAside.objects.count() == 3
    answer = client.get("/readings/set-aside/")
    html = answer.content.decode()
    items = re.findall(r'name="picked" value="(\d+:\d+)"', html)
    assert len(items) == 3
    key = hidden(answer, "/readings/set-aside/judge")["idempotency_key"]
    given = {"idempotency_key": key, "act": "dismiss", "picked": items[:2], "why": "glitch"}
    assert client.post("/readings/set-aside/judge", given).status_code == 303
    assert client.post("/readings/set-aside/judge", given).status_code == 303
    assert SetAside.objects.filter(state="dismissed").count() == 2
    text = words(client.get("/readings/set-aside/"))
    assert "2 dismissed" in text
    stale = {**given, "idempotency_key": "y" * 20}
    client.post("/readings/set-aside/judge", stale)
    assert "Somebody changed this record" in words(client.get("/readings/set-aside/"))
    none = {**given, "picked": []}
    assert client.post("/readings/set-aside/judge", none).status_code == 400


def test_a_planner_sees_but_may_not_judge(series, actor):
    push([row(series, 0, 100.0), row(series, 1, 1e9)], actor)
    answer = page_as(member(series.site, Role.PLANNER), "/readings/set-aside/")
    assert "Accept the ticked" not in answer.content.decode()
    assert series.tag in words(answer)


def test_a_doubt_is_answered_on_the_quality_page(series, client):
    SeriesState.objects.filter(series=series).update(
        doubtful_code="frozen", doubtful_words="Stands still: 24.1 degC", doubtful_since_us=1
    )
    answer = client.get("/readings/quality/")
    assert "Stands still" in words(answer)
    at = f"/readings/series/{series.pk}/confirm"
    form = hidden(answer, at)
    assert client.post(at, {**form, "why": "probe agrees"})["Location"] == "/readings/quality/"
    assert "No doubts" in words(client.get("/readings/quality/"))


def test_swapped_sensors_are_exchanged_on_the_quality_page(series, client):
    one = GaugeFactory(pump=series.pump)
    two = GaugeFactory(pump=PumpFactory(group=series.pump.group))
    SeriesState.objects.filter(series__in=[one, two]).update(doubtful_code="swapped")
    for a, b in ((one, two), (two, one)):
        SeriesState.objects.filter(series=a).update(
            doubtful_words=f"Looks swapped: follows the pump of {b.tag}: 0.1"
        )
    at = f"/readings/series/{one.pk}/swap"
    form = hidden(client.get("/readings/quality/"), at)
    assert client.post(at, form).status_code == 303
    assert Series.objects.get(pk=one.pk).pump_id == two.pump_id


def test_of_two_swapped_pairs_in_a_group_each_is_exchanged_with_its_own(series, client):
    group = series.pump.group
    gauges = [GaugeFactory(pump=PumpFactory(group=group)) for _ in range(4)]
    for n, gauge in enumerate(gauges):
        other = gauges[n ^ 1]
        SeriesState.objects.filter(series=gauge).update(
            doubtful_code="swapped",
            doubtful_words="Looks like the sensor of another pump: follows the pump of "
            f"{other.tag}: 0.10 with its own pump, 0.90 with that one",
        )
    answer = client.get("/readings/quality/")
    for n, gauge in enumerate(gauges):
        form = hidden(answer, f"/readings/series/{gauge.pk}/swap")
        assert form["with_series"] == str(gauges[n ^ 1].pk)


def test_an_undeclared_change_of_meter_is_one_click_from_its_declaration(series, actor, client):
    push([row(series, 0, 41_230.0), row(series, 24, 30.0), row(series, 30, 36.0)], actor)
    check_readings(START + timedelta(days=2), lambda: None)
    answer = client.get("/readings/quality/")
    assert "The meter changed" in words(answer)
    at = f"/readings/series/{series.pk}/"
    assert f'href="{at}?declare=yes#meter">Declare the meter' in answer.content.decode()
    html = client.get(at, {"declare": "yes"})
    assert "<details open>" in html.content.decode()
    form = hidden(html, f"{at}meter")
    assert (form["at"], form["closing_value"], form["opening_value"]) == (
        "2026-01-02T00:59",  # the second reading came at 01:00 local time
        "41230",
        "30",
    )
    given = {**form, "kind": "replaced", "closing_value": "41235", "opening_value": "11"}
    assert client.post(f"{at}meter", given).status_code == 303
    check_readings(START + timedelta(days=2), lambda: None)
    assert "No doubts" in words(client.get("/readings/quality/"))


def test_a_sender_that_falls_silent_is_said_on_both_pages(series, actor, client):
    last = now() - timedelta(hours=5)
    for n in range(4):
        push([row(series, n, 100.0 + n)], actor, at=last - timedelta(hours=3 - n))
    for page in ("/readings/sources/", "/readings/quality/"):
        assert "silent" in words(client.get(page)), page
    push([row(series, 4, 104.0)], actor, at=now())
    for page in ("/readings/sources/", "/readings/quality/"):
        assert "silent" not in words(client.get(page)), page


def test_senders_are_listed_with_the_age_of_their_last_push(series, actor, client):
    push([row(series, 0, 100.0)], actor, at=LONG_AFTER - timedelta(days=9))
    bad = row(series, 1, 101.0, unit="psi")
    push([bad], actor, source="invented gateway")
    answer = client.get("/readings/sources/")
    text = words(answer)
    assert "invented historian" in text
    assert "unit mismatch: 1" in text
    assert client.get("/readings/sources/?source=1").status_code == 200
    assert client.get("/readings/sources/?source=x").status_code == 200
