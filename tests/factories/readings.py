"""Valid series and their states. Readings come through `push_readings`, as in life."""

import factory
from factory.django import DjangoModelFactory

from tests.factories.register import PumpFactory
from valvecare.models import Series, SeriesState, Source
from valvecare.readings.rules import Quantity, SeriesKind


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
