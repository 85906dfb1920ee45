"""Roles and machine tokens: who may give them, what is kept, when they end."""

from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone
from knox.models import AuthToken
from rest_framework.test import APIClient

from tests.factories.register import MembershipFactory, SiteFactory, UserFactory, member
from valvecare.core.errors import Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, Membership, PlantCredential
from valvecare.register.actions import (
    add_member,
    end_membership,
    issue_plant_credential,
    revoke_plant_credential,
    rotate_plant_credential,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory()


@pytest.fixture
def admin(site):
    return member(site, Role.SITE_ADMINISTRATOR)


@pytest.fixture
def at():
    return timezone.now()


def get(token, path="/api/v1/sites"):
    return APIClient().get(path, HTTP_AUTHORIZATION=f"Bearer {token}")


def test_a_site_administrator_gives_a_role(site, admin, at):
    person = UserFactory(username="a-person")
    add_member(site, person, Role.TECHNICIAN, actor=admin, at=at)
    assert Membership.objects.get(user=person).role == "technician"
    assert Event.objects.get().words == f"a-person is technician at {site}."


def test_nobody_gives_roles_elsewhere_or_without_the_permit(site, admin, at):
    person, other = UserFactory(), SiteFactory()
    with pytest.raises(NotFound):
        add_member(other, person, Role.PLANNER, actor=admin, at=at)
    with pytest.raises(Forbidden):
        add_member(site, person, Role.PLANNER, actor=member(site, Role.PLANNER), at=at)
    assert not Membership.objects.filter(user=person).exists()


def test_a_role_ends_with_a_reason(site, admin, at):
    held = MembershipFactory(site=site)
    with pytest.raises(Refused) as refused:
        end_membership(held.pk, actor=admin, at=at, reason=" ")
    assert refused.value.code == "reason_needed"
    end_membership(held.pk, actor=admin, at=at, reason="left the company")
    assert not Membership.objects.filter(pk=held.pk).exists()
    assert Event.objects.get().data["reason"] == "left the company"
    with pytest.raises(NotFound):
        end_membership(held.pk, actor=admin, at=at, reason="again")


def test_the_last_site_administrator_stays(site, admin, at):
    mine = Membership.objects.get(user=admin)
    with pytest.raises(Refused) as refused:
        end_membership(mine.pk, actor=admin, at=at, reason="tired")
    assert str(refused.value) == (
        "This is the last site administrator of the site. Name another site administrator first."
    )
    member(site, Role.SITE_ADMINISTRATOR, is_active=False)
    with pytest.raises(Refused):
        end_membership(mine.pk, actor=admin, at=at, reason="tired")
    member(site, Role.SITE_ADMINISTRATOR)
    end_membership(mine.pk, actor=admin, at=at, reason="tired")


def test_a_token_is_returned_once_and_kept_as_a_digest_only(site, admin, at):
    credential, token = issue_plant_credential(
        "Historian", [site], ["register:read"], 30, actor=admin, at=at
    )
    assert token.startswith("vc_")
    assert len(token) == 67
    stored = AuthToken.objects.get()
    assert stored.digest == credential.digest
    assert len(credential.digest) == 128
    dump = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT * FROM "{table}"')  # noqa: S608
            dump.append(str(cursor.fetchall()))
    assert token not in "".join(dump)
    assert token[15:] not in "".join(dump)
    held = Membership.objects.get(user=credential.service_user)
    assert (held.site, held.role) == (site, "integrator")
    assert not credential.service_user.has_usable_password()
    assert get(token).status_code == 200
    credential.refresh_from_db()
    assert credential.last_used_at is not None
    assert Event.objects.get(type="credential.issued").actor == admin


@pytest.mark.parametrize(
    ("case", "change", "code"),
    [
        ("no name", {"name": " "}, "name_needed"),
        ("no scope", {"scopes": []}, "scopes_needed"),
        ("unknown scope", {"scopes": ["all"]}, "scope_unknown"),
        ("no life", {"days": 0}, "life_out_of_range"),
        ("too long", {"days": 367}, "life_out_of_range"),
    ],
)
def test_a_token_is_refused(case, change, code, site, admin, at):
    wish = {"name": "X", "sites": [site], "scopes": ["due:read"], "days": 10} | change
    with pytest.raises(Refused) as refused:
        issue_plant_credential(**wish, actor=admin, at=at)
    assert refused.value.code == code
    assert (AuthToken.objects.count(), PlantCredential.objects.count()) == (0, 0)


def test_a_token_without_a_site_or_for_a_foreign_site_is_refused(site, admin, at):
    with pytest.raises(Refused) as refused:
        issue_plant_credential("X", [], ["due:read"], 10, actor=admin, at=at)
    assert refused.value.code == "sites_needed"
    with pytest.raises(NotFound):
        issue_plant_credential("X", [site, SiteFactory()], ["due:read"], 10, actor=admin, at=at)
    with pytest.raises(Forbidden):
        planner = member(site, Role.PLANNER)
        issue_plant_credential("X", [site], ["due:read"], 10, actor=planner, at=at)


def test_rotation_keeps_two_alive_and_no_third(site, admin, at):
    first, old = issue_plant_credential("X", [site], ["register:read"], 9, actor=admin, at=at)
    second, new = rotate_plant_credential(first.pk, 30, actor=admin, at=at)
    assert (second.service_user, second.scopes) == (first.service_user, ["register:read"])
    assert (get(old).status_code, get(new).status_code) == (200, 200)
    with pytest.raises(Refused) as refused:
        rotate_plant_credential(second.pk, 30, actor=admin, at=at)
    assert refused.value.code == "two_live_tokens"
    revoke_plant_credential(first.pk, actor=admin, at=at)
    assert (get(old).status_code, get(new).status_code) == (401, 200)
    with pytest.raises(Refused) as refused:
        rotate_plant_credential(first.pk, 30, actor=admin, at=at)
    assert refused.value.code == "token_ended"


def test_the_last_revocation_shuts_the_service_user(site, admin, at):
    credential, token = issue_plant_credential(
        "X", [site], ["register:read"], 9, actor=admin, at=at
    )
    revoke_plant_credential(credential.pk, actor=admin, at=at, reason="leaked")
    credential.service_user.refresh_from_db()
    assert not credential.service_user.is_active
    answer = get(token)
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["WWW-Authenticate"] == "Bearer"
    with pytest.raises(Refused):
        revoke_plant_credential(credential.pk, actor=admin, at=at)
    with pytest.raises(NotFound):
        revoke_plant_credential(credential.pk, actor=member(SiteFactory()), at=at)


@pytest.mark.parametrize("side", ["library", "ours"])
def test_an_expired_token_is_refused_by_either_record(side, site, admin, at):
    credential, token = issue_plant_credential(
        "X", [site], ["register:read"], 9, actor=admin, at=at
    )
    past = at - timedelta(seconds=1)
    if side == "library":
        AuthToken.objects.update(expiry=past)
    else:
        PlantCredential.objects.update(expires_at=past)
    assert get(token).status_code == 401


@pytest.mark.parametrize("token", ["", "vc_", "vc_" + "0" * 64, "é", "x y", "vc_" + "a" * 5000])
def test_a_bogus_token_is_401_never_500(token):
    assert get(token).status_code == 401


def test_scope_and_site_of_a_token_hold(site, admin, at):
    other = SiteFactory()
    _, token = issue_plant_credential("X", [site], ["due:read"], 9, actor=admin, at=at)
    answer = get(token)
    assert (answer.status_code, answer.json()["detail"]) == (
        403,
        "This token lacks the scope this endpoint needs.",
    )
    _, token = issue_plant_credential("Y", [site], ["register:read"], 9, actor=admin, at=at)
    assert [row["code"] for row in get(token).json()["results"]] == [site.code]
    assert get(token, f"/api/v1/sites/{other.pk}").status_code == 404
    assert get(token, "/api/v1/members").status_code == 403


def test_tokens_without_scopes_cannot_be_typed_into_the_admin(client, admin_user):
    client.force_login(admin_user)
    assert "auth token" not in client.get("/admin/").content.decode().lower()
    assert client.get("/admin/knox/authtoken/add/").status_code == 404
