"""Steps on the page of the order: one phase at a time, cautions first, without script."""

import json
import re

import pytest
from django.urls import reverse

from tests.factories.procedures import in_use
from tests.factories.register import SiteFactory, ValveDesignFactory, member
from tests.factories.work import GaugeFactory, Job
from tests.work.test_pages import act_url, page_of, send, signed_in, text_of
from valvecare.core.permits import Role
from valvecare.models import StepRecord, WorkOrder
from valvecare.work.reads.job_pack import job_pack
from valvecare.work.rules import OrderKind

pytestmark = pytest.mark.django_db


@pytest.fixture
def job():
    site = SiteFactory(time_zone="Europe/Oslo")
    in_use(site=site)
    design = ValveDesignFactory(has_lever=False)
    return Job(site, kind=OrderKind.FUNCTION_TEST.value, valve__design=design).to_under_way()


def next_form(text):
    found = re.search(r'id="next".*?</section>', text, re.S)
    return found.group(0) if found else ""


def step_on(job):
    return signed_in(job.technician).get(page_of(job.order))


def test_the_first_open_steps_are_next_and_a_gate_ends_the_form(job):
    form = next_form(text_of(step_on(job)))
    assert "Steps: identify, 1" in form
    assert 'name="outcome_1"' in form
    assert 'name="outcome_3"' not in form


def test_a_step_is_recorded_and_the_next_follows_with_its_caution_before_it(job):
    client = signed_in(job.technician)
    answer = send(client, job.order, "steps", {"numbers": "1", "outcome_1": "done"})
    assert answer.status_code == 303
    assert StepRecord.objects.get().outcome == "done"
    job.order.refresh_from_db()
    assert "As found" in next_form(text_of(client.get(page_of(job.order))))
    job.as_found()
    form = next_form(text_of(client.get(page_of(job.order))))
    assert "Steps: function test, 3 to 5" in form
    caution = form.index("Running closed-in boils the liquid in the pump")
    assert caution < form.index("Read before the start.") < form.index('name="outcome_3"')
    assert form.index('name="value_4"') < form.index('name="outcome_5"')
    assert "Hold point: second person." in form
    assert 'value="not done"' not in form[: form.index('name="value_4"')].split("outcome_3")[1]


def test_a_refusal_keeps_the_input_and_writes_nothing(job):
    client = signed_in(job.technician)
    fields = {"numbers": "1,4", "outcome_1": "done", "outcome_4": "done", "value_4": "3,5"}
    answer = send(client, job.order, "steps", {**fields, "gauge_4": "XX-9"})
    assert answer.status_code == 409
    text = text_of(answer)
    assert "XX-9 is not on this site" in text
    assert 'value="3,5"' in text
    assert StepRecord.objects.count() == 0
    GaugeFactory(site=job.site, code="XX-9")
    answer = send(client, job.order, "steps", {**fields, "gauge_4": "XX-9"}, key="other")
    assert answer.status_code == 303
    assert {row.value for row in StepRecord.objects.all()} == {None, 3.5}


def test_words_without_an_answer_are_a_wrong_field(job):
    fields = {"numbers": "1", "because_1": "no plate"}
    answer = send(signed_in(job.technician), job.order, "steps", fields)
    assert answer.status_code == 400
    assert "Say whether it was done." in text_of(answer)


def test_the_same_form_sent_twice_is_one_answer(job):
    client = signed_in(job.technician)
    fields = {"numbers": "1", "outcome_1": "done"}
    version = job.order.version
    for _ in range(2):
        assert send(client, job.order, "steps", fields, version=version).status_code == 303
    assert StepRecord.objects.count() == 1


def test_page_and_interface_write_the_same_row(job):
    client = signed_in(job.technician)
    send(client, job.order, "steps", {"numbers": "1", "outcome_1": "done"})
    job.order.refresh_from_db()
    posted = client.post(
        f"/api/v1/work-orders/{job.order.pk}/steps",
        json.dumps({"answers": [{"step": 1, "outcome": "done"}]}),
        content_type="application/json",
        headers={"If-Match": f'"{job.order.version}"', "Idempotency-Key": "k1"},
    )
    assert posted.status_code == 200, posted.content
    assert posted.headers["ETag"] == f'"{job.order.version + 1}"'
    first, second = StepRecord.objects.order_by("id").values(
        "step_id", "outcome", "because", "value", "unit", "gauge", "by", "done_by", "revision"
    )
    assert first == second


def test_a_witness_is_asked_first_and_who_did_it_is_not(job):
    client = signed_in(job.technician)
    send(client, job.order, "steps", {"numbers": "5", "outcome_5": "done"})
    job.order.refresh_from_db()
    own = text_of(client.get(page_of(job.order)))
    assert "Witness:" not in own
    assert "Hold point: step 5 waits for its witness (second person)" in own
    second = signed_in(member(job.site, Role.SHIFT_LEAD))
    form = next_form(text_of(second.get(page_of(job.order))))
    assert "Witness: step 5" in form
    assert "Return line sealed open." in form
    assert send(second, job.order, "witness", {"hold_point": "5"}).status_code == 303
    assert StepRecord.objects.filter(outcome="witnessed").count() == 1


def test_the_page_to_take_along_has_every_step_in_its_order(job):
    url = reverse("valvecare:order-whole", args=[job.order.pk])
    text = text_of(signed_in(job.technician).get(url))
    heads = re.findall(r"<summary>\s*\d+\. ([^<]+)</summary>", text)
    assert heads == [
        "Steps: identify, 1",
        "As found",
        "Steps: function test, 3 to 5",
        "Function test",
        "Steps: learn, 8",
        "Close",
    ]
    assert text.count("data-step=") == len(heads) - 1  # the last is signed: never kept on a phone


def test_the_procedure_has_a_page_of_its_own(job):
    send(signed_in(job.technician), job.order, "steps", {"numbers": "1", "outcome_1": "done"})
    url = reverse("valvecare:order-procedure", args=[job.order.pk])
    text = text_of(signed_in(job.technician).get(url))
    assert "Ours version 1, fixed for this order." in text
    assert text.count('class="not-known">open<') == 6
    assert "no witness yet" in text
    stranger = signed_in(member(SiteFactory(), Role.TECHNICIAN))
    assert stranger.get(url).status_code == 404
    assert stranger.post(act_url(job.order, "steps"), {"version": 1}).status_code == 404


def test_pack_and_card_carry_the_numbers_of_the_procedure(job):
    client = signed_in(job.technician)
    for name in ("job-pack", "job-card"):
        text = text_of(client.get(reverse(f"valvecare:{name}", args=[job.order.pk])))
        assert "Procedure ours version 1, fixed for this order" in text
        assert "Return line sealed open." in text
        assert "Pins of the lever locked." not in text
    assert "<strong>7</strong> T1." in text
    assert "Running closed-in boils the liquid" in text
    pack = job_pack(job.order.pk, job.technician)
    assert pack.hold_points[0] == "Step 5, second person: Return line sealed open."


def test_before_it_is_readied_the_pack_says_which_procedure_would_serve():
    site = SiteFactory()
    version = in_use(site=site)
    job = Job(site, kind=OrderKind.FUNCTION_TEST.value)
    pack = job_pack(job.order.pk, job.planner)
    assert (pack.procedure.version, pack.procedure.is_fixed) == (version, False)
    assert pack.procedure.words.startswith("in use now (ours: for this site)")
    assert WorkOrder.objects.get(pk=job.order.pk).procedure is None
