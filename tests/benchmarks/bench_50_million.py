"""Ingest into an empty table and into 50 million rows: python -m tests.benchmarks.bench_50_million.

PostgreSQL only (DATABASE_URL). Fills ten months by the server itself, in a test database of its
own that it drops: about 6 GB of disk, refused when less than 15 GB are free here. Pushes of 10,000
rows go in turn into a table of the same make that holds only them (schema public) and into the last
month of the large one (schema vast), which is full of rows itself. Then a month of 5 million rows
is retired by dropping its table and by DELETE. Arguments: rounds (15), rows in millions (50).
"""

import shutil
import statistics
import sys
import time
from collections import defaultdict
from datetime import UTC, date, datetime

from tests.benchmarks.bench_ingest import (
    BASE,
    SERIES,
    World,
    body_of,
    new_world,
    ours,
    raw,
    require_all,
)

MONTHS = [date(2025, month, 1) for month in range(4, 13)] + [BASE.date()]
STEP_MINUTES = 4

VAST = """
CREATE SCHEMA vast;
SET search_path = vast, public;
CREATE TABLE vast.valvecare_reading (
  LIKE public.valvecare_reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS
) PARTITION BY RANGE (at_us);
ALTER TABLE vast.valvecare_reading ADD PRIMARY KEY (series_id, at_us);
"""
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
        cursor.execute(VAST)
        for month in MONTHS:
            low, name = first_us(month), f"valvecare_reading_{month:%Y_%m}"
            facts = {"name": name, "low": low, "high": first_us(after(month))}
            cursor.execute(MAKE.format(**facts))
            step = STEP_MINUTES * 60_000_000
            cursor.execute(
                FILL.format(**facts, first=low, step=step, times=times, source=world.source)
            )
            cursor.execute(ATTACH.format(**facts))
        cursor.execute("VACUUM ANALYZE vast.valvecare_reading")
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


def measure(world: World, rounds: int) -> dict[tuple[str, str], float]:
    """Median rows a second of each variant and table; every round runs each once, in turn."""
    from django.db import connection

    took: dict[tuple[str, str], list[float]] = defaultdict(list)
    for number in range(rounds + 1):
        for table, path in (("empty", "public"), ("full", "vast, public")):
            with connection.cursor() as cursor:
                cursor.execute(f"SET search_path = {path}")
            fresh = body_of(world.rows(1_000, 10))
            variants = {
                "ours": ours(world, fresh),
                "replay": ours(world, fresh),
                "raw": raw(world, world.rows(1_000, 10)),
            }
            for name, run in variants.items():
                started = time.perf_counter()
                answer = run()
                if number:  # the first round warms up
                    took[name, table].append(time.perf_counter() - started)
                if name in ("ours", "replay"):
                    require_all(answer, "created" if name == "ours" else "duplicate")
    return {key: 10_000 / statistics.median(values) for key, values in took.items()}


def main(rounds: int, millions: int) -> None:
    if shutil.disk_usage("/").free < 15e9:
        sys.exit("Less than 15 GB are free.")
    with new_world() as world:
        from django.db import connection

        if connection.vendor != "postgresql":
            sys.exit("Needs PostgreSQL: set DATABASE_URL=postgres://…")
        started = time.perf_counter()
        times = millions * 1_000_000 // SERIES // len(MONTHS)
        fill(world, times)
        world.minute = times * STEP_MINUTES + 1
        print(
            f"filled {millions} million rows in {time.perf_counter() - started:.0f} s", flush=True
        )
        found = measure(world, rounds)
        for name in ("raw", "ours", "replay"):
            empty, full = found[name, "empty"], found[name, "full"]
            print(
                f"{name:8s} empty {empty:9.0f} rows/s, {millions} million {full:9.0f}, "
                f"ratio {full / empty:.2f}"
            )
        shares = [found["ours", table] / found["raw", table] for table in ("empty", "full")]
        print(f"ours / raw: empty {shares[0]:.2f}, {millions} million {shares[1]:.2f}", flush=True)
        retire()


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:]]
    main(*(words + [15, 50][len(words) :]))
