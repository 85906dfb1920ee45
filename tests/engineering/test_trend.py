"""Trend: worked cases, a general statistics library, brute force, refusals, properties."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kendalltau, theilslopes

from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.trend import (
    LimitSide,
    kendall_test,
    limit_crossing,
    theil_sen,
    theil_sen_slopes,
)

DAYS = [0, 30, 61, 92, 122, 153, 183, 214]
LEAK = [0.8, 1.0, 0.9, 1.3, 1.5, 1.4, 3.9, 1.9]
RISING = {"bad_side": LimitSide.ABOVE, "confidence": 0.9}


def test_worked_case():
    """Open cases R61 and R63; one outlier among eight points."""
    found = limit_crossing(DAYS, LEAK, limit=4.0, **RISING)
    assert found.slope.per_day == pytest.approx(0.0054347826, rel=1e-6)
    assert found.slope.low_per_day == pytest.approx(0.0039215686, rel=1e-6)
    assert found.slope.high_per_day == pytest.approx(0.012903226, rel=1e-6)
    assert (found.earliest_day, found.likely_day, found.latest_day) == pytest.approx(
        (312.375, 594.6, 782.75), rel=1e-6
    )
    assert found.kendall.tau == pytest.approx(0.78571429, rel=1e-6)
    assert found.kendall.p_two_sided == pytest.approx(0.0055059524, rel=1e-6)
    assert (found.reason, found.is_beyond_now) == ("crosses", False)


def test_one_outlier_hardly_moves_the_slope():
    """0.0051 without the outlier, 0.0054 with it; least squares goes from 0.0050 to 0.0093."""
    without = [(d, v) for d, v in zip(DAYS, LEAK, strict=True) if v != 3.9]
    slopes = [
        (round(theil_sen(d, v, confidence=0.9).per_day, 4), round(np.polyfit(d, v, 1)[0], 4))
        for d, v in (tuple(zip(*without, strict=True)), (DAYS, LEAK))
    ]
    assert slopes == [(0.0051, 0.0050), (0.0054, 0.0093)]


@pytest.mark.parametrize("seed", range(12))
def test_slope_interval_and_test_equal_a_reference_library(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(5, 40))
    days = np.sort(rng.choice(400, count, replace=False)).astype(float)
    values = 0.01 * days + rng.normal(0, 1, count)
    if seed % 3 == 0:  # ties, as a coarse display gives
        values = np.round(values)
    mine = theil_sen(days, values, confidence=0.9)
    theirs = theilslopes(values, days, alpha=0.9)
    assert (mine.per_day, mine.low_per_day, mine.high_per_day) == pytest.approx(
        (theirs.slope, theirs.low_slope, theirs.high_slope), rel=1e-12
    )
    test = kendall_test(days, values)
    method = "exact" if test.is_exact else "asymptotic"
    outside = kendalltau(days, values, method=method)
    assert test.tau == pytest.approx(outside.statistic, rel=1e-12)
    assert test.p_two_sided == pytest.approx(outside.pvalue, rel=1e-9)
    assert test.is_exact is (seed % 3 != 0)


@pytest.mark.parametrize("points", [3, 4, 5, 6, 7])
def test_exact_probability_equals_counting_every_order(points):
    days = np.arange(points)
    everything = [kendall_test(days, order).tau for order in permutations(range(points))]
    for values in ([*range(points)], [1, 0, *range(2, points)], [*range(points)][::-1]):
        mine = kendall_test(days, values)
        share = np.mean([abs(tau) >= abs(mine.tau) - 1e-12 for tau in everything])
        assert mine.p_two_sided == pytest.approx(share, rel=1e-12)


@pytest.mark.parametrize(
    ("case", "values", "limit", "side", "reason", "dated"),
    [
        ("four points", [1, 2, 3, 4], 9, "above", "too_few_points", (0, 0, 0)),
        ("no trend", [1.0, 1.3, 0.9, 1.2, 1.0, 1.1], 4, "above", "not_shown", (0, 0, 0)),
        ("constant", [1.0] * 6, 4, "above", "not_shown", (0, 0, 0)),
        ("improving", [6, 5, 4, 3, 2, 1], 9, "above", "heads_away", (0, 0, 0)),
        ("rising", [1, 2, 3, 4, 5, 6], 9, "above", "crosses", (1, 1, 1)),
        ("falling to a lower limit", [9, 8, 7, 6, 5, 4], 1, "below", "crosses", (1, 1, 1)),
        ("over the limit", [1, 2, 3, 4, 5, 6], 5.5, "above", "reached", (1, 1, 1)),
        ("under the limit", [9, 8, 7, 6, 5, 4], 4.5, "below", "reached", (1, 1, 1)),
        (
            "shallow end does not rise",
            [0.4, -0.3, 0.7, 2.0, 3.1, 0.7, 3.9],
            9,
            "above",
            "no_latest",
            (1, 1, 0),
        ),
    ],
)
def test_what_cannot_be_said_is_not_said(case, values, limit, side, reason, dated):
    found = limit_crossing(
        np.arange(len(values)) * 10, values, limit=limit, bad_side=LimitSide(side), confidence=0.95
    )
    assert found.reason == reason
    shown = (found.earliest_day, found.likely_day, found.latest_day)
    assert tuple(int(day is not None) for day in shown) == dated


def test_a_last_value_beyond_the_limit_is_said_even_without_a_trend():
    found = limit_crossing([0, 10], [1.0, 5.0], limit=4.0, **RISING)
    assert (found.reason, found.is_beyond_now) == ("too_few_points", True)
    falling = limit_crossing(range(6), [9, 8, 7, 6, 5, 4.5], limit=4.0, **RISING)
    assert (falling.reason, falling.is_beyond_now) == ("heads_away", True)
    assert limit_crossing([], [], limit=4.0, **RISING).is_beyond_now is False


def test_no_crossing_lies_before_the_last_point():
    """The steep end of the interval would have crossed already; the line has not."""
    values = [0.4, -0.3, 0.7, 2.0, 3.1, 0.7, 3.9]
    found = limit_crossing(range(7), values, limit=4.0, **RISING)
    assert found.reason == "crosses"
    steep = found.slope.middle_day + (4.0 - found.slope.middle_value) / found.slope.high_per_day
    assert steep < 6 == found.earliest_day < found.likely_day


def test_a_mirrored_series_has_the_mirrored_answer():
    up = limit_crossing(DAYS, LEAK, limit=4.0, **RISING)
    down = limit_crossing(
        DAYS, [-v for v in LEAK], limit=-4.0, bad_side=LimitSide.BELOW, confidence=0.9
    )
    assert (down.earliest_day, down.likely_day, down.latest_day) == (
        up.earliest_day,
        up.likely_day,
        up.latest_day,
    )


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(-50, 50), min_size=5, max_size=20, unique=True),
    st.randoms(use_true_random=False),
    st.floats(60, 500),
)
def test_order_of_points_makes_no_difference_and_the_band_is_in_order(values, shuffler, limit):
    rows = list(enumerate(values))
    first = limit_crossing(*zip(*rows, strict=True), limit=limit, **RISING)
    shuffler.shuffle(rows)
    assert limit_crossing(*zip(*rows, strict=True), limit=limit, **RISING) == first
    if first.likely_day is not None:
        assert len(values) - 1 <= first.earliest_day <= first.likely_day
        assert first.latest_day is None or first.likely_day <= first.latest_day
        nearer = limit_crossing(range(len(values)), values, limit=limit - 5, **RISING)
        assert nearer.likely_day <= first.likely_day


def test_many_series_equal_one_by_one():
    rng = np.random.default_rng(2)
    days = np.sort(rng.choice(60, 30, replace=False)).astype(float)
    values = rng.normal(0, 1, (400, 30)) + 0.02 * days
    values[rng.random(values.shape) < 0.2] = np.nan
    values[0] = np.nan
    values[1, 1:] = np.nan
    slopes = theil_sen_slopes(days, values)
    assert np.isnan(slopes[:2]).all()
    for row, slope in zip(values[2:], slopes[2:], strict=True):
        known = ~np.isnan(row)
        assert slope == pytest.approx(theilslopes(row[known], days[known]).slope, rel=1e-12)


@pytest.mark.parametrize(
    ("case", "error", "call", "reason"),
    [
        ("missing value", OutOfRange, lambda: theil_sen([0, 1], [1, np.nan], confidence=0.9),
         "values is .* finite"),
        ("one day", OutOfRange, lambda: theil_sen([3, 3], [1, 2], confidence=0.9),
         "days is 'one day only'; it must be at least two different days"),
        ("one point", NotEnoughData, lambda: kendall_test([3], [1]), "have 1 points"),
        ("too many", OutOfRange, lambda: kendall_test(range(2001), range(2001)), "average first"),
        ("two lengths", OutOfRange, lambda: limit_crossing([1, 2], [1], limit=1, **RISING),
         "of one length"),
        ("test, two lengths", OutOfRange, lambda: kendall_test([1, 2], [1]), "of one length"),
        ("no limit", OutOfRange, lambda: limit_crossing(DAYS, LEAK, limit=None, **RISING),
         "limit is None; it must be given"),
        ("certain", OutOfRange, lambda: theil_sen(DAYS, LEAK, confidence=1.0), "confidence is 1.0"),
        ("no side", OutOfRange, lambda: limit_crossing(DAYS, LEAK, limit=4, bad_side="up",
                                                       confidence=0.9), "bad_side is 'up'"),
        ("two points enough", OutOfRange, lambda: limit_crossing(
            DAYS, LEAK, limit=4, least_points=2, **RISING), "least_points is 2.0"),
        ("days not ascending", OutOfRange, lambda: theil_sen_slopes([1, 0], [[1, 2]]), "ascending"),
        ("ragged", OutOfRange, lambda: theil_sen_slopes([0, 1], [[1, 2, 3]]), "n and .series, n."),
        ("endless", OutOfRange, lambda: theil_sen_slopes([0, 1], [[1, np.inf]]), "values is"),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, error, call, reason):
    with pytest.raises(error, match=reason):
        call()
