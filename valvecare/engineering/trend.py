"""Robust trend of a condition reading, and when it reaches its limit.

The slope is the median of the slopes of all pairs (Theil-Sen), so one outlier hardly moves it.
A trend is only stated when Kendall's test sees one. Average to one value a day first, and start
the series again at each overhaul: both are the caller's.
"""

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from math import comb, factorial, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import finite_array
from valvecare.engineering.errors import NotEnoughData, OutOfRange, require_between, require_number

LEAST_POINTS = 5  # default of this project
MOST_CHANCE = 0.10  # two-sided probability above which no trend is stated
MOST_POINTS = 2_000  # pairs grow with the square
MOST_EXACT_POINTS = 60  # above it the normal form differs by less than 1e-3


class TrendReason(StrEnum):
    """Why crossing dates are given, or not."""

    REACHED = "reached"  # the line is already at the limit
    CROSSES = "crosses"
    NO_LATEST = "no_latest"  # the shallow end of the interval does not head for the limit
    TOO_FEW_POINTS = "too_few_points"
    NOT_SHOWN = "not_shown"  # Kendall's test: it may be chance
    HEADS_AWAY = "heads_away"


class LimitSide(StrEnum):
    """Which side of the limit is bad."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True)
class Kendall:
    """Rank correlation with time and its two-sided probability if there were no trend."""

    tau: float
    p_two_sided: float
    is_exact: bool


@dataclass(frozen=True, slots=True)
class Slope:
    """Slope per day with its interval, and the line through the medians."""

    per_day: float
    low_per_day: float
    high_per_day: float
    middle_day: float
    middle_value: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """Days on the caller's axis on which the limit is reached; None = cannot say or never.

    `is_beyond_now`: the last value lies at the limit or beyond, trend or no trend.
    """

    reason: TrendReason
    points: int
    is_beyond_now: bool
    slope: Slope | None
    kendall: Kendall | None
    earliest_day: float | None
    likely_day: float | None
    latest_day: float | None


def _series(
    days: ArrayLike, values: ArrayLike, *, least: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    day, value = finite_array("days", days), finite_array("values", values)
    if day.ndim != 1 or day.shape != value.shape:
        raise OutOfRange("days, values", f"shapes {day.shape}, {value.shape}", "of one length")
    if day.size < least:
        raise NotEnoughData(f"{day.size} points", f"at least {least}")
    if day.size > MOST_POINTS:
        raise OutOfRange("days", f"{day.size} points", f"at most {MOST_POINTS}", "average first")
    if (day == day[0]).all():
        raise OutOfRange("days", "one day only", "at least two different days")
    return day, value


@lru_cache(maxsize=128)
def _inversion_counts(points: int) -> tuple[int, ...]:
    """How many orders of `points` different values have 0, 1, 2, ... inverted pairs."""
    counts = [1]
    for size in range(2, points + 1):
        grown = [0] * (len(counts) + size - 1)
        running = 0
        for index in range(len(grown)):
            running += counts[index] if index < len(counts) else 0
            running -= counts[index - size] if 0 <= index - size < len(counts) else 0
            grown[index] = running
        counts = grown
    return tuple(counts)


def kendall_test(days: ArrayLike, values: ArrayLike) -> Kendall:
    """Kendall's rank test of values against time.

    Parameters
    ----------
    days, values : n points, any order, n >= 2, at most 2,000, at least two different days

    Returns
    -------
    Kendall: tau-b (dimensionless, -1 to 1) and the two-sided probability. Exact for up to 60
    points without ties; otherwise the normal form with the variance corrected for ties.

    Raises
    ------
    OutOfRange, NotEnoughData : points not as above

    Assumptions
    -----------
    Noise of the points is independent; the normal form is rough below about 10 points with ties.

    Source
    ------
    Kendall, Rank Correlation Methods: number of inversions and tie correction (from memory).
    Worked case R63, docs/methods/trend.md.

    Examples
    --------
    >>> found = kendall_test([0, 30, 61, 92, 122, 153, 183, 214],
    ...     [0.8, 1.0, 0.9, 1.3, 1.5, 1.4, 3.9, 1.9])
    >>> round(found.tau, 6), round(found.p_two_sided, 7), found.is_exact
    (0.785714, 0.005506, True)
    """
    day, value = _series(days, values, least=2)
    count = day.size
    upper = np.triu_indices(count, 1)
    pair_signs = np.sign(np.subtract.outer(day, day)[upper]) * np.sign(
        np.subtract.outer(value, value)[upper]
    )
    balance = int(pair_signs.sum())
    pairs = comb(count, 2)
    ties = [np.unique(axis, return_counts=True)[1].astype(np.int64) for axis in (day, value)]
    tied_pairs = [int((tie * (tie - 1)).sum()) // 2 for tie in ties]
    if tied_pairs[1] == pairs:
        return Kendall(0.0, 1.0, True)
    tau = balance / sqrt(pairs - tied_pairs[0]) / sqrt(pairs - tied_pairs[1])
    if not any(tied_pairs) and count <= MOST_EXACT_POINTS:
        counts = _inversion_counts(count)
        fewest = (pairs - abs(balance)) // 2  # inversions, counted from the nearer end
        tail = sum(counts[: fewest + 1])
        return Kendall(tau, min(1.0, 2 * tail / factorial(count)), True)
    from scipy.special import ndtr  # late: costs a fifth of a second

    def weight(factor: int) -> list[float]:
        return [float((tie * (tie - 1) * (2 * tie + factor)).sum()) for tie in ties]

    full, triples = weight(5), weight(-4)  # t(t-1)(2t+5) and 2 t(t-1)(t-2)
    variance = (count * (count - 1) * (2 * count + 5) - full[0] - full[1]) / 18 + 2 * tied_pairs[
        0
    ] * tied_pairs[1] / (count * (count - 1))
    if count > 2:
        variance += (triples[0] / 2) * (triples[1] / 2) / (9 * count * (count - 1) * (count - 2))
    p_two_sided = 2 * float(ndtr(-abs(balance) / sqrt(variance)))
    return Kendall(tau, min(1.0, p_two_sided), False)


def theil_sen(days: ArrayLike, values: ArrayLike, *, confidence: float) -> Slope:
    """Median slope per day with Sen's interval, and the line through the medians.

    Parameters
    ----------
    days, values : n points, any order, n >= 2, at most 2,000, at least two different days
    confidence : two-sided, above 0 and below 1

    Returns
    -------
    Slope: unit of `values` per day; `middle_day` and `middle_value` are the medians, a point on
    the line

    Raises
    ------
    OutOfRange, NotEnoughData : points or confidence not as above

    Assumptions
    -----------
    Noise of the points is independent. The interval is the large-sample one.

    Source
    ------
    Sen, J. Am. Stat. Assoc. 63 (1968) 1379: ranks of the interval from the variance of Kendall's
    statistic (from memory; equal to a reference library). Worked case R61, docs/methods/trend.md.

    Examples
    --------
    >>> found = theil_sen([0, 30, 61, 92, 122, 153, 183, 214],
    ...     [0.8, 1.0, 0.9, 1.3, 1.5, 1.4, 3.9, 1.9], confidence=0.9)
    >>> round(found.per_day, 7), round(found.low_per_day, 7), round(found.high_per_day, 7)
    (0.0054348, 0.0039216, 0.0129032)
    """
    from scipy.special import ndtri  # late: costs a fifth of a second

    level = require_between("confidence", confidence, above=0, below=1)
    day, value = _series(days, values, least=2)
    upper = np.triu_indices(day.size, 1)
    run = np.subtract.outer(day, day)[upper]
    rise = np.subtract.outer(value, value)[upper]
    slopes = np.sort(rise[run != 0] / run[run != 0])
    count = day.size
    ties = sum(
        float((tie * (tie - 1) * (2 * tie + 5)).sum())
        for tie in (
            np.unique(axis, return_counts=True)[1].astype(np.float64) for axis in (day, value)
        )
    )
    sigma = sqrt(max(0.0, (count * (count - 1) * (2 * count + 5) - ties) / 18))
    half_width = float(ndtri((1 + level) / 2)) * sigma
    high = min(round((slopes.size + half_width) / 2), slopes.size - 1)
    low = max(round((slopes.size - half_width) / 2) - 1, 0)
    return Slope(
        per_day=float(np.median(slopes)),
        low_per_day=float(slopes[low]),
        high_per_day=float(slopes[high]),
        middle_day=float(np.median(day)),
        middle_value=float(np.median(value)),
    )


def theil_sen_slopes(days: ArrayLike, values: ArrayLike) -> NDArray[np.float64]:
    """Median slopes of many short daily series at once.

    Parameters
    ----------
    days : one list of n days, ascending, 2 <= n <= 400
    values : shape (series, n); NaN where a series has no value that day

    Returns
    -------
    array (series,), unit of `values` per day; NaN for a series with fewer than two values

    Raises
    ------
    OutOfRange : days not ascending, infinite values, wrong shape

    Assumptions
    -----------
    As `theil_sen`; memory is bounded by working through the series in blocks.

    Source
    ------
    As `theil_sen`.

    Examples
    --------
    >>> theil_sen_slopes([0, 1, 2, 3], [[0, 1, 9, 3], [4, float("nan"), 2, 1]]).tolist()
    [1.0, -1.0]
    """
    day = finite_array("days", days)
    value = np.asarray(values, dtype=np.float64)
    if day.ndim != 1 or not 2 <= day.size <= 400 or value.ndim != 2 or value.shape[1] != day.size:
        raise OutOfRange(
            "days, values", f"shapes {day.shape}, {value.shape}", "n and (series, n), n 2 to 400"
        )
    if (np.diff(day) <= 0).any():
        raise OutOfRange("days", "not ascending", "ascending, one value a day")
    if np.isinf(value).any():
        raise OutOfRange("values", "infinite", "finite, or not known")
    left, right = np.triu_indices(day.size, 1)
    run = day[right] - day[left]
    slopes = np.full(value.shape[0], np.nan)
    block = max(1, 2_000_000 // run.size)
    for start in range(0, value.shape[0], block):
        part = value[start : start + block]
        pairs = np.sort((part[:, right] - part[:, left]) / run, axis=1)  # NaN goes last
        known = np.count_nonzero(~np.isnan(pairs), axis=1)
        row = np.arange(part.shape[0])
        low = np.maximum(known - 1, 0) // 2
        slopes[start : start + block] = (pairs[row, low] + pairs[row, known // 2]) / 2
    return slopes


def limit_crossing(
    days: ArrayLike,
    values: ArrayLike,
    *,
    limit: float,
    bad_side: LimitSide,
    confidence: float,
    least_points: int = LEAST_POINTS,
    most_chance: float = MOST_CHANCE,
) -> Crossing:
    """When a condition reading reaches its limit if it goes on as it does.

    Parameters
    ----------
    days, values : n points since the last overhaul, one a day; any order
    limit : in the unit of `values`
    bad_side : which side of the limit is bad
    confidence : two-sided, above 0 and below 1, for the slope
    least_points : at least 3; fewer points give no trend
    most_chance : above 0 and below 1; a larger two-sided probability gives no trend

    Returns
    -------
    Crossing. `earliest_day` from the steep end of the slope's interval, `latest_day` from the
    shallow end, None where that end does not head for the limit. No day lies before the last
    point. A line already at the limit is 'reached' only when the trend itself is shown; what
    the last value says by itself is `is_beyond_now`.

    Raises
    ------
    OutOfRange : an input outside the ranges above

    Assumptions
    -----------
    The line through the medians goes on; noise of the points is independent.

    Source
    ------
    Theil-Sen line and Sen's interval, Kendall's test: as the functions above. Worked case R61,
    docs/methods/trend.md.

    Examples
    --------
    >>> found = limit_crossing([0, 30, 61, 92, 122, 153, 183, 214],
    ...     [0.8, 1.0, 0.9, 1.3, 1.5, 1.4, 3.9, 1.9], limit=4.0, bad_side=LimitSide.ABOVE,
    ...     confidence=0.9)
    >>> [round(day, 3) for day in (found.earliest_day, found.likely_day, found.latest_day)]
    [312.375, 594.6, 782.75]
    """
    bound = require_number("limit", limit)
    require_between("confidence", confidence, above=0, below=1)
    require_between("least_points", least_points, at_least=3)
    require_between("most_chance", most_chance, above=0, below=1)
    if bad_side not in tuple(LimitSide):
        raise OutOfRange("bad_side", str(bad_side), "above or below")
    sign = 1.0 if bad_side == LimitSide.ABOVE else -1.0
    day, value = finite_array("days", days), finite_array("values", values)
    if day.ndim != 1 or day.shape != value.shape:
        raise OutOfRange("days, values", f"shapes {day.shape}, {value.shape}", "of one length")
    last = float(day.max()) if day.size else 0.0
    is_beyond = bool((sign * (value[day == last] - bound) >= 0).any())
    if day.size < least_points:
        return Crossing(
            TrendReason.TOO_FEW_POINTS, day.size, is_beyond, None, None, None, None, None
        )
    slope = theil_sen(day, value, confidence=confidence)
    kendall = kendall_test(day, value)

    def found(
        reason: TrendReason,
        earliest: float | None = None,
        likely: float | None = None,
        latest: float | None = None,
    ) -> Crossing:
        return Crossing(reason, day.size, is_beyond, slope, kendall, earliest, likely, latest)

    if kendall.p_two_sided > most_chance:
        return found(TrendReason.NOT_SHOWN)
    if sign * slope.per_day <= 0:
        return found(TrendReason.HEADS_AWAY)
    distance = sign * (bound - slope.middle_value)  # above 0 while the limit lies ahead
    if sign * slope.per_day * (last - slope.middle_day) >= distance:
        return found(TrendReason.REACHED, last, last, last)

    def crossing_day(speed: float) -> float | None:
        return None if speed <= 0 else max(last, slope.middle_day + distance / speed)

    speeds = sorted(sign * s for s in (slope.low_per_day, slope.per_day, slope.high_per_day))
    latest, likely, earliest = (crossing_day(speed) for speed in speeds)
    reason = TrendReason.NO_LATEST if latest is None else TrendReason.CROSSES
    return found(reason, earliest, likely, latest)
