"""The admin uses the same actions as the API and shows only what a person may see."""

import pytest
from django.test import Client

from tests.factories.readings import SeriesFactory, integrator, push, row
from tests.factories.register import PumpFactory, member
from valvecare.core.permits import Role
from valvecare.models import Series, SeriesState

pytestmark = pytest.mark.django_db
AT = "/admin/valvecare/series/"


@pytest.fixture
def series():
    return SeriesFactory()


@pytest.fixture
def client(series):
    client = Client()
    client.force_login(member(series.site, Role.RELIABILITY_ENGINEER, is_staff=True))
    return client


def fields(series, **changes):
    found = {
        "pump": series.pump_id,
        "tag": series.tag,
        "quantity": series.quantity,
        "unit": series.unit,
        "resolution": series.resolution,
        "seen_version": series.version,
    }
    return {**found, **changes}


def test_a_series_is_added_with_its_state(series, client):
    pump = PumpFactory(group=series.pump.group)
    given = fields(series, pump=pump.pk, tag="NEW", seen_version="")
    assert client.post(f"{AT}add/", given).status_code == 302
    made = Series.objects.get(tag="NEW")
    assert (made.site, made.kind) == (series.site, "counter")
    assert SeriesState.objects.filter(series=made).exists()


def test_a_changed_modulus_makes_the_total_new(series, client):
    push([row(series, 0, 99_990.0), row(series, 24, 4.0)], integrator(series.site))
    given = fields(series, rollover_modulus=100_000)
    assert client.post(f"{AT}{series.pk}/change/", given).status_code == 302
    assert SeriesState.objects.get(series=series).accumulated == 14.0
    stale = client.post(f"{AT}{series.pk}/change/", {**given, "note": "x"})
    assert stale.status_code == 200
    assert "Somebody changed this record" in stale.content.decode()


def test_the_unit_of_stored_values_cannot_change(series, client):
    push([row(series, 0, 100.0)], integrator(series.site))
    given = fields(series, quantity="power", unit="kW")
    answer = client.post(f"{AT}{series.pk}/change/", given)
    assert answer.status_code == 200
    assert "cannot change" in answer.content.decode()
    assert Series.objects.get(pk=series.pk).unit == "h"


@pytest.mark.parametrize("name", ["series", "setaside", "meterevent", "plantevent", "push"])
def test_lists_hold_only_what_the_person_may_see(name, series, client):
    other = SeriesFactory()
    push([row(other, 0, 100.0), row(other, 1, 1e9)], integrator(other.site))
    answer = client.get(f"/admin/valvecare/{name}/")
    assert answer.status_code == 200
    assert other.tag not in answer.content.decode()
