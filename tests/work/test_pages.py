"""The pages at the valve: without JavaScript, input kept on refusal, the same rows as the API."""

import json
import re

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.register import PASSWORD, SiteFactory, member, valve_at
from tests.factories.work import GaugeFactory, Job, WorkOrderFactory
from valvecare.core.permits import Role
from valvecare.engineering.cautions import cautions_for_step
from valvecare.models import (
    Event,
    Finding,
    FunctionTest,
    Gate,
    Measurement,
    Signature,
    Slot,
    WorkOrder,
)
from valvecare.work.rules import GateKind

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    return Job(site)


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def page_of(order):
    return reverse("valvecare:work-order", args=[order.pk])


def act_url(order, verb):
    return reverse("valvecare:work-order-act", args=[order.pk, verb])


def send(client, order, verb, fields=None, *, key="page-key", version=None):
    data = {"version": version or order.version, "idempotency_key": key, **(fields or {})}
    return client.post(act_url(order, verb), data)


def text_of(answer):
    return answer.content.decode()


def place_today(job):
    Slot.objects.create(
        order=job.order,
        window=WindowFactory(site=job.site),
        crew=CrewFactory(site=job.site),
        starts_on="2026-05-04",
        ends_on="2026-05-05",
        hours=12,
        days={"2026-05-04": 10, "2026-05-05": 2},
    )


def test_my_work_shows_today_first_and_own_orders_first(site, job, settings):
    settings.VALVECARE = {"DEMO": True, "TODAY": "2026-05-04"}
    job.to_readied()
    place_today(job)
    other = Job(site).to_under_way()
    WorkOrder.objects.filter(pk=job.order.pk).update(assigned_to=job.technician)
    client = signed_in(job.technician)
    text = text_of(client.get(reverse("valvecare:my-work")))
    assert text.index(job.order.valve.tag) < text.index(other.order.valve.tag)
    assert text.index("Today") < text.index(job.order.valve.tag) < text.index("This week")
    mine = text_of(client.get(reverse("valvecare:my-work") + "?mine=1"))
    assert job.order.valve.tag in mine
    assert other.order.valve.tag not in mine


def test_my_work_of_a_stranger_is_empty_and_says_what_to_do(job):
    job.to_readied()
    client = signed_in(member(SiteFactory(), Role.TECHNICIAN))
    text = text_of(client.get(reverse("valvecare:my-work")))
    assert "Nothing to do here" in text
    assert job.order.valve.tag not in text


def test_my_work_costs_the_same_for_any_number(site, django_assert_num_queries):
    client = signed_in(member(site, Role.TECHNICIAN))
    for _ in range(2):
        for _ in range(4):
            WorkOrderFactory(valve=valve_at(site), state="under way")
        # session, user, orders, what their verdicts were, may this person work
        with django_assert_num_queries(5):
            client.get(reverse("valvecare:my-work"))


def test_the_order_page_shows_one_line_of_progress_and_works_without_script(job):
    job.to_under_way()
    text = text_of(signed_in(job.technician).get(page_of(job.order)))
    line = re.search(r'<ol class="steps".*?</ol>', text, re.S).group()
    assert [word.strip() for word in re.findall(r"<li[^>]*>\s*(.*?)</li>", line)] == [
        "raised",
        "agreed",
        "placed",
        "readied",
        "under way",
        "proven",
        "closed",
    ]
    assert 'aria-current="step">under way' in line
    # scripts add to the page; nothing is inline, and every form has its own address
    assert re.findall(r"<script(?![^>]* src=)", text) == []
    assert all("action=" in form for form in re.findall(r"<form[^>]*>", text))
    assert f'name="version" value="{job.order.version}"' in text
    assert re.search(r'name="idempotency_key" value="[0-9a-f]{32}"', text)
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_cautions_stand_before_the_step_they_belong_to(job):
    from valvecare.work.rules import OrderKind, cautions_before

    job.to_under_way().gate(GateKind.ISOLATED).as_found()
    text = text_of(signed_in(job.technician).get(page_of(job.order)))
    button = text.index("Record: cover released")
    wanted = [
        caution
        for step in cautions_before(OrderKind.STRIP_DOWN, GateKind.COVER_RELEASED)
        for caution in cautions_for_step(step)
    ]
    assert len(wanted) > 5
    for caution in wanted:
        assert text.index(caution.hazard.split(".")[0].replace("'", "&#x27;")) < button


def test_a_number_field_asks_for_the_decimal_keypad_with_its_unit_beside(job):
    job.to_moved_by_hand()
    text = text_of(signed_in(job.technician).get(page_of(job.order)))
    field = re.search(r'<div class="with-unit">(<input[^>]*bypass_flow[^>]*>)(.*?)</div>', text)
    assert 'inputmode="decimal"' in field.group(1)
    assert "m³/h" in field.group(2)


def test_a_step_on_the_page_goes_on_to_the_page(job):
    job.to_under_way()
    client = signed_in(job.technician)
    answer = send(client, job.order, "gates", {"gate": "isolated", "words": "Three locks."})
    assert (answer.status_code, answer.headers["Location"]) == (303, page_of(job.order) + "#next")
    assert Gate.objects.get().words == "Three locks."


def test_the_same_form_sent_again_is_one_record(job):
    job.to_under_way()
    client = signed_in(job.technician)
    answers = [send(client, job.order, "gates", {"gate": "isolated"}) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [303] * 5
    assert Gate.objects.count() == 1


def test_a_refusal_is_an_error_of_the_form_and_keeps_the_input(job):
    job.to_under_way()
    client = signed_in(job.technician)
    answer = send(
        client, job.order, "findings", {"part": "body", "found": "deep groove <b>", "grade": "4"}
    )
    text = text_of(answer)
    assert answer.status_code == 409
    assert "comes after" not in text
    assert "A part can be judged after &#x27;cover released&#x27;." in text
    assert "A finding needs a grade and a decision" in text
    assert "deep groove &lt;b&gt;" in text
    assert Finding.objects.count() == 0
    assert Event.objects.filter(type="work_order.part_judged").count() == 0


def test_a_form_seen_before_somebody_else_changed_the_order_keeps_its_input(job):
    job.to_under_way()
    client = signed_in(job.technician)
    answer = send(client, job.order, "gates", {"gate": "isolated", "words": "mine"}, version=1)
    text = text_of(answer)
    assert answer.status_code == 412
    assert f"you saw version 1, it is now version {job.order.version}" in text
    assert 'value="mine"' in text
    assert f'name="version" value="{job.order.version}"' in text
    assert Gate.objects.count() == 0


def test_a_bad_field_is_told_at_the_field(job):
    job.to_moved_by_hand()
    client = signed_in(job.technician)
    answer = send(
        client, job.order, "tests", {"method": "flow meter", "bypass_flow_m3_per_h": "29,4x"}
    )
    assert answer.status_code == 400
    assert "Give a number in figures" in text_of(answer)
    assert 'value="29,4x"' in text_of(answer)


def test_a_decimal_comma_is_a_decimal_comma(job):
    job.to_moved_by_hand()
    send(
        signed_in(job.technician),
        job.order,
        "tests",
        {
            "method": "flow meter",
            "bypass_flow_m3_per_h": "29,4",
            "uncertainty_percent": "5",
            "required_m3_per_h": "27",
        },
    )
    test = FunctionTest.objects.get()
    assert (test.bypass_flow_m3_per_h, test.uncertainty_share) == (29.4, 0.05)


def test_a_time_typed_at_the_site_is_the_sites_time(job, settings):
    settings.VALVECARE = {"DEMO": True, "TODAY": "2026-05-05"}
    job.to_under_way()
    send(
        signed_in(job.technician),
        job.order,
        "gates",
        {"gate": "isolated", "done_at": "2026-05-04T15:30"},
    )
    assert Gate.objects.get().at.isoformat() == "2026-05-04T13:30:00+00:00"


def test_strangers_and_people_not_signed_in(job):
    stranger = signed_in(member(SiteFactory(), Role.TECHNICIAN))
    assert stranger.get(page_of(job.order)).status_code == 404
    assert send(stranger, job.order, "agree").status_code == 404
    assert Client().get(page_of(job.order)).status_code == 302
    auditor = signed_in(member(job.site, Role.AUDITOR))
    assert auditor.get(page_of(job.order)).status_code == 200
    assert send(auditor, job.order, "agree").status_code == 403
    assert signed_in(job.planner).post(act_url(job.order, "nonsense")).status_code == 404
    assert WorkOrder.objects.get(pk=job.order.pk).state == "raised"


def test_csrf_is_asked_for(job):
    client = Client(enforce_csrf_checks=True)
    client.force_login(job.planner)
    assert send(client, job.order, "agree").status_code == 403


# ---- page and endpoint: the same action, the same rows

SKIP = {
    "finding_id",
    "id",
    "order_id",
    "valve_id",
    "pk",
    "object_id",
    "object_name",
    "words",
    "recorded_at",
}


def rows_of(order):
    """What an action left behind, without names and keys."""

    def plain(row):
        return {
            name: value
            for name, value in row.items()
            if name not in SKIP and not name.endswith("_at") and name != "at"
        }

    events = (
        Event.objects.filter(object_type="workorder", object_id=str(order.pk))
        .order_by("id")
        .values("type", "data")
    )
    tests = FunctionTest.objects.filter(valve=order.valve).values()
    return {
        "order": plain(WorkOrder.objects.filter(pk=order.pk).values().get()),
        "gates": [plain(row) for row in Gate.objects.filter(order=order).values()],
        "findings": [plain(row) for row in Finding.objects.filter(order=order).values()],
        "measured": [plain(row) for row in Measurement.objects.filter(order=order).values()],
        "signatures": list(
            Signature.objects.filter(order=order).values_list("signed", "name", "meaning")
        ),
        "tests": [plain(row) for row in tests],
        "events": [
            (
                row["type"],
                {
                    name: value
                    for name, value in row["data"].items()
                    if name not in ("done_at", "test", "signature", "content_hash")
                },
            )
            for row in events
        ],
    }


PAIRS = {
    "agree": ("to_start", {"words": "In June."}, {"words": "In June."}),
    "start": ("to_readied", {}, {}),
    "gates": (
        "to_under_way",
        {"gate": "isolated", "words": "x"},
        {"gate": "isolated", "words": "x"},
    ),
    "as-found": (
        "to_under_way",
        {"words": "Stuck.", "grade": "failed", "mode": "FTC", "cause": "3.4"},
        {"words": "Stuck.", "grade": "failed", "mode": "FTC", "cause": "3.4"},
    ),
    "findings": (
        "to_opened",
        {
            "part": "body",
            "found": "groove",
            "value": "0,12",
            "unit": "mm",
            "gauge": "DG-01",
            "grade": "3",
            "decision": "lap",
        },
        {
            "part": "body",
            "found": "groove",
            "value": 0.12,
            "unit": "mm",
            "gauge": "DG-01",
            "grade": "3",
            "decision": "lap",
        },
    ),
    "parts-used": (
        "to_under_way",
        {"name": "gasket", "quantity": "2", "lot": "L1"},
        {"name": "gasket", "quantity": 2, "lot": "L1"},
    ),
    "tests": (
        "to_moved_by_hand",
        {
            "method": "flow meter",
            "bypass_flow_m3_per_h": "29.4",
            "uncertainty_percent": "5",
            "required_m3_per_h": "27",
        },
        {
            "method": "flow meter",
            "bypass_flow_m3_per_h": 29.4,
            "uncertainty_share": 0.05,
            "required_m3_per_h": 27,
        },
    ),
    "close": (
        "to_proven",
        {"remarks": "No leak.", "password": PASSWORD, "meaning": "performed"},
        {"remarks": "No leak.", "password": PASSWORD},
    ),
    "hold": (
        "to_under_way",
        {"why": "Kit.", "until": "2027-01-01"},
        {"why": "Kit.", "until": "2027-01-01"},
    ),
}


def bring(job, state):
    if state == "to_opened":
        job.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    elif state != "to_start":
        getattr(job, state)()


@pytest.mark.parametrize("verb", PAIRS)
def test_page_and_endpoint_leave_the_same_rows(site, verb):
    state, fields, body = PAIRS[verb]
    GaugeFactory(site=site)
    twins = [Job(site), Job(site)]
    twins[1].planner, twins[1].technician = twins[0].planner, twins[0].technician
    for job in twins:
        bring(job, state)
    actor = twins[0].planner if verb == "agree" else twins[0].technician
    client = signed_in(actor)
    by_page = send(client, twins[0].order, verb, fields)
    assert by_page.status_code == 303, text_of(by_page)
    by_api = client.post(
        f"/api/v1/work-orders/{twins[1].order.pk}/{verb}",
        json.dumps(body),
        content_type="application/json",
        headers={"If-Match": f'"{twins[1].order.version}"'},
    )
    assert by_api.status_code == 200, by_api.content
    assert rows_of(twins[0].order) == rows_of(twins[1].order)


@pytest.mark.parametrize("state", ["to_start", "to_under_way", "to_moved_by_hand", "to_proven"])
def test_the_order_page_in_every_state_stays_small(job, state, django_assert_max_num_queries):
    bring(job, state)
    client = signed_in(job.technician)
    with django_assert_max_num_queries(14):
        answer = client.get(page_of(job.order))
    assert len(answer.content) < 60_000
