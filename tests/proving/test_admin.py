"""The admin of test policies: through the shared action, and nobody overwrites another's change."""

import pytest
from django.urls import reverse

from tests.factories.proving import policy
from tests.factories.register import SiteFactory, member
from valvecare.core.permits import Role
from valvecare.models import Event, TestPolicy

pytestmark = pytest.mark.django_db

FIELDS = {
    "switching_band_share": "0.15",
    "head_band_share": "0.03",
    "leak_limit_share": "0.1",
    "reverse_swing_limit_s": "3",
    "header_decay_limit_bar": "2",
    "closed_in_share": "0.5",
    "probability": "0.975",
    "steady_k_per_min": "0.1",
    "steady_after_min": "5",
    "source": "invented",
    "owner": "engineer",
    "valid_from": "2021-01-01",
}


@pytest.fixture
def site(client):
    site = SiteFactory()
    client.force_login(member(site, Role.RELIABILITY_ENGINEER, is_staff=True))
    return site


def page(view, *args):
    return reverse(f"admin:valvecare_testpolicy_{view}", args=args)


def test_a_policy_is_added_with_an_event_and_history(client, site):
    answer = client.post(page("add"), FIELDS)
    assert answer.status_code == 302, answer.content.decode()[:500]
    row = TestPolicy.objects.get()
    assert (row.closed_in_share, row.history.count()) == (0.5, 1)
    assert Event.objects.get(object_type="testpolicy").type == "testpolicy.added"


@pytest.mark.parametrize("seen", ["1", ""])
def test_a_policy_that_another_one_changed_meanwhile_is_not_overwritten(client, site, seen):
    row = policy()
    url = page("change", row.pk)
    assert 'name="seen_version" value="1"' in client.get(url).content.decode()
    first = {**FIELDS, "head_band_share": "0.05", "seen_version": "1"}
    assert client.post(url, first).status_code == 302
    late = {**FIELDS, "head_band_share": "0.01", "seen_version": seen}
    answer = client.post(url, late)
    assert "Somebody changed this row; open it again." in answer.content.decode()
    row.refresh_from_db()
    assert (row.head_band_share, row.version, row.history.count()) == (0.05, 2, 2)


@pytest.mark.parametrize("share", ["0", "1", "1.5"])
def test_a_share_of_the_time_to_boil_lies_between_nothing_and_all(client, site, share):
    answer = client.post(page("add"), {**FIELDS, "closed_in_share": share})
    assert "A band is a share above 0 and below 1." in answer.content.decode()
    assert TestPolicy.objects.count() == 0


def test_nobody_deletes_and_a_technician_changes_nothing(client, site):
    row = policy()
    assert client.post(page("delete", row.pk), {"post": "yes"}).status_code == 403
    client.force_login(member(site, Role.TECHNICIAN, is_staff=True))
    seen = {**FIELDS, "head_band_share": "0.05", "seen_version": "1"}
    assert client.post(page("change", row.pk), seen).status_code == 403
    row.refresh_from_db()
    assert (row.head_band_share, row.version) == (0.03, 1)
