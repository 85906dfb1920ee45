"""The page of one valve: what is not known stands out, every part of the story is there."""

from datetime import UTC, datetime

import pytest

from tests.factories.look import NOON, proof, task, verdict
from tests.factories.register import (
    PumpFactory,
    SiteFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from valvecare.core.events import record
from valvecare.core.models import NOT_KNOWN

pytestmark = pytest.mark.django_db


@pytest.fixture
def site(client):
    site = SiteFactory(code="NH", name="Norrhollow", time_zone="Europe/Stockholm")
    client.force_login(member(site))
    return site


def page(client, valve) -> str:
    answer = client.get(f"/valves/{valve.pk}/")
    assert answer.status_code == 200
    return answer.content.decode()


def test_a_valve_without_a_plate_warns_and_marks_what_is_not_known(client, site):
    design = ValveDesignFactory(revision=NOT_KNOWN)
    valve = valve_at(site, tag="AF-CR-2V", design=design, serial=NOT_KNOWN, built_year=None)
    html = page(client, valve)
    assert "Not identified." in html
    assert "Take the spring as loaded" in html
    # revision, serial, stamped identity, year
    facts = html[html.index("<h3>Identity</h3>") : html.index("<h3>Bypass duty</h3>")]
    assert facts.count('class="not-known"') == 4
    assert "No function test of this valve is recorded." in html


def test_an_identified_valve_does_not_warn(client, site):
    assert "Not identified." not in page(client, valve_at(site))


def test_a_valve_without_a_design_is_shown_all_the_same(client, site):
    html = page(client, valve_at(site, design=None))
    assert "Not identified." in html


def test_tests_are_shown_with_their_uncertainty_and_restriction(client, site):
    valve = valve_at(site)
    done = datetime(2025, 9, 23, 9, tzinfo=UTC)
    proof(valve, 21.0, "fail", done_at=done, restriction="Load within 60 s after start.")
    proof(valve, None, "not able", done_at=NOON)
    html = page(client, valve)
    assert "±\u00a01.05\u00a0m³/h (5\u00a0%)" in html
    assert "Load within 60 s after start." in html
    assert "23\u00a0Sep\u00a02025, 11:00\u00a0CEST" in html
    assert html.count('class="dot line-1"') == 2  # one in the drawing, one in the key


def test_the_curve_is_drawn_when_there_is_one(client, site):
    with_curve = valve_at(site, pump=PumpFactory(group__site=site, with_curve=True))
    html = page(client, with_curve)
    assert 'aria-labelledby="curve-title curve-desc"' in html
    assert "Required minimum flow, 27 m³/h" in html
    assert 'id="curve-title"' not in page(client, valve_at(site))


def test_due_tasks_and_the_story_of_the_valve(client, site):
    valve = valve_at(site)
    task(valve, "overdue", 1.43)
    record("valve.noted", valve, actor=None, at=NOON, words="Somebody looked at it.")
    html = page(client, valve)
    assert "Said by hand: overdue." in html
    assert "Somebody looked at it." in html
    assert "4\u00a0May\u00a02026, 14:00\u00a0CEST" in html


def test_the_verdict_stands_first_with_what_operations_must_keep_to(client, site):
    valve = valve_at(site)
    assert "Not judged yet: the valve is new to the sweep." in page(client, valve)
    verdict(valve, "Does not protect", restriction="Load within 60 s after start.")
    html = page(client, valve)
    assert "For operations: Load within 60 s after start." in html
    assert html.index('aria-label="Verdict"') < html.index('id="due-head"')
    assert "measured with the pump" in html


def test_a_changed_pump_is_said(client, site):
    pump = PumpFactory(
        group__site=site, hydraulics_changed_on="2025-03-01", hydraulics_change="impeller trimmed"
    )
    html = page(client, valve_at(site, pump=pump))
    assert "impeller trimmed, 1\u00a0Mar\u00a02025" in html


def test_the_cost_does_not_grow_with_the_story(client, site, django_assert_max_num_queries):
    valve = valve_at(site)
    record("valve.noted", valve, actor=None, at=NOON, words="The first note.")
    with django_assert_max_num_queries(20) as few:
        page(client, valve)
    for number in range(30):
        record("valve.noted", valve, actor=None, at=NOON, words=f"Note {number}.")
        proof(valve, 30.0, "pass", done_at=datetime(2020, 1, number + 1, tzinfo=UTC))
    task(valve, "overdue", 1.43)
    task(valve, "no record", kind="function test")
    with django_assert_max_num_queries(20) as many:
        html = page(client, valve)
    assert len(many) == len(few)
    assert "Older events are in the journal." in html


def test_a_valve_of_another_site_is_not_there(client, site):
    assert client.get(f"/valves/{valve_at(SiteFactory()).pk}/").status_code == 404
