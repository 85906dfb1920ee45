"""Leaks: marching and bisection as oracles, verdicts of the cooling curve, both energy figures."""

from dataclasses import asdict
from math import exp, pi
from typing import Any

import pytest

from tests.engineering.test_curves import sample
from valvecare.engineering.cooling import (
    PassingJudgement,
    PassingVerdict,
    judge_passing,
    leak_from_cooling,
)
from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.leakage import (
    annular_leak,
    annular_leak_laminar,
    annular_leak_turbulent,
    leak_from_excess_power,
    leak_from_flow_difference,
    leak_loss,
    marginal_power,
)

M3_H = 1.0 / 3600.0
GAP = {"diameter_m": 0.06, "clearance_m": 0.00015, "length_m": 0.02, "viscosity_pa_s": 0.00019}


def test_cooling_along_the_line_by_marching() -> None:
    leak = leak_from_cooling(
        heat_loss_w_per_m_k=3.2,
        length_m=12.0,
        start_temperature_degc=148.0,
        end_temperature_degc=96.0,
        ambient_temperature_degc=25.0,
        specific_heat_j_per_kg_k=4250.0,
    )
    temperature, step = 148.0, 12.0 / 200_000
    for _ in range(200_000):
        temperature -= 3.2 * step * (temperature - 25.0) / (leak * 4250.0)
    assert temperature == pytest.approx(96.0, abs=1e-3)


@pytest.mark.parametrize(("fraction", "kg_h"), [(0.5, 24.0), (0.8, 73.0)])
def test_leak_figures_of_the_lagged_line(fraction: float, kg_h: float) -> None:
    """At 10 m, fraction 0.5 means 24 kg/h, 0.8 means 73 kg/h (own calculation, lagged DN65)."""
    leak = leak_from_cooling(
        heat_loss_w_per_m_k=1.89,
        length_m=10.0,
        start_temperature_degc=120.0,
        end_temperature_degc=20.0 + fraction * 100.0,
        ambient_temperature_degc=20.0,
        specific_heat_j_per_kg_k=4200.0,
    )
    assert leak * 3600.0 == pytest.approx(kg_h, rel=0.03)


def passing(**changes: float) -> PassingJudgement:
    values = {
        "line_temperature_degc": 60.0,
        "source_temperature_degc": 143.0,
        "ambient_temperature_degc": 22.0,
        "hours_since_shut": 30.0,
        "time_constant_h": 15.6,
        "time_constant_uncertainty_share": 0.3,
        "u_temperature_k": 1.0,
        "heat_loss_w_per_m_k": 0.337,
        "length_m": 10.0,
        "specific_heat_j_per_kg_k": 4290.0,
    }
    return judge_passing(**{**values, **changes})


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({}, PassingVerdict.SHUT),
        ({"line_temperature_degc": 22.0}, PassingVerdict.SHUT),
        ({"line_temperature_degc": 110.0}, PassingVerdict.PASSING),
        ({"hours_since_shut": 0.0, "line_temperature_degc": 143.0}, PassingVerdict.NOT_JUDGEABLE),
        (
            {"time_constant_uncertainty_share": 0.9, "hours_since_shut": 15.0},
            PassingVerdict.NOT_JUDGEABLE,
        ),
        ({"source_temperature_degc": 37.0}, PassingVerdict.NOT_JUDGEABLE),
        ({"source_temperature_degc": 22.0}, PassingVerdict.NOT_JUDGEABLE),
        ({"source_temperature_degc": 15.0}, PassingVerdict.NOT_JUDGEABLE),
    ],
)
def test_passing_verdicts(changes: dict[str, float], verdict: PassingVerdict) -> None:
    answer = passing(**changes)
    assert answer.verdict is verdict
    assert (answer.steady_leak_kg_per_s is not None) == (verdict is PassingVerdict.PASSING)
    assert (answer.smallest_visible_leak_kg_per_s is None) == (
        verdict is PassingVerdict.NOT_JUDGEABLE
    )


def test_shut_states_the_leak_it_could_not_see() -> None:
    answer = passing()
    assert answer.shut_fraction == pytest.approx(exp(-30.0 / 15.6))
    assert answer.smallest_visible_leak_kg_per_s is not None
    again = passing(line_temperature_degc=22.0 + 121.0 * (answer.threshold_fraction + 1e-9))
    assert again.verdict is PassingVerdict.PASSING
    assert again.steady_leak_kg_per_s == pytest.approx(
        answer.smallest_visible_leak_kg_per_s, rel=1e-6
    )


def difference(**changes: float) -> Any:
    values = {
        "pump_flow_m3_per_s": 152.0 * M3_H,
        "u_pump_flow_m3_per_s": 1.5 * M3_H,
        "net_flow_m3_per_s": 149.0 * M3_H,
        "u_net_flow_m3_per_s": 1.2 * M3_H,
        "known_off_takes_m3_per_s": 0.0,
        "probability": 0.95,
    }
    return leak_from_flow_difference(**{**values, **changes})


def test_one_per_cent_meters_cannot_see_three_cubic_metres() -> None:
    answer = difference()
    assert answer.standard_uncertainty_m3_per_s / M3_H == pytest.approx(1.92, abs=0.005)
    assert answer.detection_limit_m3_per_s / M3_H == pytest.approx(3.16, abs=0.01)
    assert not answer.proven
    assert difference(net_flow_m3_per_s=148.0 * M3_H).proven
    assert not difference(
        net_flow_m3_per_s=148.0 * M3_H, known_off_takes_m3_per_s=1.5 * M3_H
    ).proven
    with pytest.raises(NoSolution, match="more flow leaves"):
        difference(net_flow_m3_per_s=160.0 * M3_H)


def test_touching_annulus_leaks_two_and_a_half_times() -> None:
    """Wilkes, Fluid Mechanics for Chemical Engineers, problem P6.3 (statement seen)."""
    concentric = annular_leak_laminar(**GAP, pressure_difference_pa=1e5, eccentricity=0.0)
    touching = annular_leak_laminar(**GAP, pressure_difference_pa=1e5, eccentricity=1.0)
    assert touching / concentric == pytest.approx(2.5)
    halfway = annular_leak_laminar(**GAP, pressure_difference_pa=1e5, eccentricity=0.5)
    assert halfway / concentric == pytest.approx(1.0 + 1.5 * 0.25)


def test_turbulent_gap_balances_momentum() -> None:
    flow = annular_leak_turbulent(
        **GAP, pressure_difference_pa=9e6, density_kg_per_m3=920.0, inlet_loss=0.5, outlet_loss=1.0
    )
    velocity = flow / (pi * 0.06 * 0.00015)
    reynolds = 920.0 * velocity * 0.0003 / 0.00019
    assert reynolds == pytest.approx(125514.0, rel=1e-3)
    drop = 0.5 * 920.0 * velocity**2 * (1.5 + 0.3164 / reynolds**0.25 * 0.02 / 0.0003)
    assert drop == pytest.approx(9e6, rel=1e-9)


def leak(**changes: float) -> Any:
    values = {
        **GAP,
        "inlet_pa_abs": 10e6,
        "outlet_pa_abs": 1e6,
        "density_kg_per_m3": 920.0,
        "vapour_pressure_pa_abs": 0.4e6,
        "recovery_factor": 0.9,
        "eccentricity": 0.0,
        "inlet_loss": 0.5,
        "outlet_loss": 1.0,
    }
    return annular_leak(**{**values, **changes})


def test_hot_water_gap_is_turbulent_and_the_cubic_law_fifty_times_too_much() -> None:
    answer = leak()
    assert answer.regime == "turbulent"
    cubic = annular_leak_laminar(**GAP, pressure_difference_pa=9e6, eccentricity=0.0)
    assert cubic / answer.flow_m3_per_s == pytest.approx(51.0, abs=1.0)
    assert not answer.choked


def test_fine_or_viscous_gap_is_laminar() -> None:
    answer = leak(clearance_m=1e-5)
    assert answer.regime == "laminar"
    assert answer.reynolds < 2000.0
    assert leak(viscosity_pa_s=0.1).regime == "laminar"


def test_between_the_regimes_the_upper_bound_is_taken() -> None:
    answer = leak(clearance_m=2.12e-5, inlet_pa_abs=2e6)
    assert answer.regime.startswith("between")
    assert answer.flow_m3_per_s == pytest.approx(
        annular_leak_laminar(
            **{**GAP, "clearance_m": 2.12e-5}, pressure_difference_pa=1e6, eccentricity=0.0
        )
    )


def test_a_gap_that_boils_is_limited() -> None:
    boiling = leak(outlet_pa_abs=0.2e6)
    assert boiling.choked
    assert boiling.used_pressure_difference_pa == pytest.approx(0.81 * (10e6 - 0.96 * 0.4e6))
    assert boiling.flow_m3_per_s == leak(outlet_pa_abs=0.1e6).flow_m3_per_s
    with pytest.raises(OutOfRange, match="inlet_pa_abs"):
        leak(outlet_pa_abs=11e6)


def test_not_turbulent_is_refused_by_the_turbulent_formula() -> None:
    with pytest.raises(NoSolution, match="not turbulent"):
        annular_leak_turbulent(
            **{**GAP, "viscosity_pa_s": 0.1},
            pressure_difference_pa=1e6,
            density_kg_per_m3=920.0,
            inlet_loss=0.5,
            outlet_loss=1.0,
        )
    with pytest.raises(OutOfRange, match="together"):
        annular_leak_turbulent(
            **GAP,
            pressure_difference_pa=1e6,
            density_kg_per_m3=920.0,
            inlet_loss=0.0,
            outlet_loss=0.0,
        )


def test_upper_figure_is_about_three_times_the_marginal_one_on_the_sample_curve() -> None:
    loss = leak_loss(
        sample(),
        net_flow_m3_per_s=149.0 * M3_H,
        leak_m3_per_s=3.0 * M3_H,
        motor_efficiency=0.95,
        hours=8000.0,
        price_per_kwh=0.1,
    )
    marginal = marginal_power(sample(), net_flow_m3_per_s=149.0 * M3_H, leak_m3_per_s=3.0 * M3_H)
    assert loss.marginal_power_w == pytest.approx(marginal / 0.95)
    assert 2.0 < loss.attributable_power_w / loss.marginal_power_w < 3.5
    assert loss.marginal_cost == pytest.approx(5.1 / 0.95 * 8000.0 * 0.1, rel=1e-6)
    assert loss.attributable_cost == pytest.approx(loss.attributable_energy_kwh * 0.1)
    assert all(value is not None for value in asdict(loss).values())


def test_power_below_the_curve_shows_no_leak() -> None:
    curve = sample()
    with pytest.raises(NoSolution, match="not above the curve"):
        leak_from_excess_power(
            curve, net_flow_m3_per_s=0.04, shaft_power_w=400e3, u_shaft_power_w=3e3
        )
    answer = leak_from_excess_power(
        curve, net_flow_m3_per_s=0.04, shaft_power_w=curve.power(0.04) + 2e3, u_shaft_power_w=3e3
    )
    assert not answer.proven
    flat = sample(powers_w=(310e3, 340e3, 372e3, 440e3, 580e3, 580e3, 640e3))
    assert (
        leak_from_excess_power(
            flat, net_flow_m3_per_s=0.04, shaft_power_w=600e3, u_shaft_power_w=3e3
        ).leak_marginal_m3_per_s
        is None
    )
