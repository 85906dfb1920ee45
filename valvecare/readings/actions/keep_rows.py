"""What a push leaves behind, written in as few statements as the database allows.

PostgreSQL: many readings go by COPY and everything else by one statement; few readings go into
that statement too, because a round trip costs more than its work. SQLite: one prepared statement
per table. Nothing here decides anything.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.readings.actions.read_rows import Points, Table
from valvecare.readings.sql.wire import Array, Column, copy_bytes, planned_cursor

COPY_FROM = 400
"""From so many readings on COPY is faster than arrays in the statement (measured)."""

STAGE_FROM = 4_000
"""From so many states or days on a filled temporary table is faster than arrays (measured)."""

READING_COLUMNS = "series_id, at_us, value, quality, source_id, source_key, received_us"
STATE_COLUMNS = (
    ("series_id", "bigint"),
    ("points", "bigint"),
    ("first_us", "bigint"),
    ("last_us", "bigint"),
    ("last_value", "float8"),
    ("newest_us", "bigint"),
    ("accumulated", "float8"),
    ("lost_segments", "integer"),
    ("touched_us", "bigint"),
    ("updated_us", "bigint"),
)
_SET_STATE = """
points = d.points, first_us = nullif(d.first_us, -1), last_us = nullif(d.last_us, -1),
last_value = CASE WHEN d.last_us = -1 THEN NULL ELSE d.last_value END,
newest_us = nullif(d.newest_us, -1), accumulated = d.accumulated,
lost_segments = d.lost_segments, touched_us = nullif(d.touched_us, -1),
updated_us = d.updated_us
"""
DAY_COLUMNS = (
    ("series_id", "bigint"),
    ("day", "integer"),
    ("increment", "float8"),
    ("valid_s", "float8"),
    ("lost", "integer"),
    ("n", "integer"),
    ("v_min", "float8"),
    ("v_max", "float8"),
    ("v_sum_micro", "bigint"),
    ("v_last", "float8"),
    ("last_us", "bigint"),
)
_D, _X = "valvecare_series_day", "excluded"
_ADD_DAYS = f"""
ON CONFLICT (series_id, day) DO UPDATE SET
increment = round(({_D}.increment + {_X}.increment) * 1e6) / 1e6,
valid_s = round(({_D}.valid_s + {_X}.valid_s) * 1e6) / 1e6,
lost = {_D}.lost + {_X}.lost, n = {_D}.n + {_X}.n,
v_min = CASE WHEN {_X}.n > 0 AND {_X}.v_min < {_D}.v_min THEN {_X}.v_min ELSE {_D}.v_min END,
v_max = CASE WHEN {_X}.n > 0 AND {_X}.v_max > {_D}.v_max THEN {_X}.v_max ELSE {_D}.v_max END,
v_sum_micro = {_D}.v_sum_micro + {_X}.v_sum_micro,
v_last = CASE WHEN {_X}.n > 0 AND {_X}.last_us > {_D}.last_us THEN {_X}.v_last ELSE {_D}.v_last END,
last_us = CASE WHEN {_X}.n > 0 AND {_X}.last_us > {_D}.last_us
  THEN {_X}.last_us ELSE {_D}.last_us END
"""  # noqa: S608 names of our own
"""Sums are whole millionths: rounding after adding keeps them so, in any order."""

_DAY_NAMES = ", ".join(name for name, _ in DAY_COLUMNS)
_PUSH_FIELDS = (
    "source_id, actor_id, at, rows, created, duplicates, conflicts, rejected, set_aside, "
    "codes, examples, duration_ms"
)

Arrays = Sequence[NDArray[Any]]


@dataclass(frozen=True)
class NewReadings:
    """Readings to store. Their keys are free: the states of their series are locked."""

    points: Points
    table: Table
    source_id: int
    source_keys: Sequence[str | None] | None
    received_us: int

    @property
    def size(self) -> int:
        return self.points.size


@dataclass(frozen=True)
class Effects:
    """Days and states that change, in the order of their columns."""

    days: Arrays
    states: Arrays


@dataclass(frozen=True)
class PushLog:
    """The fields of `Push`, and the sites whose series were named."""

    source_id: int
    actor_id: int | None
    at: datetime
    counts: Sequence[int]
    codes: dict[str, int]
    examples: dict[str, list[str]]
    duration_ms: int
    site_ids: Sequence[int]


def _is_pg(connection: Any) -> bool:
    return bool(connection.vendor == "postgresql")


def insert_readings(connection: Any, new: NewReadings) -> None:
    """Store readings and nothing else."""
    if not new.size:
        return
    if _is_pg(connection):
        with planned_cursor(connection, keep_plan=False) as cursor:
            query, params = _readings_from_arrays(new)
            cursor.execute(query, params)
        return
    with connection.cursor() as cursor:
        _insert_one_by_one(cursor, new)


def keep(
    connection: Any,
    new: NewReadings | None,
    effects: Callable[[], Effects],
    log: Callable[[], PushLog] | None,
) -> int | None:
    """Store new readings, what they change, and the log of the push; the id of the log.

    `effects` and `log` are asked for while the server takes the readings. `new` None: nothing
    was new, and there are no effects.
    """
    if not _is_pg(connection):
        return _keep_one_by_one(connection, new, effects, log)
    rows = new.size if new else 0
    with planned_cursor(connection, keep_plan=rows < COPY_FROM) as cursor:
        parts: list[str] = []
        params: list[Any] = []
        if new and rows >= COPY_FROM and new.source_keys is None:
            with cursor.cursor.copy(_COPY_READINGS) as copy:
                copy.write(_copied(new))
                found = effects()
        elif new:
            query, params = _readings_from_arrays(new)
            parts.append(f"r AS ({query})")
            found = effects()
        if new:
            for name, columns, write in (
                ("n", _named(DAY_COLUMNS, found.days), _days_from),
                ("u", _named(STATE_COLUMNS, found.states), _states_from),
            ):
                if columns[0][2].size:
                    relation, more = _relation(cursor, name, columns)
                    parts.append(f"{name} AS ({write(relation)})")
                    params += more
        if log:
            text, more = _log_parts(log(), connection)
            parts += text
            params += more
        if parts:
            select = "SELECT id FROM p" if log else "SELECT NULL"
            cursor.execute(f"WITH {', '.join(parts)} {select}", params)
            push_id: int | None = cursor.fetchone()[0]
            return push_id
    return None


# --- PostgreSQL --------------------------------------------------------------------------------

_COPY_READINGS = f"COPY valvecare_reading ({READING_COLUMNS}) FROM STDIN (FORMAT BINARY)"


def _copied(new: NewReadings) -> bytes:
    points = new.points
    columns: list[Column | None] = [
        ("series_id", "bigint", new.table.id[points.pos]),
        ("at_us", "bigint", points.at_us),
        ("value", "float8", points.value),
        ("quality", "smallint", points.quality),
        ("source_id", "bigint", np.array(new.source_id)),
        None,
        ("received_us", "bigint", np.array(new.received_us)),
    ]
    return copy_bytes(columns, points.size)


def _readings_from_arrays(new: NewReadings) -> tuple[str, list[Any]]:
    points = new.points
    keys = list(new.source_keys) if new.source_keys is not None else [None] * points.size
    query = (
        f"INSERT INTO valvecare_reading ({READING_COLUMNS}) "  # noqa: S608 our own names
        "SELECT s, t, v, q, %s::bigint, k, %s::bigint FROM unnest(%s::bigint[], %s::bigint[], "
        "%s::float8[], %s::smallint[], %s::text[]) AS d(s, t, v, q, k)"
    )
    params = [
        str(new.source_id),
        str(new.received_us),
        Array("bigint", new.table.id[points.pos]),
        Array("bigint", points.at_us),
        Array("float8", points.value),
        Array("smallint", points.quality),
        keys,
    ]
    return query, params


def _named(names: Sequence[tuple[str, str]], arrays: Arrays) -> list[Column]:
    return [(name, kind, array) for (name, kind), array in zip(names, arrays, strict=True)]


def _relation(cursor: Any, name: str, columns: Sequence[Column]) -> tuple[str, list[Any]]:
    """The columns as a relation of the statement to come: arrays, or a filled temporary table."""
    names = ", ".join(column[0] for column in columns)
    rows = int(columns[0][2].size)
    if rows < STAGE_FROM:
        arrays = ", ".join(f"%s::{kind}[]" for _, kind, _ in columns)
        return f"unnest({arrays}) AS d({names})", [Array(kind, a) for _, kind, a in columns]
    stage = f"valvecare_stage_{name}"
    fields = ", ".join(f"{column} {kind}" for column, kind, _ in columns)
    cursor.execute(
        f"CREATE TEMP TABLE IF NOT EXISTS {stage} ({fields}) ON COMMIT DELETE ROWS"  # noqa: S608
    )
    cursor.execute(f"DELETE FROM {stage}")  # noqa: S608 our own name
    with cursor.cursor.copy(f"COPY {stage} ({names}) FROM STDIN (FORMAT BINARY)") as copy:
        copy.write(copy_bytes(columns, rows))
    return f"{stage} AS d", []


def _states_from(relation: str) -> str:
    return (
        f"UPDATE valvecare_series_state AS t SET {_SET_STATE} "  # noqa: S608
        f"FROM {relation} WHERE t.series_id = d.series_id"
    )


def _days_from(relation: str) -> str:
    return (
        f"INSERT INTO valvecare_series_day ({_DAY_NAMES}) SELECT {_DAY_NAMES} "  # noqa: S608
        f"FROM {relation} WHERE true {_ADD_DAYS}"
    )


def _log_values(log: PushLog, connection: Any) -> list[Any]:
    return [
        log.source_id,
        log.actor_id,
        connection.ops.adapt_datetimefield_value(log.at),
        *log.counts,
        json.dumps(log.codes),
        json.dumps(log.examples),
        log.duration_ms,
    ]


def _untyped(value: Any) -> Any:
    """Whole numbers as text: else small and large ones would be statements of their own."""
    return str(value) if isinstance(value, int) else value


def _log_parts(log: PushLog, connection: Any) -> tuple[list[str], list[Any]]:
    marks = "%s, %s, %s, %s, %s, %s, %s, %s, %s, %s::jsonb, %s::jsonb, %s"
    push = f"INSERT INTO valvecare_push ({_PUSH_FIELDS}) VALUES ({marks})"  # noqa: S608
    sites = (
        "INSERT INTO valvecare_push_site (push_id, site_id) "
        "SELECT p.id, s FROM p, unnest(%s::bigint[]) AS s"
    )
    return (
        [f"p AS ({push} RETURNING id)", f"ps AS ({sites})"],
        [
            *map(_untyped, _log_values(log, connection)),
            Array("bigint", np.array(log.site_ids, dtype=np.int64)),
        ],
    )


# --- SQLite ------------------------------------------------------------------------------------


def _keep_one_by_one(
    connection: Any,
    new: NewReadings | None,
    effects: Callable[[], Effects],
    log: Callable[[], PushLog] | None,
) -> int | None:
    with connection.cursor() as cursor:
        if new:
            _insert_one_by_one(cursor, new)
            found = effects()
            marks = ", ".join(["%s"] * len(DAY_COLUMNS))
            cursor.executemany(
                f"INSERT INTO valvecare_series_day ({_DAY_NAMES}) VALUES ({marks}) {_ADD_DAYS}",  # noqa: S608
                list(zip(*[array.tolist() for array in found.days], strict=True)),
            )
            lists = [array.tolist() for array in found.states]
            cursor.executemany(
                "UPDATE valvecare_series_state SET points = %s, first_us = nullif(%s, -1), "
                "last_us = nullif(%s, -1), last_value = %s, newest_us = nullif(%s, -1), "
                "accumulated = %s, lost_segments = %s, touched_us = nullif(%s, -1), "
                "updated_us = %s WHERE series_id = %s",
                list(zip(*lists[1:], lists[0], strict=True)),
            )
        if log is None:
            return None
        row = log()
        values = _log_values(row, connection)
        marks = ", ".join(["%s"] * len(values))
        cursor.execute(
            f"INSERT INTO valvecare_push ({_PUSH_FIELDS}) VALUES ({marks})",  # noqa: S608
            values,
        )
        push_id = int(cursor.lastrowid)
        cursor.executemany(
            "INSERT INTO valvecare_push_site (push_id, site_id) VALUES (%s, %s)",
            [(push_id, site_id) for site_id in row.site_ids],
        )
        return push_id


def _insert_one_by_one(cursor: Any, new: NewReadings) -> None:
    points = new.points
    keys = list(new.source_keys) if new.source_keys is not None else [None] * points.size
    cursor.executemany(
        f"INSERT INTO valvecare_reading ({READING_COLUMNS}) "  # noqa: S608 our own names
        f"VALUES (%s, %s, %s, %s, {int(new.source_id)}, %s, {int(new.received_us)})",
        list(
            zip(
                new.table.id[points.pos].tolist(),
                points.at_us.tolist(),
                points.value.tolist(),
                points.quality.tolist(),
                keys,
                strict=True,
            )
        ),
    )
