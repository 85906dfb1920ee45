"""Compute days of one series again from its readings, and set the state by the difference.

Used where more changes than new readings: a declared meter, a reading judged wrong or right.
The result equals what pushes keep, to the last bit.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from django.db.models import Max, Min, Sum

from valvecare.readings.actions.place_points import day_delta, segment_delta
from valvecare.readings.actions.read_rows import Points, Table
from valvecare.readings.models import MeterEvent, Reading, SeriesDay, SeriesState
from valvecare.readings.rules import MICRO, US_PER_DAY, US_PER_S, MeterChange, Quality
from valvecare.readings.sql.probes import Neighbours


def meter_changes(table: Table) -> dict[int, list[MeterChange]]:
    """Declared meter changes of the counters in the table, by position, in time order."""
    where = np.flatnonzero(table.has_meter_events)
    if not where.size:
        return {}
    position = {int(table.id[pos]): pos for pos in where.tolist()}
    found: dict[int, list[MeterChange]] = {}
    rows = (
        MeterEvent.objects.filter(series_id__in=list(position))
        .order_by("series_id", "at_us")
        .values_list("series_id", "at_us", "closing_value", "opening_value")
    )
    for series, at_us, closing, opening in rows:
        found.setdefault(position[series], []).append(MeterChange(at_us, closing, opening))
    return found


def usable(series_id: int) -> Any:
    return Reading.objects.filter(series_id=series_id, quality__lt=int(Quality.BAD))


def days_around(series_id: int, instants: Iterable[int]) -> set[int]:
    """The UTC days whose roll-up may depend on a reading or meter event at these instants."""
    days: set[int] = set()
    for at_us in instants:
        days.add(at_us // US_PER_DAY)
        later = usable(series_id).filter(at_us__gte=at_us).order_by("at_us")
        days.update(us // US_PER_DAY for us in later.values_list("at_us", flat=True)[:2])
    return days


def _day_values(table: Table, day: int, changes: Sequence[MeterChange]) -> dict[str, Any] | None:
    """The fields of one `SeriesDay`, or None when the day has no usable reading."""
    series_id = int(table.id[0])
    start = day * US_PER_DAY
    rows = list(
        usable(series_id)
        .filter(at_us__gte=start, at_us__lt=start + US_PER_DAY)
        .order_by("at_us")
        .values_list("at_us", "value")
    )
    if not rows:
        return None
    before = (
        usable(series_id)
        .filter(at_us__lt=start)
        .order_by("-at_us")
        .values_list("at_us", "value")
        .first()
    )
    at, value = (np.array(column) for column in zip(*rows, strict=True))
    size = at.size
    points = Points(
        row=np.arange(size),
        pos=np.zeros(size, dtype=np.int64),
        at_us=at.astype(np.int64),
        value=value.astype(np.float64),
        quality=np.zeros(size, dtype=np.int8),
    )
    at_before, value_before = before if before else (-1, np.nan)
    near = Neighbours(
        np.full(size, at_before, dtype=np.int64),
        np.full(size, value_before, dtype=np.float64),
        np.full(size, -1, dtype=np.int64),
        np.full(size, np.nan),
    )
    segments = (
        segment_delta(points, near, table, {0: list(changes)}) if table.is_counter[0] else None
    )
    delta = day_delta(points, segments, table)
    return {
        "increment": int(delta.gain_micro[0]) / MICRO,
        "valid_s": int(delta.valid_us[0]) / US_PER_S,
        "lost": int(delta.lost[0]),
        "n": int(delta.n[0]),
        "v_min": float(delta.v_min[0]),
        "v_max": float(delta.v_max[0]),
        "v_sum_micro": int(delta.v_sum_micro[0]),
        "v_last": float(delta.v_last[0]),
        "last_us": int(delta.last_us[0]),
    }


def rebuild_days(table: Table, days: Iterable[int], *, touched_us: int, received_us: int) -> None:
    """Compute these days of the one (locked) series of `table` again and correct its state."""
    series_id = int(table.id[0])
    changes = meter_changes(table).get(0, [])
    for day in sorted(set(days)):
        values = _day_values(table, day, changes)
        if values is None:
            SeriesDay.objects.filter(series_id=series_id, day=day).delete()
        else:
            SeriesDay.objects.bulk_create(
                [SeriesDay(series_id=series_id, day=day, **values)],
                update_conflicts=True,
                update_fields=list(values),
                unique_fields=["series_id", "day"],
            )
    sums = SeriesDay.objects.filter(series_id=series_id).aggregate(
        points=Sum("n"), lost=Sum("lost"), last=Max("last_us")
    )
    increments = SeriesDay.objects.filter(series_id=series_id).values_list("increment", flat=True)
    total = sum(round(increment * MICRO) for increment in increments)
    first = usable(series_id).aggregate(first=Min("at_us"))["first"]
    newest = Reading.objects.filter(series_id=series_id).aggregate(newest=Max("at_us"))["newest"]
    last_value = (
        usable(series_id).filter(at_us=sums["last"]).values_list("value", flat=True).first()
        if sums["last"] is not None
        else None
    )
    state = SeriesState.objects.get(series_id=series_id)
    state.points, state.lost_segments = sums["points"] or 0, sums["lost"] or 0
    state.first_us, state.last_us, state.last_value = first, sums["last"], last_value
    state.newest_us, state.accumulated = newest, total / MICRO
    state.touched_us = touched_us if state.touched_us is None else min(state.touched_us, touched_us)
    state.updated_us = received_us
    state.save()
