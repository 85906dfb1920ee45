"""The partitioned table on PostgreSQL: made as needed, equal in every answer, dropped by month."""

import importlib
from datetime import date

import pytest
from django.db import IntegrityError, connection, transaction

from tests.factories.readings import SeriesFactory, derived, integrator, push, row
from tests.readings.test_order import history, rows_of
from valvecare.core.jobs import REGISTRY
from valvecare.models import Reading, SeriesState
from valvecare.readings import reads
from valvecare.readings.models import micros
from valvecare.readings.sql import drop_month, ensure_months, months

pytestmark = [pytest.mark.django_db, pytest.mark.postgres]


@pytest.fixture
def partitioned(monkeypatch):
    module = importlib.import_module("valvecare.readings.actions.push_readings")
    monkeypatch.setattr(module, "_known_months", set())
    with connection.cursor() as cursor:
        cursor.execute(months.FORWARD)


def tables():
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
            "WHERE i.inhparent = 'valvecare_reading'::regclass ORDER BY 1"
        )
        return [name for (name,) in cursor.fetchall()]


def test_a_push_makes_the_months_it_needs(partitioned):
    series = SeriesFactory()
    actor = integrator(series.site)
    push([row(series, 0, 100.0), row(series, 24 * 40, 500.0)], actor)
    assert tables() == ["valvecare_reading_2026_01", "valvecare_reading_2026_02"]
    push([row(series, 24 * 20, 300.0), row(series, -1, 99.0)], actor)
    assert tables()[0] == "valvecare_reading_2025_12"
    assert SeriesState.objects.get(series=series).accumulated == 401.0


def test_answers_equal_those_of_a_plain_table(partitioned):
    mixed, ordered = SeriesFactory(), SeriesFactory()
    actor = integrator(mixed.site, ordered.site)
    points = history(5)
    push(rows_of(ordered, points), actor)
    for start in range(0, 300, 37):
        push(rows_of(mixed, points[::-1][start : start + 37]), actor)
    assert derived(mixed) == derived(ordered)
    at = [micros(row(mixed, h, 0).at) for h in (3.3, 500.1, 1_500.7)]
    one, two = reads.accumulated_at([mixed.pk] * 3, at), reads.accumulated_at([ordered.pk] * 3, at)
    assert one.tolist() == two.tolist()


def test_the_key_still_holds(partitioned):
    series = SeriesFactory()
    push([row(series, 1, 100.0)], integrator(series.site))
    stored = Reading.objects.get()
    with pytest.raises(IntegrityError), transaction.atomic():
        Reading.objects.create(
            series=series, at_us=stored.at_us, value=1.0, source=stored.source, received_us=0
        )


def test_a_dropped_month_takes_its_readings_and_leaves_the_totals(partitioned):
    series = SeriesFactory()
    push([row(series, 24 * d, 100.0 + 12 * d) for d in range(60)], integrator(series.site))
    before = derived(series)
    assert drop_month(connection, date(2026, 1, 1)) is True
    assert drop_month(connection, date(2026, 1, 1)) is False
    assert Reading.objects.count() == 29
    assert derived(series) == before


def test_the_first_and_last_instant_of_a_month_fall_into_it(partitioned):
    series = SeriesFactory()
    first = row(series, 24 * 31, 200.0)
    last = row(series, 24 * 31 - 1 / 3_600_000_000, 199.0)
    push([first, last], integrator(series.site))
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM valvecare_reading_2026_01")
        assert cursor.fetchone()[0] == 1


def test_back_to_the_plain_table_with_all_readings(partitioned):
    series = SeriesFactory()
    push([row(series, 24 * d, 100.0 + d) for d in range(50)], integrator(series.site))
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute(months.BACKWARD)
    assert Reading.objects.count() == 50
    assert tables() == []


def test_the_job_makes_the_coming_months(partitioned):
    at = row(SeriesFactory(), 24 * 350, 0).at
    assert REGISTRY["readings.months"].run(at, lambda: None) == {"made": 3}
    assert tables() == [f"valvecare_reading_{m}" for m in ("2026_12", "2027_01", "2027_02")]
    assert ensure_months(connection, [date(2026, 12, 1)]) == 0
