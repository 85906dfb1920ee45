"""Weibull lives: general-purpose library, brute force, limits, refusals.

The published fits themselves are rows R01 to R14 of the reliability table under tests/checks.
"""

from math import exp, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import CensoredData, chi2, weibull_min

from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange
from valvecare.engineering.lifetimes import (
    life_at,
    log_scale_intervals,
    shape_interval,
    shape_with_family,
    weibayes_scale,
    weibull_fit,
    weibull_fits,
)

HOURS = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
FAILED = [1] * 10 + [0] * 10
MIXED = [1800, 2600, 4100, 3000, 5000, 5000]
MIXED_FAILED = [1, 1, 1, 0, 0, 0]


@pytest.mark.parametrize(("times", "failed"), [(HOURS, FAILED), (MIXED, MIXED_FAILED)])
def test_fit_equals_a_general_purpose_library(times, failed):
    life, flags = np.array(times, dtype=float), np.array(failed, dtype=bool)
    fit = weibull_fit(times, failed)
    data = CensoredData(uncensored=life[flags], right=life[~flags])
    shape, _, scale = weibull_min.fit(data, floc=0)
    assert (fit.shape, fit.scale) == pytest.approx((shape, scale), rel=1e-4)
    assert fit.log_likelihood >= -weibull_min.nnlf((shape, 0, scale), life[flags]) + (
        weibull_min.logsf(life[~flags], shape, scale=scale).sum() - 1e-9
    )


def _log_likelihood(shape, scale):
    life, flags = np.array(HOURS, dtype=float), np.array(FAILED, dtype=bool)
    return (
        weibull_min.logpdf(life[flags], shape, scale=scale).sum()
        + weibull_min.logsf(life[~flags], shape, scale=scale).sum()
    )


def test_log_likelihood_is_that_of_the_library_and_the_maximum():
    fit = weibull_fit(HOURS, FAILED)
    assert fit.log_likelihood == pytest.approx(_log_likelihood(fit.shape, fit.scale), rel=1e-12)
    for shape, scale in ((1.01, 1), (0.99, 1), (1, 1.01), (1, 0.99)):
        assert _log_likelihood(fit.shape * shape, fit.scale * scale) < fit.log_likelihood


def test_limits_of_the_likelihood_ratio_lie_on_its_contour():
    fit = weibull_fit(HOURS, FAILED)
    drop = chi2.ppf(0.9, 1) / 2
    for shape in (found := shape_interval(HOURS, FAILED, confidence=0.9)).low, found.high:
        scale = weibayes_scale(HOURS, failures=10, shape=shape)
        assert _log_likelihood(shape, scale) == pytest.approx(fit.log_likelihood - drop, abs=1e-9)


def test_life_limits_equal_a_search_over_the_whole_region():
    found = life_at(HOURS, FAILED, probability=0.1, confidence=0.9)
    fit = weibull_fit(HOURS, FAILED)
    floor = fit.log_likelihood - chi2.ppf(0.9, 1) / 2
    lives = []
    for shape in np.linspace(0.7, 3.2, 700):
        power = np.array(HOURS, dtype=float) ** shape
        scales = np.geomspace(250, 2500, 4000)
        level = (
            10 * np.log(shape)
            - 10 * shape * np.log(scales)
            + (shape - 1) * np.log(HOURS[:10]).sum()
            - power.sum() / scales**shape
        )
        inside = scales[level >= floor]
        lives.extend(inside[[0, -1]] * (-log(0.9)) ** (1 / shape) if inside.size else [])
    assert found.low == pytest.approx(min(lives), rel=2e-3)
    assert found.high == pytest.approx(max(lives), rel=2e-3)


def test_many_sets_in_one_call_equal_one_by_one():
    rng = np.random.default_rng(12)
    life = 8000 * rng.weibull(2.0, (300, 20))
    stop = rng.uniform(1500, 9000, (300, 1))
    failed = life <= stop
    times = np.minimum(life, stop)
    times[rng.random(times.shape) < 0.15] = np.nan
    fits = weibull_fits(times, failed)
    refused = 0
    for row, flags, shape, scale in zip(times, failed, fits.shape, fits.scale, strict=True):
        known = ~np.isnan(row)
        try:
            single = weibull_fit(row[known], flags[known])
        except (NotEnoughData, NoSolution):
            refused += 1
            assert np.isnan(shape)
            continue
        assert (shape, scale) == pytest.approx((single.shape, single.scale), rel=1e-9)
    assert 0 < refused < 60


def test_steep_lives_do_not_overflow():
    times = [10_000, 10_020, 10_050, 9_950, 10_100]
    fit = weibull_fit(times, [1, 1, 1, 1, 0])
    assert 60 < fit.shape < 400
    low_high = shape_interval(times, [1, 1, 1, 1, 0], confidence=0.9)
    assert 0 < low_high.low < fit.shape < low_high.high < 1000


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.floats(10, 50_000), st.booleans()), min_size=4, max_size=25),
    st.floats(0.01, 1000),
)
def test_the_unit_of_time_is_no_matter_and_the_score_is_zero(rows, factor):
    times, failed = (np.array(column) for column in zip(*rows, strict=True))
    try:
        fit = weibull_fit(times, failed)
    except (NotEnoughData, NoSolution):
        return
    scaled = weibull_fit(times * factor, failed)
    assert scaled.shape == pytest.approx(fit.shape, rel=1e-6)
    assert scaled.scale == pytest.approx(fit.scale * factor, rel=1e-6)
    x = np.log(times) - np.log(times).max()
    weight = np.exp(fit.shape * x)
    score = (weight * x).sum() / weight.sum() - 1 / fit.shape - x[failed].mean()
    assert abs(score) <= 1e-9 * max(1.0, abs(x[failed].mean()))


def test_the_family_pulls_between_its_shape_and_the_data():
    alone = weibull_fit(MIXED, MIXED_FAILED).shape
    loose, middle, tight = (
        shape_with_family(MIXED, MIXED_FAILED, family_shape=1.2, family_spread=spread).shape
        for spread in (2.0, 0.3, 0.001)
    )
    assert tight == pytest.approx(1.2, rel=1e-4)
    assert loose == pytest.approx(alone, rel=0.1)
    assert 1.2 < middle < loose < alone


def test_family_shape_without_failures_gives_a_lower_limit():
    limit = weibayes_scale([1000.0] * 5, failures=0, shape=2.0, confidence=0.9)
    assert exp(-5 * (1000 / limit) ** 2) == pytest.approx(0.1, rel=1e-9)
    certain = weibayes_scale([1000.0] * 5, failures=0, shape=2.0, confidence=0.99)
    assert certain < limit


def test_log_scale_intervals_are_symmetric_on_their_scales():
    mu, sigma = log_scale_intervals(HOURS, FAILED, confidence=0.95)
    assert mu.high - mu.value == pytest.approx(mu.value - mu.low)
    assert sigma.high / sigma.value == pytest.approx(sigma.value / sigma.low)
    # computed with two general life-data packages: 405.1 to 908.1
    assert (exp(mu.low), exp(mu.high)) == pytest.approx((405.1, 908.1), abs=0.06)


@pytest.mark.parametrize(
    ("case", "error", "call", "reason"),
    [
        ("one failure", NotEnoughData, lambda: weibull_fit([800] * 3, [0, 0, 1]),
         "have 1 failures, need at least 2"),
        ("all at the end", NoSolution, lambda: weibull_fit([5, 9, 9], [0, 1, 1]),
         "Every failure lies at the longest time"),
        ("life of zero", OutOfRange, lambda: weibull_fit([0, 5], [1, 1]), "times is 0.0"),
        ("missing life", OutOfRange, lambda: weibull_fit([np.nan, 5], [1, 1]), "finite"),
        ("other flag", OutOfRange, lambda: weibull_fit([3, 5], [1, 2]), "1 for failed"),
        ("two lengths", OutOfRange, lambda: weibull_fit([3, 5], [1]), "of one length"),
        ("certain", OutOfRange, lambda: shape_interval(HOURS, FAILED, confidence=1), "confidence"),
        ("no share", OutOfRange,
         lambda: life_at(HOURS, FAILED, probability=0, confidence=0.9), "probability is 0.0"),
        ("no family", OutOfRange, lambda: weibayes_scale([5], failures=1, shape=0), "shape is 0.0"),
        ("more failed than there", OutOfRange,
         lambda: weibayes_scale([5], failures=2, shape=1), "failures is 2.0"),
        ("no failure, no confidence", OutOfRange,
         lambda: weibayes_scale([5], failures=0, shape=1), "given for 0 failures, and only then"),
        ("confidence not needed", OutOfRange,
         lambda: weibayes_scale([5], failures=1, shape=1, confidence=0.9), "only then"),
        ("no unit", NotEnoughData,
         lambda: weibayes_scale([], failures=0, shape=1, confidence=0.9), "have no unit"),
        ("family, no failure", NotEnoughData,
         lambda: shape_with_family([5], [0], family_shape=2, family_spread=0.3), "weibayes_scale"),
        ("batch of one row", OutOfRange, lambda: weibull_fits([1, 2], [1, 1]), "\\(sets, n\\)"),
        ("batch, life of zero", OutOfRange, lambda: weibull_fits([[0, 2]], [[1, 1]]), "times is"),
        ("batch, other flag", OutOfRange, lambda: weibull_fits([[1, 2]], [[1, 3]]), "failed is"),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, error, call, reason):
    with pytest.raises(error, match=reason):
        call()
