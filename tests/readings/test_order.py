"""What is kept must not depend on how readings arrive: shuffled, repeated, split, in parallel.

The reference is a second, independent formulation: `engineering.counter_series` over the stored
readings in one piece, and plain Python sums per UTC day.
"""

import random
import threading
from collections import defaultdict

import pytest
from django.db import connection, connections

from tests.factories.readings import (
    GaugeFactory,
    SeriesFactory,
    derived,
    integrator,
    push,
    row,
)
from valvecare.engineering.counter_series import counter_series
from valvecare.engineering.counters import MeterReplacement
from valvecare.models import MeterEvent, Reading, SeriesDay, SeriesState
from valvecare.readings.actions.rebuild_days import rebuild_days
from valvecare.readings.actions.series_store import lock_one
from valvecare.readings.models import micros
from valvecare.readings.rules import US_PER_DAY

SEEDS = range(20)


def history(seed, points=300):
    """(hours after the start, counter value) with idle times, jitter and a fall now and then."""
    rng = random.Random(seed)
    hours, value, found = 0.0, 1_000.0, []
    for _ in range(points):
        step = rng.choice([0.25, 1.0, 1.0, 7.3, 30.0])
        hours += step
        value += rng.choice([0.0, 1.0, 1.0]) * step
        if rng.random() < 0.01:
            value = max(0.0, value - 5.0)
        found.append((round(hours, 4), round(value, 3)))
    return found


def rows_of(series, points):
    return [row(series, h, v) for h, v in points]


def reference(series):
    """Total and lost segments by the calculation library over all stored readings."""
    stored = list(
        Reading.objects.filter(series=series, quality__lt=2).values_list("at_us", "value")
    )
    events = [
        MeterReplacement(event.at_us / 1e6, event.closing_value, event.opening_value)
        for event in MeterEvent.objects.filter(series=series)
    ]
    whole = counter_series(
        [at / 1e6 for at, _ in stored],
        [value for _, value in stored],
        resolution=series.resolution,
        ceiling_per_hour=1.02,
        modulus=series.rollover_modulus,
        replacements=events,
    )
    return whole.total, whole.lost_count


@pytest.mark.django_db
@pytest.mark.parametrize("seed", SEEDS)
def test_shuffled_repeated_and_split_pushes_give_the_ordered_state(seed):
    """S-03: 20 seeds; differences 0."""
    rng = random.Random(seed)
    ordered = SeriesFactory()
    mixed = SeriesFactory(pump=ordered.pump)
    actor = integrator(ordered.site)
    points = history(seed)
    push(rows_of(ordered, points), actor)
    shuffled = [*points, *rng.sample(points, 100)]
    rng.shuffle(shuffled)
    while shuffled:
        size = rng.choice([1, 2, 17, 60])
        part, shuffled = shuffled[:size], shuffled[size:]
        push(rows_of(mixed, part), actor)
        if rng.random() < 0.3:
            push(rows_of(mixed, part), actor)
    assert derived(mixed) == derived(ordered)
    total, lost = reference(mixed)
    state = SeriesState.objects.get(series=mixed)
    assert state.accumulated == pytest.approx(total, abs=1e-6)
    assert (state.lost_segments, state.points) == (lost, len(points))


@pytest.mark.django_db
@pytest.mark.parametrize("seed", SEEDS)
def test_a_single_wrong_reading_is_found_in_any_order(seed):
    """A zero and a spike among sound readings: the same totals, whatever comes first."""
    rng = random.Random(seed)
    ordered, mixed = SeriesFactory(), SeriesFactory()
    actor = integrator(ordered.site, mixed.site)
    points = [(float(h), 1_000.0 + h / 2) for h in range(40)]
    points[12], points[30] = (12.0, 0.0), (30.0, 8e6)
    for point in points:
        push(rows_of(ordered, [point]), actor)
    rng.shuffle(points)
    for point in points:
        push(rows_of(mixed, [point]), actor)
    assert derived(mixed) == derived(ordered)
    state = SeriesState.objects.get(series=mixed)
    assert (state.accumulated, state.lost_segments, state.points) == (19.5, 0, 38)


@pytest.mark.django_db
def test_days_equal_plain_sums_over_the_stored_readings():
    series, gauge = SeriesFactory(), GaugeFactory()
    actor = integrator(series.site, gauge.site)
    points = history(99)
    rng = random.Random(1)
    values = [(h, round(rng.uniform(20, 60), 2)) for h, _ in points]
    mixed = [*rows_of(series, points), *rows_of(gauge, values)]
    rng.shuffle(mixed)
    for start in range(0, len(mixed), 50):
        push(mixed[start : start + 50], actor)
    by_day = defaultdict(list)
    for at_us, value in Reading.objects.filter(series=gauge).values_list("at_us", "value"):
        by_day[at_us // US_PER_DAY].append((at_us, value))
    days = {day.day: day for day in SeriesDay.objects.filter(series=gauge)}
    assert set(days) == set(by_day)
    for number, stored in by_day.items():
        day = days[number]
        assert day.n == len(stored)
        assert day.v_min == min(value for _, value in stored)
        assert day.v_max == max(value for _, value in stored)
        assert day.v_last == max(stored)[1]
        assert day.v_mean == pytest.approx(sum(v for _, v in stored) / len(stored), abs=1e-6)
    total = sum(SeriesDay.objects.filter(series=series).values_list("increment", flat=True))
    assert total == pytest.approx(reference(series)[0], abs=1e-6)


@pytest.mark.django_db
def test_rebuilding_every_day_changes_nothing():
    series = SeriesFactory()
    actor = integrator(series.site)
    points = history(7)
    random.Random(7).shuffle(points)
    for start in range(0, len(points), 31):
        push(rows_of(series, points[start : start + 31]), actor)
    before = derived(series)
    table = lock_one(connection, series.pk)
    days = SeriesDay.objects.filter(series=series).values_list("day", flat=True)
    rebuild_days(table, list(days), touched_us=0, received_us=0)
    assert derived(series) == before


@pytest.mark.django_db(transaction=True)
def test_eight_clients_at_once_lose_and_double_nothing(figure):
    """S-01 and S-03: shuffled, split, repeated and replayed by eight clients at once, 20 seeds.

    Each client sends half of all rows and a part of its own, in an order of its own, and every
    second one sends its first part once more.
    """
    pump = SeriesFactory().pump
    lost, differences = 0, 0
    for seed in SEEDS:
        series = [SeriesFactory(pump=pump) for _ in range(2)]
        ordered = [SeriesFactory(pump=pump) for _ in series]
        actor = integrator(pump.group.site)
        points = {one.pk: history(seed * 10 + n, 40) for n, one in enumerate(series)}
        for one, twin in zip(series, ordered, strict=True):
            push(rows_of(twin, points[one.pk]), actor)
        rows = [made for one in series for made in rows_of(one, points[one.pk])]
        assert eight_clients(rows, actor, seed) == []
        lost += abs(Reading.objects.filter(series__in=series).count() - len(rows))
        for one, twin in zip(series, ordered, strict=True):
            differences += derived(one) != derived(twin)
    figure("S-01", "rows lost or doubled", lost, 80 * len(SEEDS))
    figure("S-03", "states and days that differ from one ordered push", differences, 2 * len(SEEDS))
    assert (lost, differences) == (0, 0)


def eight_clients(rows, actor, seed):
    """Push the rows from eight threads that start together; the errors they ended with."""
    errors, barrier = [], threading.Barrier(8)

    def client(number):
        rng = random.Random(seed * 100 + number)
        mine = rng.sample(rows, len(rows) // 2) + rows[number::8]
        rng.shuffle(mine)
        parts = [mine[start : start + 30] for start in range(0, len(mine), 30)]
        barrier.wait()
        try:
            for part in [*parts, *parts[: number % 2]]:
                push(part, actor)
        except Exception as error:  # noqa: BLE001 reported to the caller
            errors.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=client, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return errors


def test_instants_are_whole_microseconds():
    series = SeriesFactory.build(tag="T", unit="h")
    assert micros(row(series, 0.5, 0).at) == 1_767_227_400_000_000
