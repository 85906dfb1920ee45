"""Hidden failures: how often to test a function that nobody misses until it is needed.

A stuck valve is found at a test, not when it sticks. The record is 'found good' or 'found
failed', so the rate comes from counts of tests, never from the dates of discovery.
"""

from dataclasses import dataclass
from math import comb, expm1, log, log1p

from valvecare.engineering.errors import NotEnoughData, OutOfRange, require_between


@dataclass(frozen=True, slots=True)
class HiddenRate:
    """Rate of a hidden failure from tests: point value and one-sided upper limit, per hour."""

    per_h: float
    upper_per_h: float


def _whole(name: str, value: object, *, at_least: float, at_most: float | None = None) -> int:
    number = require_between(name, value, at_least=at_least, at_most=at_most)
    if number != int(number):
        raise OutOfRange(name, number, "a whole number")
    return int(number)


def mean_unavailability(rate_per_h: float, *, interval_h: float) -> float:
    """Share of time a function is lost unnoticed when it is tested at a fixed interval.

    Parameters
    ----------
    rate_per_h : constant rate of the hidden failure, at least 0
    interval_h : from test to test, above 0

    Returns
    -------
    share, 0 to below 1

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    The test finds every failure and the repair is at once; the test itself does no harm.

    Source
    ------
    U = 1 - (1 - e^-x)/x, x = rate x interval, about x/2 (textbook). Worked case R40.

    Examples
    --------
    >>> round(mean_unavailability(1e-5, interval_h=8760), 8)
    0.04254857
    """
    rate = require_between("rate_per_h", rate_per_h, at_least=0)
    expected = rate * require_between("interval_h", interval_h, above=0)
    if expected < 1e-4:  # series: the closed form loses digits here
        return expected / 2 - expected * expected / 6
    return 1 + expm1(-expected) / expected


def failure_finding_interval(rate_per_h: float, *, availability: float) -> float:
    """Longest interval between tests that keeps a wanted availability of a hidden function.

    Parameters
    ----------
    rate_per_h : constant rate of the hidden failure, above 0; use an upper limit for safety
    availability : wanted share of time, above 0 and below 1

    Returns
    -------
    hours

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    As `mean_unavailability`.

    Source
    ------
    Root of `mean_unavailability`. The usual 2 (1 - A)/rate is always shorter (common practice in
    reliability-centred maintenance texts, from memory). Worked case R41.

    Examples
    --------
    >>> round(failure_finding_interval(1e-5, availability=0.98), 2)
    4054.24
    """
    from scipy.optimize import brentq  # late: costs most of a second

    rate = require_between("rate_per_h", rate_per_h, above=0)
    lost = 1 - require_between("availability", availability, above=0, below=1)
    high = 2 * lost
    while mean_unavailability(1.0, interval_h=high) < lost:
        high *= 2
    root = brentq(
        lambda x: mean_unavailability(1.0, interval_h=x) - lost, lost, high, xtol=1e-14, rtol=1e-13
    )
    return float(root) / rate


def approximate_interval(rate_per_h: float, *, availability: float) -> float:
    """The rule of thumb for the failure-finding interval, 2 (1 - A)/rate.

    Parameters
    ----------
    rate_per_h : constant rate of the hidden failure, above 0
    availability : wanted share of time, above 0 and below 1

    Returns
    -------
    hours, never longer than `failure_finding_interval`

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    As `mean_unavailability`, and that little is lost: 1.3 % short at 0.98, more below.

    Source
    ------
    Common practice in reliability-centred maintenance texts (from memory). Worked case R41.

    Examples
    --------
    >>> round(approximate_interval(1e-5, availability=0.98), 6)
    4000.0
    """
    lost = 1 - require_between("availability", availability, above=0, below=1)
    return 2 * lost / require_between("rate_per_h", rate_per_h, above=0)


def interval_for_damage_rate(
    rate_per_h: float, *, demands_per_h: float, damages_per_h: float
) -> float:
    """Test interval that keeps the rate of damage at or below a wanted one.

    Parameters
    ----------
    rate_per_h : rate of the hidden failure, above 0
    demands_per_h : how often the function is needed, above 0
    damages_per_h : wanted most, above 0 and below `demands_per_h`

    Returns
    -------
    hours

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Every demand on a failed function does damage; demands are rare against tests and independent
    of the failure.

    Source
    ------
    demand rate x unavailability = damage rate (form known from reliability-centred maintenance
    texts, from memory).

    Examples
    --------
    >>> round(interval_for_damage_rate(1e-5, demands_per_h=1 / 8760, damages_per_h=1 / 438000), 2)
    4054.24
    """
    demands = require_between("demands_per_h", demands_per_h, above=0)
    damages = require_between("damages_per_h", damages_per_h, above=0, below=demands)
    return failure_finding_interval(rate_per_h, availability=1 - damages / demands)


def rate_from_tests(
    tests: int, *, found_failed: int, interval_h: float, confidence: float
) -> HiddenRate:
    """Rate of a hidden failure from the results of tests at one interval.

    Parameters
    ----------
    tests : number of tests, at least 1
    found_failed : how many found the function lost, 0 to `tests` - 1
    interval_h : time since the test before, above 0, the same for all
    confidence : one-sided for the upper limit, above 0 and below 1

    Returns
    -------
    HiddenRate per hour; the point value is 0 when none was found failed, the limit never is

    Raises
    ------
    OutOfRange : inputs not as above
    NotEnoughData : every test found it failed; the rate has no upper end

    Assumptions
    -----------
    Constant rate, good as new after each test, tests independent.

    Source
    ------
    -ln(1 - k/n)/T with the Clopper-Pearson upper limit of the share (textbook). Worked case R44.

    Examples
    --------
    >>> found = rate_from_tests(60, found_failed=3, interval_h=8760, confidence=0.9)
    >>> round(found.per_h * 1e6, 5), round(found.upper_per_h * 1e6, 4)
    (5.8554, 13.0423)
    """
    from scipy.special import betaincinv  # late: costs a fifth of a second

    count = _whole("tests", tests, at_least=1)
    failed = _whole("found_failed", found_failed, at_least=0, at_most=count)
    hours = require_between("interval_h", interval_h, above=0)
    level = require_between("confidence", confidence, above=0, below=1)
    if failed == count:
        raise NotEnoughData(f"{failed} of {count} tests failed", "at least one test found good")
    upper = float(betaincinv(failed + 1, count - failed, level))
    return HiddenRate(-log1p(-failed / count) / hours, -log1p(-upper) / hours)


def probability_of_failure_on_demand(
    rate_per_h: float, *, interval_h: float, repair_h: float
) -> float:
    """Mean probability that a single function fails on demand.

    Parameters
    ----------
    rate_per_h : rate of the undetected dangerous failure, at least 0
    interval_h : from proof test to proof test, above 0
    repair_h : mean time to repair after it is found, at least 0

    Returns
    -------
    probability; the form is for values well below 1 and refuses above 0.1

    Raises
    ------
    OutOfRange : inputs not as above, or a result above 0.1

    Assumptions
    -----------
    The proof test finds everything.

    Source
    ------
    IEC 61508-6 Annex B, one channel: rate (T1/2 + MTTR) (from memory). Worked case R45.

    Examples
    --------
    >>> round(probability_of_failure_on_demand(5e-8, interval_h=8760, repair_h=8), 7)
    0.0002194
    """
    rate = require_between("rate_per_h", rate_per_h, at_least=0)
    down = require_between("interval_h", interval_h, above=0) / 2 + require_between(
        "repair_h", repair_h, at_least=0
    )
    return require_between("probability", rate * down, at_most=0.1, why="valid for small values")


def probability_with_partial_test(
    rate_per_h: float, *, interval_h: float, coverage: float, overhaul_h: float
) -> float:
    """Mean probability of failure on demand when the test finds only part of the failures.

    Parameters
    ----------
    rate_per_h : rate of the undetected dangerous failure, at least 0
    interval_h : from test to test, above 0
    coverage : share of failures the test finds, 0 to 1
    overhaul_h : from overhaul to overhaul, which finds the rest, at least `interval_h`

    Returns
    -------
    probability; refuses above 0.1 as the single-function form does

    Raises
    ------
    OutOfRange : inputs not as above, or a result above 0.1

    Assumptions
    -----------
    Repair is at once.

    Source
    ------
    C rate T/2 + (1 - C) rate TL/2 (textbook). Worked case R46.

    Examples
    --------
    >>> round(probability_with_partial_test(2e-6, interval_h=8760, coverage=0.8,
    ...     overhaul_h=52560), 5)
    0.01752
    """
    rate = require_between("rate_per_h", rate_per_h, at_least=0)
    test = require_between("interval_h", interval_h, above=0)
    share = require_between("coverage", coverage, at_least=0, at_most=1)
    full = require_between("overhaul_h", overhaul_h, at_least=test)
    return require_between(
        "probability",
        share * rate * test / 2 + (1 - share) * rate * full / 2,
        at_most=0.1,
        why="valid for small values",
    )


def inspections_within_warning(p_accept: float, *, p_detect: float) -> float:
    """How many inspections must fall into the warning time of a failure.

    Parameters
    ----------
    p_accept : accepted probability of missing it every time, above 0 and below 1
    p_detect : probability that one inspection sees it, above 0 and below 1

    Returns
    -------
    number of inspections (not rounded); interval = warning time / number

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Inspections miss independently.

    Source
    ------
    NAVAIR 00-25-403: n = ln(Pacc)/ln(1 - theta) (seen quoted in a lecture). Worked case R48.

    Examples
    --------
    >>> round(inspections_within_warning(0.01, p_detect=0.9), 9)
    2.0
    """
    accept = require_between("p_accept", p_accept, above=0, below=1)
    return log(accept) / log1p(-require_between("p_detect", p_detect, above=0, below=1))


def sample_detection(group: int, *, defective: int, sample: int) -> float:
    """Probability that a sample of a group shows at least one defective item.

    Parameters
    ----------
    group : items, at least 1
    defective : of them, 0 to `group`
    sample : items opened, 0 to `group`

    Returns
    -------
    probability

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    The sample is random; opening an item always shows the defect.

    Source
    ------
    Hypergeometric distribution (textbook). Worked case R71.

    Examples
    --------
    >>> round(sample_detection(10, defective=2, sample=3), 6)
    0.533333
    """
    size = _whole("group", group, at_least=1)
    bad = _whole("defective", defective, at_least=0, at_most=size)
    drawn = _whole("sample", sample, at_least=0, at_most=size)
    return 1 - comb(size - bad, drawn) / comb(size, drawn)
