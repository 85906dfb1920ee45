"""Sweep and refresh against the usual ways: ``python -m tests.benchmarks.bench_sweep``.

All variants run side by side. Needs PostgreSQL (DATABASE_URL); works in a test database of its
own, which it drops. Every valve has three clocks (calendar, run-hours, starts). Prints medians,
ratios and the rise of memory.
Arguments: numbers of valves, for example ``10000 100000``.
"""

import gc
import os
import secrets
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")
os.environ.setdefault("SECRET_KEY", secrets.token_urlsafe(60))
django.setup()

from django.db import connection, transaction  # noqa: E402

from valvecare.due.actions import refresh_touched, sweep  # noqa: E402
from valvecare.models import (  # noqa: E402
    DueItem,
    Policy,
    ProtectionValve,
    Pump,
    PumpGroup,
    Series,
    SeriesState,
    Site,
    ValveDesign,
)

AT = datetime(2026, 5, 4, 12, tzinfo=UTC)
LAST = AT - timedelta(hours=1)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY_US = 86_400_000_000
MEMORY = "--memory"

FILL = """
INSERT INTO valvecare_series_usage
  (series_id, week_on, weeks, days, gain, gain_squared_per_day)
  SELECT id, '2026-05-04', 52, 364,
    CASE quantity WHEN 'starts' THEN 120 ELSE 4700 END,
    CASE quantity WHEN 'starts' THEN 45 ELSE 62000 END
  FROM valvecare_series;
INSERT INTO valvecare_act
  (kind, done_at, done_on, resets, origin, note, recorded_at, valve_id)
  SELECT 'strip-down', d, d::date, '["strip-down"]', 'invented', '', d, v
  FROM generate_series(1, %(n)s) v,
    LATERAL (SELECT timestamptz '2022-08-01 12:00Z' + (v %% 1300) * interval '1 day' d) day;
INSERT INTO valvecare_due_item
  (kind, state, governed_by, runner_up, listed_on, reason, details, as_of, changed_at,
   decision_print, words_print, valve_id, site_id, group_id, pump_id, design_id, policy_id, act_id)
  SELECT 'strip-down', 'no record', '', '', '1900-01-01', '', '{}', a.recorded_at, a.recorded_at,
    0, 0, v.id, g.site_id, g.id, v.pump_id, v.design_id, v.design_id, a.id
  FROM valvecare_protection_valve v JOIN valvecare_pump p ON p.id = v.pump_id
    JOIN valvecare_pump_group g ON g.id = p.group_id JOIN valvecare_act a ON a.valve_id = v.id;
INSERT INTO valvecare_clock
  (item_id, trigger, "limit", anchor_us, anchor_on, series_id, base, base_next_us, base_lost,
   used, used_at_us, stale_at_us, is_lower_bound, per_day, earliest_on, likely_on, latest_on)
  SELECT i.id, t.trigger, t.most, extract(epoch FROM a.done_at)::bigint * 1000000, a.done_on,
    s.id, 20000 - u.used, extract(epoch FROM a.done_at)::bigint * 1000000 + %(day)s, 0,
    CASE WHEN s.id IS NOT NULL THEN u.used END,
    CASE WHEN s.id IS NOT NULL THEN %(last)s END,
    CASE WHEN s.id IS NOT NULL THEN %(last)s + 14::bigint * %(day)s END,
    false, 12,
    CASE t.trigger WHEN 'calendar' THEN a.done_on + interval '48 months'
      ELSE date '2026-05-04' + ((t.most - u.used) / t.most * 1000)::int END,
    CASE t.trigger WHEN 'calendar' THEN a.done_on + interval '48 months'
      ELSE date '2026-05-04' + ((t.most - u.used) / t.most * 1100)::int END,
    CASE t.trigger WHEN 'calendar' THEN a.done_on + interval '48 months'
      ELSE date '2026-05-04' + ((t.most - u.used) / t.most * 1200)::int END
  FROM valvecare_due_item i JOIN valvecare_act a ON a.id = i.act_id
    CROSS JOIN (VALUES ('calendar', 48, ''), ('run-hours', 24000, 'run hours'),
      ('starts', 600, 'starts')) t(trigger, most, quantity)
    LEFT JOIN valvecare_series s ON s.pump_id = i.pump_id AND s.quantity = t.quantity
    CROSS JOIN LATERAL (SELECT (a.id * 7919 %% 1000) / 1000.0 * t.most * 0.98 used) u;
"""

SQL_COUNT = """
SELECT count(*) FROM (
  SELECT c.item_id, max(CASE c.trigger
    WHEN 'calendar' THEN
      ((timestamptz '2026-05-04 12:00Z' AT TIME ZONE s.time_zone)::date - c.anchor_on)
        / (c.likely_on - c.anchor_on)::float8
    ELSE c.used / c."limit" END) AS share
  FROM valvecare_clock c JOIN valvecare_due_item i ON i.id = c.item_id
    JOIN valvecare_site s ON s.id = i.site_id
  GROUP BY c.item_id) x WHERE share >= 1
"""


def register(valves: int) -> None:
    """Three sites, five designs with a policy each, three pumps a group, two counters a pump.

    Of every counter some years of readings are kept, the last one an hour old.
    """
    zones = ("Europe/Oslo", "Asia/Muscat", "UTC")
    sites = Site.objects.bulk_create(
        Site(code=f"S{n}", name="invented", time_zone=zone) for n, zone in enumerate(zones)
    )
    designs = ValveDesign.objects.bulk_create(
        ValveDesign(code=f"OAK-{n}", dn=100, bypass_dn=50, principle="invented") for n in range(5)
    )
    Policy.objects.bulk_create(
        Policy(
            design_code=design.code,
            kind="strip-down",
            months=48,
            run_hours=24_000,
            starts=600,
            valid_from=date(2020, 1, 1),
            source="invented",
            owner="invented",
            scope_key=f"design:{design.code}",
        )
        for design in designs
    )
    group = PumpGroup.objects.create(
        site=sites[0], code="G0", service="invented", installed=3, needed=2
    )
    pump = Pump.objects.create(group=group, tag="P0", role="duty")
    valve = ProtectionValve.objects.create(tag="V0", pump=pump, design=designs[0])
    series = Series.objects.create(
        site=sites[0],
        pump=pump,
        tag="P0.run hours",
        quantity="run hours",
        kind="counter",
        unit="h",
        resolution=0.1,
    )
    last_us = (LAST - EPOCH) // timedelta(microseconds=1)
    state = SeriesState.objects.create(
        series=series,
        points=20_000,
        first_us=last_us - 1_500 * DAY_US,
        last_us=last_us,
        newest_us=last_us,
        last_value=1.0,
        accumulated=20_000.0,
        updated_us=last_us,
    )
    spread(group, valves // 3 + 1, "'id', n, 'code', 'G' || n, 'site_id', (n - 1) % 3 + 1")
    spread(pump, valves, "'id', n, 'tag', 'P' || n, 'group_id', (n - 1) / 3 + 1")
    spread(valve, valves, "'id', n, 'tag', 'V' || n, 'pump_id', n, 'design_id', n % 5 + 1")
    of_site = "'site_id', ((n - 1) / 3) % 3 + 1, 'pump_id', n"
    spread(series, valves, f"'id', 2 * n - 1, 'tag', 'P' || n || '.run hours', {of_site}")
    starts = "'quantity', 'starts', 'unit', '1', 'max_starts_per_hour', 6"
    spread(
        series, valves, f"'id', 2 * n, 'tag', 'P' || n || '.starts', {starts}, {of_site}", first=1
    )
    spread(state, valves, "'series_id', 2 * n - 1")
    spread(state, valves, "'series_id', 2 * n, 'accumulated', 700", first=1)


def spread(pattern: Any, count: int, changes: str, first: int = 2) -> None:
    """Rows `first` to `count` of a table by the database itself: as the pattern but for `changes`.

    changes: what of row n differs, as arguments of `jsonb_build_object`.
    """
    table, key = pattern._meta.db_table, pattern._meta.pk.column
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {table} SELECT made.* FROM generate_series({first}, {count}) n, "  # noqa: S608
            f"{table} pattern, LATERAL jsonb_populate_record(pattern, "
            f"jsonb_build_object({changes})) made WHERE pattern.{key} = {pattern.pk}"
        )


def fill(valves: int) -> None:
    last = (LAST - EPOCH) // timedelta(microseconds=1)
    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 0")
        tables = "site, pump_group, valve_design, policy, pump, protection_valve, series, act"
        names = ", ".join(f"valvecare_{name}" for name in tables.split(", "))
        cursor.execute(f"TRUNCATE {names} RESTART IDENTITY CASCADE")
    register(valves)
    with connection.cursor() as cursor:
        cursor.execute(FILL, {"n": valves, "last": last, "day": DAY_US})
        cursor.execute("VACUUM ANALYZE")


def timed(call: Callable[[], Any]) -> float:
    gc.collect()
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def move_clocks(share: float, seed: int) -> None:
    """Let the given share of the valves use a hundredth of a limit more."""
    with connection.cursor() as cursor:
        cursor.execute(
            'UPDATE valvecare_clock SET used = used + "limit" * 0.0101 '
            "WHERE trigger = 'run-hours' AND item_id %% %s = %s",
            [round(1 / share), seed],
        )


def sql_count() -> None:
    with connection.cursor() as cursor:
        cursor.execute(SQL_COUNT)
        cursor.fetchone()


def orm_loop(today: date, *, most: int | None = None) -> int:
    """The usual way: objects with their clocks prefetched, judged one by one, saved one by one."""
    changed = 0
    items = DueItem.objects.select_related("valve", "site").prefetch_related("clocks")
    with transaction.atomic():
        for item in items.order_by("pk")[:most].iterator(chunk_size=2_000):
            best, name = -1.0, ""
            for clock in item.clocks.all():
                if clock.trigger == "calendar":
                    share = (today - clock.anchor_on).days / (
                        clock.likely_on - clock.anchor_on
                    ).days
                else:
                    share = clock.used / clock.limit
                if share > best:
                    best, name = share, clock.trigger
            shown = round(best, 2) if best >= 1 else min(round(best, 2), 0.99)
            if (item.share_used, item.governed_by) != (shown, name):
                item.share_used, item.governed_by = shown, name
                item.state = "overdue" if best >= 1 else "not yet"
                item.save(update_fields=["share_used", "governed_by", "state"])
                changed += 1
        transaction.set_rollback(True)
    return changed


def touch(count: int, seed: int) -> None:
    """What a push does to the kept state: another hour on each of so many counters."""
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE valvecare_series_state SET accumulated = accumulated + 1, "
            "last_us = last_us + 60000000, touched_us = last_us + 60000000 "
            "WHERE series_id > %s AND series_id <= %s",
            [seed * count, (seed + 1) * count],
        )


def peak_mb() -> float:
    """How far a sweep raises the memory of a process that has done nothing else."""
    settings = connection.settings_dict
    place = f"{settings['HOST']}:{settings['PORT']}/{settings['NAME']}"
    login = f"{settings['USER']}:{settings['PASSWORD']}".rstrip(":")
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.bench_sweep", MEMORY],
        env={**os.environ, "DATABASE_URL": f"postgres://{login}@{place}"},
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


def print_memory() -> None:
    def line(name: str) -> float:
        return float(Path("/proc/self/status").read_text().split(f"{name}:")[1].split()[0]) / 1024

    sql_count()
    before = line("VmRSS")
    sweep(AT)
    print(line("VmHWM") - before)


def bench(valves: int) -> None:
    """Each line is printed as soon as it is known: a million valves take long."""
    took = timed(lambda: fill(valves))
    print(f"\n{valves:,} valves x 3 triggers (filled in {took:.0f} s)")
    first = timed(lambda: sweep(AT))
    print(f"  first sweep, every item written {first:9.2f} s")
    swept, counted = [], []
    for seed in range(3):
        move_clocks(0.01, seed)
        counted.append(timed(sql_count))
        start = time.perf_counter()
        found = sweep(AT)
        swept.append(time.perf_counter() - start)
        assert found.looked == valves
        assert found.written == valves // 100
    sql, ours = statistics.median(counted), statistics.median(swept)
    print(f"  set-based SQL count             {sql:9.3f} s")
    print(f"  sweep, 1 % changed and written  {ours:9.3f} s   {ours / sql:6.2f} x the SQL count")
    idle = statistics.median(timed(lambda: sweep(AT)) for _ in range(3))
    print(f"  sweep, nothing changed          {idle:9.3f} s   {idle / sql:6.2f} x the SQL count")
    move_clocks(0.01, 5)
    print(f"  memory of the sweep             {peak_mb():9.0f} MB over idle")
    if valves <= 100_000:
        move_clocks(0.01, 7)
        loop = timed(lambda: orm_loop(date(2026, 5, 4)))
        print(f"  ORM loop with prefetch          {loop:9.2f} s   {loop / ours:6.1f} x the sweep")
    sweep(AT)
    refreshed, own = [], []
    for seed in range(5):
        touch(1_000, seed)
        used = time.process_time()
        refreshed.append(timed(lambda: refresh_touched(AT)))
        own.append(time.process_time() - used)
    wall, cpu = (statistics.median(some) * 1e3 for some in (refreshed, own))
    print(f"  refresh, 1,000 series touched   {wall:9.0f} ms   {cpu:6.0f} ms of it our own CPU")


def main() -> None:
    if connection.vendor != "postgresql":
        sys.exit("Set DATABASE_URL to PostgreSQL.")
    if sys.argv[1:] == [MEMORY]:
        print_memory()
        return
    sys.stdout.reconfigure(line_buffering=True)  # type: ignore[union-attr]
    connection.settings_dict["TEST"]["MIGRATE"] = False
    kept = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        for valves in [int(text) for text in sys.argv[1:]] or [10_000, 100_000]:
            bench(valves)
    finally:
        connection.creation.destroy_test_db(kept, verbosity=0)


if __name__ == "__main__":
    main()
