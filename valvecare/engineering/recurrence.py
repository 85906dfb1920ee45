"""Failures of one repaired item over time: is it getting better or worse (power law)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import finite_array
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange, require_between


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Expected failures by time t = factor x t^exponent; above 1 it gets worse."""

    exponent: float
    factor: float
    end: float

    @property
    def intensity(self) -> float:
        """Failures per unit of time at the end of observation."""
        return self.factor * self.exponent * float(self.end ** (self.exponent - 1))

    @property
    def mean_time(self) -> float:
        """Mean time between failures at the end of observation."""
        return 1 / self.intensity


def _failure_times(times: ArrayLike, end: float, *, least: int) -> NDArray[np.float64]:
    until = require_between("end", end, above=0)
    failures = np.sort(finite_array("times", times))
    if failures.size < least:
        raise NotEnoughData(f"{failures.size} failures", f"at least {least}")
    if failures[0] <= 0 or failures[-1] > until:
        raise OutOfRange("times", f"{failures[0]:g} to {failures[-1]:g}", "above 0, up to the end")
    if failures[0] == until:
        raise NoSolution("Every failure lies at the end of observation.")
    return failures


def power_law(times: ArrayLike, *, end: float) -> PowerLaw:
    """Maximum-likelihood power law of failure times, observation ended at a set time.

    Parameters
    ----------
    times : running times of n failures, above 0, at most `end`, n >= 1
    end : end of observation, above 0

    Returns
    -------
    PowerLaw in the unit of `end`

    Raises
    ------
    OutOfRange, NotEnoughData, NoSolution : inputs not as above, or all failures at the end

    Assumptions
    -----------
    Repairs leave the item as it was; the end was not chosen at a failure.

    Source
    ------
    b = n/sum ln(T/t), factor = n/T^b: MIL-HDBK-189 (from memory). Worked case R28.

    Examples
    --------
    >>> round(power_law([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], end=1500).exponent, 6)
    0.537229
    """
    failures = _failure_times(times, end, least=1)
    exponent = failures.size / float(np.log(end / failures).sum())
    return PowerLaw(exponent, failures.size / float(end**exponent), end)


def power_law_unbiased(times: ArrayLike, *, end: float) -> PowerLaw:
    """The modified estimate, unbiased in the exponent.

    Parameters
    ----------
    times, end : as `power_law`, at least 2 failures

    Returns
    -------
    PowerLaw

    Raises
    ------
    as `power_law`

    Assumptions
    -----------
    As `power_law`.

    Source
    ------
    b = (n - 1)/sum ln(T/t): NIST/SEMATECH e-Handbook 8.4.5.2 (its example: 0.483506, 310.234 h).
    Worked case R22.

    Examples
    --------
    >>> fit = power_law_unbiased([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], end=1500)
    >>> round(fit.exponent, 6), round(fit.factor, 7), round(fit.mean_time, 3)
    (0.483506, 0.2913003, 310.234)
    """
    failures = _failure_times(times, end, least=2)
    exponent = (failures.size - 1) / float(np.log(end / failures).sum())
    return PowerLaw(exponent, failures.size / float(end**exponent), end)


def cramer_von_mises(times: ArrayLike, *, end: float) -> float:
    """Distance of failure times from the fitted power law; large speaks against it.

    Parameters
    ----------
    times, end : as `power_law_unbiased`

    Returns
    -------
    statistic, dimensionless

    Raises
    ------
    as `power_law`

    Assumptions
    -----------
    As `power_law`; compare with the tables of the handbook.

    Source
    ------
    1/(12n) + sum((t/T)^b - (2i - 1)/(2n))^2 with the unbiased b: MIL-HDBK-189 (1981) appendix C
    (its example 0.0910611). Worked case R25.

    Examples
    --------
    >>> times = [2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9,
    ...     95.5, 98.1, 101.1, 132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7,
    ...     251.9, 282.5, 286.1]
    >>> round(cramer_von_mises(times, end=300), 7)
    0.0910611
    """
    failures = _failure_times(times, end, least=2)
    exponent = power_law_unbiased(failures, end=end).exponent
    count = failures.size
    middle = (2 * np.arange(1, count + 1) - 1) / (2 * count)
    return 1 / (12 * count) + float((((failures / end) ** exponent - middle) ** 2).sum())


def power_law_grouped(interval_ends: ArrayLike, counts: ArrayLike) -> PowerLaw:
    """Maximum-likelihood power law of failures counted by intervals.

    Parameters
    ----------
    interval_ends : ends of k intervals from 0, ascending, above 0, k >= 2
    counts : failures in each, whole numbers, at least 1 outside the last interval

    Returns
    -------
    PowerLaw

    Raises
    ------
    OutOfRange, NotEnoughData, NoSolution : inputs not as above

    Assumptions
    -----------
    As `power_law`.

    Source
    ------
    Grouped-data example of MIL-HDBK-189 (0.752851, mean time 2.710784). Worked case R26.

    Examples
    --------
    >>> fit = power_law_grouped([20, 40, 60, 80, 100], [13, 16, 5, 8, 7])
    >>> round(fit.exponent, 6), round(fit.mean_time, 6)
    (0.752851, 2.710784)
    """
    from scipy.optimize import brentq  # late: costs most of a second

    ends, number = finite_array("interval_ends", interval_ends), finite_array("counts", counts)
    if ends.ndim != 1 or ends.shape != number.shape:
        raise OutOfRange("interval_ends, counts", f"{ends.shape}, {number.shape}", "of one length")
    if ends.size < 2 or number.sum() < 1:
        raise NotEnoughData(f"{ends.size} intervals", "at least 2, with a failure")
    if ends[0] <= 0 or (np.diff(ends) <= 0).any():
        raise OutOfRange("interval_ends", "not ascending", "ascending and above 0")
    if (number < 0).any() or (number != np.floor(number)).any():
        raise OutOfRange("counts", "a count", "whole numbers, at least 0")
    if number[:-1].sum() == 0:
        raise NoSolution("Every failure lies in the last interval.")
    if number[1:].sum() == 0:
        raise NoSolution("Every failure lies in the first interval.")
    counted = number > 0
    relative = ends / ends[-1]
    before = np.concatenate(([0.0], relative[:-1]))
    upper, share = np.log(relative[counted]), before[counted] / relative[counted]
    lower = np.log(np.where(before > 0, before, 1.0))[counted]

    def score(exponent: float) -> float:
        """Sum of n (u^b ln u - l^b ln l)/(u^b - l^b), divided through by u^b."""
        ratio = share**exponent
        return float((number[counted] * (upper - ratio * lower) / (1 - ratio)).sum())

    low, high = 1e-6, 2.0
    while score(high) > 0:
        high *= 2
    exponent = float(brentq(score, low, high, xtol=1e-14, rtol=1e-13))
    return PowerLaw(exponent, float(number.sum() / ends[-1] ** exponent), float(ends[-1]))
