"""The tables of readings and what the database itself refuses."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction

from tests.factories.readings import GaugeFactory, SeriesFactory, SourceFactory
from valvecare.models import Reading, SeriesState
from valvecare.readings.sql import ensure_months

pytestmark = pytest.mark.django_db


def _reading(series, **fields):
    ensure_months(connection, [date(2023, 11, 1)])
    values = {"at_us": 1_700_000_000_000_000, "value": 1.0, "received_us": 0, **fields}
    return Reading.objects.create(series=series, source=SourceFactory(), **values)


def test_a_second_reading_of_an_instant_is_refused_by_the_database():
    series = SeriesFactory()
    _reading(series)
    with pytest.raises(IntegrityError), transaction.atomic():
        _reading(series, value=2.0)
    assert Reading.objects.count() == 1


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e308])
def test_a_value_that_is_no_number_is_refused_by_the_database(value):
    series = SeriesFactory()
    with pytest.raises(IntegrityError), transaction.atomic():
        _reading(series, value=value)
    assert Reading.objects.count() == 0


def test_a_series_has_its_state_from_the_start():
    series = SeriesFactory()
    state = SeriesState.objects.get(series=series)
    assert (state.points, state.accumulated, state.lost_segments) == (0, 0.0, 0)
    assert not state.is_lower_bound
    assert not state.is_doubtful


@pytest.mark.parametrize(
    ("case", "fields", "field"),
    [
        ("hours in minutes", {"unit": "min"}, "unit"),
        (
            "pressure without gauge or absolute",
            {"quantity": "discharge pressure", "unit": "bar"},
            "unit",
        ),
        ("starts without a ceiling", {"quantity": "starts", "unit": "1"}, "max_starts_per_hour"),
        (
            "roll-over of a gauge",
            {"quantity": "power", "unit": "kW", "rollover_modulus": 9.0},
            "rollover_modulus",
        ),
        (
            "limits the wrong way round",
            {"plausible_min": 5.0, "plausible_max": 1.0},
            "plausible_max",
        ),
    ],
)
def test_a_series_that_cannot_be_read_is_refused(case, fields, field):
    series = SeriesFactory.build(pump=GaugeFactory().pump, **fields)
    series.site = series.pump.group.site
    with pytest.raises(ValidationError) as refused:
        series.full_clean()
    assert list(refused.value.message_dict) == [field], case
