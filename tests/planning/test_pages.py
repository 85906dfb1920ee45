"""The plan page and placing one order: same action as the endpoint, input kept on refusal."""

import json

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.register import PumpGroupFactory, SiteFactory, member, valve_at
from tests.factories.work import Job, WorkOrderFactory
from valvecare.core.permits import Role
from valvecare.models import Slot, WorkOrder
from valvecare.planning.actions import place
from valvecare.work.actions.bring_back import bring_back
from valvecare.work.actions.hear_phone import hear_phone
from valvecare.work.actions.take_along import take_along
from valvecare.work.reads import out_on_phones

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _day(settings):
    settings.VALVECARE = {"DEMO": True, "TODAY": "2026-05-04"}


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def text_of(answer):
    return answer.content.decode()


def agreed(site, **valve):
    return Job(site, WorkOrderFactory(valve=valve_at(site, **valve))).to_agreed()


def url_of(job):
    return reverse("valvecare:place-order", args=[job.order.pk])


def send(client, job, window, crew, **fields):
    data = {
        "version": job.order.version,
        "idempotency_key": "key",
        "window": window.pk,
        "crew": crew.pk,
        **fields,
    }
    return client.post(url_of(job), data)


def test_the_plan_shows_windows_their_load_and_what_waits(site):
    window, crew = WindowFactory(site=site), CrewFactory(site=site)
    placed, waiting = agreed(site), agreed(site)
    placed.do(place, window.pk, crew.pk, actor=placed.planner)
    text = text_of(signed_in(placed.planner).get(reverse("valvecare:plan")))
    assert text.index(waiting.order.valve.tag) < text.index(window.name)
    assert text.index(window.name) < text.index(placed.order.valve.tag)
    assert '19\xa0h</span> of <span class="num">150\xa0h' in text
    away = text_of(signed_in(member(SiteFactory())).get(reverse("valvecare:plan")))
    assert "Nothing is planned" in away
    assert window.name not in away
    contractor = signed_in(member(site, Role.CONTRACTOR))
    assert contractor.get(reverse("valvecare:plan")).status_code == 403


def test_the_plan_shows_what_is_to_be_agreed_and_free_windows_in_one_table(site):
    free = WindowFactory(site=site, name="free window")
    used, crew = WindowFactory(site=site, name="used window"), CrewFactory(site=site)
    raised = WorkOrderFactory(valve=valve_at(site))
    placed, waiting = agreed(site), agreed(site)
    placed.do(place, used.pk, crew.pk, actor=placed.planner)
    text = text_of(signed_in(placed.planner).get(reverse("valvecare:plan")))
    heads = [
        waiting.order.valve.tag,
        "To be agreed",
        raised.valve.tag,
        used.name,
        placed.order.valve.tag,
        "Windows with nothing placed yet",
        free.name,
    ]
    places = [text.index(word) for word in heads]
    assert places == sorted(places)
    assert [text.count(name) for name in (free.name, used.name)] == [1, 1]


def test_the_plan_costs_the_same_for_any_number(site, django_assert_num_queries):
    client = signed_in(member(site, Role.PLANNER))
    for _ in range(2):
        for _ in range(3):
            window, crew = WindowFactory(site=site), CrewFactory(site=site)
            job = agreed(site)
            agreed(site)
            job.do(place, window.pk, crew.pk, actor=job.planner)
        # session, user, may look, windows, their groups, crews, slots, raised,
        # waiting, out on a phone, may place
        with django_assert_num_queries(11):
            client.get(reverse("valvecare:plan"))


def test_looking_writes_nothing_and_says_what_would_happen(site):
    window, crew = WindowFactory(site=site), CrewFactory(site=site)
    job = agreed(site)
    answer = send(signed_in(job.planner), job, window, crew, look="1")
    assert "It fits." in text_of(answer)
    assert "8\xa0Jun\xa02026" in text_of(answer)
    assert Slot.objects.count() == 0
    group = job.order.valve.pump.group
    job.do(place, window.pk, crew.pk, actor=job.planner)
    other = agreed(site, pump__group=group)
    answer = send(signed_in(job.planner), other, window, CrewFactory(site=site), look="1")
    assert "It does not fit." in text_of(answer)
    assert f"{group.code} needs 2 of 3" in text_of(answer)


def test_a_refusal_keeps_the_input(site):
    window, crew = WindowFactory(site=site), CrewFactory(site=site)
    job = agreed(site)
    client = signed_in(job.planner)
    answer = send(client, job, window, crew, hours="400", because="no slack")
    assert answer.status_code == 409
    assert f"The job takes 400 h; {window} offers this crew 150 h in all." in text_of(answer)
    assert 'value="no slack"' in text_of(answer)
    stale = send(client, job, window, crew, version=1)
    assert stale.status_code == 412
    assert f'name="version" value="{job.order.version}"' in text_of(stale)
    assert Slot.objects.count() == 0


def test_page_and_endpoint_leave_the_same_slot(site):
    window, planner = WindowFactory(site=site), member(site, Role.PLANNER)
    client = signed_in(planner)
    twins = [agreed(site, pump__group=PumpGroupFactory(site=site)) for _ in range(2)]
    crews = [CrewFactory(site=site) for _ in range(2)]
    fields = {"not_before": "2026-06-10", "hours": "12"}
    for _ in range(3):
        assert send(client, twins[0], window, crews[0], **fields).status_code == 303
    answer = client.post(
        f"/api/v1/work-orders/{twins[1].order.pk}/place",
        json.dumps(
            {
                "window": window.pk,
                "crew": crews[1].pk,
                "not_before": "2026-06-10",
                "hours": 12,
            }
        ),
        content_type="application/json",
        headers={"If-Match": f'"{twins[1].order.version}"'},
    )
    assert answer.status_code == 200
    rows = Slot.objects.order_by("id").values("starts_on", "ends_on", "hours", "days", "because")
    assert rows[0] == rows[1]
    states = WorkOrder.objects.order_by("id").values_list("state", "version")
    assert list(states) == [("placed", 3), ("placed", 3)]


def test_strangers_technicians_and_foreign_windows(site):
    job, crew = agreed(site), CrewFactory(site=site)
    window = WindowFactory(site=site)
    assert signed_in(member(SiteFactory())).get(url_of(job)).status_code == 404
    technician = signed_in(job.technician)
    assert send(technician, job, window, crew).status_code == 403
    foreign = WindowFactory()
    answer = send(signed_in(job.planner), job, foreign, crew)
    assert answer.status_code == 400
    assert "Select a valid choice" in text_of(answer)
    assert Slot.objects.count() == 0


def test_the_planner_sees_what_is_out_on_a_phone_and_when_it_was_last_heard(site):
    job = Job(site).to_under_way()
    other = Job(SiteFactory()).to_under_way()
    taken = job.tick()
    take_along(job.order.pk, actor=job.technician, at=taken)
    take_along(other.order.pk, actor=other.technician, at=taken)
    client = signed_in(job.planner)
    text = text_of(client.get(reverse("valvecare:plan")))
    assert text.count("Out on a phone") == 1
    assert job.technician.get_username() in text
    assert other.technician.get_username() not in text
    (line,) = out_on_phones(job.planner)
    assert (line.since, line.heard_at) == (taken, taken)

    heard = job.tick()
    assert hear_phone([job.order.pk, other.order.pk], actor=job.technician, at=heard) == 1
    (line,) = out_on_phones(job.planner)
    assert (line.since, line.heard_at) == (taken, heard)
    session = reverse("valvecare:phone-session")
    signed_in(job.technician).get(session)  # says nothing of this order: not heard
    assert out_on_phones(job.planner)[0].heard_at == heard
    signed_in(job.technician).get(f"{session}?out={job.order.pk},x,{'9' * 40}")
    assert out_on_phones(job.planner)[0].heard_at != heard

    bring_back(job.order.pk, actor=job.technician, at=job.tick())
    assert "Out on a phone" not in text_of(client.get(reverse("valvecare:plan")))
