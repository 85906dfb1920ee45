"""Identity at the gate: the wrong valve is refused by name, and nothing is written."""

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.look import NOON
from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import Job, WorkOrderFactory
from valvecare.core.errors import NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Gate
from valvecare.register.actions import make_label, retire_label
from valvecare.register.rules import LabelKind
from valvecare.work.actions.confirm_identity import confirm_identity
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.rules import GateKind

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory()


@pytest.fixture
def order(site):
    valve = valve_at(site, tag="NH-FW-3V", serial="S-3")
    return Job(site, WorkOrderFactory(valve=valve)).to_under_way().order


@pytest.fixture
def worker(site):
    return member(site, Role.TECHNICIAN)


def label(order_valve, worker):
    return make_label(LabelKind.VALVE, order_valve.pk, actor=worker, at=NOON)


def confirm(order, worker, text):
    order.refresh_from_db()
    return confirm_identity(order.pk, version=order.version, actor=worker, at=NOON, text=text)


def refused(order, worker, text):
    with pytest.raises(Refused) as refusal:
        confirm(order, worker, text)
    assert not Gate.objects.filter(order=order, kind="identity confirmed").exists()
    return refusal.value.code, str(refusal.value)


def test_a_labelled_valve_is_confirmed_before_it_is_isolated(order, worker):
    code = label(order.valve, worker).code
    with pytest.raises(Refused) as refusal:
        pass_gate(order.pk, GateKind.ISOLATED, version=order.version, actor=worker, at=NOON)
    assert refusal.value.code == "identity_not_confirmed"
    confirm(order, worker, f"HTTPS://PLANT.EXAMPLE/L/{code}/")
    gate = Gate.objects.get(order=order, kind="identity confirmed")
    assert (gate.by, gate.data) == (worker, {"text": code, "by_label": True})
    order.refresh_from_db()
    pass_gate(order.pk, GateKind.ISOLATED, version=order.version, actor=worker, at=NOON)


def test_without_a_label_nothing_is_asked(order, worker):
    pass_gate(order.pk, GateKind.ISOLATED, version=order.version, actor=worker, at=NOON)
    assert Gate.objects.filter(order=order, kind="isolated").count() == 1


@pytest.mark.parametrize("text", ["nh-fw-3v", "S-3"])
def test_without_a_label_the_plate_is_typed(order, worker, text):
    confirm(order, worker, text)
    gate = Gate.objects.get(order=order, kind="identity confirmed")
    assert gate.words == f"No label; '{text}' typed."


def test_the_wrong_valve_is_refused_by_name(site, order, worker):
    other = valve_at(site, tag="NH-FW-2V", serial="S-2")
    code = label(other, worker).code
    for text in (code, "NH-FW-2V", "S-2"):
        assert refused(order, worker, text)[0] == "wrong_valve"
    assert "This is NH-FW-2V, the order is for NH-FW-3V." in refused(order, worker, code)[1]


def test_a_labelled_valve_is_not_confirmed_by_typing_its_tag(order, worker):
    label(order.valve, worker)
    assert refused(order, worker, "NH-FW-3V")[0] == "label_needed"


def test_retired_foreign_and_other_labels_confirm_nothing(order, worker):
    old = label(order.valve, worker)
    retire_label(old.pk, version=1, actor=worker, at=NOON, reason="lost")
    assert refused(order, worker, old.code)[0] == "label_retired"
    pump = make_label(LabelKind.PUMP, order.valve.pump_id, actor=worker, at=NOON)
    assert refused(order, worker, pump.code)[0] == "not_this_valve"
    there = SiteFactory()
    foreign = label(valve_at(there, tag="SECRET-1V"), member(there, Role.TECHNICIAN))
    code, words = refused(order, worker, foreign.code)
    assert code == "not_this_valve"
    assert "SECRET" not in words
    assert refused(order, worker, "not known")[0] == "not_this_valve"


def test_once_is_enough(order, worker):
    confirm(order, worker, "S-3")
    with pytest.raises(Refused) as refusal:
        confirm(order, worker, "S-3")
    assert refusal.value.code == "gate_passed"


def test_the_page_keeps_what_was_read_and_refuses(site, order, worker):
    stranger = member(SiteFactory(), Role.TECHNICIAN)
    url = reverse("valvecare:order-identity", args=[order.pk])
    client = Client()
    client.force_login(worker)
    assert 'value="ABC"' in client.get(f"{url}?code=ABC").content.decode()
    fields = {"version": order.version, "idempotency_key": "a", "text": "NOT-THIS"}
    wrong = client.post(url, fields)
    assert wrong.status_code == 409
    assert "is not NH-FW-3V" in wrong.content.decode().replace("&#x27;", "'")
    right = client.post(url, {**fields, "idempotency_key": "b", "text": "S-3"})
    assert right.status_code == 303
    client.force_login(stranger)
    assert client.get(url).status_code == 404
    assert client.post(url, fields).status_code == 404
    with pytest.raises(NotFound):
        confirm(order, stranger, "S-3")


def api(worker, order, text, *, key, version):
    client = Client()
    client.force_login(worker)
    return client.post(
        reverse("valvecare:api-work-order-identity", args=[order.pk]),
        {"text": text},
        content_type="application/json",
        headers={"If-Match": f'"{version}"', "Idempotency-Key": key},
    )


def test_the_interface_confirms_once_and_asks_for_the_version(order, worker):
    code = label(order.valve, worker).code
    stale = api(worker, order, code, key="a", version=order.version - 1)
    assert (stale.status_code, Gate.objects.filter(kind="identity confirmed").count()) == (412, 0)
    first, again = (api(worker, order, code, key="b", version=order.version) for _ in range(2))
    assert (first.status_code, again.content) == (200, first.content)
    assert again["Idempotency-Replayed"] == "true"
    assert first["ETag"] == f'"{order.version + 1}"'
    line = first.json()["gates"][0]
    assert (line["kind"], line["recorded"]["text"]) == ("identity confirmed", code)
    assert "identity" not in first.json()["verbs"]
    client = Client()
    client.force_login(worker)
    url = reverse("valvecare:api-work-order-identity", args=[order.pk])
    bare = client.post(url, {"text": code}, content_type="application/json")
    assert bare.status_code == 428


def test_the_order_asks_for_the_identity_before_the_isolation(order, worker):
    code = label(order.valve, worker).code
    client = Client()
    client.force_login(worker)
    page = client.get(reverse("valvecare:work-order", args=[order.pk])).content.decode()
    assert page.index("Confirm identity</h2>") < page.index("<dt>isolated</dt>")
    assert "Next gate" not in page
    assert code not in page  # only its check sum: who reads the page has not read the plate
    assert page.count("data-expects=") == 1
    confirm(order, worker, code)
    page = client.get(reverse("valvecare:work-order", args=[order.pk])).content.decode()
    assert "data-expects=" not in page
    assert f"Label {code} read." in page
