"""Valid windows and crews. All names are invented."""

from datetime import UTC, datetime

import factory
from factory.django import DjangoModelFactory

from tests.factories.register import SiteFactory
from valvecare.models import Crew, Window


class WindowFactory(DjangoModelFactory):
    """A stop of three working weeks, 06:00 to 18:00 in Oslo (UTC+2 in June)."""

    class Meta:
        model = Window
        skip_postgeneration_save = True

    site = factory.SubFactory(SiteFactory)
    name = factory.Sequence(lambda n: f"Stop {n}")
    starts_at = datetime(2026, 6, 8, 4, tzinfo=UTC)
    ends_at = datetime(2026, 6, 26, 16, tzinfo=UTC)


class CrewFactory(DjangoModelFactory):
    class Meta:
        model = Crew

    site = factory.SubFactory(SiteFactory)
    name = factory.Sequence(lambda n: f"Crew {n}")
    people = 2
    hours_per_day = 10.0
