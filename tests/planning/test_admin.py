"""The planner's lists: cut to the sites, filters, placing many with a preview and a result each."""

import re
from datetime import UTC, datetime

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.register import PumpGroupFactory, SiteFactory, member, valve_at
from tests.factories.work import Job, WorkOrderFactory
from valvecare.core.permits import Role
from valvecare.models import CalendarRule, Crew, Event, Slot, Window, WorkOrder

pytestmark = pytest.mark.django_db

LIST = reverse("admin:valvecare_workorder_changelist")


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def planner(site):
    return member(site, Role.PLANNER, is_staff=True)


@pytest.fixture
def client(planner):
    found = Client()
    found.force_login(planner)
    return found


def text_of(answer):
    return answer.content.decode()


def agreed(site, **valve):
    return Job(site, WorkOrderFactory(valve=valve_at(site, **valve))).to_agreed().order


def choose(client, orders, **fields):
    data = {
        "action": "place_selected",
        "_selected_action": [order.pk for order in orders],
        **fields,
    }
    return client.post(LIST, data)


def confirm(client, orders, shown, **fields):
    seen = re.findall(r'name="seen" value="(\d+:\d+)"', text_of(shown))
    return choose(client, orders, confirmed="1", seen=seen, **fields)


def test_the_list_shows_the_planners_sites_only(client, site):
    here = WorkOrderFactory(valve=valve_at(site))
    away = WorkOrderFactory(valve=valve_at(SiteFactory(code="FAR")))
    text = text_of(client.get(LIST))
    assert here.number in text
    assert away.number not in text
    assert "FAR" not in text
    assert "0 results" in text_of(client.get(f"{LIST}?q={away.number}"))
    assert here.number in text_of(client.get(f"{LIST}?q={here.number}"))


def test_the_list_costs_the_same_for_any_number(client, site):
    """Most are the permits of the menu of models, the same on every page of the admin."""
    client.get(LIST)
    counts = []
    for _ in range(2):
        for _ in range(5):
            WorkOrderFactory(valve=valve_at(site))
        with CaptureQueriesContext(connection) as found:
            client.get(LIST)
        counts.append(len(found))
    assert counts[0] == counts[1]


def test_an_order_has_no_change_form_and_cannot_be_deleted(client, site):
    order = WorkOrderFactory(valve=valve_at(site))
    change = reverse("admin:valvecare_workorder_change", args=[order.pk])
    assert client.get(change).status_code == 200
    assert client.post(change, {"state": "closed"}).status_code == 403
    delete = reverse("admin:valvecare_workorder_delete", args=[order.pk])
    assert client.post(delete, {"post": "yes"}).status_code == 403
    assert WorkOrder.objects.get(pk=order.pk).state == "raised"


def test_the_preview_says_for_every_order_what_would_happen_and_writes_nothing(client, site):
    """Fits; the group cannot spare it; not agreed yet; hours not known."""
    group = PumpGroupFactory(site=site, installed=3, needed=2)
    window, crew = WindowFactory(site=site), CrewFactory(site=site)
    fits = agreed(site, pump__group=group)
    spare = agreed(site, pump__group=group)
    raised = WorkOrderFactory(valve=valve_at(site))
    unknown = agreed(site, design=None)
    orders = [fits, spare, raised, unknown]
    events = Event.objects.count()
    text = text_of(choose(client, orders, window=window.pk, crew=crew.pk))
    assert "1 of 4 fit." in text
    rows = re.findall(r"<tr>\s*<th scope=\"row\">(WO-\d+).*?</tr>", text, re.S)
    assert rows == [order.number for order in orders]
    assert "8 Jun 2026, 9 Jun 2026" in text
    assert f"{group.code} needs 2 of 3; on 2026-06-09 {fits.valve} is out." in text
    assert "This order is &#x27;raised&#x27;, so it cannot be placed." in text
    assert "How long a strip-down of this valve takes is not known." in text
    assert Slot.objects.count() == 0
    assert Event.objects.count() == events


def test_placing_does_exactly_what_the_preview_said(client, site):
    window = WindowFactory(site=site, ends_at=datetime(2026, 6, 12, 16, tzinfo=UTC))
    crew = CrewFactory(site=site)
    orders = [agreed(site) for _ in range(3)]
    where = {"window": window.pk, "crew": crew.pk}
    shown = choose(client, orders, **where)
    assert "2 of 3 fit." in text_of(shown)
    assert "the crew has 12 h left" in text_of(shown)
    done = text_of(confirm(client, orders, shown, **where))
    assert "2 of 2 done." in done
    days = [slot.days for slot in Slot.objects.order_by("starts_on", "id")]
    assert days == [
        {"2026-06-08": 10.0, "2026-06-09": 9.0},
        {"2026-06-09": 1.0, "2026-06-10": 10.0, "2026-06-11": 8.0},
    ]
    for day in ("8 Jun 2026, 9 Jun 2026", "9 Jun 2026, 10 Jun 2026, 11 Jun 2026"):
        assert day in text_of(shown)


def test_a_closed_season_and_a_short_window_are_told(client, site):
    CalendarRule.objects.create(
        site=site, name="winter", from_month=11, from_day=1, to_month=3, to_day=31
    )
    crew, order = CrewFactory(site=site), agreed(site)
    december = WindowFactory(
        site=site,
        starts_at=datetime(2026, 12, 7, 5, tzinfo=UTC),
        ends_at=datetime(2026, 12, 11, 17, tzinfo=UTC),
    )
    text = text_of(choose(client, [order], window=december.pk, crew=crew.pk))
    assert "On 2026-12-07 nothing may be opened: winter." in text
    slot = WindowFactory(
        site=site,
        starts_at=datetime(2026, 5, 5, 5, tzinfo=UTC),
        ends_at=datetime(2026, 5, 5, 13, tzinfo=UTC),
    )
    text = text_of(choose(client, [order], window=slot.pk, crew=crew.pk))
    assert f"The job takes 19 h; {slot} offers this crew 8 h in all." in text


def test_an_order_changed_since_the_preview_is_left_alone(client, site, planner):
    window, crew = WindowFactory(site=site), CrewFactory(site=site)
    orders = [agreed(site), agreed(site)]
    where = {"window": window.pk, "crew": crew.pk}
    shown = choose(client, orders, **where)
    WorkOrder.objects.filter(pk=orders[0].pk).update(version=9)
    text = text_of(confirm(client, orders, shown, **where))
    assert "1 of 2 done; the others were left as they were." in text
    assert "you saw version 2, it is now version 9" in text
    assert list(Slot.objects.values_list("order_id", flat=True)) == [orders[1].pk]


def test_a_warning_needs_a_reason_in_bulk_as_well(client, site):
    group = PumpGroupFactory(site=site)
    stop, crew = WindowFactory(site=site, is_total_stop=True), CrewFactory(site=site)
    orders = [agreed(site, pump__group=group) for _ in range(2)]
    where = {"window": stop.pk, "crew": crew.pk}
    text = text_of(choose(client, orders, **where))
    assert "1 of 2 fit." in text
    assert "one mistake would reach all of them" in text
    where["because"] = "Each is tested before the next is opened."
    shown = choose(client, orders, **where)
    assert "2 of 2 fit." in text_of(shown)
    confirm(client, orders, shown, **where)
    assert set(Slot.objects.values_list("because", flat=True)) == {where["because"]}


def test_orders_windows_and_crews_of_another_site_cannot_be_named(client, site):
    far = SiteFactory()
    away, order = agreed(far), agreed(site)
    window, crew = WindowFactory(site=site), CrewFactory(site=site)
    answer = choose(client, [order], window=WindowFactory(site=far).pk, crew=crew.pk)
    assert "Select a valid choice" in text_of(answer)
    choose(
        client,
        [order, away],
        window=window.pk,
        crew=crew.pk,
        confirmed="1",
        seen=[f"{away.pk}:{away.version}"],
    )
    assert Slot.objects.count() == 0


def test_a_technician_has_no_bulk_actions(site):
    client = Client()
    client.force_login(member(site, Role.TECHNICIAN, is_staff=True))
    order = agreed(site)
    assert "place_selected" not in text_of(client.get(LIST))
    choose(client, [order], window=WindowFactory(site=site).pk, crew=CrewFactory(site=site).pk)
    assert Slot.objects.count() == 0


def test_many_orders_are_agreed_with_a_result_for_each(client, site):
    orders = [WorkOrderFactory(valve=valve_at(site)) for _ in range(2)] + [agreed(site)]
    data = {"action": "agree_selected", "_selected_action": [order.pk for order in orders]}
    shown = client.post(LIST, data)
    text = text_of(shown)
    assert text.count("raised → agreed") == 2
    assert text.count("refused: This order is &#x27;agreed&#x27;") == 1
    assert WorkOrder.objects.filter(state="raised").count() == 2
    seen = re.findall(r'name="seen" value="(\d+:\d+)"', text)
    done = client.post(LIST, {**data, "confirmed": "1", "seen": seen})
    assert "2 of 2 done." in text_of(done)
    assert WorkOrder.objects.filter(state="agreed").count() == 3


def test_too_many_at_once_are_refused(client, site, monkeypatch):
    monkeypatch.setattr("valvecare.planning.admin.AT_MOST", 1)
    monkeypatch.setattr("valvecare.work.admin.orders.AT_MOST", 1)
    orders = [agreed(site) for _ in range(2)]
    for action in ("place_selected", "agree_selected"):
        data = {"action": action, "_selected_action": [order.pk for order in orders]}
        answer = client.post(LIST, data, follow=True)
        assert "Select at most 1 orders." in text_of(answer)


# ---- windows and crews


def test_a_window_is_added_and_changed_with_a_story(client, site, planner):
    add = reverse("admin:valvecare_window_add")
    group = PumpGroupFactory(site=site)
    data = {
        "site": site.pk,
        "name": "Stop",
        "starts_at_0": "2026-06-08",
        "starts_at_1": "04:00",
        "ends_at_0": "2026-06-26",
        "ends_at_1": "16:00",
        "words": "All.",
        "is_total_stop": "on",
        "still_needed": [group.pk],
    }
    assert client.post(add, data).status_code == 302
    window = Window.objects.get()
    assert list(window.still_needed.all()) == [group]
    change = reverse("admin:valvecare_window_change", args=[window.pk])
    stale = client.post(change, {**data, "words": "Most.", "seen_version": 7})
    assert "Somebody changed this; open it again." in text_of(stale)
    assert client.post(change, {**data, "words": "Most.", "seen_version": 1}).status_code == 302
    window.refresh_from_db()
    assert (window.words, window.version) == ("Most.", 2)
    assert list(Event.objects.order_by("id").values_list("type", "actor_id")) == [
        ("window.added", planner.pk),
        ("window.changed", planner.pk),
    ]


def test_rows_of_the_plan_stay_inside_the_planners_sites(client, site):
    far = SiteFactory(code="FAR")
    crew = CrewFactory(site=far)
    text = text_of(client.get(reverse("admin:valvecare_crew_changelist")))
    assert "FAR" not in text
    change = reverse("admin:valvecare_crew_change", args=[crew.pk])
    assert client.get(change).status_code == 302
    data = {"site": far.pk, "name": "Mine", "people": 2, "hours_per_day": 10}
    answer = client.post(reverse("admin:valvecare_crew_add"), data)
    assert "Select a valid choice" in text_of(answer)
    group = PumpGroupFactory(site=far)
    window = {
        "site": site.pk,
        "name": "Stop",
        "starts_at_0": "2026-06-08",
        "starts_at_1": "04:00",
        "ends_at_0": "2026-06-26",
        "ends_at_1": "16:00",
        "still_needed": [group.pk],
    }
    answer = client.post(reverse("admin:valvecare_window_add"), window)
    assert "Select a valid choice" in text_of(answer)
    assert (Crew.objects.count(), Window.objects.count()) == (1, 0)


def test_an_auditor_looks_and_does_not_touch(site):
    client = Client()
    client.force_login(member(site, Role.AUDITOR, is_staff=True))
    WindowFactory(site=site)
    assert client.get(reverse("admin:valvecare_window_changelist")).status_code == 200
    assert client.get(reverse("admin:valvecare_window_add")).status_code == 403
