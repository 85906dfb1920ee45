"""The series a push names, read and locked in one statement, for PostgreSQL and SQLite."""

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.readings.actions.read_rows import Table
from valvecare.readings.rules import Quantity, SeriesKind, ceiling_per_hour
from valvecare.readings.sql.probes import literal, text_literal
from valvecare.readings.sql.wire import planned_cursor

_COUNTER = SeriesKind.COUNTER.value
PLAN_KEPT_BELOW = 500
"""Up to so many pairs of tag and site the kept plan is as good as one made for the lengths."""

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
    keep_plan = len(wanted) * len(site_ids) < PLAN_KEPT_BELOW
    with (
        planned_cursor(connection, keep_plan=keep_plan)
        if _is_pg(connection)
        else connection.cursor() as cursor
    ):
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
        is_counter=np.array([kind == _COUNTER for kind in columns[4]], np.bool_),
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
