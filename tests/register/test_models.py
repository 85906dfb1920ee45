"""The database's own refusals, and who sees which site."""

import pytest
from django.db import IntegrityError, transaction

from tests.factories.register import (
    PumpFactory,
    PumpGroupFactory,
    SiteFactory,
    UserFactory,
    member,
    valve_at,
)
from valvecare.core.permits import Role
from valvecare.models import ProtectionValve, Pump, PumpGroup

pytestmark = pytest.mark.django_db


def test_a_pump_has_at_most_one_valve_in_service():
    valve = valve_at(SiteFactory())
    with pytest.raises(IntegrityError), transaction.atomic():
        valve_at(SiteFactory(), pump=valve.pump)
    assert valve_at(SiteFactory(), pump=valve.pump, status="spare").pump == valve.pump


def test_a_group_needs_no_more_than_it_has():
    with pytest.raises(IntegrityError), transaction.atomic():
        PumpGroupFactory(installed=2, needed=3)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1.0, 0.0])
def test_no_insane_number_reaches_a_pump(value):
    pump = PumpFactory()
    try:
        with transaction.atomic():
            Pump.objects.filter(pk=pump.pk).update(speed_rpm=value)
    except IntegrityError:
        return
    # SQLite turns NaN into NULL, which means 'not known', never a number
    assert Pump.objects.get(pk=pump.pk).speed_rpm is None


def test_people_see_the_rows_of_their_sites_only():
    here, there = SiteFactory(), SiteFactory()
    mine, theirs = valve_at(here), valve_at(there)
    planner = member(here, Role.PLANNER)
    assert list(ProtectionValve.objects.for_user(planner)) == [mine]
    assert list(PumpGroup.objects.for_user(planner)) == [mine.pump.group]
    assert list(ProtectionValve.objects.for_user(UserFactory())) == []
    assert list(ProtectionValve.objects.for_user(None)) == []
    boss = UserFactory(is_superuser=True)
    assert set(ProtectionValve.objects.for_user(boss)) == {mine, theirs}
    gone = member(here, Role.PLANNER, is_active=False)
    assert list(ProtectionValve.objects.for_user(gone)) == []
