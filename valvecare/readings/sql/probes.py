"""Index probes for many (series, instant) pairs at once. Never a scan of history.

Each answer costs one descent of the primary key per pair, whatever the planner's statistics say:
LATERAL with LIMIT on PostgreSQL, correlated subqueries on SQLite.
"""

import json
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

_PAIRS_PG = "unnest(%s::bigint[], %s::bigint[], %s::bigint[]) AS p(i, s, t)"
_EXISTING_PG = f"""
SELECT p.i, r.value, r.quality FROM {_PAIRS_PG}
JOIN LATERAL (SELECT value, quality FROM valvecare_reading
  WHERE series_id = p.s AND at_us = p.t LIMIT 1) r ON true
"""  # noqa: S608 names of our own
_NEIGHBOURS_PG = f"""
SELECT p.i, coalesce(b.at_us, -1), b.value, coalesce(a.at_us, -1), a.value FROM {_PAIRS_PG}
LEFT JOIN LATERAL (SELECT at_us, value FROM valvecare_reading
  WHERE series_id = p.s AND at_us < p.t AND quality < 2 ORDER BY at_us DESC LIMIT 1) b ON true
LEFT JOIN LATERAL (SELECT at_us, value FROM valvecare_reading
  WHERE series_id = p.s AND at_us > p.t AND quality < 2 ORDER BY at_us LIMIT 1) a ON true
"""  # noqa: S608 names of our own
_SINCE_MIDNIGHT_PG = f"""
SELECT p.i, r.at_us, r.value FROM {_PAIRS_PG}
JOIN LATERAL (SELECT at_us, value FROM valvecare_reading
  WHERE series_id = p.s AND at_us >= p.t - p.t %% 86400000000 AND at_us <= p.t AND quality < 2
  ORDER BY at_us LIMIT 100000) r ON true ORDER BY p.i, r.at_us
"""  # noqa: S608 names of our own
_DAYS_BEFORE_PG = f"""
SELECT p.i, coalesce((SELECT sum(round(increment * 1e6)) FROM valvecare_series_day
  WHERE series_id = p.s AND day < p.t / 86400000000), 0) FROM {_PAIRS_PG}
"""  # noqa: S608 names of our own

_PAIRS_LITE = """
WITH p AS MATERIALIZED (SELECT json_extract(value, '$[0]') AS i, json_extract(value, '$[1]') AS s,
  json_extract(value, '$[2]') AS t FROM json_each(%s))
"""
_EXISTING_LITE = f"""{_PAIRS_LITE}
SELECT p.i, r.value, r.quality FROM p CROSS JOIN valvecare_reading r
ON r.series_id = p.s AND r.at_us = p.t
"""  # noqa: S608 names of our own
_BEFORE = "FROM valvecare_reading WHERE series_id = p.s AND at_us < p.t AND quality < 2"
_AFTER = "FROM valvecare_reading WHERE series_id = p.s AND at_us > p.t AND quality < 2"
_NEIGHBOURS_LITE = f"""{_PAIRS_LITE}
SELECT p.i, coalesce((SELECT at_us {_BEFORE} ORDER BY at_us DESC LIMIT 1), -1),
  (SELECT value {_BEFORE} ORDER BY at_us DESC LIMIT 1),
  coalesce((SELECT at_us {_AFTER} ORDER BY at_us LIMIT 1), -1),
  (SELECT value {_AFTER} ORDER BY at_us LIMIT 1) FROM p
"""  # noqa: S608 names of our own
_SINCE_MIDNIGHT_LITE = f"""{_PAIRS_LITE}
SELECT p.i, r.at_us, r.value FROM p CROSS JOIN valvecare_reading r
ON r.series_id = p.s AND r.at_us >= p.t - p.t %% 86400000000 AND r.at_us <= p.t AND r.quality < 2
ORDER BY p.i, r.at_us
"""  # noqa: S608 names of our own
_DAYS_BEFORE_LITE = f"""{_PAIRS_LITE}
SELECT p.i, coalesce((SELECT sum(round(increment * 1e6)) FROM valvecare_series_day
  WHERE series_id = p.s AND day < p.t / 86400000000), 0) FROM p
"""  # noqa: S608 names of our own


def literal(numbers: Sequence[float]) -> str:
    """A PostgreSQL array of numbers as text; the driver's own way takes ten times as long."""
    return "{" + ",".join(map(repr, numbers)) + "}"


def text_literal(texts: Sequence[str]) -> str:
    """A PostgreSQL array of texts as text; a literal, so that the planner knows its length.

    No text may hold a NUL character; the database could not either.
    """
    joined = "\0".join(texts).replace("\\", "\\\\").replace('"', '\\"')
    return '{"' + joined.replace("\0", '","') + '"}' if texts else "{}"


class Neighbours(NamedTuple):
    """Stored usable readings next to each pair's instant; -1 and NaN where there is none."""

    before_us: NDArray[np.int64]
    before_value: NDArray[np.float64]
    after_us: NDArray[np.int64]
    after_value: NDArray[np.float64]

    def only(self, keep: NDArray[Any]) -> "Neighbours":
        return Neighbours(
            self.before_us[keep],
            self.before_value[keep],
            self.after_us[keep],
            self.after_value[keep],
        )


def _ask(
    connection: Any, postgres: str, lite: str, series: Sequence[int], at_us: Sequence[int]
) -> list[Any]:
    if not series:
        return []
    index = list(range(len(series)))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(postgres, [literal(index), literal(series), literal(at_us)])
        else:
            cursor.execute(lite, [json.dumps(list(zip(index, series, at_us, strict=True)))])
        rows: list[Any] = cursor.fetchall()
    return rows


class Stored(NamedTuple):
    """What is stored at some of the pairs asked for: number of the pair, value and quality."""

    pair: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.int64]


def existing(connection: Any, series: Sequence[int], at_us: Sequence[int]) -> Stored:
    """Stored value and quality at exactly these pairs."""
    rows = _ask(connection, _EXISTING_PG, _EXISTING_LITE, series, at_us)
    index, value, quality = zip(*rows, strict=True) if rows else ((), (), ())
    return Stored(
        np.array(index, dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.array(quality, dtype=np.int64),
    )


def neighbours(connection: Any, series: Sequence[int], at_us: Sequence[int]) -> Neighbours:
    """Stored usable readings strictly before and strictly after each pair's instant."""
    size = len(series)
    before_us, after_us = (np.full(size, -1, dtype=np.int64) for _ in range(2))
    before, after = (np.full(size, np.nan) for _ in range(2))
    rows = _ask(connection, _NEIGHBOURS_PG, _NEIGHBOURS_LITE, series, at_us)
    if rows:
        index, at_b, value_b, at_a, value_a = zip(*rows, strict=True)
        where = np.array(index, dtype=np.int64)
        before_us[where], after_us[where] = at_b, at_a
        before[where] = np.array(value_b, dtype=np.float64)
        after[where] = np.array(value_a, dtype=np.float64)
    return Neighbours(before_us, before, after_us, after)


def since_midnight(
    connection: Any, series: Sequence[int], at_us: Sequence[int]
) -> list[tuple[int, int, float]]:
    """(index of pair, instant, value) of usable readings from 00:00 UTC up to each instant."""
    return _ask(connection, _SINCE_MIDNIGHT_PG, _SINCE_MIDNIGHT_LITE, series, at_us)


def gained_before_day(
    connection: Any, series: Sequence[int], at_us: Sequence[int]
) -> NDArray[np.int64]:
    """Sum of the daily increments of all days before each instant's UTC day, in millionths."""
    found = np.zeros(len(series), dtype=np.int64)
    for index, total in _ask(connection, _DAYS_BEFORE_PG, _DAYS_BEFORE_LITE, series, at_us):
        found[int(index)] = round(total)
    return found
