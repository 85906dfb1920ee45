"""Ingest into an empty table and into 50 million rows: python -m tests.benchmarks.bench_50_million.

PostgreSQL only (DATABASE_URL). Fills ten months by the server itself, in a test database of its
own that it drops: about 6 GB of disk, refused when less than 15 GB are free here. Pushes of 10,000
rows go into the last month, which is full of rows itself. Then a month of 5 million rows is retired
by dropping its table and by DELETE. Arguments: rounds (15), rows in millions (50).
"""

import shutil
import sys
import time
from datetime import UTC, date, datetime

from tests.benchmarks.bench_ingest import BASE, SERIES, World, measure, new_world

MONTHS = [date(2025, month, 1) for month in range(4, 13)] + [BASE.date()]
STEP_MINUTES = 4

MAKE = "CREATE TABLE {name} (LIKE valvecare_reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS)"
FILL = """
INSERT INTO {name} (series_id, at_us, value, quality, source_id, received_us)
SELECT s.series_id, {first} + m * {step}::bigint, 10 + m / 60.0, 0, {source}, 0
FROM (SELECT series_id FROM valvecare_series_state ORDER BY series_id) s
CROSS JOIN generate_series(1, {times}) AS m
"""
ATTACH = "ALTER TABLE valvecare_reading ATTACH PARTITION {name} FOR VALUES FROM ({low}) TO ({high})"


def first_us(month: date) -> int:
    return int(datetime(month.year, month.month, 1, tzinfo=UTC).timestamp()) * 1_000_000


def after(month: date) -> date:
    return date(month.year + month.month // 12, month.month % 12 + 1, 1)


def fill(world: World, times: int) -> None:
    """So many instants a month for each series; tables are attached when they are full."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 0")
        cursor.execute("TRUNCATE valvecare_reading")
        cursor.execute("DROP TABLE valvecare_reading_2026_01")
        for month in MONTHS:
            low, name = first_us(month), f"valvecare_reading_{month:%Y_%m}"
            facts = {"name": name, "low": low, "high": first_us(after(month))}
            cursor.execute(MAKE.format(**facts))
            step = STEP_MINUTES * 60_000_000
            cursor.execute(
                FILL.format(**facts, first=low, step=step, times=times, source=world.source)
            )
            cursor.execute(ATTACH.format(**facts))
        cursor.execute("VACUUM ANALYZE valvecare_reading")
        cursor.execute("CHECKPOINT")


def retire() -> None:
    """One month by dropping its table, another of the same size by DELETE."""
    from django.db import connection

    from valvecare.readings.sql import drop_month

    started = time.perf_counter()
    drop_month(connection, MONTHS[0])
    dropped = time.perf_counter() - started
    low, high = first_us(MONTHS[1]), first_us(MONTHS[2])
    started = time.perf_counter()
    with connection.cursor() as cursor:
        cursor.execute(
            "DELETE FROM valvecare_reading WHERE at_us >= %s AND at_us < %s", [low, high]
        )
        count = cursor.rowcount
    deleted = time.perf_counter() - started
    print(f"retire a month of {count:,} readings: DELETE {deleted:.1f} s, drop {dropped:.3f} s")
    print(f"DELETE / drop {deleted / dropped:.0f}")


def main(rounds: int, millions: int) -> None:
    if shutil.disk_usage("/").free < 15e9:
        sys.exit("Less than 15 GB are free.")
    with new_world() as world:
        from django.db import connection

        if connection.vendor != "postgresql":
            sys.exit("Needs PostgreSQL: set DATABASE_URL=postgres://…")
        empty = measure(world, 1_000, 10, rounds)
        started = time.perf_counter()
        times = millions * 1_000_000 // SERIES // len(MONTHS)
        fill(world, times)
        world.minute = max(world.minute, times * STEP_MINUTES + 1)
        print(f"filled {millions} million rows in {time.perf_counter() - started:.0f} s")
        full = measure(world, 1_000, 10, rounds)
        for name in ("raw", "ours", "replay"):
            print(
                f"{name:8s} empty {empty[name]:9.0f} rows/s, {millions} million {full[name]:9.0f}, "
                f"ratio {full[name] / empty[name]:.2f}"
            )
        shares = [found["ours"] / found["raw"] for found in (empty, full)]
        print(f"ours / raw: empty {shares[0]:.2f}, {millions} million {shares[1]:.2f}")
        retire()


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:]]
    main(*(words + [15, 50][len(words) :]))
