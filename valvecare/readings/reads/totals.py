"""What counters had accumulated at given instants; the segment rule is the one ingest uses."""

from collections.abc import Sequence

import numpy as np
from django.db import connections, router
from numpy.typing import NDArray

from valvecare.engineering.errors import OutOfRange
from valvecare.readings.models import MeterEvent, Reading, Series, SeriesState
from valvecare.readings.rules import (
    MICRO,
    US_PER_DAY,
    MeterChange,
    Quantity,
    SeriesKind,
    ceiling_per_hour,
    judge_segments,
)
from valvecare.readings.sql import probes

BATCH = 5_000


def accumulated_at(series_ids: Sequence[int], at_us: Sequence[int]) -> NDArray[np.float64]:
    """What each counter had gained by each instant since its first reading, in its unit.

    Pairs of equal length; 0 before the first reading, the total after the last one. Inside a
    segment the gain grows evenly with time; a lost segment adds nothing. A difference of two
    answers is what was used between the instants. Raises `OutOfRange` for a series that is no
    counter. Cost: a few index probes and one day of readings per pair, never the whole history.
    """
    if len(series_ids) != len(at_us):
        raise OutOfRange("at_us", len(at_us), f"one instant per series ({len(series_ids)})")
    found = [
        _batch(list(series_ids[start : start + BATCH]), list(at_us[start : start + BATCH]))
        for start in range(0, len(series_ids), BATCH)
    ]
    return np.concatenate(found) if found else np.zeros(0)


def _batch(series_ids: list[int], at_us: list[int]) -> NDArray[np.float64]:
    connection = connections[router.db_for_read(Reading)]
    facts = {
        pk: (resolution, modulus, ceiling_per_hour(Quantity(quantity), most))
        for pk, resolution, modulus, quantity, most in Series.objects.filter(
            pk__in=set(series_ids), kind=SeriesKind.COUNTER.value
        ).values_list("pk", "resolution", "rollover_modulus", "quantity", "max_starts_per_hour")
    }
    strangers = sorted(set(series_ids) - set(facts))
    if strangers:
        raise OutOfRange("series_ids", strangers[0], "ids of counters")
    day_start = [us - us % US_PER_DAY for us in at_us]
    before = probes.neighbours(connection, series_ids, day_start)
    after = probes.neighbours(connection, series_ids, at_us)
    line: list[list[tuple[int, float]]] = [
        [(us, value)] if us >= 0 else []
        for us, value in zip(before.before_us.tolist(), before.before_value.tolist(), strict=True)
    ]
    for index, us, value in probes.since_midnight(connection, series_ids, at_us):
        line[index].append((us, value))
    for index, us in enumerate(after.after_us.tolist()):
        if us >= 0:
            line[index].append((us, float(after.after_value[index])))
    pair = np.array([i for i, points in enumerate(line) for _ in points[1:]], dtype=np.int64)
    ends = [
        (*start, *end) for points in line for start, end in zip(points, points[1:], strict=False)
    ]
    total = probes.gained_before_day(connection, series_ids, at_us)
    if not ends:
        return np.asarray(total / MICRO, dtype=np.float64)
    from_us, from_value, to_us, to_value = (np.array(column) for column in zip(*ends, strict=True))
    resolution, modulus, ceiling = (
        np.array([facts[series_ids[i]][n] for i in pair.tolist()], dtype=np.float64)
        for n in range(3)
    )
    judged = judge_segments(
        from_us,
        to_us,
        from_value,
        to_value,
        resolution=resolution,
        ceiling=ceiling,
        modulus=modulus,
        changes=_changes(series_ids, pair, from_us, to_us),
    )
    at = np.array(at_us, dtype=np.int64)[pair]
    is_whole = to_us <= at
    np.add.at(total, pair[is_whole], judged.gain_micro[is_whole])
    part = np.zeros(len(series_ids))
    share = (at - from_us) / (to_us - from_us)
    np.add.at(part, pair[~is_whole], (judged.gain_micro * share)[~is_whole])
    return np.asarray((total + part) / MICRO, dtype=np.float64)


def _changes(
    series_ids: Sequence[int],
    pair: NDArray[np.int64],
    from_us: NDArray[np.int64],
    to_us: NDArray[np.int64],
) -> dict[int, list[MeterChange]]:
    events: dict[int, list[MeterChange]] = {}
    rows = MeterEvent.objects.filter(series_id__in=set(series_ids)).order_by("series_id", "at_us")
    for series, us, closing, opening in rows.values_list(
        "series_id", "at_us", "closing_value", "opening_value"
    ):
        events.setdefault(series, []).append(MeterChange(us, closing, opening))
    found = {}
    if events:
        for index, one in enumerate(pair.tolist()):
            inside = [
                change
                for change in events.get(series_ids[one], ())
                if from_us[index] <= change.at_us <= to_us[index]
            ]
            if inside:
                found[index] = inside
    return found


def is_doubtful(series_ids: Sequence[int]) -> dict[int, str]:
    """Series whose readings make no sense, with the words why. They are no healthy evidence."""
    return dict(
        SeriesState.objects.filter(pk__in=series_ids)
        .exclude(doubtful_code="")
        .values_list("series_id", "doubtful_words")
    )
