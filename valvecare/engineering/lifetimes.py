"""Weibull life of parts from failures and survivors (right-censored).

The fit is one root of the profile score in the shape, on logarithms of time scaled by the longest
time, so that no power overflows; many data sets are solved at once by the same iteration.
Intervals are by likelihood ratio. A stuck protection valve is a hidden failure found at a test:
its discovery date is not a life; use `failure_finding` for it.
"""

from dataclasses import dataclass
from math import exp, inf, log, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import finite_array
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange, require_between

LEAST_FAILURES = 2  # one failure gives no finite shape
NEWTON_STEPS = 60  # 7 are usual; halving takes over where Newton leaves the bracket


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Shape (dimensionless), scale (unit of the times), log-likelihood, counts."""

    shape: float
    scale: float
    log_likelihood: float
    failures: int
    units: int


@dataclass(frozen=True, slots=True)
class WeibullFits:
    """One element per data set; NaN where it has no finite answer."""

    shape: NDArray[np.float64]
    scale: NDArray[np.float64]
    failures: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its two-sided limits, all in one unit."""

    value: float
    low: float
    high: float


def _lives(times: ArrayLike, failed: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    life = finite_array("times", times)
    flags = np.asarray(failed)
    if life.ndim != 1 or life.shape != flags.shape:
        raise OutOfRange("times, failed", f"shapes {life.shape}, {flags.shape}", "of one length")
    if life.size and (life <= 0).any():
        raise OutOfRange("times", float(life.min()), "above 0", "a life of 0 is a delivery fault")
    if not np.isin(flags, (0, 1)).all():
        raise OutOfRange("failed", "another value", "1 for failed, 0 for still in service")
    return life, flags.astype(np.bool_)


def _fittable(life: NDArray[np.float64], failed: NDArray[np.bool_]) -> None:
    failures = int(failed.sum())
    if failures < LEAST_FAILURES:
        raise NotEnoughData(f"{failures} failures", f"at least {LEAST_FAILURES}")
    if (life[failed] == life.max()).all():
        raise NoSolution("Every failure lies at the longest time; the shape has no upper end.")


def _solve(life: NDArray[np.float64], failed: NDArray[np.bool_]) -> WeibullFits:
    """Rows are data sets; NaN lives are no units. One iteration for all rows."""
    is_unit = ~np.isnan(life)
    is_failure = is_unit & failed
    failures = is_failure.sum(axis=1)
    logs = np.log(np.where(is_unit, life, 1.0))
    longest = np.where(is_unit, logs, -inf).max(axis=1, initial=-inf)
    longest = np.where(np.isfinite(longest), longest, 0.0)
    scaled = np.where(is_unit, logs - longest[:, None], 0.0)  # 0 for the longest, else below
    mean_failed = np.where(is_failure, scaled, 0.0).sum(axis=1) / np.maximum(failures, 1)
    is_solvable = (failures >= LEAST_FAILURES) & (mean_failed < 0)
    mean_failed = np.where(is_solvable, mean_failed, -1.0)
    low = -1.0 / mean_failed  # the score is at most 0 here
    high = np.full_like(low, inf)
    shape = low.copy()
    for _ in range(NEWTON_STEPS):
        weight = np.exp(shape[:, None] * scaled) * is_unit
        total = np.maximum(weight.sum(axis=1), np.finfo(float).tiny)
        first = (weight * scaled).sum(axis=1) / total
        second = (weight * scaled * scaled).sum(axis=1) / total
        score = first - 1.0 / shape - mean_failed
        slope = second - first * first + 1.0 / (shape * shape)
        low = np.where(score <= 0, np.maximum(low, shape), low)
        high = np.where(score > 0, np.minimum(high, shape), high)
        step = shape - score / slope
        halved = np.where(np.isfinite(high), (low + high) / 2, 2 * shape)
        following = np.where((step >= low) & (step <= high), step, halved)
        if np.all(np.abs(following - shape)[is_solvable] <= 1e-13 * shape[is_solvable]):
            shape = following
            break
        shape = following
    total = (np.exp(shape[:, None] * scaled) * is_unit).sum(axis=1)
    scale = np.exp(longest + np.log(np.maximum(total, 1e-300) / np.maximum(failures, 1)) / shape)
    return WeibullFits(
        np.where(is_solvable, shape, np.nan),
        np.where(is_solvable, scale, np.nan),
        failures.astype(np.int64),
    )


def _profile(life: NDArray[np.float64], failed: NDArray[np.bool_], shape: float) -> float:
    """Log-likelihood at a shape with the best scale for it."""
    logs = np.log(life)
    longest = float(logs.max())
    count = int(failed.sum())
    total = float(np.exp(shape * (logs - longest)).sum())
    return float(
        count * log(shape)
        - count * (log(total / count) + shape * longest)
        + (shape - 1) * float(logs[failed].sum())
        - count
    )


def weibull_fit(times: ArrayLike, failed: ArrayLike) -> WeibullFit:
    """Maximum-likelihood Weibull fit of one set of lives.

    Parameters
    ----------
    times : n lives, above 0, any unit of time or use; to failure or to the end of observation
    failed : n flags, 1 = failed, 0 = still in service or taken out for another reason

    Returns
    -------
    WeibullFit

    Raises
    ------
    OutOfRange : inputs not as above
    NotEnoughData : fewer than 2 failures
    NoSolution : every failure lies at the longest time

    Assumptions
    -----------
    Units are alike and independent; taking out has nothing to do with wear (a part replaced
    because it looked worn is not an ordinary survivor). The shape is biased upward in small sets.

    Source
    ------
    NIST/SEMATECH e-Handbook 8.4.1.3 (its worked fit below, tolerance one in its last digit).

    Examples
    --------
    >>> hours = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
    >>> fit = weibull_fit(hours, [1] * 10 + [0] * 10)
    >>> round(fit.shape, 4), round(fit.scale, 3), round(fit.log_likelihood, 3)
    (1.7208, 606.528, -75.135)
    """
    life, flags = _lives(times, failed)
    _fittable(life, flags)
    found = _solve(life[None, :], flags[None, :])
    shape = float(found.shape[0])
    return WeibullFit(
        shape,
        float(found.scale[0]),
        _profile(life, flags, shape),
        int(flags.sum()),
        life.size,
    )


def weibull_fits(times: ArrayLike, failed: ArrayLike) -> WeibullFits:
    """Maximum-likelihood Weibull fits of many data sets at once.

    Parameters
    ----------
    times : shape (sets, n), above 0; NaN where a set has fewer units
    failed : same shape, 1 = failed, 0 = not; ignored where `times` is NaN

    Returns
    -------
    WeibullFits of shape (sets,), NaN where `weibull_fit` would refuse

    Raises
    ------
    OutOfRange : a time not above 0 or infinite, a flag that is neither 0 nor 1, wrong shape

    Assumptions
    -----------
    As `weibull_fit`.

    Source
    ------
    As `weibull_fit`, which runs the same iteration.

    Examples
    --------
    >>> fits = weibull_fits([[800, 900, 1000], [800, 800, 800]], [[1, 1, 0], [0, 0, 1]])
    >>> fits.failures.tolist(), bool(np.isnan(fits.shape[1]))
    ([2, 1], True)
    """
    life = np.asarray(times, dtype=np.float64)
    flags = np.asarray(failed)
    if life.ndim != 2 or life.shape != flags.shape:
        raise OutOfRange("times, failed", f"shapes {life.shape}, {flags.shape}", "(sets, n) both")
    if ((life <= 0) | np.isinf(life)).any():
        raise OutOfRange("times", float(np.nanmin(life)), "above 0 and finite, or no unit")
    if not np.isin(flags, (0, 1)).all():
        raise OutOfRange("failed", "another value", "1 for failed, 0 for not")
    return _solve(life, flags.astype(np.bool_))


def shape_interval(times: ArrayLike, failed: ArrayLike, *, confidence: float) -> Interval:
    """Likelihood-ratio interval of the Weibull shape.

    Parameters
    ----------
    times, failed : as `weibull_fit`
    confidence : two-sided, above 0 and below 1

    Returns
    -------
    Interval, dimensionless

    Raises
    ------
    as `weibull_fit`, and OutOfRange for the confidence

    Assumptions
    -----------
    As `weibull_fit`; the chi-square form is for large samples. With about 3 failures a 90 %
    interval covered 85 % in simulation, and missed on the high side.

    Source
    ------
    Profile likelihood: { b : l(b) >= l_max - chi2(confidence, 1)/2 } (textbook). Worked cases R10
    and R11, docs/methods/lifetimes.md.

    Examples
    --------
    >>> hours = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
    >>> found = shape_interval(hours, [1] * 10 + [0] * 10, confidence=0.95)
    >>> round(found.low, 4), round(found.high, 4)
    (0.9056, 2.8857)
    """
    from scipy.optimize import brentq  # late: costs most of a second

    drop = _half_chi_square(confidence)
    life, flags = _lives(times, failed)
    fit = weibull_fit(life, flags)

    def above(shape: float) -> float:
        return _profile(life, flags, shape) - fit.log_likelihood + drop

    low, high = fit.shape / 2, fit.shape * 2
    while above(low) > 0:
        low /= 2
    while above(high) > 0:
        high *= 2
    return Interval(
        fit.shape,
        float(brentq(above, low, fit.shape, xtol=1e-13, rtol=1e-12)),
        float(brentq(above, fit.shape, high, xtol=1e-13, rtol=1e-12)),
    )


def _half_chi_square(confidence: float) -> float:
    """Half the chi-square quantile with one degree of freedom."""
    from scipy.special import ndtri

    level = require_between("confidence", confidence, above=0, below=1)
    return float(ndtri((1 + level) / 2)) ** 2 / 2


def life_at(
    times: ArrayLike, failed: ArrayLike, *, probability: float, confidence: float
) -> Interval:
    """The life by which a share of the units has failed, with its likelihood-ratio interval.

    Parameters
    ----------
    times, failed : as `weibull_fit`
    probability : the share, above 0 and below 1 (0.10 for the B10 life)
    confidence : two-sided, above 0 and below 1

    Returns
    -------
    Interval in the unit of the times

    Raises
    ------
    as `weibull_fit`, and OutOfRange for the other two

    Assumptions
    -----------
    As `shape_interval`.

    Source
    ------
    t_p = scale (-ln(1 - p))^(1/shape); limits are the extremes of t_p over the region of the
    likelihood ratio (textbook). Worked case R13, docs/methods/lifetimes.md.

    Examples
    --------
    >>> hours = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
    >>> found = life_at(hours, [1] * 10 + [0] * 10, probability=0.1, confidence=0.9)
    >>> found.low < round(found.value, 1) == 164.0 < found.high
    True
    """
    from scipy.optimize import minimize_scalar  # late: costs most of a second
    from scipy.special import lambertw

    share = require_between("probability", probability, above=0, below=1)
    drop = _half_chi_square(confidence)
    life, flags = _lives(times, failed)
    fit = weibull_fit(life, flags)
    span = shape_interval(life, flags, confidence=confidence)
    logs = np.log(life)
    longest = float(logs.max())
    hazard = -log(1 - share)

    def log_life(shape: float, branch: int) -> float:
        """At this shape, the log life at the end of the region: branch 0 long, -1 short."""
        slack = max(0.0, _profile(life, flags, shape) - fit.log_likelihood + drop)
        # r ln u - r u + r = -slack, u relative to the best rate at this shape
        relative = -float(lambertw(-exp(-1 - slack / fit.failures), branch).real)
        total = float(np.exp(shape * (logs - longest)).sum())
        log_scale = longest + log(total / fit.failures / relative) / shape
        return log_scale + log(hazard) / shape

    low = minimize_scalar(
        lambda shape: log_life(shape, -1),
        bounds=(span.low, span.high),
        method="bounded",
        options={"xatol": 1e-10},
    )
    high = minimize_scalar(
        lambda shape: -log_life(shape, 0),
        bounds=(span.low, span.high),
        method="bounded",
        options={"xatol": 1e-10},
    )
    value = fit.scale * hazard ** (1 / fit.shape)
    return Interval(value, exp(float(low.fun)), exp(-float(high.fun)))


def log_scale_intervals(
    times: ArrayLike, failed: ArrayLike, *, confidence: float
) -> tuple[Interval, Interval]:
    """Normal-approximation intervals of ln(scale) and 1/shape, for comparison with other reports.

    Parameters
    ----------
    times, failed : as `weibull_fit`
    confidence : two-sided, above 0 and below 1

    Returns
    -------
    interval of mu = ln(scale), symmetric; interval of sigma = 1/shape, symmetric in ln(sigma)

    Raises
    ------
    as `shape_interval`

    Assumptions
    -----------
    Large samples. Prefer `shape_interval`; name the scale when quoting, since packages differ.

    Source
    ------
    Inverse of the observed information of the smallest-extreme-value form (textbook). Worked case
    R07, docs/methods/lifetimes.md.

    Examples
    --------
    >>> hours = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
    >>> mu, sigma = log_scale_intervals(hours, [1] * 10 + [0] * 10, confidence=0.95)
    >>> round(1 / sigma.high, 4), round(1 / sigma.low, 4)
    (0.9713, 3.0487)
    """
    width = sqrt(2 * _half_chi_square(confidence))
    life, flags = _lives(times, failed)
    fit = weibull_fit(life, flags)
    mu, sigma = log(fit.scale), 1 / fit.shape
    standard = (np.log(life) - mu) / sigma
    growth = np.exp(standard)
    mu_mu = float(growth.sum())
    mu_sigma = float((standard * growth).sum())
    # Second derivatives times sigma squared, at the maximum, where the scores are 0.
    sigma_sigma = fit.failures + float((standard * standard * growth).sum())
    determinant = mu_mu * sigma_sigma - mu_sigma * mu_sigma
    mu_error = sigma * sqrt(sigma_sigma / determinant)
    sigma_error = sqrt(mu_mu / determinant)  # relative
    return (
        Interval(mu, mu - width * mu_error, mu + width * mu_error),
        Interval(sigma, sigma * exp(-width * sigma_error), sigma * exp(width * sigma_error)),
    )


def weibayes_scale(
    times: ArrayLike, *, failures: int, shape: float, confidence: float | None = None
) -> float:
    """Weibull scale when the shape is known from the family.

    Parameters
    ----------
    times : lives of all units, failed or not, above 0
    failures : how many of them failed, 0 or above
    shape : from the family, above 0
    confidence : one-sided, above 0 and below 1; needed for 0 failures, and only then

    Returns
    -------
    scale in the unit of the times; for 0 failures its lower limit at `confidence`

    Raises
    ------
    OutOfRange : inputs not as above
    NotEnoughData : no unit

    Assumptions
    -----------
    The family's shape holds for these units.

    Source
    ------
    eta = (sum t^b / r)^(1/b), r replaced by -ln(1 - confidence) without failures (textbook).
    Worked case R36, docs/methods/lifetimes.md.

    Examples
    --------
    >>> round(weibayes_scale([2000, 3500, 5200, 6100, 7400], failures=1, shape=2.0), 3)
    11630.133
    """
    power = require_between("shape", shape, above=0)
    life, _ = _lives(times, np.zeros(np.shape(times), dtype=int))
    if life.size == 0:
        raise NotEnoughData("no unit", "at least 1")
    require_between("failures", failures, at_least=0, at_most=life.size)
    if (confidence is None) == (failures == 0):
        raise OutOfRange("confidence", confidence, "given for 0 failures, and only then")
    divisor = (
        -log(1 - require_between("confidence", confidence, above=0, below=1))
        if confidence is not None
        else float(failures)
    )
    logs = np.log(life)
    longest = float(logs.max())
    total = float(np.exp(power * (logs - longest)).sum())
    return exp(longest + log(total / divisor) / power)


def shape_with_family(
    times: ArrayLike, failed: ArrayLike, *, family_shape: float, family_spread: float
) -> WeibullFit:
    """Weibull fit that leans on the family's shape: mode of the posterior.

    Parameters
    ----------
    times, failed : as `weibull_fit`, at least one failure
    family_shape : middle of the family's shape, above 0
    family_spread : standard deviation of ln(shape) in the family, above 0, at most 2

    Returns
    -------
    WeibullFit; `log_likelihood` is that of the data alone at this shape

    Raises
    ------
    OutOfRange : inputs not as above
    NotEnoughData : no failure

    Assumptions
    -----------
    ln(shape) of the family is normal.

    Source
    ------
    Maximum of l(b) - (ln b - ln b0)^2/(2 tau^2) (docs/methods/lifetimes.md).

    Examples
    --------
    >>> found = shape_with_family([800, 800, 800], [0, 0, 1], family_shape=2.0, family_spread=0.3)
    >>> 2.0 < found.shape < 2.6
    True
    """
    from scipy.optimize import minimize_scalar  # late: costs most of a second

    middle = log(require_between("family_shape", family_shape, above=0))
    spread = require_between("family_spread", family_spread, above=0, at_most=2)
    life, flags = _lives(times, failed)
    if not flags.any():
        raise NotEnoughData("no failure", "at least 1; with none use weibayes_scale")

    def loss(log_shape: float) -> float:
        off = (log_shape - middle) / spread
        return off * off / 2 - _profile(life, flags, exp(log_shape))

    reach = 12 * spread + 3
    best = minimize_scalar(
        loss, bounds=(middle - reach, middle + reach), method="bounded", options={"xatol": 1e-10}
    )
    shape = exp(float(best.x))
    failures = int(flags.sum())
    scale = weibayes_scale(life, failures=failures, shape=shape)
    return WeibullFit(shape, scale, _profile(life, flags, shape), failures, life.size)
