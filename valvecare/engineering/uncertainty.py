"""Combine uncertainties and decide with them: pass, fail, undecided, or the test is not able."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot
from statistics import NormalDist

from valvecare.engineering import plausible
from valvecare.engineering.errors import NotEnoughData, OutOfRange, require_number

_NORMAL = NormalDist()
ABLE_SHARE = 0.1
"""A test whose standard uncertainty exceeds this share of the requirement cannot decide (own
rule, common practice of a 1 to 10 ratio)."""


class Verdict(StrEnum):
    """Result of one measured value against one requirement."""

    PASS = "pass"  # noqa: S105  a verdict, no secret
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_ABLE = "test not able"


def combined_uncertainty(contributions: Sequence[float]) -> float:
    """Combined standard uncertainty: root of the sum of squares of independent contributions.

    Parameters
    ----------
    contributions : n values, each sensitivity times standard uncertainty, same unit, n >= 1,
        each above 0 in size (sign is ignored)

    Returns
    -------
    Standard uncertainty in the same unit.

    Raises
    ------
    OutOfRange : a contribution missing, not finite or zero
    NotEnoughData : no contribution

    Assumptions
    -----------
    Independent, first-order propagation.

    Source
    ------
    JCGM 100:2008 (GUM) equation 10, from memory.

    Examples
    --------
    >>> round(combined_uncertainty([1.5, 1.2]), 2)
    1.92
    """
    if contributions is None or isinstance(contributions, (int, float, str)):
        raise OutOfRange("contributions", contributions, "a list of numbers")
    if not len(contributions):
        raise NotEnoughData("no contribution", "1 or more")
    for value in contributions:
        plausible.uncertainty("contributions", abs(require_number("contributions", value)))
    return hypot(*contributions)


def z_for_probability(probability: float) -> float:
    """One-sided standard normal quantile z for a conformance probability.

    Parameters
    ----------
    probability : at least 0.5, below 1

    Returns
    -------
    z, dimensionless.

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Normal distribution.

    Source
    ------
    JCGM 106:2012 table 1 (from memory; the quantile recomputed): 95 % is 1.64.

    Examples
    --------
    >>> round(z_for_probability(0.95), 3)
    1.645
    """
    return _NORMAL.inv_cdf(plausible.CONFORMANCE.check("probability", probability))


def conformance_probability(
    measured: float, *, standard_uncertainty: float, lower_limit: float
) -> float:
    """Probability that the true value lies at or above a lower limit.

    Parameters
    ----------
    measured : measured value
    standard_uncertainty : k = 1, same unit, above 0
    lower_limit : same unit

    Returns
    -------
    Probability, 0 to 1.

    Raises
    ------
    OutOfRange : an input missing or not finite; no uncertainty

    Assumptions
    -----------
    Normal distribution, no prior knowledge.

    Source
    ------
    JCGM 106:2012, breaking strength example (from memory, recomputed): 0.99.

    Examples
    --------
    >>> round(conformance_probability(509.7, standard_uncertainty=8.6, lower_limit=490.0), 2)
    0.99
    """
    value = require_number("measured", measured)
    spread = plausible.uncertainty("standard_uncertainty", standard_uncertainty)
    limit = require_number("lower_limit", lower_limit)
    return _NORMAL.cdf((value - limit) / spread)


def acceptance_limit(required: float, *, standard_uncertainty: float, probability: float) -> float:
    """Smallest measured value that proves 'at least required' with this probability.

    Parameters
    ----------
    required : the requirement, above 0, taken as exact
    standard_uncertainty : k = 1, same unit, above 0
    probability : conformance probability, at least 0.5, below 1

    Returns
    -------
    ``R + z u`` in the same unit.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Normal distribution; one guard band only.

    Source
    ------
    JCGM 106:2012 (from memory); ILAC-G8:09/2019 section 4.2, AL = TL + w (p. 9 seen).

    Examples
    --------
    >>> round(acceptance_limit(60.0, standard_uncertainty=1.2, probability=0.95), 3)
    61.974
    """
    limit = _positive("required", required)
    spread = plausible.uncertainty("standard_uncertainty", standard_uncertainty)
    return limit + z_for_probability(probability) * spread


def false_accept_probability(guard_band_in_standard_uncertainties: float) -> float:
    """Largest probability of accepting a bad item, for a value measured at the acceptance limit.

    Parameters
    ----------
    guard_band_in_standard_uncertainties : guard band w over u, at least 0, at most 6; w = U with
        k = 2 is 2

    Returns
    -------
    Probability, 0 to 0.5.

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Normal distribution.

    Source
    ------
    ILAC-G8:09/2019: below 2.5 % for w = U (secondary pages seen).

    Examples
    --------
    >>> round(false_accept_probability(2.0), 4)
    0.0228
    """
    window = plausible.Window("w over u", at_least=0.0, at_most=6.0)
    name = "guard_band_in_standard_uncertainties"
    return _NORMAL.cdf(-window.check(name, guard_band_in_standard_uncertainties))


@dataclass(frozen=True)
class Decision:
    """One measured value against one requirement, with everything the verdict rests on."""

    verdict: Verdict
    measured: float
    standard_uncertainty: float
    required: float
    sense: str
    probability: float
    acceptance_limit: float
    rejection_limit: float
    conformance_probability: float
    words: str


def decide_at_least(
    measured: float, *, standard_uncertainty: float, required: float, probability: float
) -> Decision:
    """Decide 'at least required' in three zones, or say that the test is not able.

    Parameters
    ----------
    measured : measured value, at least 0
    standard_uncertainty : k = 1, same unit, above 0
    required : the requirement, above 0, taken as exact
    probability : conformance probability for pass, at least 0.5, below 1

    Returns
    -------
    Decision: pass at or above ``R + z u``; fail at or below ``R - z u``; undecided between; test
    not able when u is above a tenth of the requirement, whatever was measured.

    Raises
    ------
    OutOfRange : an input missing or insane; a missing uncertainty is never taken as zero

    Assumptions
    -----------
    Normal distribution; 'undecided' does not count as proven.

    Source
    ------
    JCGM 106:2012; ILAC-G8:09/2019 section 4.2 (p. 9 seen); three zones.

    Examples
    --------
    >>> decide_at_least(63.0, standard_uncertainty=1.2, required=60.0, probability=0.95).verdict
    <Verdict.PASS: 'pass'>
    >>> decide_at_least(59.0, standard_uncertainty=1.2, required=60.0, probability=0.95).verdict
    <Verdict.UNDECIDED: 'undecided'>
    """
    return _decide(measured, standard_uncertainty, required, probability, sense="at least")


def decide_at_most(
    measured: float, *, standard_uncertainty: float, limit: float, probability: float
) -> Decision:
    """Decide 'at most limit' in three zones, or say that the test is not able.

    Parameters
    ----------
    measured : measured value, at least 0
    standard_uncertainty : k = 1, same unit, above 0
    limit : the upper limit, above 0, taken as exact
    probability : conformance probability for pass, at least 0.5, below 1

    Returns
    -------
    Decision: pass at or below ``L - z u``; fail at or above ``L + z u``; undecided between; test
    not able when u is above a tenth of the limit.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    As `decide_at_least`, mirrored.

    Source
    ------
    As `decide_at_least`.

    Examples
    --------
    >>> decide_at_most(6.0, standard_uncertainty=0.2, limit=8.0, probability=0.95).verdict
    <Verdict.PASS: 'pass'>
    """
    return _decide(measured, standard_uncertainty, limit, probability, sense="at most")


def _decide(
    measured: float, standard_uncertainty: float, bound: float, probability: float, *, sense: str
) -> Decision:
    name = "required" if sense == "at least" else "limit"
    value = plausible.Window("a measured amount", at_least=0.0).check("measured", measured)
    spread = plausible.uncertainty("standard_uncertainty", standard_uncertainty)
    limit = _positive(name, bound)
    if value > 1000.0 * limit:
        raise OutOfRange("measured", value, f"at most 1000 times {name}", "check the units")
    z = z_for_probability(probability)
    sign = 1.0 if sense == "at least" else -1.0
    accept, reject = limit + sign * z * spread, limit - sign * z * spread
    conforming = _NORMAL.cdf(sign * (value - limit) / spread)
    if spread > ABLE_SHARE * limit:
        verdict = Verdict.NOT_ABLE
        words = f"uncertainty {spread:.4g} is above a tenth of {limit:.4g}: use a better method"
    elif sign * (value - accept) >= 0.0:
        verdict = Verdict.PASS
        words = f"{value:.4g} keeps {sense} {accept:.4g} (limit {limit:.4g} with guard band)"
    elif sign * (value - reject) <= 0.0:
        verdict = Verdict.FAIL
        words = f"{value:.4g} breaks {sense} {limit:.4g} by more than the guard band"
    else:
        verdict = Verdict.UNDECIDED
        words = f"{value:.4g} lies inside the guard band of {limit:.4g}: not proven, repeat better"
    return Decision(
        verdict, value, spread, limit, sense, probability, accept, reject, conforming, words
    )


def _positive(name: str, value: float) -> float:
    return plausible.Window("a requirement", above=0.0).check(name, value)
