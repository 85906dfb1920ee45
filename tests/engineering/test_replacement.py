"""Replacement by age: direct minimisation with general-purpose tools, refusals."""

import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import weibull_min

from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.replacement import age_replacement, overhaul_interval


@pytest.mark.parametrize(
    ("shape", "scale", "planned", "failure"),
    [(2.5, 1000, 1, 5), (1.3, 9000, 300, 3000), (4.0, 20_000, 900, 25_000), (2.0, 5, 10, 11)],
)
def test_age_equals_the_minimum_of_the_cost_found_directly(shape, scale, planned, failure):
    part = weibull_min(shape, scale=scale)

    def cost(age):
        lived, _ = quad(part.sf, 0, age)
        return (planned * part.sf(age) + failure * part.cdf(age)) / lived

    direct = minimize_scalar(cost, bounds=(scale / 1000, scale * 20), method="bounded")
    found = age_replacement(shape=shape, scale=scale, planned_cost=planned, failure_cost=failure)
    assert found.cost_rate <= direct.fun * (1 + 1e-9)
    assert found.cost_rate == pytest.approx(cost(found.age), rel=1e-7)
    assert found.run_to_failure_cost_rate == pytest.approx(failure / part.mean(), rel=1e-9)
    assert 0 <= found.saving < 1


def test_published_grid_search_agrees():
    """A public package documents 493.19 for this example, found on a grid."""
    found = age_replacement(shape=2.5, scale=1000, planned_cost=1, failure_cost=5)
    assert found.age == pytest.approx(493.19, rel=5e-4)
    assert round(found.cost_rate, 4) == 0.0035


def test_dearer_failures_call_for_earlier_replacement():
    ages = [
        age_replacement(shape=2.5, scale=1000, planned_cost=1, failure_cost=cost).age
        for cost in (2, 5, 20, 100)
    ]
    assert ages == sorted(ages, reverse=True)


def test_overhaul_interval_equals_the_minimum_found_directly():
    def cost(interval):
        return (900 + 250 * (interval / 6000) ** 2.2) / interval

    direct = minimize_scalar(cost, bounds=(100, 50_000), method="bounded", options={"xatol": 1e-6})
    found = overhaul_interval(shape=2.2, scale=6000, overhaul_cost=900, repair_cost=250)
    assert found == pytest.approx(direct.x, rel=1e-5)


@pytest.mark.parametrize(
    ("case", "error", "change", "reason"),
    [
        ("no wear-out", NoSolution, {"shape": 0.95}, "shape 0.95 is not above 1: .* not wear out"),
        ("random", NoSolution, {"shape": 1.0}, "not above 1"),
        ("failure is cheaper", OutOfRange, {"failure_cost": 1}, "waiting for failure is cheapest"),
        ("does not pay", NoSolution, {"shape": 1.001, "failure_cost": 1.05}, "does not pay at any"),
        ("no scale", OutOfRange, {"scale": 0}, "scale is 0.0"),
        ("free", OutOfRange, {"planned_cost": 0}, "planned_cost is 0.0"),
        ("missing", OutOfRange, {"shape": None}, "shape is None; it must be given"),
    ],
)
def test_insane_input_is_refused_by_name(case, error, change, reason):
    plain = {"shape": 2.5, "scale": 1000, "planned_cost": 1, "failure_cost": 5}
    with pytest.raises(error, match=reason):
        age_replacement(**{**plain, **change})


def test_overhaul_refusals():
    plain = {"shape": 2.2, "scale": 6000, "overhaul_cost": 900, "repair_cost": 250}
    with pytest.raises(NoSolution, match="shape 1 is not above 1"):
        overhaul_interval(**{**plain, "shape": 1})
    with pytest.raises(OutOfRange, match="repair_cost is 0.0"):
        overhaul_interval(**{**plain, "repair_cost": 0})


@pytest.mark.parametrize("planned", [5e-324, 1e-150, 9.9e-10])
def test_a_replacement_that_costs_next_to_nothing_is_refused_not_iterated_for_ever(planned):
    with pytest.raises(OutOfRange, match="planned_cost.*the answer is rounding"):
        age_replacement(shape=2.5, scale=1000.0, planned_cost=planned, failure_cost=1.0)


def test_the_cheapest_replacement_that_is_answered_keeps_the_optimum():
    """For small ages the cost rate p/t + f t^(k-1)/s^k is least at t = s (p/(f (k-1)))^(1/k)."""
    found = age_replacement(shape=2.5, scale=1000.0, planned_cost=1e-9, failure_cost=1.0)
    assert found.age == pytest.approx(1000.0 * (1e-9 / 1.5) ** (1 / 2.5), rel=1e-5)
