"""Growth of a wear clearance with running hours, and the hours left to its limit."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from statistics import linear_regression, median
from typing import Final

from valvecare.engineering.errors import NoSolution, OutOfRange, require_between
from valvecare.engineering.plausible_mechanics import require_plausible
from valvecare.engineering.working import Quantity, Reason

LEAST_POINTS: Final = 3
OUTLIER_SCALE: Final = 3.0  # times the gauge repeatability, off the robust line
NEXT_CHECK_SHARE: Final = (
    0.5  # half of the remaining life: pressure-equipment practice, from memory
)


class TrendState(StrEnum):
    """Whether the readings carry a trend."""

    TREND = "trend"
    NO_TREND = "no trend"


@dataclass(frozen=True, slots=True)
class WearTrend:
    """A fitted line, or the reasons why there is none. Without a trend the numbers are None."""

    state: TrendState
    slope_m_per_h: float | None
    intercept_m: float | None
    method: str
    last_hours: float | None
    points: int
    inputs: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WearLife:
    """Hours to the limit, and when to look again. `at_limit` means it is reached already."""

    hours_left: float
    next_check_in_h: float
    limit_at_hours: float
    at_limit: bool
    steps: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]


def wear_trend(
    hours: Sequence[float], clearances_m: Sequence[float], *, repeatability_m: float
) -> WearTrend:
    """Fit the growth of a clearance: least squares, or a robust line if a reading lies off it.

    Parameters
    ----------
    hours : n running hours, ascending, 0 to 1e6
    clearances_m : n clearances, m, 1e-6 to 0.020
    repeatability_m : repeatability of the gauge, m, 1e-7 to 0.001

    Returns
    -------
    WearTrend : slope in m/h, or no trend with reasons: fewer than 3 readings, slope not above 0,
        or growth over the whole time below the repeatability

    Raises
    ------
    OutOfRange : a value is missing, not finite or outside its range; lengths differ; hours not
        ascending

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Least squares; median of slopes (Theil-Sen) with outliers: textbooks. Fewer than three points
    give no trend: own rule.

    Examples
    --------
    0.06 to 0.119 mm in 12 000 h (derived value 0.005 mm per 1000 h):

    >>> trend = wear_trend([0, 4000, 8000, 12000], [60e-6, 78e-6, 101e-6, 119e-6],
    ...                    repeatability_m=5e-6)
    >>> round(trend.slope_m_per_h * 1e6, 4)
    0.005
    """
    if len(hours) != len(clearances_m):
        raise OutOfRange(
            "clearances_m", len(clearances_m), f"{len(hours)} readings, one for each of hours"
        )
    times = [require_plausible("hours", h, f"hours[{i}]") for i, h in enumerate(hours)]
    values = [
        require_plausible("clearance_m", c, f"clearances_m[{i}]")
        for i, c in enumerate(clearances_m)
    ]
    gauge = require_between(
        "repeatability_m", repeatability_m, at_least=1e-7, at_most=0.001, why="of the gauge, m"
    )
    for i, (before, after) in enumerate(zip(times, times[1:], strict=False)):
        if after <= before:
            raise OutOfRange(f"hours[{i + 1}]", after, f"above hours[{i}] ({before:g})")
    inputs = (
        Quantity("readings", len(times), "", "measurements of this part"),
        Quantity("gauge repeatability", gauge, "m", "gauge record"),
    )
    last = times[-1] if times else None
    if len(times) < LEAST_POINTS:
        reason = Reason(
            "too_few_readings",
            f"{len(times)} readings; {LEAST_POINTS} are needed. Go by calendar until then.",
        )
        return _no_trend(reason, last, len(times), inputs)

    robust_slope, robust_intercept = _robust_line(times, values)
    off = [
        i
        for i, (t, c) in enumerate(zip(times, values, strict=True))
        if abs(c - robust_intercept - robust_slope * t) > OUTLIER_SCALE * gauge
    ]
    if off:
        slope, intercept, method = robust_slope, robust_intercept, "median of slopes"
    else:
        slope, intercept = linear_regression(times, values)
        method = "least squares"
    growth = slope * (times[-1] - times[0])
    if slope <= 0:
        reason = Reason(
            "not_growing", "The readings do not grow: no date can be drawn. Go by calendar."
        )
        return _no_trend(reason, last, len(times), inputs)
    if growth < gauge:
        reason = Reason(
            "below_repeatability",
            f"Growth of {growth * 1e3:.3g} mm is below the repeatability of {gauge * 1e3:.3g} mm. "
            "Go by calendar.",
        )
        return _no_trend(reason, last, len(times), inputs)
    words = f"{slope * 1e6:.3g} mm per 1000 h by {method} over {len(times)} readings."
    if off:
        words += f" Reading {', '.join(str(i + 1) for i in off)} lies off the line: check it."
    return WearTrend(
        TrendState.TREND,
        slope,
        intercept,
        method,
        last,
        len(times),
        inputs,
        (Reason("growing", words),),
        _ASSUMPTIONS,
    )


def hours_to_limit(trend: WearTrend, *, limit_m: float, at_hours: float) -> WearLife:
    """Hours from now until the fitted line meets the limit; next check at half of them.

    Parameters
    ----------
    trend : a `WearTrend` with a trend
    limit_m : largest allowed clearance, m, 1e-6 to 0.010
    at_hours : running hours now, 0 to 1e6, not before the last reading

    Returns
    -------
    WearLife : hours; 0 and `at_limit` if the line has met the limit already (reached counts)

    Raises
    ------
    NoSolution : there is no trend
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Growth goes on as fitted; the line is drawn beyond the last reading, which is why the next
    check comes at half of what is left.

    Source
    ------
    Geometry; half-life practice of pressure equipment, from memory.

    Examples
    --------
    >>> trend = wear_trend([0, 4000, 8000, 12000], [60e-6, 78e-6, 101e-6, 119e-6],
    ...                    repeatability_m=5e-6)
    >>> life = hours_to_limit(trend, limit_m=150e-6, at_hours=12000)
    >>> round(life.hours_left), round(life.next_check_in_h)
    (6100, 3050)
    """
    limit = require_plausible("wear_limit_m", limit_m, "limit_m")
    now = require_plausible("hours", at_hours, "at_hours")
    if trend.slope_m_per_h is None or trend.intercept_m is None or trend.last_hours is None:
        raise NoSolution(
            "There is no trend, so no hours to the limit: "
            + " ".join(reason.text for reason in trend.reasons)
        )
    if now < trend.last_hours:
        raise OutOfRange(
            "at_hours", now, f"at least {trend.last_hours:g}, the hours of the last reading"
        )
    crossing = (limit - trend.intercept_m) / trend.slope_m_per_h
    left = max(0.0, crossing - now)
    reached = crossing <= now
    if reached:
        reason = Reason("at_limit", "The line has met the limit: due now.")
    else:
        reason = Reason(
            "hours_left",
            f"{left:.4g} h to {limit * 1e3:.3g} mm at the fitted growth; look again after half.",
        )
    return WearLife(
        left,
        NEXT_CHECK_SHARE * left,
        crossing,
        reached,
        (
            Quantity("line meets limit at", crossing, "h", "(limit - intercept)/slope"),
            Quantity("hours left", left, "h", "crossing - hours now"),
        ),
        (reason,),
        (*_ASSUMPTIONS, "Growth goes on as fitted; next check at half of the hours left."),
    )


_ASSUMPTIONS: Final = (
    "Same part, same place, same gauge; readings at the widest place.",
    "Growth in proportion to running hours.",
)


def _robust_line(times: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """Theil-Sen: median of all pair slopes, intercept the median of what is left."""
    slope = median(
        (values[j] - values[i]) / (times[j] - times[i])
        for i, j in combinations(range(len(times)), 2)
    )
    return slope, median(c - slope * t for t, c in zip(times, values, strict=True))


def _no_trend(
    reason: Reason, last: float | None, points: int, inputs: tuple[Quantity, ...]
) -> WearTrend:
    return WearTrend(
        TrendState.NO_TREND, None, None, "", last, points, inputs, (reason,), _ASSUMPTIONS
    )
