import threading

import pytest
from django.contrib.auth import get_user_model
from django.db import connection, transaction

from valvecare.core.errors import Conflict, NotFound
from valvecare.core.take import take
from valvecare.models import Membership, Site

pytestmark = pytest.mark.django_db


@pytest.fixture
def site() -> Site:
    return Site.objects.create(code="XX", name="Invented", time_zone="UTC")


def test_take_raises_the_version_and_returns_the_new_row(site):
    with transaction.atomic():
        taken = take(Site.objects.all(), site.pk, 1)
    assert taken.version == 2
    assert Site.objects.get(pk=site.pk).version == 2


def test_take_refuses_a_stale_version_and_leaves_the_row(site):
    with pytest.raises(Conflict) as caught, transaction.atomic():
        take(Site.objects.all(), site.pk, 7)
    assert (caught.value.given, caught.value.current) == (7, 1)
    assert Site.objects.get(pk=site.pk).version == 1


def test_take_hides_what_a_stranger_may_not_see(site):
    stranger = get_user_model().objects.create_user("stranger")
    with pytest.raises(NotFound):
        take(Site.objects.for_user(stranger), site.pk, 1)
    Membership.objects.create(user=stranger, site=site, role="technician")
    with transaction.atomic():
        assert take(Site.objects.for_user(stranger), site.pk, 1).pk == site.pk


@pytest.mark.django_db(transaction=True)
def test_of_many_takers_of_one_version_exactly_one_wins():
    site = Site.objects.create(code="XX", name="Invented", time_zone="UTC")
    outcomes: list[str] = []
    start = threading.Barrier(8)

    def run() -> None:
        start.wait()
        try:
            with transaction.atomic():
                take(Site.objects.all(), site.pk, 1)
            outcomes.append("won")
        except Conflict:
            outcomes.append("conflict")
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["conflict"] * 7 + ["won"]
    assert Site.objects.get(pk=site.pk).version == 2
