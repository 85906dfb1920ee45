"""Usage rate of a counter and the days until a remaining amount is used up.

A rate is a ratio: all valid gain over all valid days, so uneven gaps do not bias it. How far the
use wanders is measured as a diffusion, and the band of days follows from both in closed form.
Items are array elements: one item and a fleet run the same formulas. What a fleet needs to keep
per item is four sums (`UsageSums`), which add up over segments in any order.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import finite_array
from valvecare.engineering.errors import OutOfRange, require_between

HOURS_PER_DAY = 24.0
LEAST_SEGMENTS = 4  # fewer say nothing about spread: default of this project
LEAST_DAYS = 28.0
MOST_DAYS_AHEAD = 1e6  # some 2,700 years: a later day is no day


class BandReason(StrEnum):
    """Why a band is whole, or what is missing from it."""

    WHOLE = "whole"
    NO_LATEST = "no_latest"  # the rate is too uncertain for a last date
    RATE_ONLY = "rate_only"  # too few segments or days for a spread: likely date only
    STANDING_STILL = "standing_still"  # no use, or too little for any date
    NO_DATA = "no_data"
    USED_UP = "used_up"  # nothing remains


BAND_REASONS: tuple[BandReason, ...] = tuple(BandReason)
WHOLE, NO_LATEST, RATE_ONLY, STANDING_STILL, NO_DATA, USED_UP = range(len(BAND_REASONS))


@dataclass(frozen=True, slots=True)
class UsageSums:
    """Sums over valid segments, one element per item."""

    count: NDArray[np.int64]
    days: NDArray[np.float64]
    gain: NDArray[np.float64]
    gain_squared_per_day: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class UsageRates:
    """Per item: rate and diffusion variance per day; NaN where they cannot be said."""

    per_day: NDArray[np.float64]
    variance_per_day: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DayBands:
    """Per item: days ahead, NaN = none; `reason` indexes `BAND_REASONS`."""

    earliest_d: NDArray[np.float64]
    likely_d: NDArray[np.float64]
    latest_d: NDArray[np.float64]
    reason: NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class CounterForecast:
    """One item. None = cannot say."""

    per_day: float | None
    variance_per_day: float | None
    earliest_d: float | None
    likely_d: float | None
    latest_d: float | None
    reason: BandReason


def usage_sums(
    segment_days: ArrayLike,
    segment_gain: ArrayLike,
    *,
    item: ArrayLike | None = None,
    items: int = 1,
) -> UsageSums:
    """Sum valid segments per item.

    Parameters
    ----------
    segment_days : length of each valid segment in days, above 0; one list
    segment_gain : what the counter gained in it, at least 0; same length
    item : index of the item each segment belongs to, 0 to `items` - 1; all one item when left out
    items : number of items, at least 1

    Returns
    -------
    UsageSums of shape (items,). Leave lost segments out of both lists.

    Raises
    ------
    OutOfRange : lists of different length, a day not above 0, a negative gain, an index outside

    Assumptions
    -----------
    Segments are long against the pattern of use (a week for a plant that works in weeks): hourly
    segments of a pump that runs for days on end would make the use look steadier than it is.

    Source
    ------
    Sums of the ratio estimate and of the diffusion variance, docs/methods/usage-rate.md.

    Examples
    --------
    >>> sums = usage_sums([7, 7], [140, 154])
    >>> sums.count.tolist(), sums.days.tolist(), sums.gain.tolist()
    ([2], [14.0], [294.0])
    """
    days, gain = (
        finite_array("segment_days", segment_days),
        finite_array("segment_gain", segment_gain),
    )
    if days.ndim != 1 or days.shape != gain.shape:
        raise OutOfRange(
            "segment_days, segment_gain", f"shapes {days.shape}, {gain.shape}", "of one length"
        )
    if (days <= 0).any():
        raise OutOfRange("segment_days", float(days.min()), "above 0")
    if (gain < 0).any():
        raise OutOfRange("segment_gain", float(gain.min()), "at least 0", "leave lost segments out")
    index = np.zeros(days.size, dtype=np.int64) if item is None else np.asarray(item)
    if index.shape != days.shape or not np.issubdtype(index.dtype, np.integer):
        raise OutOfRange("item", f"shape {index.shape}", "one whole number per segment")
    if items < 1 or (index.size and (index.min() < 0 or index.max() >= items)):
        raise OutOfRange("item", "an index", f"from 0 to {items - 1}")

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.bincount(index, weights=values, minlength=items), dtype=np.float64)

    return UsageSums(
        count=np.bincount(index, minlength=items).astype(np.int64),
        days=total(days),
        gain=total(gain),
        gain_squared_per_day=total(gain * gain / days),
    )


def usage_rates(
    sums: UsageSums, *, least_segments: int = LEAST_SEGMENTS, least_days: float = LEAST_DAYS
) -> UsageRates:
    """Rate and diffusion variance per day from the sums of valid segments.

    Parameters
    ----------
    sums : from `usage_sums`, or the same sums kept elsewhere
    least_segments, least_days : evidence below which no variance is given; policy, at least 2
        and above 0

    Returns
    -------
    UsageRates: `per_day` in the counter's unit per day (NaN without data), `variance_per_day` in
    that unit squared per day (NaN below the evidence)

    Raises
    ------
    OutOfRange : a policy value outside its range

    Assumptions
    -----------
    Gains of segments are independent with variance proportional to their length.

    Source
    ------
    rate = H/D; s2 = sum((dh - rate dt)^2/dt)/(n - 1), which equals (sum(dh^2/dt) - H^2/D)/(n - 1).
    Worked case R59, docs/methods/usage-rate.md.

    Examples
    --------
    >>> rates = usage_rates(usage_sums([7, 7, 7, 7, 14, 7, 7, 7],
    ...     [140, 155, 120, 160, 290, 150, 145, 98]))
    >>> round(float(rates.per_day[0]), 6), round(float(rates.variance_per_day[0]), 6)
    (19.968254, 60.480726)
    """
    require_between("least_segments", least_segments, at_least=2, why="a spread needs two")
    require_between("least_days", least_days, above=0)
    has_days = sums.days > 0
    days = np.where(has_days, sums.days, 1.0)
    rate = np.where(has_days, sums.gain / days, np.nan)
    is_enough = (sums.count >= least_segments) & (sums.days >= least_days)
    around = np.maximum(sums.gain_squared_per_day - sums.gain * sums.gain / days, 0.0)
    variance = around / np.where(is_enough, sums.count - 1, 1)
    return UsageRates(rate, np.where(is_enough, variance, np.nan))


def days_to_use(
    remaining: ArrayLike,
    sums: UsageSums,
    rates: UsageRates,
    *,
    confidence: float,
    most_per_day: float | None,
) -> DayBands:
    """Days until a remaining amount is used up: earliest, likely, latest.

    Parameters
    ----------
    remaining : limit minus amount used, in the counter's unit, one per item; 0 or below = used up
    sums, rates : of the same items
    confidence : two-sided, above 0 and below 1 (0.90 leaves 5 % on either side)
    most_per_day : the most the counter can gain in a day (24 for hours), above 0; None only for
        a counter without such a limit

    Returns
    -------
    DayBands. `latest_d` is NaN where the rate is too uncertain for a last date: 'cannot say'.

    Raises
    ------
    OutOfRange : `confidence` or `most_per_day` outside its range, `remaining` not finite

    Assumptions
    -----------
    Use goes on as in the window of the sums: a season or a change of duty is not foreseen.

    Source
    ------
    Roots d of rate d -+ q sqrt(s2 d + s2 d^2/D) = R, q the t quantile with n - 1 degrees of
    freedom; quadratic in d. Worked case R59, docs/methods/usage-rate.md.

    Examples
    --------
    >>> sums = usage_sums([7, 7, 7, 7, 14, 7, 7, 7], [140, 155, 120, 160, 290, 150, 145, 98])
    >>> band = days_to_use([2400], sums, usage_rates(sums), confidence=0.9, most_per_day=24)
    >>> [round(float(d[0]), 3) for d in (band.earliest_d, band.likely_d, band.latest_d)]
    [107.596, 120.191, 135.43]
    """
    from scipy.special import stdtrit  # late: costs a fifth of a second

    level = require_between("confidence", confidence, above=0, below=1)
    left = finite_array("remaining", remaining)
    rate, variance = rates.per_day, rates.variance_per_day
    is_used_up = left <= 0
    amount = np.where(is_used_up, 0.0, left)
    is_moving = (rate > 0) & (amount / MOST_DAYS_AHEAD <= rate)
    amount = np.where(is_moving, amount, 0.0)
    safe_rate = np.where(is_moving, rate, 1.0)
    likely = np.where(is_moving, amount / safe_rate, np.nan)
    has_spread = is_moving & ~np.isnan(variance)
    freedom, which = np.unique(np.maximum(sums.count - 1, 1), return_inverse=True)
    quantile = stdtrit(freedom, (1 + level) / 2)[which]
    spread = np.where(has_spread, quantile * quantile * variance, 0.0)
    # a d^2 - b d + R^2 = 0; the root 2 R^2/(b + w) is the early one for either sign of a.
    a = safe_rate * safe_rate - spread / np.where(sums.days > 0, sums.days, 1.0)
    b = 2 * safe_rate * amount + spread
    # b^2 - 4 a R^2 without cancellation: every term is at least 0.
    wide = np.sqrt(
        spread
        * (spread + 4 * amount * (safe_rate + amount / np.where(sums.days > 0, sums.days, 1)))
    )
    early = np.where(b > 0, 2 * amount * amount / np.where(b > 0, b + wide, 1.0), 0.0)
    is_bounded = a > (b + wide) / (2 * MOST_DAYS_AHEAD)
    late = np.where(is_bounded, (b + wide) / np.where(is_bounded, 2 * a, 1.0), np.nan)
    early = np.where(has_spread, early, np.nan)
    late = np.where(has_spread, late, np.nan)
    if most_per_day is not None:
        soonest = amount / require_between("most_per_day", most_per_day, above=0)
        early, likely, late = (np.maximum(days, soonest) for days in (early, likely, late))
    reason = np.select(
        [is_used_up, np.isnan(rate), ~is_moving, ~has_spread, ~is_bounded],
        [USED_UP, NO_DATA, STANDING_STILL, RATE_ONLY, NO_LATEST],
        WHOLE,
    ).astype(np.int8)
    early, likely, late = (np.where(is_used_up, 0.0, days) for days in (early, likely, late))
    return DayBands(early, likely, late, reason)


def counter_forecast(
    segment_days: ArrayLike,
    segment_gain: ArrayLike,
    *,
    remaining: float,
    confidence: float,
    most_per_day: float | None,
    least_segments: int = LEAST_SEGMENTS,
    least_days: float = LEAST_DAYS,
) -> CounterForecast:
    """Rate and band of days of one counter, from its valid segments.

    Parameters
    ----------
    as `usage_sums`, `usage_rates` and `days_to_use`

    Returns
    -------
    CounterForecast; fields are None where the reason says they cannot be said

    Raises
    ------
    OutOfRange : as those functions

    Assumptions
    -----------
    As those functions.

    Source
    ------
    As those functions.

    Examples
    --------
    >>> found = counter_forecast([7, 7], [140, 154], remaining=210, confidence=0.9, most_per_day=24)
    >>> found.likely_d, found.earliest_d, found.reason.value
    (10.0, None, 'rate_only')
    """
    sums = usage_sums(segment_days, segment_gain)
    rates = usage_rates(sums, least_segments=least_segments, least_days=least_days)
    band = days_to_use([remaining], sums, rates, confidence=confidence, most_per_day=most_per_day)

    def number(values: NDArray[np.float64]) -> float | None:
        return None if np.isnan(values[0]) else float(values[0])

    return CounterForecast(
        per_day=number(rates.per_day),
        variance_per_day=number(rates.variance_per_day),
        earliest_d=number(band.earliest_d),
        likely_d=number(band.likely_d),
        latest_d=number(band.latest_d),
        reason=BAND_REASONS[int(band.reason[0])],
    )
