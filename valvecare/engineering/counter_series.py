"""A whole counter: its readings in time order, the total they add up to, and stray readings.

Everything here is a function of the set of readings and declared replacements; the order in
which they arrived is not an input.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import (
    IMPOSSIBLE,
    RESET,
    SEGMENT_KINDS,
    MeterReplacement,
    SegmentKind,
    Segments,
    chain_replacements,
    finite_array,
    segment_increments,
)
from valvecare.engineering.errors import NotEnoughData, OutOfRange, require_number


@dataclass(frozen=True, slots=True)
class CounterSeries:
    """One counter in time order: n readings, n - 1 segments."""

    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    segments: Segments

    @property
    def elapsed_s(self) -> NDArray[np.float64]:
        return np.diff(self.time_s)

    @property
    def total(self) -> float:
        """What the counter gained in all segments that count, in its unit."""
        return float(self.segments.gain.sum())

    @property
    def counted_s(self) -> float:
        """Seconds covered by the segments that count."""
        return float(self.elapsed_s[~self.segments.is_lost].sum())

    @property
    def lost_count(self) -> int:
        return int(np.count_nonzero(self.segments.is_lost))

    @property
    def is_lower_bound(self) -> bool:
        return self.lost_count > 0

    @property
    def kinds(self) -> tuple[SegmentKind, ...]:
        return tuple(SEGMENT_KINDS[code] for code in self.segments.kind)


@dataclass(frozen=True, slots=True)
class Accumulated:
    """What a counter gained since an instant."""

    gain: float
    is_lower_bound: bool
    counted_s: float
    lost_s: float
    unseen_s: float  # from the instant to the first reading, when readings start later


@dataclass(frozen=True, slots=True)
class PeriodGains:
    """Per period: what the counter gained, and the seconds that count (lost and unread are not)."""

    gain: NDArray[np.float64]
    counted_s: NDArray[np.float64]


def _ordered(
    time_s: ArrayLike, value: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    time, level = finite_array("time_s", time_s), finite_array("value", value)
    if time.ndim != 1 or time.shape != level.shape:
        raise OutOfRange(
            "time_s, value", f"shapes {time.shape} and {level.shape}", "two lists of one length"
        )
    order = np.lexsort((level, time))
    time, level = time[order], level[order]
    same_time = np.diff(time) == 0
    clash = same_time & (np.diff(level) != 0)
    if clash.any():
        raise OutOfRange(
            "value",
            float(level[1:][clash][0]),
            "one value for one instant",
            f"two values at time_s {time[1:][clash][0]:.0f}; keep the one that is right",
        )
    keep = np.concatenate(([True], ~same_time)) if time.size else np.zeros(0, dtype=np.bool_)
    return time[keep], level[keep]


def _segment_of_replacement(
    item: MeterReplacement, time: NDArray[np.float64], level: NDArray[np.float64]
) -> int:
    """Index of the segment the replacement lies in, -1 when before the first or after the last.

    A reading at the very instant belongs to the meter whose value it is nearer to.
    """
    at = require_number("replacement time_s", item.time_s)
    left, right = np.searchsorted(time, at, side="left"), np.searchsorted(time, at, side="right")
    if left == right:
        index = int(left) - 1
    else:
        is_new_meter = abs(level[left] - item.opening_value) < abs(level[left] - item.closing_value)
        index = int(left) - 1 if is_new_meter else int(left)
    return index if 0 <= index < time.size - 1 else -1


def counter_series(
    time_s: ArrayLike,
    value: ArrayLike,
    *,
    resolution: float,
    ceiling_per_hour: float,
    modulus: float | None = None,
    replacements: Sequence[MeterReplacement] = (),
) -> CounterSeries:
    """Put the readings of one counter in order and judge every segment.

    Parameters
    ----------
    time_s, value : n readings in any order, n >= 1; repeats of the same reading are ignored
    resolution, ceiling_per_hour, modulus : as for `segment_increments`
    replacements : declared replacements of the meter, any order; one outside the readings
        changes nothing

    Returns
    -------
    CounterSeries

    Raises
    ------
    OutOfRange : as `segment_increments`, and two values at one instant
    NotEnoughData : no reading

    Assumptions
    -----------
    As `segment_increments`.

    Source
    ------
    docs/methods/counters.md.

    Examples
    --------
    >>> weeks = [0, 604800, 1209600, 1814400]
    >>> series = counter_series(weeks, [99800, 99950, 105, 255], resolution=1,
    ...     ceiling_per_hour=1.02, modulus=100000)
    >>> series.total, series.is_lower_bound
    (455.0, False)
    """
    time, level = _ordered(time_s, value)
    if time.size == 0:
        raise NotEnoughData("no reading", "at least 1")
    closing = np.full(time.size - 1, np.nan)
    opening = closing.copy()
    between = np.zeros(time.size - 1)
    inside: dict[int, list[MeterReplacement]] = {}
    for item in replacements:
        index = _segment_of_replacement(item, time, level)
        if index >= 0:
            inside.setdefault(index, []).append(item)
    for index, items in inside.items():
        closing[index], opening[index], between[index] = chain_replacements(items)
    if time.size == 1:
        empty = np.zeros(0)
        return CounterSeries(
            time, level, Segments(empty.astype(np.int8), empty, empty.astype(np.bool_))
        )
    segments = segment_increments(
        np.diff(time),
        level[:-1],
        level[1:],
        resolution=resolution,
        ceiling_per_hour=ceiling_per_hour,
        modulus=modulus,
        closing_value=closing,
        opening_value=opening,
        gained_between=between,
    )
    return CounterSeries(time, level, segments)


def gain_at(series: CounterSeries, at_s: ArrayLike) -> NDArray[np.float64]:
    """What the counter had gained by each instant since its first reading.

    Parameters
    ----------
    series : from `counter_series`
    at_s : instants, seconds from the same origin as the readings; any shape

    Returns
    -------
    gains in the counter's unit, 0 before the first reading, `series.total` after the last.
    Differences at midnights are the gains of days; they add up to the total.

    Raises
    ------
    OutOfRange : an instant that is not finite

    Assumptions
    -----------
    Inside a segment the gain grows evenly with time; a lost segment adds nothing.

    Source
    ------
    Linear interpolation; docs/methods/counters.md.

    Examples
    --------
    >>> series = counter_series([0, 86400], [100, 112], resolution=1, ceiling_per_hour=1.02)
    >>> gain_at(series, [0, 43200, 86400]).tolist()
    [0.0, 6.0, 12.0]
    """
    at = finite_array("at_s", at_s)
    cumulative = np.concatenate(([0.0], np.cumsum(series.segments.gain)))
    return np.asarray(np.interp(at, series.time_s, cumulative), dtype=np.float64)


def gain_by_period(series: CounterSeries, edges_s: ArrayLike) -> PeriodGains:
    """What the counter gained in each of consecutive periods: days, weeks, months.

    Parameters
    ----------
    series : from `counter_series`
    edges_s : n + 1 ascending instants that bound n periods, n >= 1; any lengths

    Returns
    -------
    PeriodGains, n each. `gain` over `counted_s` is the rate of a period; periods with 0 seconds
    say nothing and are left out of rates.

    Raises
    ------
    OutOfRange : edges not finite or not ascending, fewer than 2

    Assumptions
    -----------
    As `gain_at`.

    Source
    ------
    docs/methods/counters.md.

    Examples
    --------
    >>> day = 86400
    >>> series = counter_series([0, day, 2 * day], [100, 112, 5], resolution=1,
    ...     ceiling_per_hour=1.02)
    >>> found = gain_by_period(series, [0, day, 2 * day, 3 * day])
    >>> found.gain.tolist(), found.counted_s.tolist()
    ([12.0, 0.0, 0.0], [86400.0, 0.0, 0.0])
    """
    edges = finite_array("edges_s", edges_s)
    if edges.ndim != 1 or edges.size < 2 or (np.diff(edges) <= 0).any():
        raise OutOfRange("edges_s", f"{edges.size} edges", "at least 2, ascending")
    counted = np.where(series.segments.is_lost, 0.0, series.elapsed_s)
    cumulative = np.concatenate(([0.0], np.cumsum(counted)))
    return PeriodGains(
        np.diff(gain_at(series, edges)), np.diff(np.interp(edges, series.time_s, cumulative))
    )


def accumulated_since(series: CounterSeries, since_s: float) -> Accumulated:
    """What the counter gained from an instant, such as the last strip-down, to its last reading.

    Parameters
    ----------
    series : from `counter_series`
    since_s : the instant, seconds from the same origin as the readings

    Returns
    -------
    Accumulated: `gain` in the counter's unit. It is a lower bound when a segment in the span is
    lost or the readings begin after the instant.

    Raises
    ------
    OutOfRange : `since_s` not finite
    NotEnoughData : no reading at or after `since_s`

    Assumptions
    -----------
    As `gain_at`. Nothing is added for the time after the last reading: its age is the caller's
    to show.

    Source
    ------
    docs/methods/counters.md.

    Examples
    --------
    >>> series = counter_series([0, 86400], [100, 112], resolution=1, ceiling_per_hour=1.02)
    >>> accumulated_since(series, 43200).gain
    6.0
    """
    since = require_number("since_s", since_s)
    if since > series.time_s[-1]:
        raise NotEnoughData("no reading since the instant", "at least one reading after it")
    start = np.maximum(series.time_s[:-1], since)
    overlap = np.clip(series.time_s[1:] - start, 0.0, None)
    lost_s = float(overlap[series.segments.is_lost].sum())
    unseen_s = max(0.0, float(series.time_s[0]) - since)
    return Accumulated(
        gain=series.total - float(gain_at(series, since)),
        is_lower_bound=lost_s > 0 or unseen_s > 0,
        counted_s=float(overlap[~series.segments.is_lost].sum()),
        lost_s=lost_s,
        unseen_s=unseen_s,
    )


def stray_points(
    time_s: ArrayLike,
    value: ArrayLike,
    *,
    resolution: float,
    ceiling_per_hour: float,
    modulus: float | None = None,
    replacements: Sequence[MeterReplacement] = (),
) -> NDArray[np.bool_]:
    """Single readings that break both their segments while their neighbours agree without them.

    Parameters
    ----------
    as `counter_series`

    Returns
    -------
    one flag per reading of the ordered series: True = set it aside and ask. Set aside are: an
    inner reading with both segments lost, at least one of them impossible, when the segment that
    skips it counts; and a last reading that gained more than its time allows.

    Raises
    ------
    OutOfRange, NotEnoughData : as `counter_series`

    Assumptions
    -----------
    Two wrong readings in a row are not found: that is a question for a person.

    Source
    ------
    Common practice; docs/methods/counters.md.

    Examples
    --------
    >>> day = 86400
    >>> stray_points([0, day, 2 * day, 3 * day], [100, 110, 0, 130], resolution=1,
    ...     ceiling_per_hour=1.02).tolist()
    [False, False, True, False]
    """
    series = counter_series(
        time_s,
        value,
        resolution=resolution,
        ceiling_per_hour=ceiling_per_hour,
        modulus=modulus,
        replacements=replacements,
    )
    kind = series.segments.kind
    is_stray = np.zeros(series.time_s.size, dtype=np.bool_)
    pair = kind[:-1].astype(int), kind[1:].astype(int)
    both_lost = (np.minimum(*pair) >= RESET) & (np.maximum(*pair) == IMPOSSIBLE)
    for index in np.flatnonzero(both_lost) + 1:
        if is_stray[index - 1]:  # its neighbour was the wrong one
            continue
        bridge = counter_series(
            series.time_s[[index - 1, index + 1]],
            series.value[[index - 1, index + 1]],
            resolution=resolution,
            ceiling_per_hour=ceiling_per_hour,
            modulus=modulus,
            replacements=replacements,
        )
        is_stray[index] = not bridge.lost_count
    if kind.size and kind[-1] == IMPOSSIBLE and not is_stray[-2]:
        is_stray[-1] = True
    return is_stray
