"""Stock: general-purpose distributions, limits, refusals."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson

from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.stock import (
    expected_demand,
    stock_covers,
    stock_for,
    uncertain_stock_covers,
    uncertain_stock_for,
)


@settings(max_examples=150, deadline=None)
@given(st.floats(0, 500), st.floats(0.01, 0.9999))
def test_stock_is_the_smallest_that_covers(mean, target):
    stock = stock_for(mean, target=target)
    assert stock_covers(mean, stock=stock) >= target
    assert stock == 0 or stock_covers(mean, stock=stock - 1) < target
    assert stock_covers(mean, stock=stock) == pytest.approx(poisson.cdf(stock, mean), rel=1e-9)


@settings(max_examples=150, deadline=None)
@given(st.floats(0.2, 50), st.floats(1e3, 1e6), st.floats(1e2, 1e6), st.floats(0.05, 0.999))
def test_uncertain_stock_is_the_smallest_that_covers(shape, hours, exposure, target):
    terms = {"hours": hours, "exposure_h": exposure}
    stock = uncertain_stock_for(shape, **terms, target=target)
    assert uncertain_stock_covers(shape, **terms, stock=stock) >= target
    assert stock == 0 or uncertain_stock_covers(shape, **terms, stock=stock - 1) < target
    assert uncertain_stock_covers(shape, **terms, stock=stock) == pytest.approx(
        nbinom.cdf(stock, shape, hours / (hours + exposure)), rel=1e-8
    )


def test_doubt_about_the_rate_costs_pieces_and_vanishes_with_evidence():
    known = stock_for(1.836, target=0.98)
    thin = uncertain_stock_for(2.5, hours=100_000, exposure_h=73_440, target=0.98)
    thick = uncertain_stock_for(2.5e4, hours=1e9, exposure_h=73_440, target=0.98)
    assert (known, thin, thick) == (5, 7, 5)


def test_no_demand_needs_no_stock():
    assert stock_for(0.0, target=0.999) == 0
    assert expected_demand(3, rate_per_h=0.0, period_h=100) == 0.0


@pytest.mark.parametrize(
    ("case", "error", "call", "reason"),
    [
        ("negative mean", OutOfRange, lambda: stock_for(-1, target=0.9), "mean is -1.0"),
        ("certain", OutOfRange, lambda: stock_for(1, target=1), "target is 1.0; .* below 1"),
        ("half a piece", OutOfRange, lambda: stock_covers(1, stock=0.5), "a whole number"),
        ("no valve", OutOfRange, lambda: expected_demand(0, rate_per_h=1, period_h=1), "units is"),
        ("negative time", OutOfRange,
         lambda: expected_demand(1, rate_per_h=1, period_h=-1), "period_h is -1.0"),
        ("no shape", OutOfRange,
         lambda: uncertain_stock_for(0, hours=1, exposure_h=1, target=0.9), "shape is 0.0"),
        ("no hours", OutOfRange,
         lambda: uncertain_stock_for(1, hours=0, exposure_h=1, target=0.9), "hours is 0.0"),
        ("without end", NoSolution,
         lambda: uncertain_stock_for(0.5, hours=1e-3, exposure_h=1e6, target=0.999),
         "More than 100000 pieces"),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, error, call, reason):
    with pytest.raises(error, match=reason):
        call()
