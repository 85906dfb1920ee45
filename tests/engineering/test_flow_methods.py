"""Each way to know the flow: finite differences as oracle of its uncertainty, and its refusals."""

from collections.abc import Callable
from math import hypot, pi, sqrt
from typing import Any

import pytest

from tests.engineering.test_curves import sample
from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.flow_methods import (
    FlowEstimate,
    energy_balance_flow,
    flow_from_energy_balance,
    flow_from_head,
    flow_from_kv,
    flow_from_meter,
    flow_from_vessel_level,
)
from valvecare.engineering.orifice import flow_from_orifice, orifice_mass_flow
from valvecare.engineering.valve_flow import flow_through_kv

ENERGY = {
    "shaft_power_w": 345e3,
    "head_m": 1254.0,
    "loss_rise_k": 8.0,
    "density_kg_per_m3": 955.0,
    "specific_heat_j_per_kg_k": 4225.0,
}
VALVE = {
    "kv": 25.0,
    "inlet_pa_abs": 3e6,
    "outlet_pa_abs": 1.2e6,
    "density_kg_per_m3": 920.0,
    "vapour_pressure_pa_abs": 0.4e6,
    "critical_pressure_pa_abs": 22.064e6,
    "recovery_factor": 0.9,
}
PLATE: dict[str, Any] = {
    "pressure_difference_pa": 25e3,
    "pipe_bore_m": 0.0779,
    "orifice_bore_m": 0.045,
    "density_kg_per_m3": 998.2,
    "viscosity_pa_s": 0.001002,
    "taps": "D and D/2",
}


def spread(flow: Callable[..., float], at: dict[str, Any], u: dict[str, float]) -> float:
    """Propagation by central differences."""
    total = 0.0
    for name, value in u.items():
        up = flow(**{**at, name: at[name] + 0.01 * value})
        down = flow(**{**at, name: at[name] - 0.01 * value})
        total = hypot(total, (up - down) / 0.02)
    return total


def test_energy_balance_uncertainty_by_finite_differences() -> None:
    answer = flow_from_energy_balance(**ENERGY, u_shaft_power_w=7e3, u_head_m=6.0, u_rise_k=0.15)
    oracle = spread(
        energy_balance_flow, ENERGY, {"shaft_power_w": 7e3, "head_m": 6.0, "loss_rise_k": 0.15}
    )
    assert answer.standard_uncertainty_m3_per_s == pytest.approx(oracle, rel=1e-6)


@pytest.mark.parametrize("outlet", [1.2e6, 0.5e6], ids=["free", "choked"])
def test_kv_uncertainty_by_finite_differences(outlet: float) -> None:
    at = {**VALVE, "outlet_pa_abs": outlet}
    u = {"kv": 0.5, "inlet_pa_abs": 2e4, "outlet_pa_abs": 2e4, "density_kg_per_m3": 2.0}
    answer = flow_from_kv(
        **at,
        u_kv=0.5,
        u_inlet_pa=2e4,
        u_outlet_pa=2e4,
        u_density_kg_per_m3=2.0,
        kv_under_test=False,
    )
    assert answer.standard_uncertainty_m3_per_s == pytest.approx(
        spread(flow_through_kv, at, u), rel=1e-5
    )
    assert answer.proves_capacity


def test_the_kv_under_test_proves_nothing() -> None:
    answer = flow_from_kv(
        **VALVE,
        u_kv=0.5,
        u_inlet_pa=2e4,
        u_outlet_pa=2e4,
        u_density_kg_per_m3=2.0,
        kv_under_test=True,
    )
    assert not answer.proves_capacity


def test_vessel_level_uncertainty_by_finite_differences() -> None:
    at = {
        "surface_area_m2": 12.0,
        "level_rise_m": 0.3,
        "duration_s": 400.0,
        "other_outflow_m3_per_s": 0.001,
    }
    u = {
        "surface_area_m2": 0.1,
        "level_rise_m": 0.003,
        "duration_s": 1.0,
        "other_outflow_m3_per_s": 1e-4,
    }
    named = {f"u_{name}": value for name, value in u.items()}
    answer = flow_from_vessel_level(**at, **named)

    def flow(**values: float) -> float:
        return flow_from_vessel_level(**values, **named).flow_m3_per_s

    assert answer.standard_uncertainty_m3_per_s == pytest.approx(spread(flow, at, u), rel=1e-6)


@pytest.mark.parametrize("taps", ["corner", "flange", "D and D/2"])
@pytest.mark.parametrize(("beta", "difference"), [(0.2, 5e3), (0.45, 25e3), (0.74, 60e3)])
def test_orifice_by_the_equation_written_out(taps: str, beta: float, difference: float) -> None:
    """ISO 5167-2:2003 Reader-Harris/Gallagher, typed from the equation (from memory)."""
    pipe, rho, mu = 0.1023, 998.2, 0.001002
    bore = beta * pipe
    l1, l2 = {"corner": (0.0, 0.0), "flange": (0.0254 / pipe,) * 2, "D and D/2": (1.0, 0.47)}[taps]
    flow = 1.0
    for _ in range(60):
        re = 4 * flow / (pi * pipe * mu)
        a = (19000 * beta / re) ** 0.8
        m2 = 2 * l2 / (1 - beta)
        c = (
            0.5961 + 0.0261 * beta**2 - 0.216 * beta**8 + 0.000521 * (1e6 * beta / re) ** 0.7
            + (0.0188 + 0.0063 * a) * beta**3.5 * (1e6 / re) ** 0.3
            + (0.043 + 0.080 * 2.718281828459045 ** (-10 * l1) - 0.123 * 2.718281828459045
               ** (-7 * l1)) * (1 - 0.11 * a) * beta**4 / (1 - beta**4)
            - 0.031 * (m2 - 0.8 * m2**1.1) * beta**1.3
        )  # fmt: skip
        flow = c / sqrt(1 - beta**4) * pi / 4 * bore**2 * sqrt(2 * difference * rho)
    got = orifice_mass_flow(
        difference,
        pipe_bore_m=pipe,
        orifice_bore_m=bore,
        density_kg_per_m3=rho,
        viscosity_pa_s=mu,
        taps=taps,
    )
    assert got == pytest.approx(flow, rel=1e-4)


def test_orifice_uncertainty_is_at_least_that_of_its_coefficient() -> None:
    answer = flow_from_orifice(
        **PLATE,
        u_pressure_difference_pa=125.0,
        u_pipe_bore_m=1.5e-4,
        u_orifice_bore_m=1.5e-5,
        u_density_kg_per_m3=1.0,
    )
    parts = dict(answer.contributions_m3_per_s)
    assert parts["discharge coefficient"] / answer.flow_m3_per_s == pytest.approx(0.0025)
    bore = spread(lambda **at: orifice_mass_flow(**at) / 998.2, PLATE, {"orifice_bore_m": 1.5e-5})
    assert parts["orifice bore"] == pytest.approx(bore, rel=0.05)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"pipe_bore_m": 0.049, "orifice_bore_m": 0.03}, "pipe_bore_m"),
        ({"orifice_bore_m": 0.0779 * 0.76}, "orifice_bore_m"),
        ({"orifice_bore_m": 0.012}, "orifice_bore_m"),
        ({"taps": "vena contracta"}, "taps"),
        ({"pressure_difference_pa": 25.0, "orifice_bore_m": 0.015}, "Reynolds"),
    ],
)
def test_an_orifice_outside_the_standard_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        orifice_mass_flow(**{**PLATE, **changes})


def test_meter_out_of_calibration_is_refused() -> None:
    good = {"standard_uncertainty_m3_per_s": 1e-4, "kind": "meter"}
    assert flow_from_meter(0.01, calibration_in_date=True, **good).proves_capacity  # type: ignore[arg-type]
    for state in (False, None):
        with pytest.raises(OutOfRange, match="calibrate the instrument"):
            flow_from_meter(0.01, calibration_in_date=state, **good)  # type: ignore[arg-type]
    with pytest.raises(OutOfRange, match="kind"):
        flow_from_meter(0.01, standard_uncertainty_m3_per_s=1e-4, calibration_in_date=True, kind="")


@pytest.mark.parametrize(
    ("head", "u", "words"),
    [
        (1252.0, 6.0, "2 flows fit this head: 8, 32 m3/h"),
        (1250.0, 1.0, "2 flows fit"),
        (1249.0, 6.1, "reaches the top"),
        (1249.0, 2.0, "reaches the top"),
        (1248.0, 1.9, "too flat"),
        (1300.0, 1.0, "no flow fits"),
        (500.0, 1.0, "no flow fits"),
    ],
)
def test_head_near_shut_off_gives_no_flow(head: float, u: float, words: str) -> None:
    steep = sample(heads_m=(1250.0, 1255.0, 1250.0, 1246.0, 1140.0, 1020.0, 850.0))
    with pytest.raises(NoSolution, match=words):
        flow_from_head(steep if words == "too flat" else sample(), head_m=head, u_head_m=u)


def test_head_on_the_steep_part_gives_flow_and_uncertainty() -> None:
    answer = flow_from_head(sample(), head_m=1080.0, u_head_m=6.0)
    assert answer.flow_m3_per_s * 3600.0 == pytest.approx(140.0)
    assert answer.standard_uncertainty_m3_per_s * 3600.0 == pytest.approx(6.0 / 3.0)


def test_heat_balance_with_a_small_rise_is_refused() -> None:
    small = {**ENERGY, "loss_rise_k": 1.0, "head_m": 300.0}
    with pytest.raises(NoSolution, match="use a flow meter or the vessel level"):
        flow_from_energy_balance(**small, u_shaft_power_w=7e3, u_head_m=3.0, u_rise_k=0.2)


def test_return_line_form_is_the_whole_power() -> None:
    """Head 0: the rise was measured where the head has become heat."""
    flow = energy_balance_flow(**{**ENERGY, "head_m": 0.0})
    assert flow == pytest.approx(345e3 / (955.0 * 4225.0 * 8.0))
    estimate = flow_from_energy_balance(
        **{**ENERGY, "head_m": 0.0}, u_shaft_power_w=7e3, u_head_m=6.0, u_rise_k=0.15
    )
    assert {name for name, _ in estimate.contributions_m3_per_s} == {"shaft power", "rise"}


def test_relative_uncertainty_of_an_estimate() -> None:
    assert FlowEstimate("m", 0.02, 1e-3, (), True).relative_uncertainty == pytest.approx(0.05)
