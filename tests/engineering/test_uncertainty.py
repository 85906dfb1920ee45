"""Decisions with uncertainty: three zones, not able, and missing uncertainty refused."""

from statistics import NormalDist

import pytest

from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.uncertainty import (
    Verdict,
    acceptance_limit,
    combined_uncertainty,
    conformance_probability,
    decide_at_least,
    decide_at_most,
    false_accept_probability,
    z_for_probability,
)


@pytest.mark.parametrize(
    ("measured", "verdict"),
    [
        (63.0, Verdict.PASS),
        (61.974, Verdict.PASS),
        (61.97, Verdict.UNDECIDED),
        (60.0, Verdict.UNDECIDED),
        (58.03, Verdict.UNDECIDED),
        (58.02, Verdict.FAIL),
        (0.0, Verdict.FAIL),
    ],
)
def test_three_zones(measured: float, verdict: Verdict) -> None:
    decision = decide_at_least(measured, standard_uncertainty=1.2, required=60.0, probability=0.95)
    assert decision.verdict is verdict
    assert decision.acceptance_limit == pytest.approx(61.974, abs=1e-3)
    assert decision.rejection_limit == pytest.approx(58.026, abs=1e-3)


@pytest.mark.parametrize("measured", [0.0, 30.0, 60.0, 63.0, 100.0])
def test_a_method_with_a_tenth_of_uncertainty_decides_nothing(measured: float) -> None:
    decision = decide_at_least(measured, standard_uncertainty=6.01, required=60.0, probability=0.95)
    assert decision.verdict is Verdict.NOT_ABLE


@pytest.mark.parametrize(
    ("measured", "verdict"),
    [
        (7.6, Verdict.PASS),
        (7.68, Verdict.UNDECIDED),
        (8.32, Verdict.UNDECIDED),
        (8.4, Verdict.FAIL),
    ],
)
def test_an_upper_limit_mirrors(measured: float, verdict: Verdict) -> None:
    decision = decide_at_most(measured, standard_uncertainty=0.2, limit=8.0, probability=0.95)
    assert decision.verdict is verdict


@pytest.mark.parametrize("missing", [None, 0.0, -1.2, float("nan")])
def test_missing_uncertainty_is_never_zero(missing: float) -> None:
    for call in (
        lambda: decide_at_least(
            63.0, standard_uncertainty=missing, required=60.0, probability=0.95
        ),
        lambda: acceptance_limit(60.0, standard_uncertainty=missing, probability=0.95),
        lambda: conformance_probability(63.0, standard_uncertainty=missing, lower_limit=60.0),
    ):
        with pytest.raises(OutOfRange, match="standard_uncertainty"):
            call()


def test_acceptance_limit_and_conformance_probability_agree() -> None:
    limit = acceptance_limit(60.0, standard_uncertainty=1.2, probability=0.97)
    assert conformance_probability(
        limit, standard_uncertainty=1.2, lower_limit=60.0
    ) == pytest.approx(0.97)
    assert 1.0 - conformance_probability(
        60.0 + 2 * 1.2, standard_uncertainty=1.2, lower_limit=60.0
    ) == pytest.approx(false_accept_probability(2.0))


@pytest.mark.parametrize("probability", [0.5, 0.8, 0.95, 0.999])
def test_quantile_inverts_the_distribution(probability: float) -> None:
    assert NormalDist().cdf(z_for_probability(probability)) == pytest.approx(probability)


def test_combination() -> None:
    assert combined_uncertainty([3.0, -4.0]) == 5.0
    with pytest.raises(NotEnoughData):
        combined_uncertainty([])
    for bad in ([3.0, None], [3.0, 0.0], [float("inf")], None, 3.0):
        with pytest.raises(OutOfRange):
            combined_uncertainty(bad)  # type: ignore[arg-type]


def test_a_reading_a_thousand_times_too_large_is_a_unit_slip_not_a_pass() -> None:
    with pytest.raises(OutOfRange, match="check the units"):
        decide_at_least(63_000.0, standard_uncertainty=1.2, required=60.0, probability=0.95)
