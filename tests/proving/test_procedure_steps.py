"""Steps T0 to T7 of a procedure: each is settled by its own step of the guided test."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.procedures import TEST_STEPS, in_use
from tests.factories.proving import Guided, one, passing
from tests.factories.register import SiteFactory, member
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import TestedStep
from valvecare.protection.rules import ProofMethod
from valvecare.proving.reads import run_card_of_order
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.record_steps import record_steps, witness_step
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.pages.step_order import left
from valvecare.work.reads import order_card, order_steps
from valvecare.work.reads.steps import plain_step

pytestmark = pytest.mark.django_db

ROWS = [
    *TEST_STEPS[:2],
    *(
        {
            "phase": "function test",
            "kind": "test",
            "words": f"T{number}.",
            "test_step": f"T{number}",
            **({"witness": "second person"} if number == 1 else {}),
        }
        for number in range(8)
    ),
]
"""1 check, 2 gate, 3 to 10 the test T0 to T7; T1 is a hold point."""


@pytest.fixture
def job():
    site = SiteFactory(code="NH", time_zone="Europe/Oslo")
    in_use(ROWS, site=site)
    return Guided.new(site=site)


def lines(job):
    return {line.step.test_step: line for line in order_steps(job.order) if line.step.test_step}


def settled(job):
    return {step for step, line in lines(job).items() if line.state.is_settled}


def said(job, step):
    return plain_step(lines(job)[step]).said


def read(job, step, **changed):
    job.read(passing(job.at, **changed)[step])


def witness(job, actor=None):
    return job.do(witness_step, 4, actor=actor or member(job.site, Role.SHIFT_LEAD))


def paper(job):
    numbers = {"bypass_flow_m3_per_h": 30.0, "uncertainty_share": 0.02, "required_m3_per_h": 27.0}
    return job.do(record_test, ProofMethod.FLOW_METER, **numbers)


def released(job):
    return job.do(
        release_provisionally,
        actor=member(job.site, Role.APPROVER),
        until=date(2026, 6, 30),
        restriction="Load within 60 s after start.",
        words="The motor failed during the test.",
    )


def test_each_step_is_settled_by_its_own_step_of_the_test(job):
    assert settled(job) == set()
    job.begin()
    assert settled(job) == {"T7"}
    assert said(job, "T7") == "not applicable, because no warm-keeping line"
    read(job, "T0")
    assert settled(job) == {"T0", "T7"}
    job.answer("T6", "the second pump is in repair")
    assert settled(job) == {"T0", "T6", "T7"}
    assert said(job, "T6") == "not done, because the second pump is in repair"
    read(job, "T3", rated=65.0)
    assert (said(job, "T3"), said(job, "T4")) == ("fail", "")
    some = passing(job.at)["T4"][:6]
    job.read(some)
    assert settled(job) == {"T0", "T3", "T6", "T7"}  # three stops and no event judge nothing


def test_the_end_settles_every_step_and_a_further_test_begins_anew(job):
    job.begin().read_all(leave=("T6",))
    job.answer("T6", "the second pump is in repair")
    job.finish()
    assert settled(job) == {f"T{number}" for number in range(8)}
    assert said(job, "T1") == "pass"
    assert said(job, "T6") == "not done, because the second pump is in repair"
    job.begin()
    assert settled(job) == {"T7"}
    assert TestedStep.objects.count() == 8


def test_a_result_without_steps_settles_them_together(job):
    paper(job)
    assert settled(job) == {f"T{number}" for number in range(8)}
    assert said(job, "T3") == "recorded"
    job.begin()
    assert settled(job) == {"T7"}
    paper(job)
    assert (len(settled(job)), TestedStep.objects.count()) == (8, 0)


def test_a_signed_release_settles_what_could_not_be_tested(job):
    job.begin()
    read(job, "T0")
    released(job)
    assert settled(job) == {f"T{number}" for number in range(8)}
    assert (said(job, "T0"), said(job, "T4")) == ("pass", "not done")


def test_a_hold_point_in_the_test_is_looked_at_while_it_runs(job):
    job.begin()
    shift = member(job.site, Role.SHIFT_LEAD)
    with pytest.raises(Refused) as caught:
        witness(job, shift)
    assert caught.value.reasons[0].code == "nothing_to_witness"
    job.read_all(leave=("T2", "T3", "T4", "T5", "T6"))
    with pytest.raises(Refused) as caught:
        witness(job, job.technician)
    assert caught.value.reasons[0].code == "second_person"
    witness(job, shift)
    assert not lines(job)["T1"].state.is_open
    for step in ("T2", "T3", "T4", "T5", "T6"):
        job.answer(step, "no time")
    job.finish()
    assert not lines(job)["T1"].state.is_open  # nothing of T1 was recorded since
    job.begin().read_all(leave=("T2", "T3", "T4", "T5", "T6"))
    assert lines(job)["T1"].state.is_open


def test_a_step_read_again_is_looked_at_again(job):
    job.begin().read_all(leave=("T2", "T3", "T4", "T5", "T6"))
    witness(job)
    job.read([one("T1", "vibration", 3.0, "VM-01")])
    assert lines(job)["T1"].state.is_open
    witness(job)
    job.read([one("T0", "joints tight", 1)])
    assert not lines(job)["T1"].state.is_open


def test_who_read_led_or_ended_the_test_is_no_witness(job):
    reader, typist = member(job.site, Role.TECHNICIAN), member(job.site, Role.TECHNICIAN)
    job.begin(done_by=reader.username).read_all()
    leader, job.technician = job.technician, typist
    job.finish()
    for person in (reader, typist, leader):
        with pytest.raises(Refused) as caught:
            witness(job, person)
        assert caught.value.reasons[0].code == "second_person", person
    witness(job)


def closed(job):
    job.begin().read_all(leave=("T6",))
    job.answer("T6", "the second pump is in repair")
    job.finish()
    job.do(record_steps, [{"step": 1, "outcome": "done"}])
    witness(job)
    released(job)
    witness(job)
    return job.do(close_work_order)


def test_an_amended_record_keeps_how_each_step_stood(job):
    closed(job)
    approver = member(job.site, Role.APPROVER)
    job.do(reopen, "A typing error.", work_again=False, actor=approver)
    assert said(job, "T6") == "not done, because the second pump is in repair"
    assert settled(job) == {f"T{number}" for number in range(8)}
    card = run_card_of_order(job.order.pk, job.technician)
    assert (card.id, card.revision, card.may_record) == (job.run.pk, 1, False)


def test_work_done_again_is_tested_again(job):
    closed(job)
    approver = member(job.site, Role.APPROVER)
    job.do(reopen, "It leaks.", work_again=True, actor=approver)
    assert settled(job) == set()
    assert run_card_of_order(job.order.pk, job.technician) is None


def test_the_page_of_the_procedure_leads_to_each_step_of_the_test(job):
    client = Client()
    client.force_login(job.technician)
    url = reverse("valvecare:order-procedure", args=[job.order.pk])
    to_t6 = reverse("valvecare:order-test-step", args=[job.order.pk, "t6"])
    assert to_t6 not in client.get(url).content.decode()
    job.begin()
    job.answer("T6", "the second pump is in repair")
    page = client.get(url).content.decode()
    assert "not done, because the second pump is in repair" in page
    assert f'href="{to_t6}"' in page


def test_the_order_asks_for_its_test_until_it_is_ended(job):
    job.begin().read_all()
    card = order_card(job.order.pk, job.technician)
    assert [line.is_settled for line in card.steps if line.test_step] == [True] * 8
    assert [asked.verb for asked in left(card)][-2:] == ["tests", "close"]
    job.finish()
    card = order_card(job.order.pk, job.technician)
    assert "tests" not in [asked.verb for asked in left(card)]
