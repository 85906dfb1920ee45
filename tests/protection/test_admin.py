"""The admin: policies and liquids go through the action, evidence is only looked at."""

import pytest
from django.urls import reverse

from tests.factories.protection import plant, protecting, verdict_policy
from tests.factories.register import member
from valvecare.core.permits import Role
from valvecare.models import Event, LiquidProperties, VerdictPolicy
from valvecare.protection.actions import judge_all

pytestmark = pytest.mark.django_db

POLICY = {
    "margin_share": "0.08",
    "line_sensor_k": "1",
    "time_constant_share": "0.3",
    "power_share": "0.01",
    "source": "invented",
    "owner": "engineer",
    "valid_from": "2021-01-01",
}
LIQUID = {
    "name": "brine",
    "source": "invented table",
    "temperatures_degc": "[0, 50]",
    "densities_kg_per_m3": "[1030, 1010]",
    "specific_heats_j_per_kg_k": "[3990, 4000]",
    "vapour_pressures_pa_abs": "[600, 12000]",
}


@pytest.fixture
def site(client):
    site = plant()
    client.force_login(member(site, Role.RELIABILITY_ENGINEER, is_staff=True))
    return site


def page(model, view, *args):
    return reverse(f"admin:valvecare_{model}_{view}", args=args)


def test_a_policy_is_added_with_an_event_and_history(client, site):
    answer = client.post(page("verdictpolicy", "add"), POLICY)
    assert answer.status_code == 302, answer.content.decode()[:500]
    row = VerdictPolicy.objects.get()
    assert (row.margin_share, row.history.count()) == (0.08, 1)
    assert Event.objects.get(object_type="verdictpolicy").type == "verdictpolicy.added"


def test_a_changed_policy_raises_the_version_and_makes_verdicts_stale(client, site):
    row = verdict_policy()
    valve = protecting(site)
    from tests.protection.test_judge import LATER, NOON, nothing, stand

    judge_all(NOON, nothing)
    seen = {**POLICY, "margin_share": "0.2", "seen_version": "1"}
    answer = client.post(page("verdictpolicy", "change", row.pk), seen)
    assert answer.status_code == 302
    row.refresh_from_db()
    assert (row.margin_share, row.version) == (0.2, 2)
    assert stand(valve).is_stale
    judge_all(LATER, nothing)
    assert stand(valve, LATER).code == "margin_small"


@pytest.mark.parametrize("seen", ["1", ""])
def test_a_policy_that_another_one_changed_meanwhile_is_not_overwritten(client, site, seen):
    row = verdict_policy()
    url = page("verdictpolicy", "change", row.pk)
    assert 'name="seen_version" value="1"' in client.get(url).content.decode()
    first = {**POLICY, "margin_share": "0.2", "seen_version": "1"}
    assert client.post(url, first).status_code == 302
    late = {**POLICY, "margin_share": "0.01", "seen_version": seen}
    answer = client.post(url, late)
    assert "Somebody changed this row; open it again." in answer.content.decode()
    row.refresh_from_db()
    assert (row.margin_share, row.version, row.history.count()) == (0.2, 2, 2)


@pytest.mark.parametrize("share", ["-0.1", "1", "nan"])
def test_an_insane_margin_is_refused(client, site, share):
    answer = client.post(page("verdictpolicy", "add"), {**POLICY, "margin_share": share})
    assert answer.status_code == 200
    assert not VerdictPolicy.objects.exists()


def test_a_liquid_is_added_and_an_unusable_table_is_refused(client, site):
    broken = {**LIQUID, "temperatures_degc": "[50, 0]"}
    answer = client.post(page("liquidproperties", "add"), broken)
    assert "Not a usable table" in answer.content.decode()
    assert client.post(page("liquidproperties", "add"), LIQUID).status_code == 302
    assert LiquidProperties.objects.get().table().temperatures_degc == (0, 50)


def test_a_technician_only_looks(client, site):
    client.force_login(member(site, Role.TECHNICIAN, is_staff=True))
    assert client.post(page("verdictpolicy", "add"), POLICY).status_code == 403
    assert client.get(page("verdictpolicy", "changelist")).status_code == 200


@pytest.mark.parametrize("model", ["verdict", "functiontest", "inspection", "operatingrelease"])
def test_evidence_is_listed_for_the_own_site_and_never_edited(client, site, model):
    verdict_policy()
    mine, other = protecting(site, tag="MINE-1V"), protecting(plant(), tag="OTHER-1V")
    from tests.protection.test_judge import NOON, nothing

    judge_all(NOON, nothing)
    html = client.get(page(model, "changelist")).content.decode()
    assert other.tag not in html
    if model in ("verdict", "functiontest"):
        assert mine.tag in html
    assert client.get(page(model, "add")).status_code == 403
