"""Constant failure rates: point values, limits, pooling with a prior, shares of time."""

from dataclasses import dataclass
from math import inf, log

from valvecare.engineering.errors import OutOfRange, require_between


@dataclass(frozen=True, slots=True)
class RateEstimate:
    """A rate per hour with its two-sided limits."""

    per_h: float
    low_per_h: float
    high_per_h: float


def _count(name: str, value: object) -> int:
    number = require_between(name, value, at_least=0)
    if number != int(number):
        raise OutOfRange(name, number, "a whole number")
    return int(number)


def failure_rate(failures: int, *, hours: float) -> float:
    """Failures per hour of use.

    Parameters
    ----------
    failures : whole number, 0 or above
    hours : use of all units together, above 0

    Returns
    -------
    rate per hour

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Constant rate.

    Source
    ------
    Maximum likelihood of the exponential life (textbook). Worked case R33: 75 failures of 100
    units in 5,000 h each.

    Examples
    --------
    >>> failure_rate(75, hours=100 * 5000)
    0.00015
    """
    return _count("failures", failures) / require_between("hours", hours, above=0)


def mean_time_lower(
    failures: int, *, hours: float, confidence: float, stops_at_failure: bool
) -> float:
    """One-sided lower limit of the mean time between failures.

    Parameters
    ----------
    failures : whole number, 0 or above; at least 1 when the test stops at a failure
    hours : use of all units together, above 0
    confidence : one-sided, above 0 and below 1
    stops_at_failure : True when observation ended at the last failure, False when at a set time

    Returns
    -------
    hours

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Constant rate.

    Source
    ------
    2T/chi2(confidence, 2r+2), with 2r when the test stops at a failure: NIST/SEMATECH e-Handbook
    8.4.5.1. Example: Smith, Reliability Maintainability and Risk, answers to chapter 5(a) (chi-
    square 6.21, tolerance 1e-3).

    Examples
    --------
    >>> round(mean_time_lower(2, hours=5000, confidence=0.6, stops_at_failure=False))
    1610
    """
    from scipy.special import gammaincinv  # late: costs a fifth of a second

    count = _count("failures", failures)
    if stops_at_failure and count == 0:
        raise OutOfRange("failures", 0, "at least 1", "the test stops at a failure")
    use = require_between("hours", hours, above=0)
    level = require_between("confidence", confidence, above=0, below=1)
    shape = count if stops_at_failure else count + 1
    return use / float(gammaincinv(shape, level))


def mean_time_limits(failures: int, *, hours: float, confidence: float) -> tuple[float, float]:
    """Two-sided limits of the mean time between failures, observation ended at a set time.

    Parameters
    ----------
    failures : whole number, 0 or above
    hours : use of all units together, above 0
    confidence : two-sided, above 0 and below 1

    Returns
    -------
    lower and upper limit in hours; without failures the lower one-sided limit and infinity

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Constant rate.

    Source
    ------
    2T/chi2(1 - a/2, 2r+2) and 2T/chi2(a/2, 2r); T/-ln(a) without failures: NIST/SEMATECH
    e-Handbook 8.4.5.1. Worked case R29.

    Examples
    --------
    >>> low, high = mean_time_limits(2, hours=800, confidence=0.9)
    >>> round(low, 3), round(high, 3)
    (127.069, 2251.229)
    """
    from scipy.special import gammaincinv  # late: costs a fifth of a second

    count = _count("failures", failures)
    use = require_between("hours", hours, above=0)
    risk = 1 - require_between("confidence", confidence, above=0, below=1)
    if count == 0:
        return use / -log(risk), inf
    return (
        use / float(gammaincinv(count + 1, 1 - risk / 2)),
        use / float(gammaincinv(count, risk / 2)),
    )


def pooled_rate(
    failures: int, *, hours: float, prior_shape: float, prior_hours: float, confidence: float
) -> RateEstimate:
    """Failure rate of a small group, pooled with what its family has shown.

    Parameters
    ----------
    failures, hours : of the group: whole number and above 0; hours at least 0
    prior_shape, prior_hours : Gamma prior of the rate, both above 0: like that many failures in
        that many hours
    confidence : two-sided, above 0 and below 1

    Returns
    -------
    RateEstimate per hour

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Constant rate; the group belongs to the family.

    Source
    ------
    Gamma prior, Poisson failures: Gamma(a + r, b + T) (textbook; the practice of NUREG/CR-6928 as
    seen in its abstract). Worked case R35.

    Examples
    --------
    >>> found = pooled_rate(1, hours=40000, prior_shape=1.5, prior_hours=60000, confidence=0.9)
    >>> found.per_h, round(found.low_per_h * 1e6, 4), round(found.high_per_h * 1e6, 3)
    (2.5e-05, 5.7274, 55.352)
    """
    from scipy.special import gammaincinv  # late: costs a fifth of a second

    shape = require_between("prior_shape", prior_shape, above=0) + _count("failures", failures)
    use = require_between("prior_hours", prior_hours, above=0) + require_between(
        "hours", hours, at_least=0
    )
    risk = 1 - require_between("confidence", confidence, above=0, below=1)
    return RateEstimate(
        shape / use,
        float(gammaincinv(shape, risk / 2)) / use,
        float(gammaincinv(shape, 1 - risk / 2)) / use,
    )


def time_share(total: float, *, lost: float) -> float:
    """Share of a time that was not lost: availability, or reliability when only failures count.

    Parameters
    ----------
    total : the whole time, above 0
    lost : what is counted as lost, 0 to `total`, same unit

    Returns
    -------
    share, 0 to 1

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Lost times do not overlap.

    Source
    ------
    Definition; worked case R34 (5 days failed and 14 planned of 1,095).

    Examples
    --------
    >>> round(time_share(1095, lost=5 + 14), 7), round(time_share(1095, lost=5), 7)
    (0.9826484, 0.9954338)
    """
    whole = require_between("total", total, above=0)
    return 1 - require_between("lost", lost, at_least=0, at_most=whole) / whole
