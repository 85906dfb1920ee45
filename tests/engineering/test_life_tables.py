"""Lives and recurrences without a distribution, and the power law: outside tools, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import CensoredData, ecdf

from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange
from valvecare.engineering.life_tables import (
    kaplan_meier,
    mean_cumulative_count,
    median_rank_fit,
    survival_from_counts,
)
from valvecare.engineering.recurrence import (
    cramer_von_mises,
    power_law,
    power_law_grouped,
    power_law_unbiased,
)

REPAIRS = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 40), st.booleans()), min_size=3, max_size=40))
def test_survival_equals_a_general_purpose_library(rows):
    times, failed = (np.array(column) for column in zip(*rows, strict=True))
    if not failed.any():
        return
    mine = kaplan_meier(times, failed)
    theirs = ecdf(CensoredData(uncensored=times[failed], right=times[~failed])).sf
    for age in (0.5, *mine.time, 41.0):
        assert mine.at(age)[0] == pytest.approx(float(theirs.evaluate(age)), abs=1e-12)
    assert (np.diff(mine.survival) <= 0).all()


def test_without_survivors_the_error_is_that_of_a_share():
    found = kaplan_meier(range(1, 11), [1] * 10)
    for step, survival in enumerate(found.survival[:-1], start=1):
        assert survival == pytest.approx(1 - step / 10)
        assert found.standard_error[step - 1] == pytest.approx(
            np.sqrt(survival * (1 - survival) / 10)
        )


def test_units_observed_alike_have_the_plain_mean_count():
    events = [3, 5, 5, 9, 11, 20]
    found = mean_cumulative_count(events, end_ages=[30] * 4, at=[2, 3, 5, 10, 30])
    assert found.tolist() == [0.0, 0.25, 0.75, 1.0, 1.5]


def test_exact_weibull_ranks_give_back_their_line():
    ranks = (np.arange(1, 13) - 0.3) / (20 + 0.4)
    lives = 4000 * (-np.log1p(-ranks)) ** (1 / 1.7)
    fit = median_rank_fit(lives, units=20)
    assert (fit.shape, fit.scale) == pytest.approx((1.7, 4000), rel=1e-12)


def test_grouped_estimate_is_the_maximum_and_nears_the_ungrouped_one():
    ends, counts = np.array([20.0, 40, 60, 80, 100]), np.array([13, 16, 5, 8, 7])
    fit = power_law_grouped(ends, counts)

    def minus_log_likelihood(exponent):
        share = np.diff(np.concatenate(([0.0], (ends / 100) ** exponent)))
        return -(counts * np.log(share)).sum()

    direct = minimize_scalar(minus_log_likelihood, bounds=(0.05, 5), method="bounded")
    assert fit.exponent == pytest.approx(direct.x, rel=1e-5)
    assert fit.factor * 100**fit.exponent == pytest.approx(49)
    edges = np.arange(1.0, 1501.0)
    fine = np.bincount(REPAIRS, minlength=1501)[1:]
    assert power_law_grouped(edges, fine).exponent == pytest.approx(
        power_law(REPAIRS, end=1500).exponent, rel=0.02
    )


def test_empty_and_steep_intervals_are_no_trouble():
    late = power_law_grouped([20, 40, 60, 80, 100], [0, 0, 0, 1, 4000])
    assert 30 < late.exponent < 50
    assert power_law_grouped([1, 100], [50, 1]).exponent < 0.01


def test_expected_failures_at_the_end_equal_those_seen():
    for fit in (power_law(REPAIRS, end=1500), power_law_unbiased(REPAIRS, end=1500)):
        assert fit.factor * fit.end**fit.exponent == pytest.approx(10)
        assert fit.intensity * fit.mean_time == pytest.approx(1)
    assert power_law_unbiased(REPAIRS, end=1500).exponent == pytest.approx(
        power_law(REPAIRS, end=1500).exponent * 0.9
    )


def test_distance_is_smallest_for_times_on_the_line():
    on_line = 1500 * ((2 * np.arange(1, 11) - 1) / 20) ** 2.0
    assert cramer_von_mises(on_line, end=1500) < 0.03
    assert cramer_von_mises([1400 + i for i in range(10)], end=1500) > 0.2


@pytest.mark.parametrize(
    ("case", "error", "call", "reason"),
    [
        ("nobody failed", NotEnoughData, lambda: kaplan_meier([3], [0]), "have no failure"),
        ("life of zero", OutOfRange, lambda: kaplan_meier([0], [1]), "times is 0.0"),
        ("other flag", OutOfRange, lambda: kaplan_meier([1], [2]), "1 for failed"),
        ("survivors, two lengths", OutOfRange, lambda: kaplan_meier([3], [1, 0]), "of one length"),
        ("counts, two lengths", OutOfRange, lambda: survival_from_counts([5], [1, 2]), "of one"),
        ("event at zero", OutOfRange, lambda: mean_cumulative_count([0], end_ages=[8], at=[1]),
         "an age"),
        ("rank of a zero", OutOfRange, lambda: median_rank_fit([0, 6], units=3), "times is 0.0"),
        ("grouped, two lengths", OutOfRange, lambda: power_law_grouped([1, 2], [1]), "of one"),
        ("more failed than there", OutOfRange, lambda: survival_from_counts([5], [6]),
         "from 0 to the units at risk"),
        ("nobody at risk", OutOfRange, lambda: survival_from_counts([0], [0]), "at_risk is 0.0"),
        ("no unit", NotEnoughData, lambda: mean_cumulative_count([], end_ages=[], at=[1]),
         "have no unit"),
        ("event after the end", OutOfRange,
         lambda: mean_cumulative_count([9], end_ages=[8], at=[1]), "event_ages is 9.0"),
        ("asked after the end", OutOfRange,
         lambda: mean_cumulative_count([1], end_ages=[8], at=[9]), "at is 9.0"),
        ("one failure time", NotEnoughData, lambda: median_rank_fit([5], units=3), "2 different"),
        ("fewer units than failures", OutOfRange, lambda: median_rank_fit([5, 6], units=1), "unit"),
        ("no failure", NotEnoughData, lambda: power_law([], end=5), "have 0 failures"),
        ("one failure", NotEnoughData, lambda: power_law_unbiased([3], end=5), "need at least 2"),
        ("after the end", OutOfRange, lambda: power_law([6], end=5), "times is '6 to 6'"),
        ("all at the end", NoSolution, lambda: power_law([5], end=5), "at the end of observation"),
        ("ends not ascending", OutOfRange, lambda: power_law_grouped([2, 1], [1, 1]), "ascending"),
        ("half a failure", OutOfRange, lambda: power_law_grouped([1, 2], [1, 0.5]), "whole"),
        ("one interval", NotEnoughData, lambda: power_law_grouped([1], [1]), "at least 2"),
        ("all in the last", NoSolution, lambda: power_law_grouped([1, 2], [0, 3]), "last interval"),
        ("all in the first", NoSolution, lambda: power_law_grouped([1, 2], [3, 0]), "first"),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, error, call, reason):
    with pytest.raises(error, match=reason):
        call()
