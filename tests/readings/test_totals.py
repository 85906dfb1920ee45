"""Totals at given instants, against the calculation library over the whole history."""

import random

import pytest

from tests.factories.readings import (
    LONG_AFTER,
    GaugeFactory,
    SeriesFactory,
    StartsFactory,
    integrator,
    push,
    row,
)
from tests.factories.register import member
from tests.readings.test_order import history, rows_of
from valvecare.core.permits import Role
from valvecare.engineering.counter_series import counter_series, gain_at
from valvecare.engineering.counters import MeterReplacement
from valvecare.engineering.errors import OutOfRange
from valvecare.models import Reading
from valvecare.readings import actions, reads
from valvecare.readings.models import micros
from valvecare.readings.rules import MeterEventKind

pytestmark = pytest.mark.django_db


def library(series, instants_us, replacements=()):
    stored = Reading.objects.filter(series=series, quality__lt=2).values_list("at_us", "value")
    whole = counter_series(
        [at / 1e6 for at, _ in stored],
        [value for _, value in stored],
        resolution=series.resolution,
        ceiling_per_hour=1.02,
        replacements=replacements,
    )
    return gain_at(whole, [us / 1e6 for us in instants_us])


@pytest.mark.parametrize("seed", range(5))
def test_totals_equal_the_library_over_the_whole_history(seed):
    rng = random.Random(seed)
    series = SeriesFactory()
    push(rows_of(series, history(seed)), integrator(series.site))
    hours = [rng.uniform(-50, 2_500) for _ in range(40)]
    hours += [h for h, _ in history(seed)[:10]]  # the very instants of readings too
    instants = [micros(row(series, h, 0).at) for h in hours]
    found = reads.accumulated_at([series.pk] * len(instants), instants)
    assert found == pytest.approx(library(series, instants), abs=2e-6)


def test_totals_pass_through_a_replaced_meter():
    series = SeriesFactory()
    push(
        [row(series, h, v) for h, v in ((0, 41_200.0), (30, 41_230.0), (54, 30.0), (60, 36.0))],
        integrator(series.site),
    )
    actions.declare_meter_event(
        series.pk,
        kind=MeterEventKind.REPLACED,
        event_at=row(series, 40, 0).at,
        closing_value=41_236.0,
        opening_value=12.0,
        actor=member(series.site, Role.TECHNICIAN),
        at=LONG_AFTER,
    )
    at = [micros(row(series, h, 0).at) for h in (0, 30, 42, 54, 60, 70)]
    assert reads.accumulated_at([series.pk] * 6, at).tolist() == [0, 30, 42, 54, 60, 60]
    event = MeterReplacement(micros(row(series, 40, 0).at) / 1e6, 41_236.0, 12.0)
    assert reads.accumulated_at([series.pk] * 6, at) == pytest.approx(library(series, at, [event]))


def test_only_counters_have_totals():
    gauge = GaugeFactory()
    with pytest.raises(OutOfRange):
        reads.accumulated_at([gauge.pk], [0])
    with pytest.raises(OutOfRange):
        reads.accumulated_at([gauge.pk], [])
    assert reads.accumulated_at([], []).tolist() == []


def test_the_number_of_queries_does_not_depend_on_the_number_of_pairs(django_assert_num_queries):
    series = [StartsFactory() for _ in range(12)]
    push(
        [row(one, h, 10 + h) for one in series for h in range(30)],
        integrator(*(s.site for s in series)),
    )
    at = micros(row(series[0], 12.5, 0).at)
    with django_assert_num_queries(6):
        found = reads.accumulated_at([one.pk for one in series], [at] * 12)
    assert found.tolist() == [12.5] * 12
