"""PostgreSQL only: the readings table partitioned by month, and what keeps its months.

The migration runs `FORWARD`; without it (tests without migrations) the table is plain and
everything else works the same. Months are UTC months of `at_us`.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Any

TABLE = "valvecare_reading"

FORWARD = """
ALTER TABLE valvecare_reading RENAME TO valvecare_reading_plain;
CREATE TABLE valvecare_reading (
    LIKE valvecare_reading_plain INCLUDING DEFAULTS INCLUDING CONSTRAINTS
) PARTITION BY RANGE (at_us);
DROP TABLE valvecare_reading_plain;
ALTER TABLE valvecare_reading ADD PRIMARY KEY (series_id, at_us);
ALTER TABLE valvecare_series_state SET (fillfactor = 35);
ALTER TABLE valvecare_series_day SET (fillfactor = 40);
"""
"""Replaces the empty plain table by a partitioned one with the same columns and checks.

A push may renew every state and day on a page in one transaction; the room left on the page lets
the new versions stay there, without a new entry in the index (measured: half the time for states,
two thirds for days).
"""

BACKWARD = """
CREATE TABLE valvecare_reading_plain (
    LIKE valvecare_reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS
);
INSERT INTO valvecare_reading_plain SELECT * FROM valvecare_reading;
DROP TABLE valvecare_reading;
ALTER TABLE valvecare_reading_plain RENAME TO valvecare_reading;
ALTER TABLE valvecare_reading ADD PRIMARY KEY (series_id, at_us);
ALTER TABLE valvecare_series_state RESET (fillfactor);
ALTER TABLE valvecare_series_day RESET (fillfactor);
"""
"""Back to the plain table, readings kept."""

_MISSING = """
SELECT m FROM unnest(%s::text[]) AS m
WHERE (SELECT relkind FROM pg_class WHERE oid = 'valvecare_reading'::regclass) = 'p'
AND to_regclass(m) IS NULL
"""
_LOCK = "SELECT pg_advisory_xact_lock(hashtext('valvecare_reading months'))"


def forward(apps: Any, schema_editor: Any) -> None:
    """For `migrations.RunPython`: partition on PostgreSQL, nothing elsewhere."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(FORWARD)


def backward(apps: Any, schema_editor: Any) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(BACKWARD)


def _bounds(month: date) -> tuple[str, int, int]:
    """Name of the month's table, its first and its past-the-end microsecond."""
    start = datetime(month.year, month.month, 1, tzinfo=UTC)
    end = datetime(month.year + month.month // 12, month.month % 12 + 1, 1, tzinfo=UTC)
    return (
        f"{TABLE}_{month:%Y_%m}",
        int(start.timestamp()) * 1_000_000,
        int(end.timestamp()) * 1_000_000,
    )


def ensure_months(connection: Any, months: Iterable[date]) -> int:
    """Make the tables of these months where they are missing; how many were made.

    Attaching takes a lock that lets readers and writers go on (CREATE ... PARTITION OF would
    not). An advisory lock keeps two pushes from making the same month.
    """
    if connection.vendor != "postgresql":
        return 0
    wanted = {name: (low, high) for name, low, high in map(_bounds, months)}
    with connection.cursor() as cursor:
        cursor.execute(_MISSING, [sorted(wanted)])
        missing = [name for (name,) in cursor.fetchall()]
        if not missing:
            return 0
        cursor.execute(_LOCK)
        cursor.execute(_MISSING, [missing])
        missing = [name for (name,) in cursor.fetchall()]
        for name in missing:
            low, high = wanted[name]
            cursor.execute(
                f"CREATE TABLE {name} (LIKE {TABLE} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)"
            )
            cursor.execute(
                f"ALTER TABLE {TABLE} ATTACH PARTITION {name} FOR VALUES FROM ({low}) TO ({high})"
            )
    return len(missing)


def drop_month(connection: Any, month: date) -> bool:
    """Retire a whole month of readings; days and totals stay. False when there is no such table.

    On a plain table (SQLite, tests) the rows are deleted.
    """
    name, low, high = _bounds(month)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT to_regclass(%s)", [name])
            if cursor.fetchone()[0] is not None:
                cursor.execute(f"DROP TABLE {name}")
                return True
        cursor.execute(
            f"DELETE FROM {TABLE} WHERE at_us >= %s AND at_us < %s",  # noqa: S608
            [low, high],
        )
        return bool(cursor.rowcount)
