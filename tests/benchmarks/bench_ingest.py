"""Ingest, measured side by side in one run: shares and ratios, medians of interleaved rounds.

    DATABASE_URL=postgres://postgres@127.0.0.1:5432/anyname .venv/bin/python -m \
        tests.benchmarks.bench_ingest [rounds]

Makes a test database of its own, partitions the readings table where the database can, and
removes everything at the end. Without DATABASE_URL it measures SQLite. Every variant leaves the
same readings; only ours also keeps states and days and answers row by row.
"""

import contextlib
import json
import os
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import django
from django.conf import settings


def prepare() -> None:
    import pytest  # noqa: F401 the settings see that this is no production

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")
    django.setup()
    settings.DATABASES["default"].setdefault("TEST", {})["MIGRATE"] = False
    settings.VALVECARE = {
        **settings.VALVECARE,
        "READINGS_PUSHES_PER_MINUTE": 10_000_000,
        "WAKER": "",
        "DEMO": False,
    }


BASE = datetime(2026, 1, 1, tzinfo=UTC)
BASE_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000
SERIES = 10_000


class World:
    """10,000 gauges and counters of one site, half of each, and a machine token."""

    def __init__(self) -> None:
        from django.db import connection
        from rest_framework.test import APIClient

        from tests.factories.readings import bearer
        from tests.factories.register import PumpFactory
        from valvecare.models import Series, SeriesState, Source

        pump = PumpFactory()
        Series.objects.bulk_create(
            Series(
                site=pump.group.site,
                pump=pump,
                tag=f"BENCH-{n:05d}",
                quantity="run hours" if n % 2 else "power",
                kind="counter" if n % 2 else "gauge",
                unit="h" if n % 2 else "kW",
                resolution=0.1,
            )
            for n in range(SERIES)
        )
        self.series = list(Series.objects.order_by("tag").values_list("pk", "tag", "unit"))
        SeriesState.objects.bulk_create(SeriesState(series_id=pk) for pk, _, _ in self.series)
        self.source = Source.objects.create(name="bench").pk
        self.token = bearer(pump.group.site)
        self.client = APIClient()
        self.minute = 0
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")  # as the database does by itself after a while

    def rows(self, series: int, times: int) -> list[tuple[int, str, int, float, str]]:
        """New rows: the next minutes of so many series."""
        first = self.minute
        self.minute += times
        return [
            (pk, tag, BASE_US + (first + t) * MINUTE_US, 10.0 + (first + t) / 60, unit)
            for t in range(times)
            for pk, tag, unit in self.series[:series]
        ]


def body_of(rows: list[tuple[int, str, int, float, str]]) -> bytes:
    return json.dumps(
        {
            "source": "bench",
            "rows": [
                {
                    "series": tag,
                    "at": (BASE + timedelta(microseconds=us - BASE_US)).isoformat(),
                    "value": value,
                    "unit": unit,
                }
                for _, tag, us, value, unit in rows
            ],
        }
    ).encode()


Run = Callable[[], Any]


def ours(world: World, body: bytes) -> Run:
    """The whole way: request, token, decode, checks, verdicts, readings, states, days, log."""
    return lambda: world.client.post(
        "/api/v1/readings/bulk", body, content_type="application/json", **world.token
    )


def require_all(answer: Any, wanted: str) -> None:
    counts = json.loads(answer.content)["counts"]
    if counts[wanted] != sum(counts.values()):
        raise SystemExit(f"not all rows are {wanted}: {counts}")


COLUMNS = "series_id, at_us, value, quality, source_id, source_key, received_us"


def raw(world: World, rows: list[tuple[int, str, int, float, str]]) -> Run:
    """The limit: the database's own bulk path into the same table, everything prepared before."""
    from django.db import connection, transaction

    if connection.vendor == "postgresql":
        data = "".join(
            f"{pk}\t{us}\t{value!r}\t0\t{world.source}\t\\N\t0\n" for pk, _, us, value, _ in rows
        ).encode()

        def run() -> None:
            with (
                transaction.atomic(),
                connection.cursor() as cursor,
                cursor.cursor.copy(f"COPY valvecare_reading ({COLUMNS}) FROM STDIN") as copy,
            ):
                copy.write(data)

        return run
    params = [(pk, us, value, 0, world.source, None, 0) for pk, _, us, value, _ in rows]

    def run_lite() -> None:
        with transaction.atomic():
            connection.connection.executemany(
                f"INSERT INTO valvecare_reading ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)", params
            )

    return run_lite


def usual(world: World, body: bytes) -> Run:
    """The usual good way behind the same token: DRF many=True, then bulk_create(ignore_conflicts).

    It keeps no states, days or log and gives no verdicts.
    """
    from rest_framework import serializers
    from rest_framework.response import Response
    from rest_framework.test import APIRequestFactory

    from valvecare.models import Reading, Series
    from valvecare.web.views import Endpoint

    class RowIn(serializers.Serializer):
        series = serializers.CharField(max_length=80)
        at = serializers.DateTimeField()
        value = serializers.FloatField()
        unit = serializers.CharField(max_length=16)

    class Usual(Endpoint):
        required_scopes = {"POST": ["readings:write"]}

        def post(self, request: Any) -> Response:
            given = RowIn(data=request.data["rows"], many=True)
            given.is_valid(raise_exception=True)
            tags = {row["series"] for row in given.validated_data}
            known = dict(Series.objects.filter(tag__in=tags).values_list("tag", "pk"))
            Reading.objects.bulk_create(
                [
                    Reading(
                        series_id=known[row["series"]],
                        at_us=(row["at"] - datetime(1970, 1, 1, tzinfo=UTC))
                        // timedelta(microseconds=1),
                        value=row["value"],
                        source_id=world.source,
                        received_us=0,
                    )
                    for row in given.validated_data
                ],
                ignore_conflicts=True,
            )
            return Response({"created": len(given.validated_data)})

    view, factory = Usual.as_view(), APIRequestFactory()

    return lambda: view(
        factory.post("/", body, content_type="application/json", **world.token)
    ).render()


def measure(world: World, series: int, times: int, rounds: int) -> dict[str, float]:
    """Median rows per second of each variant; every round runs each once, in turn."""
    took: dict[str, list[float]] = defaultdict(list)
    for number in range(rounds + 1):
        fresh = body_of(world.rows(series, times))
        variants = {
            "ours": ours(world, fresh),
            "replay": ours(world, fresh),
            "raw": raw(world, world.rows(series, times)),
            "usual": usual(world, body_of(world.rows(series, times))),
        }
        for name, run in variants.items():
            started = time.perf_counter()
            answer = run()
            if number:  # the first round warms up
                took[name].append(time.perf_counter() - started)
            if name in ("ours", "replay"):
                require_all(answer, "created" if name == "ours" else "duplicate")
    return {name: series * times / statistics.median(values) for name, values in took.items()}


PRELOAD = """
INSERT INTO valvecare_reading (series_id, at_us, value, quality, source_id, received_us)
SELECT s.series_id, {first} + m * 60000000::bigint, 1, 0, {source}, 0
FROM generate_series(1, {minutes}) AS m CROSS JOIN valvecare_series_state s
"""


def grown(world: World, rounds: int) -> None:
    """PostgreSQL: the same push into a month of three million rows; a month retired."""
    from django.db import connection

    from valvecare.readings.sql import drop_month, ensure_months

    empty = measure(world, 1_000, 10, rounds)
    later = BASE_US + 20_000 * MINUTE_US
    with connection.cursor() as cursor:
        cursor.execute(PRELOAD.format(first=later, source=world.source, minutes=300))
    full = measure(world, 1_000, 10, rounds)
    print(
        f"1000 x 10 into a month of 3 million rows / into an empty one: ours "
        f"{full['ours'] / empty['ours']:.2f}, raw {full['raw'] / empty['raw']:.2f}; "
        f"ours/raw there {full['ours'] / full['raw']:.2f}"
    )
    took = {}
    march, april = BASE.date().replace(month=3), BASE.date().replace(month=4)
    ensure_months(connection, [march, april])
    for name, month in (("delete", march), ("drop", april)):
        first = int(datetime(2026, month.month, 1, tzinfo=UTC).timestamp()) * 1_000_000
        with connection.cursor() as cursor:
            cursor.execute(PRELOAD.format(first=first, source=world.source, minutes=50))
            started = time.perf_counter()
            if name == "delete":
                cursor.execute(
                    "DELETE FROM valvecare_reading WHERE at_us >= %s AND at_us < %s",
                    [first, first + 31 * 86_400_000_000],
                )
            else:
                drop_month(connection, month)
            took[name] = time.perf_counter() - started
    print(f"retire 500,000 readings of a month: delete / drop {took['delete'] / took['drop']:.0f}")


@contextlib.contextmanager
def new_world() -> Iterator[World]:
    """A test database with monthly tables where it can have them, and the world in it."""
    prepare()
    from django.db import connection
    from django.test.runner import DiscoverRunner

    from valvecare.readings.sql import months

    runner = DiscoverRunner(verbosity=0, interactive=False)
    databases = runner.setup_databases()
    try:
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute(months.FORWARD)
            months.ensure_months(connection, [BASE.date(), BASE.date().replace(month=2)])
        yield World()
    finally:
        runner.teardown_databases(databases)


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with new_world() as world:
        from django.db import connection

        print(f"{connection.vendor}; rows per second, medians of {rounds} interleaved rounds")
        print(
            "series x rows each | raw | ours | replay | usual | ours/raw | ours/usual | replay/ours"
        )
        for series, times, n in ((100, 1, rounds * 4), (1_000, 10, rounds), (10_000, 1, rounds)):
            found = measure(world, series, times, n)
            print(
                f"{series} x {times} | {found['raw']:.0f} | {found['ours']:.0f} | "
                f"{found['replay']:.0f} | {found['usual']:.0f} | "
                f"{found['ours'] / found['raw']:.2f} | {found['ours'] / found['usual']:.2f} | "
                f"{found['replay'] / found['ours']:.2f}"
            )
        if connection.vendor == "postgresql":
            grown(world, rounds)


if __name__ == "__main__":
    main()
