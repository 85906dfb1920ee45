"""Bypass, return line and pump solved together."""

from dataclasses import replace
from typing import Any

import pytest

from tests.engineering.test_curves import sample
from valvecare.engineering.bypass import (
    BypassWorkingPoint,
    ReturnLine,
    back_pressure,
    bypass_flow_with_return_line,
    bypass_working_point,
    pipe_loss_coefficient,
)
from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.liquids import WATER
from valvecare.engineering.valve_flow import flow_through_kv, kv_in_series, kv_to_flow_area

LINE = ReturnLine(
    loss_coefficient=18.0,
    bore_m=0.065,
    common_loss_coefficient=4.0,
    common_bore_m=0.1,
    pumps_on_common=3,
    rise_m=6.0,
    end_pa_abs=0.35e6,
)


def point(**changes: Any) -> BypassWorkingPoint:
    values: dict[str, Any] = {
        "line": LINE,
        "kv": 5.0,
        "recovery_factor": 0.97,
        "main_flow_m3_per_s": 0.0,
        "inlet_temperature_degc": 105.0,
        "inlet_pa_abs": 0.3e6,
    }
    values.update(changes)
    return bypass_working_point(sample(), WATER, values.pop("line"), **values)


def test_the_working_point_satisfies_pump_trim_and_line() -> None:
    answer = point()
    flow = answer.bypass_flow_m3_per_s
    cold = WATER.density(105.0, 0.3e6)
    assert answer.discharge_pa_abs == pytest.approx(
        0.3e6 + cold * 9.80665 * sample().head(flow), rel=1e-9
    )
    after = back_pressure(LINE, flow, density_kg_per_m3=answer.density_kg_per_m3)
    assert answer.valve_outlet_pa_abs == pytest.approx(after, rel=1e-9)
    passed = flow_through_kv(
        5.0,
        inlet_pa_abs=answer.discharge_pa_abs,
        outlet_pa_abs=after,
        density_kg_per_m3=answer.density_kg_per_m3,
        vapour_pressure_pa_abs=WATER.vapour_pressure(105.0 + answer.rises.outlet_rise_k),
        critical_pressure_pa_abs=WATER.critical_pressure_pa_abs,
        recovery_factor=0.97,
    )
    assert passed == pytest.approx(flow, rel=1e-6)
    assert answer.rises.flow_m3_per_s == pytest.approx(flow, rel=1e-9)


def test_main_flow_takes_from_the_bypass_only_through_the_falling_head() -> None:
    shut, half_open = point(), point(main_flow_m3_per_s=80.0 / 3600.0)
    assert half_open.pump_flow_m3_per_s == pytest.approx(
        half_open.bypass_flow_m3_per_s + 80.0 / 3600.0
    )
    assert half_open.bypass_flow_m3_per_s < shut.bypass_flow_m3_per_s
    assert half_open.head_m < shut.head_m


def test_a_line_that_climbs_adds_its_static_head() -> None:
    flat, high = (
        back_pressure(replace(LINE, rise_m=rise), 0.01, density_kg_per_m3=950.0)
        for rise in (0.0, 10.0)
    )
    assert high - flat == pytest.approx(950.0 * 9.80665 * 10.0)


def test_only_the_bypass_flow_loads_the_return_line() -> None:
    answer = point(main_flow_m3_per_s=80.0 / 3600.0, recovery_factor=1.0)
    own = back_pressure(
        LINE, answer.bypass_flow_m3_per_s, density_kg_per_m3=answer.density_kg_per_m3
    )
    assert answer.valve_outlet_pa_abs == pytest.approx(own, rel=1e-9)
    tight = replace(LINE, loss_coefficient=150.0, bore_m=0.05)
    answer = point(line=tight, main_flow_m3_per_s=100.0 / 3600.0, kv=9.0, recovery_factor=1.0)
    passed = flow_through_kv(
        9.0,
        inlet_pa_abs=answer.discharge_pa_abs,
        outlet_pa_abs=answer.valve_outlet_pa_abs,
        density_kg_per_m3=answer.density_kg_per_m3,
        vapour_pressure_pa_abs=WATER.vapour_pressure(105.0 + answer.rises.outlet_rise_k),
        critical_pressure_pa_abs=WATER.critical_pressure_pa_abs,
        recovery_factor=1.0,
    )
    assert passed == pytest.approx(answer.bypass_flow_m3_per_s, rel=1e-5)


def test_more_pumps_on_the_common_line_raise_the_back_pressure() -> None:
    flows = [
        point(
            line=replace(LINE, pumps_on_common=n, common_loss_coefficient=400.0, end_pa_abs=0.4e6),
            recovery_factor=1.0,
            kv=9.0,
        ).bypass_flow_m3_per_s
        for n in (1, 2, 3)
    ]
    assert flows[0] > flows[1] > flows[2]


def test_flashing_return_line_is_refused() -> None:
    with pytest.raises(NoSolution, match="would flash"):
        point(line=replace(LINE, end_pa_abs=0.12e6))


def test_back_pressure_above_shut_off_is_no_flow() -> None:
    with pytest.raises(NoSolution, match="no driving pressure"):
        point(line=replace(LINE, end_pa_abs=20e6))


def test_bypass_larger_than_the_curve_covers_is_refused() -> None:
    with pytest.raises(NoSolution, match="more than the curve covers"):
        point(kv=60.0)


def test_liquid_without_critical_pressure_cannot_be_checked_for_choking() -> None:
    from tests.engineering.test_liquids import brine

    with pytest.raises(OutOfRange, match="critical_pressure_pa_abs"):
        bypass_working_point(
            sample(density_kg_per_m3=1080.0),
            brine(),
            LINE,
            kv=5.0,
            recovery_factor=0.97,
            main_flow_m3_per_s=0.0,
            inlet_temperature_degc=20.0,
            inlet_pa_abs=3e5,
        )


def test_return_line_alone_agrees_with_the_series_of_kv() -> None:
    """Oracle: the line written as a Kv of its own, 1/Kv^2 added (unchoked)."""
    line = ReturnLine(18.0, 0.065, 0.0, 0.065, 1, 0.0, 0.8e6)
    flow = bypass_flow_with_return_line(
        25.0,
        line,
        discharge_pa_abs=3e6,
        density_kg_per_m3=998.2,
        vapour_pressure_pa_abs=2339.0,
        critical_pressure_pa_abs=22.064e6,
        recovery_factor=0.99,
    )
    area = 0.25 * 3.141592653589793 * 0.065**2
    line_kv = area * (2.0 / 18.0) ** 0.5 / kv_to_flow_area(1.0)
    total = kv_in_series([25.0, line_kv])
    assert flow * 3600.0 == pytest.approx(total * (22.0 * 999.1 / 998.2) ** 0.5, rel=1e-6)


@pytest.mark.parametrize("count", [0, 21, 1.5])
def test_pumps_on_the_common_line_are_counted(count: float) -> None:
    with pytest.raises(OutOfRange, match="pumps_on_common"):
        replace(LINE, pumps_on_common=count)  # type: ignore[arg-type]


def test_pipe_loss_against_a_second_friction_formula() -> None:
    """Swamee-Jain agrees with Colebrook within 3 % (textbook)."""
    from math import log10, pi

    loss = pipe_loss_coefficient(
        flow_m3_per_s=0.01,
        bore_m=0.0779,
        length_m=50.0,
        roughness_m=4.5e-5,
        fittings_loss_coefficient=3.0,
        density_kg_per_m3=998.2,
        viscosity_pa_s=1.002e-3,
    )
    reynolds = 4 * 0.01 * 998.2 / (pi * 0.0779 * 1.002e-3)
    friction = 0.25 / log10(4.5e-5 / 0.0779 / 3.7 + 5.74 / reynolds**0.9) ** 2
    assert loss - 3.0 == pytest.approx(friction * 50.0 / 0.0779, rel=0.03)
    with pytest.raises(OutOfRange, match="roughness_m"):
        pipe_loss_coefficient(
            flow_m3_per_s=0.01,
            bore_m=0.05,
            length_m=50.0,
            roughness_m=0.005,
            fittings_loss_coefficient=3.0,
            density_kg_per_m3=998.2,
            viscosity_pa_s=1.002e-3,
        )
