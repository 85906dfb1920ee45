import pytest
from django.contrib.auth import get_user_model

from valvecare.core.errors import Forbidden
from valvecare.core.permits import PERMITS, Role, may, may_anywhere, require, roles_at
from valvecare.models import Membership, Site

pytestmark = pytest.mark.django_db


@pytest.fixture
def people():
    users = get_user_model().objects
    here = Site.objects.create(code="AA", name="Here", time_zone="UTC")
    there = Site.objects.create(code="BB", name="There", time_zone="UTC")
    user = users.create_user("planner")
    Membership.objects.create(user=user, site=here, role=Role.PLANNER)
    return user, here, there


def test_a_role_counts_only_at_its_site(people):
    user, here, there = people
    assert roles_at(user, here.pk) == {Role.PLANNER}
    assert may(user, "place_work_order", here.pk)
    assert not may(user, "place_work_order", there.pk)
    assert may_anywhere(user, "place_work_order")
    assert not may_anywhere(user, "change_parts")


def test_a_refusal_names_who_could(people):
    user, here, _ = people
    with pytest.raises(
        Forbidden, match=r"You may not change parts here\. Roles that may: storekeeper"
    ):
        require(user, "change_parts", site_id=here.pk)


def test_an_inactive_person_may_nothing(people):
    user, here, _ = people
    user.is_active = False
    user.save()
    assert not any(may(user, permit, here.pk) for permit in PERMITS)


def test_nobody_may_nothing(people):
    _, here, _ = people
    assert not any(may(None, permit, here.pk) for permit in PERMITS)


def test_the_auditor_only_looks():
    writes = [permit for permit, roles in PERMITS.items() if Role.AUDITOR in roles]
    assert all(permit.startswith("view_") for permit in writes)
