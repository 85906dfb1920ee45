"""Where new readings fall between the stored ones, and what that changes: segments and days.

A reading between two others replaces one segment by two. All sums are whole millionths, so the
result does not depend on the order of arrival.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from valvecare.engineering.counters import IMPOSSIBLE
from valvecare.readings.actions.read_rows import Points, Table
from valvecare.readings.rules import (
    MICRO,
    US_PER_DAY,
    US_PER_S,
    MeterChange,
    judge_segments,
    whole_micro,
)
from valvecare.readings.sql.probes import Neighbours

Changes = Mapping[int, Sequence[MeterChange]]
"""Declared meter changes by position of the series, in time order."""


@dataclass
class SegmentDelta:
    """Segments that come (`sign` 1) and go (-1): series position, day of the later reading."""

    pos: NDArray[np.int64]
    day: NDArray[np.int64]
    sign: NDArray[np.int64]
    gain_micro: NDArray[np.int64]
    valid_us: NDArray[np.int64]
    is_lost: NDArray[np.bool_]
    impossible_pos: NDArray[np.int64]
    """Series with a new segment that no meter can make; a person may have to look."""


@dataclass
class DayDelta:
    """What is added to each (series, day); `n` 0: only segments change there."""

    pos: NDArray[np.int64]
    day: NDArray[np.int64]
    gain_micro: NDArray[np.int64]
    valid_us: NDArray[np.int64]
    lost: NDArray[np.int64]
    n: NDArray[np.int64]
    v_min: NDArray[np.float64]
    v_max: NDArray[np.float64]
    v_sum_micro: NDArray[np.int64]
    v_last: NDArray[np.float64]
    last_us: NDArray[np.int64]


def _touching(
    changes: Changes,
    pos: NDArray[np.int64],
    from_us: NDArray[np.int64],
    to_us: NDArray[np.int64],
) -> dict[int, list[MeterChange]]:
    """Per segment, the declared changes that lie in it or on its ends."""
    found: dict[int, list[MeterChange]] = {}
    for position, items in changes.items():
        for index in np.flatnonzero(pos == position).tolist():
            inside = [c for c in items if from_us[index] <= c.at_us <= to_us[index]]
            if inside:
                found[index] = inside
    return found


def segment_delta(points: Points, near: Neighbours, table: Table, changes: Changes) -> SegmentDelta:
    """Segments that come and go when `points` join the stored readings.

    `points` are usable readings of counters, ascending by (series, instant); `near` are their
    stored neighbours.
    """
    pos, at = points.pos, points.at_us
    same_gap = np.zeros(points.size, dtype=np.bool_)
    same_gap[1:] = (
        (pos[1:] == pos[:-1])
        & (near.before_us[1:] == near.before_us[:-1])
        & (near.after_us[1:] == near.after_us[:-1])
    )
    is_last = np.ones(points.size, dtype=np.bool_)
    is_last[:-1] = ~same_gap[1:]
    left_us, left_value = near.before_us.copy(), near.before_value.copy()
    chained = np.flatnonzero(same_gap)
    left_us[chained], left_value[chained] = at[chained - 1], points.value[chained - 1]
    comes_in = np.flatnonzero(left_us >= 0)
    goes_on = np.flatnonzero(is_last & (near.after_us >= 0))
    splits = np.flatnonzero(~same_gap & (near.before_us >= 0) & (near.after_us >= 0))
    seg_pos = np.concatenate((pos[comes_in], pos[goes_on], pos[splits]))
    from_us = np.concatenate((left_us[comes_in], at[goes_on], near.before_us[splits]))
    to_us = np.concatenate((at[comes_in], near.after_us[goes_on], near.after_us[splits]))
    sign = np.ones(seg_pos.size, dtype=np.int64)
    sign[comes_in.size + goes_on.size :] = -1
    judged = judge_segments(
        from_us,
        to_us,
        np.concatenate((left_value[comes_in], points.value[goes_on], near.before_value[splits])),
        np.concatenate(
            (points.value[comes_in], near.after_value[goes_on], near.after_value[splits])
        ),
        resolution=table.resolution[seg_pos],
        ceiling=table.ceiling[seg_pos],
        modulus=table.modulus[seg_pos],
        changes=_touching(changes, seg_pos, from_us, to_us),
    )
    return SegmentDelta(
        pos=seg_pos,
        day=to_us // US_PER_DAY,
        sign=sign,
        gain_micro=judged.gain_micro,
        valid_us=np.where(judged.is_lost, 0, to_us - from_us),
        is_lost=judged.is_lost,
        impossible_pos=np.unique(seg_pos[(judged.kind == IMPOSSIBLE) & (sign > 0)]),
    )


def _starts_of_runs(*keys: NDArray[np.int64]) -> NDArray[np.int64]:
    changed = np.zeros(keys[0].size, dtype=np.bool_)
    if keys[0].size:
        changed[0] = True
    for key in keys:
        changed[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(changed)


def day_delta(points: Points, segments: SegmentDelta | None, table: Table) -> DayDelta:
    """What usable new readings (ascending by series, instant) and their segments add to days."""
    day = points.at_us // US_PER_DAY
    starts = _starts_of_runs(points.pos, day)
    ends = np.append(starts[1:], points.size) - 1
    sums = np.where(table.is_counter[points.pos], 0.0, whole_micro(points.value)).astype(np.int64)
    keys = points.pos[starts] * 100_000 + day[starts]
    if segments is None:
        unique, of_points = keys, np.arange(keys.size)
    else:
        of_segments = segments.pos * 100_000 + segments.day
        unique, inverse = np.unique(np.concatenate((keys, of_segments)), return_inverse=True)
        of_points, of_segment = inverse[: keys.size], inverse[keys.size :]
    size = unique.size

    def zeros() -> NDArray[np.int64]:
        return np.zeros(size, dtype=np.int64)

    delta = DayDelta(
        pos=unique // 100_000,
        day=unique % 100_000,
        gain_micro=zeros(),
        valid_us=zeros(),
        lost=zeros(),
        n=zeros(),
        v_min=np.zeros(size),
        v_max=np.zeros(size),
        v_sum_micro=zeros(),
        v_last=np.zeros(size),
        last_us=zeros(),
    )
    if starts.size:
        delta.n[of_points] = ends - starts + 1
        delta.v_min[of_points] = np.minimum.reduceat(points.value, starts)
        delta.v_max[of_points] = np.maximum.reduceat(points.value, starts)
        delta.v_sum_micro[of_points] = np.add.reduceat(sums, starts)
        delta.v_last[of_points] = points.value[ends]
        delta.last_us[of_points] = points.at_us[ends]
    if segments is not None:
        np.add.at(delta.gain_micro, of_segment, segments.sign * segments.gain_micro)
        np.add.at(delta.valid_us, of_segment, segments.sign * segments.valid_us)
        np.add.at(delta.lost, of_segment, segments.sign * segments.is_lost)
    return delta


def day_arrays(delta: DayDelta, table: Table) -> list[NDArray[np.generic]]:
    """The delta in the order of `DAY_COLUMNS`."""
    return [
        table.id[delta.pos],
        delta.day,
        delta.gain_micro / MICRO,
        delta.valid_us / US_PER_S,
        delta.lost,
        delta.n,
        delta.v_min,
        delta.v_max,
        delta.v_sum_micro,
        delta.v_last,
        delta.last_us,
    ]


def new_states(
    points: Points, usable: NDArray[np.bool_], delta: DayDelta, table: Table, received_us: int
) -> list[NDArray[np.generic]]:
    """States of the touched series after the push, in the order of `STATE_COLUMNS`.

    `points` are all stored rows, ascending by (series, instant); `usable` marks those that count.
    """
    size = table.id.size
    gain, lost = np.zeros(size, np.int64), np.zeros(size, np.int64)
    count = np.bincount(points.pos[usable], minlength=size)
    np.add.at(gain, delta.pos, delta.gain_micro)
    np.add.at(lost, delta.pos, delta.lost)
    first, last, last_value = table.first_us.copy(), table.last_us.copy(), table.last_value.copy()
    good = points.only(usable)
    starts = _starts_of_runs(good.pos)
    if starts.size:
        ends = np.append(starts[1:], good.size) - 1
        where = good.pos[starts]
        earlier = (first[where] < 0) | (good.at_us[starts] < first[where])
        first[where] = np.where(earlier, good.at_us[starts], first[where])
        later = good.at_us[ends] > last[where]
        last_value[where] = np.where(later, good.value[ends], last_value[where])
        last[where] = np.where(later, good.at_us[ends], last[where])
    starts = _starts_of_runs(points.pos)
    ends = np.append(starts[1:], points.size) - 1
    where = points.pos[starts]
    newest = np.maximum(table.newest_us[where], points.at_us[ends])
    touched = table.touched_us[where]
    touched = np.where(touched < 0, points.at_us[starts], np.minimum(touched, points.at_us[starts]))
    total = np.rint(table.accumulated * MICRO).astype(np.int64) + gain
    return [
        table.id[where],
        (table.points + count)[where],
        first[where],
        last[where],
        last_value[where],
        newest,
        (total / MICRO)[where],
        (table.lost + lost)[where],
        touched,
        np.full(where.size, received_us),
    ]
