"""Sane calls of the valve-side functions, and which spoiled inputs are legitimate values."""

from collections.abc import Callable
from typing import Any

from tests.engineering.hydraulics_calls_pump import (
    CURVE,
    FLUID,
    PUMP,
    STATE,
    K,
    M,
    N,
    Z,
)
from valvecare.engineering import (
    bypass,
    cooling,
    fittings,
    flow_choice,
    flow_methods,
    flow_tests,
    leakage,
    orifice,
    parallel_pumps,
    valve_flow,
)
from valvecare.engineering.liquids import WATER

WEAKER = PUMP.curve(points=12, head_share=0.98)
LINE = bypass.ReturnLine(10.0, 0.065, 2.0, 0.1, 3, 5.0, 0.6e6)
TRIM = {
    "vapour_pressure_pa_abs": 70.1e3,
    "critical_pressure_pa_abs": 22.12e6,
    "recovery_factor": 0.9,
}
OVER = {"inlet_pa_abs": 680e3, "outlet_pa_abs": 220e3, **TRIM}
GAP = {"diameter_m": 0.06, "clearance_m": 0.00015, "length_m": 0.02, "viscosity_pa_s": 0.00019}
ESTIMATE = flow_methods.FlowEstimate("meter", 0.015, 2e-4, (("instrument", 2e-4),), True)
HERE = flow_tests.Conditions(49.5, 955.0, 0.3e6, 0.6e6)
THERE = flow_tests.Conditions(49.0, 955.0, 0.3e6, 0.5e6)
LIMITS = flow_tests.Limits(0.0125, 8.0, (0.014, 0.02), 0.03, 1e-4, 3.0, 2e4, 0.95)
ZERO = flow_tests.ZeroMainFlow(ESTIMATE, True, 5.0, 0.1, False, 3e5, 5e5)
STEPS = tuple(
    flow_tests.HandoverPoint(m, b, 2e-4)
    for m, b in ((0.0, 0.0145), (0.005, 0.01), (0.01, 0.005), (0.015, 0.0))
)
NOTHING: dict[str, Any] = {
    "static": None,
    "opening": None,
    "rated": None,
    "closing": None,
    "stop": None,
    "pair": None,
    "standby": None,
    "not_applicable": {},
}


# function, sane call, and per input the spoilings that are legitimate values of it
CALLS: list[tuple[Callable[..., Any], dict[str, Any], dict[str, set[str]]]] = [
    (
        valve_flow.critical_pressure_ratio,
        {"vapour_pressure_pa_abs": 70.1e3, "critical_pressure_pa_abs": 22.12e6},
        {"vapour_pressure_pa_abs": Z | M},
    ),
    (
        valve_flow.choking_pressure_drop,
        {"inlet_pa_abs": 680e3, **TRIM},
        {"vapour_pressure_pa_abs": Z | M},
    ),
    (valve_flow.is_choked, OVER, {"vapour_pressure_pa_abs": Z | M}),
    (
        valve_flow.kv_required,
        {"flow_m3_per_s": 0.1, "density_kg_per_m3": 965.4, **OVER},
        {"flow_m3_per_s": M, "vapour_pressure_pa_abs": Z | M},
    ),
    (
        valve_flow.flow_through_kv,
        {"kv": 165.0, "density_kg_per_m3": 965.4, **OVER},
        {"kv": M, "vapour_pressure_pa_abs": Z | M},
    ),
    (valve_flow.kv_to_cv, {"kv": 165.0}, {"kv": M}),
    (valve_flow.kv_to_flow_area, {"kv": 165.0}, {"kv": M}),
    (
        valve_flow.cavitation_index,
        {"inlet_pa_abs": 1e6, "outlet_pa_abs": 0.8e6, "vapour_pressure_pa_abs": 0.2e6},
        {"vapour_pressure_pa_abs": Z | M, "outlet_pa_abs": M},
    ),
    (
        fittings.kv_required_with_fittings,
        {
            "flow_m3_per_s": 0.1,
            "pressure_drop_pa": 460e3,
            "density_kg_per_m3": 965.4,
            "fittings_loss_coefficient": 1.5,
            "valve_bore_m": 0.15,
        },
        {"flow_m3_per_s": M, "fittings_loss_coefficient": Z | N | M},
    ),
    (
        fittings.piping_geometry_factor,
        {"kv": 165.0, "fittings_loss_coefficient": 1.5, "valve_bore_m": 0.1},
        {"kv": M, "fittings_loss_coefficient": Z | N | M, "valve_bore_m": M},
    ),
    (
        fittings.recovery_factor_with_fittings,
        {
            "kv": 165.0,
            "recovery_factor": 0.9,
            "inlet_loss_coefficient": 1.0,
            "valve_bore_m": 0.1,
        },
        {"kv": M, "inlet_loss_coefficient": Z | N | K | M, "valve_bore_m": M},
    ),
    (
        bypass.ReturnLine,
        {
            "loss_coefficient": 18.0,
            "bore_m": 0.065,
            "common_loss_coefficient": 18.0,
            "common_bore_m": 0.1,
            "pumps_on_common": 3,
            "rise_m": 5.0,
            "end_pa_abs": 4e5,
        },
        {
            "loss_coefficient": Z | M,
            "common_loss_coefficient": Z | M,
            "bore_m": M,
            "common_bore_m": M,
            "rise_m": Z | N | M,
        },
    ),
    (
        bypass.back_pressure,
        {"line": LINE, "flow_m3_per_s": 0.03, "density_kg_per_m3": 955.0},
        {"flow_m3_per_s": Z | M},
    ),
    (
        bypass.bypass_flow_with_return_line,
        {"kv": 25.0, "line": LINE, "discharge_pa_abs": 3e6, "density_kg_per_m3": 955.0, **TRIM},
        {"kv": M, "vapour_pressure_pa_abs": Z | M},
    ),
    (
        bypass.bypass_working_point,
        {
            "curve": CURVE,
            "liquid": WATER,
            "line": LINE,
            "kv": 4.6,
            "recovery_factor": 1.0,
            "main_flow_m3_per_s": 0.02,
            **STATE,
        },
        {"main_flow_m3_per_s": Z | M, "inlet_temperature_degc": M, "kv": M},
    ),
    (
        bypass.capacity_margin,
        {
            "flow_m3_per_s": 0.03,
            "expanded_uncertainty_m3_per_s": 6e-4,
            "required_m3_per_s": 0.025,
        },
        {
            "flow_m3_per_s": Z | M,
            "expanded_uncertainty_m3_per_s": K | M,
            "required_m3_per_s": M,
        },
    ),
    (
        bypass.pipe_loss_coefficient,
        {
            "flow_m3_per_s": 0.03,
            "bore_m": 0.0779,
            "length_m": 50.0,
            "roughness_m": 4.5e-5,
            "fittings_loss_coefficient": 15.0,
            "density_kg_per_m3": 998.2,
            "viscosity_pa_s": 0.02,
        },
        {
            "flow_m3_per_s": M,
            "length_m": M,
            "roughness_m": Z | M,
            "fittings_loss_coefficient": Z | M,
            "viscosity_pa_s": M,
        },
    ),
    (
        parallel_pumps.pump_pair_interaction,
        {"stronger": CURVE, "weaker": WEAKER, "weaker_bypass_flow_m3_per_s": 0.01},
        {"weaker_bypass_flow_m3_per_s": Z | M},
    ),
    (
        flow_methods.flow_from_meter,
        {
            "flow_m3_per_s": 0.03,
            "standard_uncertainty_m3_per_s": 3e-4,
            "calibration_in_date": True,
            "kind": "clamp-on",
        },
        {"standard_uncertainty_m3_per_s": M},
    ),
    (
        flow_methods.flow_from_vessel_level,
        {
            "surface_area_m2": 12.0,
            "level_rise_m": 0.3,
            "duration_s": 400.0,
            "other_outflow_m3_per_s": 0.03,
            "u_surface_area_m2": 0.1,
            "u_level_rise_m": 0.003,
            "u_duration_s": 1.0,
            "u_other_outflow_m3_per_s": 1e-4,
        },
        {
            "other_outflow_m3_per_s": Z | M,
            "u_surface_area_m2": M,
            "u_level_rise_m": M,
            "u_duration_s": M,
            "u_other_outflow_m3_per_s": K | M,
        },
    ),
    (
        flow_methods.flow_from_kv,
        {
            "kv": 165.0,
            "density_kg_per_m3": 965.4,
            **OVER,
            "u_kv": 3.0,
            "u_inlet_pa": 4e3,
            "u_outlet_pa": 4e3,
            "u_density_kg_per_m3": 2.0,
            "kv_under_test": False,
        },
        {
            "vapour_pressure_pa_abs": Z | M,
            "u_kv": M,
            "u_inlet_pa": M,
            "u_outlet_pa": M,
            "u_density_kg_per_m3": M,
        },
    ),
    (
        flow_methods.energy_balance_flow,
        {"shaft_power_w": 345e3, "head_m": 1254.0, "loss_rise_k": 8.0, **FLUID},
        {"shaft_power_w": M, "head_m": Z | M, "loss_rise_k": M},
    ),
    (
        flow_methods.flow_from_energy_balance,
        {
            "shaft_power_w": 345e3,
            "head_m": 1254.0,
            "loss_rise_k": 8.0,
            **FLUID,
            "u_shaft_power_w": 7e3,
            "u_head_m": 6.0,
            "u_rise_k": 0.15,
        },
        {"head_m": Z, "u_shaft_power_w": M, "u_head_m": M, "u_rise_k": M},
    ),
    (
        flow_methods.flow_from_head,
        {"curve": CURVE, "head_m": 1060.0, "u_head_m": 10.0},
        {"u_head_m": M},
    ),
    (
        flow_methods.relative_kv_uncertainty,
        {"u_kv_share": 0.02, "u_pressure_drop_share": 0.01, "u_density_share": 0.002},
        {"u_kv_share": M, "u_pressure_drop_share": M, "u_density_share": M},
    ),
    (
        flow_tests.flow_at_reference,
        {"estimate": ESTIMATE, "head_m": 1200.0, "choked": False, "test": HERE, "reference": THERE},
        {},
    ),
    (
        flow_tests.judge_function_test,
        {"limits": LIMITS, "zero_main_flow": ZERO, **NOTHING},
        {},
    ),
    (
        flow_choice.judge_flow_methods,
        {
            "curve": CURVE,
            "liquid": WATER,
            "flow_m3_per_s": 0.02,
            **STATE,
            "instruments": flow_choice.Instruments(
                0.01, None, None, None, None, None, True, None, None, None
            ),
        },
        {"inlet_temperature_degc": M},
    ),
    (
        orifice.orifice_expansibility,
        {
            "pipe_bore_m": 0.0739,
            "orifice_bore_m": 0.0222,
            "upstream_pa_abs": 100e3,
            "downstream_pa_abs": 99e3,
            "isentropic_exponent": 1.4,
        },
        {},
    ),
    (
        orifice.flow_from_orifice,
        {
            "pressure_difference_pa": 25e3,
            "pipe_bore_m": 0.0779,
            "orifice_bore_m": 0.045,
            "density_kg_per_m3": 998.2,
            "viscosity_pa_s": 0.001002,
            "taps": "D and D/2",
            "u_pressure_difference_pa": 125.0,
            "u_pipe_bore_m": 1.5e-4,
            "u_orifice_bore_m": 1.5e-4,
            "u_density_kg_per_m3": 1.0,
        },
        {
            "viscosity_pa_s": M,
            "u_pressure_difference_pa": M,
            "u_pipe_bore_m": M,
            "u_orifice_bore_m": M,
            "u_density_kg_per_m3": M,
        },
    ),
    (
        cooling.shut_line_fraction,
        {"hours": 9.0, "time_constant_h": 15.6},
        {"hours": Z | M, "time_constant_h": M},
    ),
    (
        cooling.pipe_time_constant,
        {
            "bore_m": 0.0525,
            "wall_m": 0.0039,
            "liquid_density_kg_per_m3": 960.0,
            "liquid_specific_heat_j_per_kg_k": 4210.0,
            "metal_density_kg_per_m3": 7850.0,
            "metal_specific_heat_j_per_kg_k": 480.0,
            "heat_loss_w_per_m_k": 1.89,
        },
        {"bore_m": M, "wall_m": M, "heat_loss_w_per_m_k": M},
    ),
    (
        cooling.insulated_pipe_heat_loss,
        {
            "outside_diameter_m": 0.0761,
            "insulation_m": 0.05,
            "insulation_conductivity_w_per_m_k": 0.045,
            "surface_coefficient_w_per_m2_k": 10.0,
        },
        {"insulation_m": Z | M, "outside_diameter_m": M},
    ),
    (
        cooling.bare_pipe_convection,
        {
            "outside_diameter_m": 0.1,
            "length_m": 40.0,
            "wall_temperature_degc": 170.0,
            "ambient_temperature_degc": 30.0,
            "air_kinematic_viscosity_m2_per_s": 2.3e-5,
            "air_conductivity_w_per_m_k": 0.0325,
            "air_prandtl": 0.7,
        },
        {"length_m": M, "ambient_temperature_degc": Z | N | M},
    ),
    (
        cooling.pipe_radiation,
        {
            "outside_diameter_m": 0.1,
            "length_m": 40.0,
            "emissivity": 0.85,
            "surface_temperature_degc": 165.0,
            "ambient_temperature_degc": 23.0,
        },
        {
            "outside_diameter_m": M,
            "length_m": M,
            "emissivity": M,
            "ambient_temperature_degc": Z | N | M,
        },
    ),
    (
        cooling.leak_from_cooling,
        {
            "heat_loss_w_per_m_k": 3.2,
            "length_m": 40.0,
            "start_temperature_degc": 148.0,
            "end_temperature_degc": 96.0,
            "ambient_temperature_degc": 25.0,
            "specific_heat_j_per_kg_k": 4250.0,
        },
        {
            "heat_loss_w_per_m_k": M,
            "length_m": M,
            "ambient_temperature_degc": Z | N | M,
        },
    ),
    (
        cooling.judge_passing,
        {
            "line_temperature_degc": 139.0,
            "source_temperature_degc": 143.0,
            "ambient_temperature_degc": 22.0,
            "hours_since_shut": 9.0,
            "time_constant_h": 15.6,
            "time_constant_uncertainty_share": 0.3,
            "u_temperature_k": 1.0,
            "heat_loss_w_per_m_k": 0.34,
            "length_m": 40.0,
            "specific_heat_j_per_kg_k": 4290.0,
        },
        {
            # a cold or equal temperature is a real reading: it ends as shut or not judgeable
            "line_temperature_degc": Z | N | M,
            "source_temperature_degc": Z | N | M,
            "ambient_temperature_degc": Z | N | M,
            "hours_since_shut": Z | M,
            "time_constant_h": M,
            "time_constant_uncertainty_share": M,
            "u_temperature_k": M,
            "heat_loss_w_per_m_k": M,
            "length_m": M,
        },
    ),
    (
        leakage.leak_from_flow_difference,
        {
            "pump_flow_m3_per_s": 0.0422,
            "u_pump_flow_m3_per_s": 4e-4,
            "net_flow_m3_per_s": 0.0414,
            "u_net_flow_m3_per_s": 4e-4,
            "known_off_takes_m3_per_s": 3e-4,
            "probability": 0.95,
        },
        {
            "u_pump_flow_m3_per_s": M,
            "u_net_flow_m3_per_s": M,
            "net_flow_m3_per_s": set(),
            "known_off_takes_m3_per_s": Z | M,
        },
    ),
    (
        leakage.leak_from_excess_power,
        {
            "curve": CURVE,
            "net_flow_m3_per_s": 0.04,
            "shaft_power_w": 560e3,
            "u_shaft_power_w": 3e3,
        },
        {"net_flow_m3_per_s": M, "u_shaft_power_w": M},
    ),
    (
        leakage.annular_leak_laminar,
        {**GAP, "pressure_difference_pa": 9e5, "eccentricity": 0.5},
        {
            "pressure_difference_pa": M,
            "eccentricity": Z | M,
            "clearance_m": M,
            "length_m": M,
            "viscosity_pa_s": K,  # a heavy oil
        },
    ),
    (
        leakage.annular_leak_turbulent,
        {
            **GAP,
            "pressure_difference_pa": 9e6,
            "density_kg_per_m3": 920.0,
            "inlet_loss": 0.5,
            "outlet_loss": 1.0,
        },
        {
            "length_m": M,
            "pressure_difference_pa": M,
            "inlet_loss": Z | M,
            "outlet_loss": Z | M,
        },
    ),
    (
        leakage.annular_leak,
        {
            **GAP,
            "inlet_pa_abs": 10e6,
            "outlet_pa_abs": 1e6,
            "density_kg_per_m3": 920.0,
            "vapour_pressure_pa_abs": 0.4e6,
            "recovery_factor": 0.9,
            "eccentricity": 0.5,
            "inlet_loss": 0.5,
            "outlet_loss": 1.0,
        },
        {
            "clearance_m": M,
            "length_m": M,
            "outlet_pa_abs": M,
            "viscosity_pa_s": K,
            "vapour_pressure_pa_abs": Z | M,
            "eccentricity": Z | M,
            "inlet_loss": Z | M,
            "outlet_loss": Z | M,
        },
    ),
    (
        leakage.marginal_power,
        {"curve": CURVE, "net_flow_m3_per_s": 0.04, "leak_m3_per_s": 0.003},
        {"net_flow_m3_per_s": Z | M, "leak_m3_per_s": M},
    ),
    (
        leakage.leak_loss,
        {
            "curve": CURVE,
            "net_flow_m3_per_s": 0.04,
            "leak_m3_per_s": 0.003,
            "motor_efficiency": 0.95,
            "hours": 8000.0,
            "price_per_kwh": 0.1,
        },
        {
            "net_flow_m3_per_s": M,
            "leak_m3_per_s": M,
            "motor_efficiency": M,
            "hours": M,
            "price_per_kwh": K | M,  # currencies differ by more than that
        },
    ),
]
