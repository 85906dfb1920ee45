"""Valid series and their states. Readings come through `push_readings`, as in life."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import factory
from factory.django import DjangoModelFactory

from tests.factories.register import MembershipFactory, PumpFactory, UserFactory
from valvecare.core.permits import Role
from valvecare.models import Series, SeriesDay, SeriesState, Source
from valvecare.readings.actions import push_readings
from valvecare.readings.rules import Quantity, Row, SeriesKind
from valvecare.register.actions.credentials import issue_plant_credential


class SourceFactory(DjangoModelFactory):
    class Meta:
        model = Source

    name = factory.Sequence(lambda n: f"invented historian {n}")


class SeriesFactory(DjangoModelFactory):
    """A run-hour counter of a pump of its own."""

    class Meta:
        model = Series
        skip_postgeneration_save = True

    pump = factory.SubFactory(PumpFactory)
    site = factory.LazyAttribute(lambda series: series.pump.group.site)
    tag = factory.Sequence(lambda n: f"P-{n}.HOURS")
    quantity = Quantity.RUN_HOURS.value
    kind = SeriesKind.COUNTER.value
    unit = "h"
    resolution = 0.1

    state = factory.RelatedFactory(
        "tests.factories.readings.SeriesStateFactory", factory_related_name="series"
    )


class SeriesStateFactory(DjangoModelFactory):
    class Meta:
        model = SeriesState


class StartsFactory(SeriesFactory):
    tag = factory.Sequence(lambda n: f"P-{n}.STARTS")
    quantity = Quantity.STARTS.value
    unit = "1"
    resolution = 1.0
    max_starts_per_hour = 6.0


class GaugeFactory(SeriesFactory):
    """A bypass line temperature."""

    tag = factory.Sequence(lambda n: f"P-{n}.BYPASS_T")
    quantity = Quantity.BYPASS_TEMPERATURE.value
    kind = SeriesKind.GAUGE.value
    unit = "degC"
    resolution = 0.05
    plausible_min = -40.0
    plausible_max = 300.0


START = datetime(2026, 1, 1, tzinfo=UTC)
LONG_AFTER = datetime(2027, 1, 1, tzinfo=UTC)


def integrator(*sites: Any) -> Any:
    """A person who may push to these sites."""
    person = UserFactory()
    for site in sites:
        MembershipFactory(user=person, site=site, role=Role.INTEGRATOR.value)
    return person


def row(series: Any, hours: float, value: Any, **more: Any) -> Row:
    """A row of the series, so many hours after the start of the tests' year, in its own unit."""
    fields = {"unit": series.unit, **more}
    return Row(series=series.tag, at=START + timedelta(hours=hours), value=value, **fields)


def push(rows: Any, actor: Any, **more: Any) -> Any:
    """Push long after all instants of the tests, from an invented historian."""
    fields = {"at": LONG_AFTER, "source": "invented historian", **more}
    return push_readings(rows, actor=actor, **fields)


STATE_FIELDS = ("points", "first_us", "last_us", "last_value", "accumulated", "lost_segments")
DAY_FIELDS = (
    "day",
    "increment",
    "valid_s",
    "lost",
    "n",
    "v_min",
    "v_max",
    "v_sum_micro",
    "v_last",
    "last_us",
)


def derived(series: Any) -> tuple[Any, ...]:
    """State and days of a series as plain values, to compare bit for bit."""
    state = SeriesState.objects.filter(series=series).values_list(*STATE_FIELDS).get()
    days = SeriesDay.objects.filter(series=series).order_by("day").values_list(*DAY_FIELDS)
    return state, tuple(days)


def bearer(*sites: Any, scopes: Any = ("readings:write", "readings:read")) -> dict[str, str]:
    """Header of a new machine token for these sites."""
    _, token = issue_plant_credential(
        f"invented gateway {uuid.uuid4().hex[:8]}",
        sites,
        scopes,
        30,
        actor=UserFactory(is_superuser=True),
        at=datetime.now(UTC),
    )
    return {"HTTP_AUTHORIZATION": f"Bearer {token}"}


def json_row(one: Row) -> dict[str, Any]:
    """The row as a plant system would write it."""
    found = {"series": one.series, "at": one.at.isoformat(), "value": one.value, "unit": one.unit}
    return {**found, "quality": one.quality} if one.quality != "good" else found
