"""All SQL of a push, for PostgreSQL and SQLite: lock series, look up neighbours, write in bulk.

PostgreSQL gets binary COPY where many rows go and arrays where few do; SQLite one prepared
statement over all rows. Nothing here decides anything.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.readings.actions.read_rows import Points, Table
from valvecare.readings.rules import Quantity, SeriesKind, ceiling_per_hour
from valvecare.readings.sql.probes import literal, text_literal

COPY_FROM = 50
"""From so many readings on COPY is faster than arrays in the statement (measured)."""

STAGE_FROM = 400
"""From so many states or days on a filled temporary table is faster than arrays (measured)."""

_SERIES = """
SELECT s.id, s.site_id, s.tag, s.quantity, s.kind, s.unit,
  (s.retired_at IS NOT NULL OR p.retired_at IS NOT NULL),
  s.resolution, s.max_starts_per_hour, s.rollover_modulus, s.plausible_min, s.plausible_max,
  st.points, coalesce(st.first_us, -1), coalesce(st.last_us, -1), st.last_value,
  coalesce(st.newest_us, -1), st.accumulated, st.lost_segments, coalesce(st.touched_us, -1),
  st.has_meter_events, st.has_waiting_jumps
FROM valvecare_series s
JOIN valvecare_pump p ON p.id = s.pump_id
JOIN valvecare_series_state st ON st.series_id = s.id
WHERE {where} ORDER BY s.id
"""
_STATELESS = """
INSERT INTO valvecare_series_state
  (series_id, points, accumulated, lost_segments, has_meter_events, has_waiting_jumps,
   doubtful_code, doubtful_words)
SELECT s.id, 0, 0, 0, true, true, '', '' FROM valvecare_series s
WHERE {where} AND NOT EXISTS
  (SELECT 1 FROM valvecare_series_state st WHERE st.series_id = s.id)
ON CONFLICT DO NOTHING
"""
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
points = {d}points, first_us = nullif({d}first_us, -1), last_us = nullif({d}last_us, -1),
last_value = CASE WHEN {d}last_us = -1 THEN NULL ELSE {d}last_value END,
newest_us = nullif({d}newest_us, -1), accumulated = {d}accumulated,
lost_segments = {d}lost_segments, touched_us = nullif({d}touched_us, -1),
updated_us = {d}updated_us
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

Column = tuple[str, str, NDArray[Any]]


def _is_pg(connection: Any) -> bool:
    return bool(connection.vendor == "postgresql")


def _where_tags(connection: Any, tags: Sequence[str], site_ids: Sequence[int]) -> tuple[str, list]:  # type: ignore[type-arg]
    if _is_pg(connection):
        return (
            "s.tag = ANY(%s::text[]) AND s.site_id = ANY(%s::bigint[])",
            [text_literal(tags), literal(site_ids)],
        )
    return (
        "s.tag IN (SELECT value FROM json_each(%s)) AND s.site_id IN "
        "(SELECT value FROM json_each(%s))",
        [json.dumps(list(tags)), json.dumps(list(site_ids))],
    )


def lock_series(connection: Any, tags: Iterable[str], site_ids: Sequence[int]) -> Table:
    """The series of these tags at these sites, their states locked until commit, by id.

    A series without a state row (made by a plain import) gets one.
    """
    wanted = sorted({tag for tag in tags if isinstance(tag, str) and "\0" not in tag})
    where, params = _where_tags(connection, wanted, site_ids)
    query = _SERIES.format(where=where)
    if _is_pg(connection):
        query += " FOR NO KEY UPDATE OF st"
    with connection.cursor() as cursor:
        cursor.execute(query, params)
        rows = cursor.fetchall()
        if len(rows) < len(wanted):
            cursor.execute(_STATELESS.format(where=where), params)
            if cursor.rowcount > 0:
                cursor.execute(query, params)
                rows = cursor.fetchall()
    return _table(rows)


def lock_one(connection: Any, series_id: int) -> Table:
    """As `lock_series`, for one series by id."""
    query = _SERIES.format(where="s.id = %s")
    if _is_pg(connection):
        query += " FOR NO KEY UPDATE OF st"
    with connection.cursor() as cursor:
        cursor.execute(_STATELESS.format(where="s.id = %s"), [series_id])
        cursor.execute(query, [series_id])
        return _table(cursor.fetchall())


def _table(rows: Sequence[tuple[Any, ...]]) -> Table:
    columns: list[Any] = list(zip(*rows, strict=True)) if rows else [()] * 22
    quantities = {word: Quantity(word) for word in set(columns[3])}
    quantity = [quantities[word] for word in columns[3]]
    pairs = list(zip(quantity, columns[8], strict=True))
    ceilings = {
        pair: ceiling_per_hour(*pair) if pair[0] in (Quantity.RUN_HOURS, Quantity.STARTS) else 1.0
        for pair in set(pairs)
    }

    def whole(column: int) -> NDArray[np.int64]:
        return np.array(columns[column], dtype=np.int64)

    def real(column: int) -> NDArray[np.float64]:
        return np.array(columns[column], dtype=np.float64)

    return Table(
        id=whole(0),
        site_id=whole(1),
        tag=list(columns[2]),
        quantity=quantity,
        unit=list(columns[5]),
        is_counter=np.array([kind == SeriesKind.COUNTER.value for kind in columns[4]], np.bool_),
        is_retired=np.array(columns[6], dtype=np.bool_),
        resolution=real(7),
        ceiling=np.array([ceilings[pair] for pair in pairs], dtype=np.float64),
        modulus=real(9),
        plausible_min=real(10),
        plausible_max=real(11),
        points=whole(12),
        first_us=whole(13),
        last_us=whole(14),
        last_value=real(15),
        newest_us=whole(16),
        accumulated=real(17),
        lost=whole(18),
        touched_us=whole(19),
        has_meter_events=np.array(columns[20], dtype=np.bool_),
        has_waiting_jumps=np.array(columns[21], dtype=np.bool_),
    )


# --- writing -----------------------------------------------------------------------------------


_PG_WIDTH = {"bigint": ">i8", "integer": ">i4", "smallint": ">i2", "float8": ">f8"}
_PG_HEADER = b"PGCOPY\n\xff\r\n\x00" + bytes(8)
_PG_TRAILER = b"\xff\xff"


def _binary(columns: Sequence[Column | None], rows: int) -> bytes:
    """Rows in PostgreSQL's binary COPY format; a column None is NULL throughout."""
    fields: list[tuple[str, str]] = [("count", ">i2")]
    for index, column in enumerate(columns):
        fields.append((f"width{index}", ">i4"))
        if column is not None:
            fields.append((f"value{index}", _PG_WIDTH[column[1]]))
    out = np.empty(rows, dtype=fields)
    out["count"] = len(columns)
    for index, column in enumerate(columns):
        if column is None:
            out[f"width{index}"] = -1
        else:
            out[f"width{index}"] = out.dtype[f"value{index}"].itemsize
            out[f"value{index}"] = column[2]
    return _PG_HEADER + out.tobytes() + _PG_TRAILER


def _copy(cursor: Any, target: str, data: bytes) -> None:
    with cursor.cursor.copy(f"COPY {target} FROM STDIN (FORMAT BINARY)") as copy:
        copy.write(data)


def _relation(cursor: Any, name: str, columns: Sequence[Column]) -> tuple[str, list[Any]]:
    """The columns as a relation of the statement to come: arrays, or a filled temporary table."""
    names = ", ".join(column[0] for column in columns)
    rows = int(columns[0][2].size)
    if rows < STAGE_FROM:
        arrays = ", ".join(f"%s::{kind}[]" for _, kind, _ in columns)
        return f"unnest({arrays}) AS d({names})", [literal(a.tolist()) for _, _, a in columns]
    fields = ", ".join(f"{column} {kind}" for column, kind, _ in columns)
    cursor.execute(
        f"CREATE TEMP TABLE IF NOT EXISTS {name} ({fields}) ON COMMIT DELETE ROWS; "  # noqa: S608
        f"DELETE FROM {name}"
    )
    _copy(cursor, f"{name} ({names})", _binary(columns, rows))
    return f"{name} AS d", []


def _readings_from_arrays(
    points: Points, table: Table, source_id: int, keys: Sequence[str | None], received_us: int
) -> tuple[str, list[Any]]:
    query = (
        f"INSERT INTO valvecare_reading ({READING_COLUMNS}) "  # noqa: S608 our own names
        "SELECT s, t, v, q, %s, k, %s FROM unnest(%s::bigint[], %s::bigint[], "
        "%s::float8[], %s::smallint[], %s::text[]) AS d(s, t, v, q, k)"
    )
    columns = (table.id[points.pos], points.at_us, points.value, points.quality)
    return query, [source_id, received_us, *(literal(c.tolist()) for c in columns), list(keys)]


def keep(
    connection: Any,
    points: Points,
    table: Table,
    days: Sequence[NDArray[Any]],
    states: Sequence[NDArray[Any]],
    *,
    source_id: int,
    source_keys: Sequence[str | None] | None,
    received_us: int,
) -> None:
    """Store new readings and what they change: days and states, in the order of their columns.

    On PostgreSQL a small push is one statement: each round trip costs more than its work.
    """
    if not _is_pg(connection) or points.size >= STAGE_FROM or not days[0].size:
        insert_readings(
            connection,
            points,
            table,
            source_id=source_id,
            source_keys=source_keys,
            received_us=received_us,
        )
        if days[0].size:
            add_to_days(connection, days)
        write_states(connection, states)
        return
    keys = source_keys if source_keys is not None else [None] * points.size
    insert, params = _readings_from_arrays(points, table, source_id, keys, received_us)
    with connection.cursor() as cursor:
        day_relation, day_params = _relation(
            cursor, "valvecare_stage_day", _named(DAY_COLUMNS, days)
        )
        state_relation, state_params = _relation(
            cursor, "valvecare_stage_state", _named(STATE_COLUMNS, states)
        )
        cursor.execute(
            f"WITH r AS ({insert} RETURNING 1), n AS ({_days_from(day_relation)} RETURNING 1) "  # noqa: S608
            f"{_states_from(state_relation)}",
            [*params, *day_params, *state_params],
        )


def _named(names: Sequence[tuple[str, str]], arrays: Sequence[NDArray[Any]]) -> list[Column]:
    return [(name, kind, array) for (name, kind), array in zip(names, arrays, strict=True)]


def _states_from(relation: str) -> str:
    return (
        f"UPDATE valvecare_series_state AS t SET {_SET_STATE.format(d='d.')} "  # noqa: S608
        f"FROM {relation} WHERE t.series_id = d.series_id"
    )


def _days_from(relation: str) -> str:
    names = ", ".join(name for name, _ in DAY_COLUMNS)
    return (
        f"INSERT INTO valvecare_series_day ({names}) SELECT {names} FROM {relation} "  # noqa: S608
        f"WHERE true {_ADD_DAYS}"
    )


def insert_readings(
    connection: Any,
    points: Points,
    table: Table,
    *,
    source_id: int,
    source_keys: Sequence[str | None] | None,
    received_us: int,
) -> None:
    """Store new readings. Their keys are free: the states of their series are locked."""
    if not points.size:
        return
    series = table.id[points.pos]
    with connection.cursor() as cursor:
        if _is_pg(connection) and points.size >= COPY_FROM and source_keys is None:
            full = np.full(points.size, source_id)
            columns: list[Column | None] = [
                ("series_id", "bigint", series),
                ("at_us", "bigint", points.at_us),
                ("value", "float8", points.value),
                ("quality", "smallint", points.quality),
                ("source_id", "bigint", full),
                None,
                ("received_us", "bigint", np.full(points.size, received_us)),
            ]
            data = _binary(columns, points.size)
            _copy(cursor, f"valvecare_reading ({READING_COLUMNS})", data)
            return
        keys = list(source_keys) if source_keys is not None else [None] * points.size
        if _is_pg(connection):
            cursor.execute(*_readings_from_arrays(points, table, source_id, keys, received_us))
            return
        cursor.executemany(
            f"INSERT INTO valvecare_reading ({READING_COLUMNS}) "  # noqa: S608 our own names
            f"VALUES (%s, %s, %s, %s, {int(source_id)}, %s, {int(received_us)})",
            list(
                zip(
                    series.tolist(),
                    points.at_us.tolist(),
                    points.value.tolist(),
                    points.quality.tolist(),
                    keys,
                    strict=True,
                )
            ),
        )


def write_states(connection: Any, arrays: Sequence[NDArray[Any]]) -> None:
    """Set the states of series, in the order of `STATE_COLUMNS`; the rows are locked."""
    with connection.cursor() as cursor:
        if _is_pg(connection):
            relation, params = _relation(
                cursor, "valvecare_stage_state", _named(STATE_COLUMNS, arrays)
            )
            cursor.execute(_states_from(relation), params)
            return
        lists = [array.tolist() for array in arrays]
        cursor.executemany(
            "UPDATE valvecare_series_state SET points = %s, first_us = nullif(%s, -1), "
            "last_us = nullif(%s, -1), last_value = %s, newest_us = nullif(%s, -1), "
            "accumulated = %s, lost_segments = %s, touched_us = nullif(%s, -1), "
            "updated_us = %s WHERE series_id = %s",
            list(zip(*lists[1:], lists[0], strict=True)),
        )


def add_to_days(connection: Any, arrays: Sequence[NDArray[Any]]) -> None:
    """Add what a push brings to the days of its series, in the order of `DAY_COLUMNS`."""
    names = ", ".join(name for name, _ in DAY_COLUMNS)
    with connection.cursor() as cursor:
        if _is_pg(connection):
            relation, params = _relation(cursor, "valvecare_stage_day", _named(DAY_COLUMNS, arrays))
            cursor.execute(_days_from(relation), params)
            return
        marks = ", ".join(["%s"] * len(DAY_COLUMNS))
        cursor.executemany(
            f"INSERT INTO valvecare_series_day ({names}) VALUES ({marks}) {_ADD_DAYS}",  # noqa: S608
            list(zip(*[array.tolist() for array in arrays], strict=True)),
        )
