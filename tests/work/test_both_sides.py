"""S-27: a form that was overtaken shows both versions per field; nothing is lost or overwritten."""

import re

import pytest

from tests.factories.register import SiteFactory, member
from tests.factories.work import Job, sound
from tests.work.test_pages import act_url, page_of, send, signed_in, text_of
from valvecare.core.permits import Role
from valvecare.models import Finding, Gate, WorkOrder
from valvecare.work.actions.assign import assign
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.rules import AsFound, FindingGrade, GateKind, PartDecision, PartName

pytestmark = pytest.mark.django_db
FORMS = 60
JSON = {"Accept": "application/json"}
MINE = {"words": "Bypass line cold.", "grade": "worse", "mode": "", "detection": ""}


@pytest.fixture
def job():
    return Job(SiteFactory(time_zone="Europe/Oslo")).to_under_way()


@pytest.fixture
def other(job):
    return member(job.site, Role.TECHNICIAN)


def hidden(client, order, step):
    """Version, key and check sum of a step's form, as its page gives them."""
    page = text_of(client.get(page_of(order)))
    form = page[page.index(f'data-step="{step}"') :]
    names = ("version", "idempotency_key", "seen")
    return {name: re.search(f'name="{name}" value="([^"]*)"', form)[1] for name in names}


def overtaken(job, other, grade=AsFound.AS_EXPECTED, words="Held pressure, line warm."):
    """The form is opened; then somebody else records the same step. Returns client and form."""
    client = signed_in(job.technician)
    seen = hidden(client, job.order, "As found")
    job.do(record_as_found, words, grade=grade, actor=other)
    return client, seen


def test_both_sides_are_shown_per_field_and_nothing_is_written(job, other):
    client, seen = overtaken(job, other)
    answer = client.post(act_url(job.order, "as-found"), {**seen, **MINE})
    text = text_of(answer)
    assert answer.status_code == 412
    assert re.findall('name="differs" value="([^"]+)"', text) == ["words", "grade"]
    assert "Yours: <strong>Bypass line cold.</strong>" in text
    assert "Theirs: <strong>Held pressure, line warm.</strong>" in text
    assert "Yours: <strong>worse</strong>" in text
    assert ">Bypass line cold.</textarea>" in text.replace("\n", "")  # mine can still be corrected
    assert WorkOrder.objects.get(pk=job.order.pk).as_found == "as expected"


def again(answer, fields, **sides):
    """The fields of the form that came back, with a side chosen for some."""
    text = text_of(answer)
    form = text[text.index('class="both-sides"') - 1500 :]
    names = ("version", "idempotency_key", "seen")
    kept = {name: re.search(f'name="{name}" value="([^"]*)"', form)[1] for name in names}
    differs = re.findall('name="differs" value="([^"]+)"', text)
    chosen = {f"choose_{name}": side for name, side in sides.items()}
    return {**fields, **kept, "differs": differs, **chosen}


def test_a_field_without_a_choice_is_asked_for_by_its_label(job, other):
    client, seen = overtaken(job, other)
    answer = client.post(act_url(job.order, "as-found"), {**seen, **MINE})
    answer = client.post(act_url(job.order, "as-found"), again(answer, MINE, words="mine"))
    text = text_of(answer)
    assert answer.status_code == 400
    assert "Choose yours or theirs: As-found grade." in text
    assert re.search('choose_words" value="mine" checked', text)
    assert WorkOrder.objects.get(pk=job.order.pk).as_found_words == "Held pressure, line warm."


@pytest.mark.parametrize("words", ["mine", "theirs"])
@pytest.mark.parametrize("grade", ["mine", "theirs"])
def test_each_field_is_chosen_by_itself(job, other, words, grade):
    client, seen = overtaken(job, other)
    answer = client.post(act_url(job.order, "as-found"), {**seen, **MINE})
    done = client.post(
        act_url(job.order, "as-found"), again(answer, MINE, words=words, grade=grade)
    )
    assert done.status_code == 303
    order = WorkOrder.objects.get(pk=job.order.pk)
    sides = {"words": ("Bypass line cold.", "Held pressure, line warm.")}
    sides["grade"] = ("worse", "as expected")
    assert order.as_found_words == sides["words"][words == "theirs"]
    assert order.as_found == sides["grade"][grade == "theirs"]
    both_theirs = words == grade == "theirs"
    assert order.version == job.order.version + (0 if both_theirs else 1)  # nothing to write


def test_overtaken_once_more_while_choosing_shows_the_new_other_side(job, other):
    client, seen = overtaken(job, other)
    answer = client.post(act_url(job.order, "as-found"), {**seen, **MINE})
    chosen = again(answer, MINE, words="mine", grade="theirs")
    job.do(record_as_found, "Read again: line hot.", grade=AsFound.WORSE, actor=other)
    answer = client.post(act_url(job.order, "as-found"), chosen)
    assert answer.status_code == 412
    assert "Theirs: <strong>Read again: line hot.</strong>" in text_of(answer)
    assert WorkOrder.objects.get(pk=job.order.pk).as_found_words == "Read again: line hot."


def test_a_change_elsewhere_asks_for_no_choice(job, other):
    client = signed_in(job.technician)
    seen = hidden(client, job.order, "As found")
    job.do(assign, other.get_username(), actor=job.planner)
    answer = client.post(act_url(job.order, "as-found"), {**seen, **MINE})
    assert answer.status_code == 412
    assert "both-sides" not in text_of(answer)


def test_measured_values_of_a_part_stand_side_by_side(job, other):
    job.gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    client = signed_in(job.technician)
    page = text_of(client.get(page_of(job.order) + "?part=main disc"))
    form = page[page.index('data-step="Judge a part: main disc"') :]
    seen = {
        name: re.search(f'name="{name}" value="([^"]*)"', form)[1]
        for name in ("version", "idempotency_key", "seen")
    }
    job.do(
        record_finding,
        PartName.MAIN_DISC,
        found="even polish",
        grade=FindingGrade.USED,
        decision=PartDecision.REUSE,
        measurements=sound(job.order, PartName.MAIN_DISC),
        actor=other,
    )
    mine = {
        "part": "main disc",
        "found": "one groove",
        "grade": "1",
        "decision": "reuse",
        "gauge": "DG-01",
        "stage": "as found",
        "measured_seat_depth": "0,03",
        "measured_metal_removed": "0",
        "measured_contact_ring": "yes",
    }
    answer = client.post(act_url(job.order, "findings"), {**seen, **mine})
    assert answer.status_code == 412
    text = text_of(answer)
    assert re.findall('name="differs" value="([^"]+)"', text) == ["found", "measured_seat_depth"]
    assert "Yours: <strong>0.03</strong>" in text
    assert "Theirs: <strong>0.02</strong>" in text
    fields = again(answer, mine, found="mine", measured_seat_depth="theirs")
    assert client.post(act_url(job.order, "findings"), fields).status_code == 303
    last = Finding.objects.latest("id")
    assert last.found == "one groove"
    assert last.measurements.get(quantity="depth of the damage").value == 0.02
    assert Finding.objects.count() == 2  # both stay readable


def test_many_overtaken_forms_lose_and_overwrite_nothing(job, other, figure):
    """S-27 by figures, as a phone asks: lost inputs 0, silent overwrites 0."""
    client = signed_in(job.technician)
    seen, lost, overwritten = hidden(client, job.order, "As found"), 0, 0
    for turn in range(FORMS):
        theirs = f"Theirs {turn}."
        before = WorkOrder.objects.get(pk=job.order.pk).version
        job.do(record_as_found, theirs, grade=AsFound.AS_EXPECTED, actor=other)
        fields = {**seen, **MINE, "words": f"Mine {turn}.", "idempotency_key": f"k{turn}"}
        fields["version"] = str(before)
        answer = client.post(act_url(job.order, "as-found"), fields, headers=JSON)
        body = answer.json()
        shown = {pair["name"]: (pair["mine"], pair["theirs"]) for pair in body["compare"]}
        lost += shown.get("words") != (f"Mine {turn}.", theirs) or "grade" not in shown
        overwritten += WorkOrder.objects.get(pk=job.order.pk).as_found_words != theirs
        assert (answer.status_code, body["outcome"]) == (412, "conflict")
    figure("S-27", "inputs of overtaken forms lost", lost, FORMS)
    figure("S-27", "silently overwritten", overwritten, FORMS)
    assert (lost, overwritten) == (0, 0)


def test_a_gate_somebody_else_has_passed_cannot_be_passed_again(job, other):
    client = signed_in(job.technician)
    seen = hidden(client, job.order, "As found")
    form = {**seen, "gate": "isolated", "words": "three locks"}
    assert send(signed_in(other), job.order, "gates", {"gate": "isolated"}).status_code == 303
    answer = client.post(act_url(job.order, "gates"), form)
    assert answer.status_code == 412
    text = text_of(answer)
    assert "Yours: <strong>three locks</strong>" in text
    fields = again(answer, form, words="mine")
    refused = client.post(act_url(job.order, "gates"), fields)
    assert refused.status_code == 409
    assert "passed already" in text_of(refused)
    assert Gate.objects.filter(kind="isolated").count() == 1
