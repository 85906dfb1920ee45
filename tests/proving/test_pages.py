"""The pages of a guided test: without JavaScript, input kept on refusal, answers for the phone."""

import re

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.proving import GAUGES, METER, Guided, one
from tests.factories.register import SiteFactory, member
from valvecare.core.permits import Role
from valvecare.models import FunctionTest, TestReading, TestRun, Verdict, WorkOrder
from valvecare.work.rules.test_steps import STEP_IDS, Watched

pytestmark = pytest.mark.django_db
JSON = {"Accept": "application/json"}


@pytest.fixture(autouse=True)
def today(settings):
    settings.VALVECARE = {"DEMO": True, "TODAY": "2026-05-05"}


@pytest.fixture
def job():
    return Guided.new()


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def url(job, name="", *more):
    return reverse(f"valvecare:order-test{name}", args=[job.order.pk, *more])


def begin_fields(job, **changed):
    job.order.refresh_from_db()
    return {
        "version": job.order.version,
        "idempotency_key": "begin-key",
        "method": METER,
        "instruments": list(GAUGES),
        **{f"because_{watched.name.lower()}": "not at hand" for watched in Watched},
        "abort_vibration": "7,1",
        "because_vibration": "",
        "abort_rise": "12",
        "because_rise": "",
        "suction_open": "on",
        "return_open": "on",
        "return_sealed_open": "on",
        "vented": "on",
        "parallel_pump": "stopped and locked",
        "warm_keeping": "no",
        **changed,
    }


def text(answer):
    """The page with plain blanks and bare numbers."""
    page = re.sub(r"\s+", " ", answer.content.decode())
    return re.sub(r'<span class="num">([^<]*)</span>', r"\1", page)


def test_the_start_shows_methods_with_band_or_why_not(job):
    page = text(signed_in(job.technician).get(url(job)))
    assert "<dt>Meter in the bypass line</dt><dd><strong>able</strong>, uncertainty 1.0 %" in page
    assert "circular: it uses the Kv that the test is to prove" in page
    assert "no proof: a worn pump reads too much flow" in page
    assert "provisional release" in page
    assert "keep a person at the stop button" in page


def test_a_test_is_begun_read_and_finished_without_script(job):
    client = signed_in(job.technician)
    answer = client.post(url(job, "-begin"), begin_fields(job))
    assert answer.status_code == 303, text(answer)
    run = TestRun.objects.get()
    assert run.abort_limits["vibration"] == {"limit": 7.1, "because": ""}
    job.run = run
    fields = {
        "version": run.order.version,
        "idempotency_key": "t0",
        "value_joints_tight": "1",
    }
    assert client.post(url(job, "-readings", "t0"), fields).status_code == 303
    page = text(client.get(url(job, "-step", "t0")))
    assert re.search(r"pass.{0,60}T0", page)
    again = client.post(url(job, "-readings", "t0"), fields)  # the button pressed twice
    assert (again.status_code, TestReading.objects.count()) == (303, 1)
    for name in STEP_IDS[1:]:
        fields = {"version": 1, "idempotency_key": name, "because": "no time"}
        done = client.post(url(job, "-not-done", name.lower()), fields)
        assert done.status_code == (409 if name == "T7" else 303)  # T7 does not apply
    job.order.refresh_from_db()
    fields = {"version": job.order.version, "idempotency_key": "end"}
    answer = client.post(url(job, "-finish"), fields)
    assert answer.status_code == 303, re.findall(r'class="refusal".*?</div>', text(answer))
    run.refresh_from_db()
    assert (run.result, run.test.method) == ("undecided", "with the pump, no flow measured")
    page = text(client.get(url(job)))
    assert "Begin another test" in page
    assert "not done, because no time" in page


def test_a_vessel_given_in_part_is_asked_for_the_rest(job):
    fields = begin_fields(job, surface_m2="12", u_surface_m2="0,1")
    client = signed_in(job.technician)
    answer = client.post(url(job, "-begin"), fields)
    page = text(answer)
    assert (answer.status_code, TestRun.objects.count()) == (400, 0)
    assert "<details open><summary>Only for the vessel" in page
    assert page.count("Give all four figures of the vessel, or none.") == 2
    fields |= {"other_outflow_m3_per_h": "0", "u_other_outflow_m3_per_h": "0"}
    answer = client.post(url(job, "-begin"), {**fields, "idempotency_key": "again"})
    assert (answer.status_code, TestRun.objects.count()) == (409, 0)
    assert "standard uncertainty of the other flows 0 m³/h" in text(answer)


@pytest.mark.parametrize(
    ("volume", "words"),
    [
        (None, "It is not known how soon the water in this pump boils"),
        (0.02, "of the start, stop the pump: 50 % of the time in which the water in it would boil"),
    ],
)
def test_the_start_warns_of_running_closed_in(job, volume, words):
    pump = job.order.valve.pump
    type(pump).objects.filter(pk=pump.pk).update(liquid_volume_m3=volume)
    job.begin()
    page = text(signed_in(job.technician).get(url(job, "-step", "t1")))
    assert words in page
    assert words not in text(signed_in(job.technician).get(url(job, "-step", "t2")))


def test_only_meters_of_the_method_are_offered_for_the_proof(job):
    job.begin()
    client = signed_in(job.technician)
    page = client.get(url(job, "-step", "t1")).content.decode()
    choice = re.search(r'<select name="gauge_bypass_flow".*?</select>', page, re.DOTALL).group()
    assert ("FM-01" in choice, "CM-01" in choice) == (True, False)
    page = client.get(url(job, "-step", "t2")).content.decode()
    choice = re.search(r'<select name="gauge_bypass_flow".*?</select>', page, re.DOTALL).group()
    assert ("FM-01" in choice, "CM-01" in choice) == (True, True)


def test_a_refused_reading_stores_nothing_and_keeps_what_was_typed(job):
    job.begin()
    client = signed_in(job.technician)
    fields = {
        "version": job.order.version,
        "idempotency_key": "k1",
        "value_bypass_flow": "29,4",
        "gauge_bypass_flow": "FM-01",
        "value_inlet_temperature": "250",
        "gauge_inlet_temperature": "TH-01",
    }
    answer = client.post(url(job, "-readings", "t1"), fields)
    assert answer.status_code == 409
    assert "250 °C lies outside the range of TH-01" in text(answer)
    assert 'value="29,4"' in text(answer)
    assert TestReading.objects.count() == 0
    empty = client.post(
        url(job, "-readings", "t1"), {"version": 1, "idempotency_key": "k2"}, headers=JSON
    )
    assert (empty.status_code, empty.json()["outcome"]) == (400, "refused")


def test_the_margin_and_the_band_are_shown_at_once(job):
    job.begin()
    client = signed_in(job.technician)
    fields = {
        "version": job.order.version,
        "idempotency_key": "k1",
        "value_bypass_flow": "29.4",
        "gauge_bypass_flow": "FM-01",
    }
    answer = client.post(url(job, "-readings", "t1"), fields, headers=JSON)
    assert answer.json() == {
        "outcome": "accepted",
        "version": job.order.version,
        "url": url(job, "-step", "t1"),
    }
    page = text(client.get(url(job, "-step", "t1")))
    assert "Bypass flow 29.4 m³/h ± 0.59 m³/h" in page
    assert "Margin of the lower bound" in page
    assert "Still lacking:" in page
    assert "temperature at the pump outlet" in page


def test_a_crossed_abort_limit_is_shown_large_on_every_page(job):
    job.begin()
    client = signed_in(job.technician)
    fields = {
        "version": job.order.version,
        "idempotency_key": "k1",
        "value_vibration": "12",
        "gauge_vibration": "VM-01",
    }
    client.post(url(job, "-readings", "t1"), fields)
    for path in (url(job), url(job, "-step", "t2")):
        page = text(client.get(path))
        assert "BREAK OFF. Abort limit crossed." in page
        assert "T1: vibration 12 mm/s, agreed limit 7.1 mm/s" in page
        assert "Do not start it again before the cause is found" in page
        assert f'href="{url(job)}#finish-head"' in page
    assert "recorded as not done, because the test was broken off" in text(client.get(url(job)))


def test_a_stop_is_shown_with_what_is_needed(job):
    job.begin().read(
        [
            one("T2", "main flow", 12, "FM-01", stop=1),
            one("T2", "bypass flow", 28, "FM-01", stop=1),
        ]
    )
    page = text(signed_in(job.technician).get(url(job, "-step", "t2")))
    assert "total 40 m³/h ± 0.61 m³/h, needed 27 m³/h" in page


def test_the_phone_knows_the_rise_and_what_was_read_last(job):
    job.begin().read([one("T1", "temperature at the pump inlet", 130.5, "TH-01")])
    page = signed_in(job.technician).get(url(job, "-step", "t1")).content.decode()
    cold = re.search(r'<input[^>]*name="value_inlet_temperature"[^>]*>', page).group()
    hot = re.search(r'<input[^>]*name="value_outlet_temperature"[^>]*>', page).group()
    for field, side, last in ((cold, "cold", "130.5"), (hot, "hot", "")):
        assert f'data-rise-side="{side}"' in field
        assert f'data-rise-last="{last}"' in field
        assert 'data-rise-limit="12"' in field


def test_the_page_why_shows_raw_readings_and_working(job):
    job.begin().read_all()
    job.finish()
    assert Verdict.objects.filter(valve=job.order.valve, is_current=True).exists()
    client = signed_in(job.technician)
    page = text(client.get(reverse("valvecare:verdict-why", args=[job.order.valve_id])))
    assert "Guided test" in page
    assert "temperature in the return line" in page
    assert "pressure drop" in page
    assert "function test 1" in page
    result = text(client.get(url(job)))
    assert 'id="test-total-title"' in result
    assert "Total, opening (T2)" in result
    assert "Raw readings" in result


def test_a_result_is_shown_with_its_restriction(job):
    job.begin().read_all(bypass_flow=21.0)
    job.finish(restriction="Load within 60 s after start.")
    page = text(signed_in(job.technician).get(url(job)))
    assert "<strong>Restriction:</strong> Load within 60 s after start." in page


def test_the_order_leads_to_the_guided_test_and_it_to_the_release(job):
    client = signed_in(job.technician)
    page = text(client.get(reverse("valvecare:work-order", args=[job.order.pk])))
    assert f'href="{url(job)}"' in page
    assert f"{reverse('valvecare:work-order', args=[job.order.pk])}#release" in text(
        client.get(url(job))
    )


def test_a_stranger_finds_nothing_and_a_visitor_may_not_record(job):
    job.begin()
    stranger = signed_in(member(SiteFactory(), Role.TECHNICIAN))
    for path in (url(job), url(job, "-step", "t1")):
        assert stranger.get(path).status_code == 404
    planner = signed_in(job.planner)
    fields = {"version": 1, "idempotency_key": "k", "value_joints_tight": "1"}
    assert planner.post(url(job, "-readings", "t0"), fields).status_code == 403
    assert TestReading.objects.count() == 0
    assert planner.get(url(job, "-step", "t9")).status_code == 404


def test_beginning_on_a_version_that_was_overtaken_is_a_conflict(job):
    fields = begin_fields(job, version=job.order.version - 1)
    answer = signed_in(job.technician).post(url(job, "-begin"), fields, headers=JSON)
    assert (answer.status_code, answer.json()["outcome"]) == (412, "conflict")
    assert answer.json()["version"] == WorkOrder.objects.get(pk=job.order.pk).version
    assert (TestRun.objects.count(), FunctionTest.objects.count()) == (0, 0)
