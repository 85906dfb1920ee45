"""Hidden failures and constant rates: brute force, simulation-free identities, refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta, binom, chi2, gamma, hypergeom

from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.failure_finding import (
    approximate_interval,
    failure_finding_interval,
    inspections_within_warning,
    interval_for_damage_rate,
    mean_unavailability,
    probability_of_failure_on_demand,
    probability_with_partial_test,
    rate_from_tests,
    sample_detection,
)
from valvecare.engineering.failure_rates import (
    failure_rate,
    mean_time_limits,
    mean_time_lower,
    pooled_rate,
    time_share,
)


@pytest.mark.parametrize("expected", [1e-12, 1e-6, 0.99e-4, 1.01e-4, 0.01, 0.5, 5.0, 400.0])
def test_unavailability_is_the_mean_of_the_loss_over_the_interval(expected):
    integral, _ = quad(lambda x: -np.expm1(-expected * x), 0, 1, epsabs=0, epsrel=1e-12)
    assert mean_unavailability(expected, interval_h=1.0) == pytest.approx(integral, rel=1e-8)


@given(st.floats(1e-9, 1e-2), st.floats(0.01, 0.99999))
def test_interval_gives_the_wanted_availability_and_the_rule_of_thumb_is_shorter(rate, wanted):
    interval = failure_finding_interval(rate, availability=wanted)
    assert mean_unavailability(rate, interval_h=interval) == pytest.approx(1 - wanted, rel=1e-7)
    assert approximate_interval(rate, availability=wanted) <= interval * (1 + 1e-9)


def test_rule_of_thumb_is_a_little_short():
    exact = failure_finding_interval(1e-5, availability=0.98)
    assert 1 - approximate_interval(1e-5, availability=0.98) / exact == pytest.approx(
        0.013, abs=5e-4
    )


def test_rarer_demands_and_more_accepted_damage_allow_longer_intervals():
    often = interval_for_damage_rate(1e-5, demands_per_h=1e-3, damages_per_h=1e-6)
    assert interval_for_damage_rate(1e-5, demands_per_h=1e-4, damages_per_h=1e-6) > often
    assert interval_for_damage_rate(1e-5, demands_per_h=1e-3, damages_per_h=2e-6) > often


@pytest.mark.parametrize(("tests", "failed"), [(10, 0), (60, 3), (5, 4)])
def test_upper_limit_is_where_so_few_failures_become_unlikely(tests, failed):
    found = rate_from_tests(tests, found_failed=failed, interval_h=8760, confidence=0.9)
    share = -np.expm1(-found.upper_per_h * 8760)
    assert binom.cdf(failed, tests, share) == pytest.approx(0.1, rel=1e-9)
    assert share == pytest.approx(beta.ppf(0.9, failed + 1, tests - failed), rel=1e-12)
    assert found.per_h == pytest.approx(-np.log(1 - failed / tests) / 8760, abs=1e-18)


def test_mean_time_limits_equal_the_published_formula():
    low, high = mean_time_limits(2, hours=800, confidence=0.9)
    assert low == pytest.approx(1600 / chi2.ppf(0.95, 6), rel=1e-12)
    assert high == pytest.approx(1600 / chi2.ppf(0.05, 4), rel=1e-12)
    none = mean_time_limits(0, hours=800, confidence=0.9)
    assert none == (pytest.approx(800 / -np.log(0.1)), np.inf)
    at_failure = mean_time_lower(2, hours=800, confidence=0.9, stops_at_failure=True)
    at_time = mean_time_lower(2, hours=800, confidence=0.9, stops_at_failure=False)
    assert at_failure == pytest.approx(1600 / chi2.ppf(0.9, 4), rel=1e-12)
    assert at_time < at_failure


def test_pooled_rate_moves_from_the_prior_to_the_data():
    prior = {"prior_shape": 1.5, "prior_hours": 60_000, "confidence": 0.9}
    nothing = pooled_rate(0, hours=0, **prior)
    assert nothing.per_h == 1.5 / 60_000
    much = pooled_rate(4000, hours=1e8, **prior)
    assert much.per_h == pytest.approx(4e-5, rel=1e-3)
    assert nothing.low_per_h == pytest.approx(gamma.ppf(0.05, 1.5) / 60_000, rel=1e-9)
    clean = pooled_rate(0, hours=40_000, **prior)
    assert clean.high_per_h < nothing.high_per_h


def test_detection_equals_the_hypergeometric_distribution():
    for group, bad, drawn in ((10, 2, 3), (4, 1, 4), (32, 5, 8), (5, 0, 5)):
        assert sample_detection(group, defective=bad, sample=drawn) == pytest.approx(
            1 - hypergeom.pmf(0, group, bad, drawn), abs=1e-12
        )


def test_partial_test_lies_between_full_test_and_overhaul_only():
    full, none, part = (
        probability_with_partial_test(2e-6, interval_h=8760, coverage=c, overhaul_h=52_560)
        for c in (1.0, 0.0, 0.8)
    )
    assert full == pytest.approx(
        probability_of_failure_on_demand(2e-6, interval_h=8760, repair_h=0)
    )
    assert full < part < none
    assert inspections_within_warning(0.1, p_detect=0.9) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("case", "error", "call", "reason"),
    [
        ("negative rate", OutOfRange, lambda: mean_unavailability(-1e-5, interval_h=1),
         "rate_per_h is -1e-05; it must be at least 0"),
        ("no interval", OutOfRange, lambda: mean_unavailability(1e-5, interval_h=0), "interval_h"),
        ("always there", OutOfRange, lambda: failure_finding_interval(1e-5, availability=1),
         "availability is 1.0; it must be above 0 and below 1"),
        ("more damage than demand", OutOfRange,
         lambda: interval_for_damage_rate(1e-5, demands_per_h=1e-6, damages_per_h=1e-5),
         "damages_per_h is 1e-05"),
        ("all failed", NotEnoughData,
         lambda: rate_from_tests(3, found_failed=3, interval_h=1, confidence=0.9),
         "have 3 of 3 tests failed, need at least one test found good"),
        ("no test", OutOfRange,
         lambda: rate_from_tests(0, found_failed=0, interval_h=1, confidence=0.9), "tests is 0.0"),
        ("half a test", OutOfRange,
         lambda: rate_from_tests(2.5, found_failed=0, interval_h=1, confidence=0.9), "whole"),
        ("not small", OutOfRange,
         lambda: probability_of_failure_on_demand(1e-4, interval_h=8760, repair_h=0),
         "valid for small values"),
        ("coverage above one", OutOfRange,
         lambda: probability_with_partial_test(1e-6, interval_h=1, coverage=1.1, overhaul_h=2),
         "coverage is 1.1"),
        ("overhaul before test", OutOfRange,
         lambda: probability_with_partial_test(1e-6, interval_h=9, coverage=1, overhaul_h=2),
         "overhaul_h is 2.0; it must be at least 9"),
        ("sure to see", OutOfRange, lambda: inspections_within_warning(0.1, p_detect=1.0), "p_det"),
        ("sample too large", OutOfRange,
         lambda: sample_detection(3, defective=1, sample=4), "sample is 4.0"),
        ("half a failure", OutOfRange, lambda: failure_rate(0.5, hours=1), "a whole number"),
        ("no hours", OutOfRange, lambda: failure_rate(1, hours=0), "hours is 0.0"),
        ("stopped at no failure", OutOfRange,
         lambda: mean_time_lower(0, hours=1, confidence=0.9, stops_at_failure=True),
         "failures is 0; it must be at least 1"),
        ("no prior", OutOfRange,
         lambda: pooled_rate(1, hours=1, prior_shape=0, prior_hours=1, confidence=0.9),
         "prior_shape is 0.0"),
        ("more lost than there", OutOfRange, lambda: time_share(10, lost=11), "lost is 11.0"),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, error, call, reason):
    with pytest.raises(error, match=reason):
        call()
