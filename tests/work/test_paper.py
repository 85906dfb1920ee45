"""A paper card typed in later: done at another time, by somebody else, in every step's own form."""

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse

from tests.factories.register import SiteFactory, member
from tests.factories.work import GaugeFactory, Job, joint_closed
from tests.work.test_pages import act_url, page_of, signed_in, text_of
from valvecare.core.permits import Role
from valvecare.models import Event, Finding, FunctionTest, Gate, OrderTest, PartUsed, WorkOrder
from valvecare.web import clock
from valvecare.work.rules import GateKind, Rods

pytestmark = pytest.mark.django_db
ZONE = ZoneInfo("Asia/Kolkata")  # half an hour beside every full hour


@pytest.fixture
def job():
    """Readied an hour ago, so that the steps of the card lie between then and now."""
    job = Job(SiteFactory(time_zone="Asia/Kolkata"))
    now = datetime.now(UTC)
    WorkOrder.objects.filter(pk=job.order.pk).update(raised_at=now - timedelta(days=1))
    job.order.refresh_from_db()
    job.at = now - timedelta(hours=12)
    return job.to_readied()


class Card:
    """Typed in by one person for another, a minute of the card per step."""

    def __init__(self, job):
        self.job, self.number = job, 0
        self.fitter = member(job.site, Role.TECHNICIAN)
        self.client = signed_in(job.technician)
        self.begun = clock.now().replace(second=0, microsecond=0) - timedelta(hours=2)

    def type_in(self, verb, **fields):
        """Send one step's form as its page gave it, with both times; the instant it was done."""
        order = WorkOrder.objects.get(pk=self.job.order.pk)
        self.number += 1
        done_at = self.begun + timedelta(minutes=self.number)
        data = {
            "version": order.version,
            "idempotency_key": f"card-{self.number}",
            "done_at": done_at.astimezone(ZONE).strftime("%Y-%m-%dT%H:%M"),
            "done_by": self.fitter.get_username(),
            **fields,
        }
        answer = self.client.post(act_url(order, verb), data)
        assert answer.status_code == 303, (verb, text_of(answer))
        return done_at

    def says(self, row, done_at, at="at"):
        """Done then and by the fitter; typed in today, by the other."""
        assert (getattr(row, at), row.done_by) == (done_at, self.fitter)
        assert row.recorded_at - done_at > timedelta(minutes=30)
        assert getattr(row, "by", self.job.technician) == self.job.technician


def test_every_step_of_a_card_is_typed_in_with_two_times_and_two_people(job):
    card = Card(job)
    begun = card.type_in("start")
    order = WorkOrder.objects.get(pk=job.order.pk)
    assert (order.started_at, order.assigned_to) == (begun, card.fitter)
    event = Event.objects.get(type="work_order.started")
    assert (event.actor, event.data["done_by"]) == (job.technician, card.fitter.get_username())

    done = card.type_in("identity", text=order.valve.tag)
    card.says(Gate.objects.get(kind="identity confirmed"), done)
    done = card.type_in("gates", gate=GateKind.ISOLATED.value)
    card.says(Gate.objects.get(kind=GateKind.ISOLATED.value), done)
    done = card.type_in("as-found", words="Warm bypass line.", grade="as expected")
    card.says(Gate.objects.get(kind=GateKind.AS_FOUND.value), done)
    done = card.type_in(
        "gates", gate=GateKind.COVER_RELEASED.value, rods=Rods.LONG_RODS_AND_CLAMP.value
    )
    card.says(Gate.objects.get(kind=GateKind.COVER_RELEASED.value), done)

    GaugeFactory(site=job.site)
    page = text_of(card.client.get(reverse("valvecare:order-whole", args=[order.pk])))
    # every step but the signed one can be typed in for somebody else
    assert page.count("Typed in later, or for somebody else") == page.count("data-step=") > 10
    for part in re.findall(r"\d+\. Judge a part: ([^<]+)<", page):
        done = card.type_in("findings", part=part, not_checked_because="covered by the card")
        card.says(Finding.objects.get(part=part), done)
    done = card.type_in("gates", gate=GateKind.PARTS_JUDGED.value)
    card.says(Gate.objects.get(kind=GateKind.PARTS_JUDGED.value), done)

    done = card.type_in("parts-used", name="cleaning cloth", quantity=2)
    card.says(PartUsed.objects.get(), done)
    joint = joint_closed(job.site)
    done = card.type_in("gates", gate=GateKind.JOINT_CLOSED.value, **{**joint, "new_gasket": "yes"})
    card.says(Gate.objects.get(kind=GateKind.JOINT_CLOSED.value), done)
    done = card.type_in("gates", gate=GateKind.MOVED_BY_HAND.value)
    card.says(Gate.objects.get(kind=GateKind.MOVED_BY_HAND.value), done)

    done = card.type_in(
        "tests",
        method="flow meter",
        bypass_flow_m3_per_h="29,4",
        uncertainty_percent="5",
        required_m3_per_h="27",
    )
    test = FunctionTest.objects.get()
    assert (test.done_at, test.recorded_by) == (done, job.technician)
    assert test.recorded_at > done
    assert OrderTest.objects.get().done_by == card.fitter
    assert WorkOrder.objects.get(pk=order.pk).state == "proven"
    text = text_of(card.client.get(page_of(order)))
    assert f"{card.fitter.get_username()}, recorded by {job.technician.get_username()}" in text


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("done_at", "2999-01-01T10:00", "lies in the future"),
        ("done_at", "1999-01-01T10:00", "before the step it follows"),
        ("done_by", "nobody-of-this-name", "Nobody named nobody-of-this-name works"),
    ],
)
def test_a_wrong_time_or_person_is_refused_and_the_fold_stays_open(job, field, value, words):
    Card(job).type_in("start")
    order = WorkOrder.objects.get(pk=job.order.pk)
    data = {
        "version": order.version,
        "idempotency_key": "wrong",
        "gate": GateKind.ISOLATED.value,
        field: value,
    }
    answer = signed_in(job.technician).post(act_url(order, "gates"), data)
    assert answer.status_code == 409
    assert words in text_of(answer)
    assert '<details class="later" open>' in text_of(answer)
    assert Gate.objects.count() == 0
