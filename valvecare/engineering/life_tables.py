"""Lives and recurrences without an assumed distribution."""

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import finite_array
from valvecare.engineering.errors import NotEnoughData, OutOfRange, require_between


@dataclass(frozen=True, slots=True)
class Survival:
    """Step function: `survival` and its standard error just after each failure time."""

    time: NDArray[np.float64]
    survival: NDArray[np.float64]
    standard_error: NDArray[np.float64]

    def at(self, time: float) -> tuple[float, float]:
        """Survival and standard error at a time; 1 and 0 before the first failure."""
        index = int(np.searchsorted(self.time, time, side="right")) - 1
        if index < 0:
            return 1.0, 0.0
        return float(self.survival[index]), float(self.standard_error[index])


def survival_from_counts(at_risk: ArrayLike, failures: ArrayLike) -> NDArray[np.float64]:
    """Share surviving each interval in turn, from counts.

    Parameters
    ----------
    at_risk : units at the start of each interval, above 0
    failures : failures in it, 0 to `at_risk`

    Returns
    -------
    array, share surviving to the end of each interval

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    No unit leaves inside an interval for another reason.

    Source
    ------
    Product of (1 - d/n): Meeker and Escobar, Statistical Methods for Reliability Data, chapter 3
    (heat-exchanger tubes of one plant: 1, 3 and 5 per cent cracked). Worked case R19.

    Examples
    --------
    >>> (1 - survival_from_counts([100, 99, 97], [1, 2, 2])).round(12).tolist()
    [0.01, 0.03, 0.05]
    """
    units = finite_array("at_risk", at_risk)
    failed = finite_array("failures", failures)
    if units.shape != failed.shape or units.ndim != 1:
        raise OutOfRange("at_risk, failures", "two shapes", "of one length")
    if (units <= 0).any():
        raise OutOfRange("at_risk", float(units.min()), "above 0")
    if ((failed < 0) | (failed > units)).any():
        raise OutOfRange("failures", "a count", "from 0 to the units at risk")
    return np.asarray(np.cumprod(1 - failed / units))


def kaplan_meier(times: ArrayLike, failed: ArrayLike) -> Survival:
    """Share surviving over time from failures and survivors, with Greenwood's standard error.

    Parameters
    ----------
    times : n lives above 0
    failed : n flags, 1 = failed, 0 = still in service or taken out for another reason

    Returns
    -------
    Survival, one step per failure time

    Raises
    ------
    OutOfRange : inputs not as above
    NotEnoughData : no failure

    Assumptions
    -----------
    Taking out has nothing to do with wear; at equal times failures come first.

    Source
    ------
    Kaplan-Meier and Greenwood (textbook). Worked cases R17 and R18.

    Examples
    --------
    >>> [round(x, 4) for x in kaplan_meier([1, 2, 2, 3], [1, 1, 0, 0]).at(2)]
    [0.5, 0.25]
    """
    life, flags = finite_array("times", times), np.asarray(failed)
    if life.ndim != 1 or life.shape != flags.shape:
        raise OutOfRange("times, failed", f"shapes {life.shape}, {flags.shape}", "of one length")
    if life.size and (life <= 0).any():
        raise OutOfRange("times", float(life.min()), "above 0")
    if not np.isin(flags, (0, 1)).all():
        raise OutOfRange("failed", "another value", "1 for failed, 0 for not")
    ages, deaths = np.unique(life[flags == 1], return_counts=True)
    if ages.size == 0:
        raise NotEnoughData("no failure", "at least 1")
    at_risk = life.size - np.searchsorted(np.sort(life), ages, side="left")
    survival = survival_from_counts(at_risk, deaths)
    left = at_risk - deaths
    terms = np.where(left > 0, deaths / (at_risk * np.where(left > 0, left, 1)), 0.0)
    return Survival(ages, survival, survival * np.sqrt(np.cumsum(terms)))


def mean_cumulative_count(
    event_ages: ArrayLike, *, end_ages: ArrayLike, at: ArrayLike
) -> NDArray[np.float64]:
    """Mean number of events per unit up to an age, from units observed for different spans.

    Parameters
    ----------
    event_ages : ages of all events of all units, above 0; several may be equal
    end_ages : age at which each unit's observation ends, above 0, one per unit
    at : ages asked for, not above the longest observation

    Returns
    -------
    array, events per unit

    Raises
    ------
    OutOfRange : inputs not as above, or an event when no unit is observed
    NotEnoughData : no unit

    Assumptions
    -----------
    When observation ends has nothing to do with events; a unit counts at its very end.

    Source
    ------
    Nelson's mean cumulative function: sum of events/units observed (Technometrics 37, 1995, 147,
    data of 41 engines). Worked case R21.

    Examples
    --------
    >>> mean_cumulative_count([1, 2, 2], end_ages=[1.5, 3, 3, 3], at=[1, 2, 3]).round(6).tolist()
    [0.25, 0.916667, 0.916667]
    """
    events = np.sort(finite_array("event_ages", event_ages))
    ends = np.sort(finite_array("end_ages", end_ages))
    asked = finite_array("at", at)
    if ends.size == 0:
        raise NotEnoughData("no unit", "at least 1")
    if (events.size and events[0] <= 0) or ends[0] <= 0:
        raise OutOfRange("event_ages, end_ages", "an age", "above 0")
    if (asked > ends[-1]).any():
        raise OutOfRange("at", float(asked.max()), "not above the longest observation")
    observed = ends.size - np.searchsorted(ends, events, side="left")
    if (observed == 0).any():
        raise OutOfRange("event_ages", float(events[-1]), "not above the longest observation")
    steps = np.concatenate(([0.0], np.cumsum(1.0 / observed)))
    return np.asarray(steps[np.searchsorted(events, asked, side="right")])


@dataclass(frozen=True, slots=True)
class RankFit:
    """Weibull shape and scale from a probability plot."""

    shape: float
    scale: float


def median_rank_fit(failure_times: ArrayLike, *, units: int) -> RankFit:
    """Weibull line through the probability plot, ordinate regressed on ln time.

    Parameters
    ----------
    failure_times : r failures, above 0, at least 2 different; the survivors outlived them all
    units : all units, at least r

    Returns
    -------
    RankFit; scale in the unit of the times

    Raises
    ------
    OutOfRange, NotEnoughData : inputs not as above

    Assumptions
    -----------
    Survivors stopped after the last failure. For a picture; `weibull_fit` is the estimate.

    Source
    ------
    Plotting position (i - 0.3)/(n + 0.4), least squares: NIST/SEMATECH e-Handbook, Weibull
    probability plot (slope 1.457519, intercept -4.116536 in base 10). Worked case R16.

    Examples
    --------
    >>> fit = median_rank_fit([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], units=20)
    >>> round(fit.shape, 6), round(fit.scale, 2)
    (1.457519, 667.34)
    """
    life = np.sort(finite_array("failure_times", failure_times))
    if life.size < 2 or life[0] == life[-1]:
        raise NotEnoughData(f"{life.size} failure times", "at least 2 different")
    if life[0] <= 0:
        raise OutOfRange("failure_times", float(life[0]), "above 0")
    count = require_between("units", units, at_least=life.size)
    ranks = (np.arange(1, life.size + 1) - 0.3) / (count + 0.4)
    x, y = np.log(life), np.log(-np.log1p(-ranks))
    off = x - x.mean()
    slope = float((off * (y - y.mean())).sum() / (off * off).sum())
    return RankFit(slope, exp(float(x.mean()) - float(y.mean()) / slope))
