"""Sane calls of the pump-side functions, and which spoiled inputs are legitimate values."""

from collections.abc import Callable
from typing import Any

from tests.engineering.demo_pumps import DEMO_PUMPS
from valvecare.engineering import (
    curves,
    heating,
    minimum_flow,
    pump_energy,
    suction,
    thermal,
    uncertainty,
)
from valvecare.engineering.liquids import WATER, TableLiquid

PUMP = DEMO_PUMPS["AF-FW"]
CURVE = PUMP.curve(points=12)
STATE = {"inlet_temperature_degc": 105.0, "inlet_pa_abs": 0.3e6}
FLUID = {"density_kg_per_m3": 955.0, "specific_heat_j_per_kg_k": 4225.0}
ENERGY = {
    "head_m": 300.0,
    "density_kg_per_m3": 998.0,
    "pump_efficiency": 0.7,
    "motor_efficiency": 0.95,
}
SPEEDS = {"from_speed_per_s": 30.0, "to_speed_per_s": 60.0}
TABLE = TableLiquid(
    "brine", "invented", (0.0, 50.0), (1100.0, 1080.0), (3600.0, 3650.0), (600.0, 12e3), None, None
)
MISSING, NOT_FINITE, ZEROED, NEGATIVE, THOUSAND, THOUSANDTH = (
    "missing",
    "not finite",
    "zero",
    "negative",
    "1000 times",
    "a thousandth",
)
Z, N, K, M = {ZEROED}, {NEGATIVE}, {THOUSAND}, {THOUSANDTH}


# function, sane call, and per input the spoilings that are legitimate values of it
CALLS: list[tuple[Callable[..., Any], dict[str, Any], dict[str, set[str]]]] = [
    (curves.affinity_flow, {"flow_m3_per_s": 0.03, **SPEEDS}, {"flow_m3_per_s": Z | M}),
    (curves.affinity_head, {"head_m": 48.0, **SPEEDS}, {"head_m": M}),
    (curves.affinity_power, {"power_w": 450e3, **SPEEDS}, {"power_w": M}),
    (
        thermal.pump_temperature_rise,
        {
            "head_m": 300.0,
            "efficiency": 0.7,
            "specific_heat_j_per_kg_k": 4200.0,
            "compression_rise_k": 0.7,
        },
        {"head_m": M, "efficiency": M, "compression_rise_k": Z | M},
    ),
    (
        thermal.temperature_rise_from_power,
        {"shaft_power_w": 345e3, "flow_m3_per_s": 0.028, "head_m": 1000.0, **FLUID},
        {"head_m": Z | M},
    ),
    (
        thermal.temperature_rise_from_losses,
        {"shaft_power_w": 345e3, "efficiency": 0.5, "flow_m3_per_s": 0.028, **FLUID},
        {"shaft_power_w": M, "efficiency": M},
    ),
    (
        thermal.return_line_rise,
        {"head_m": 1200.0, "efficiency": 0.25, "specific_heat_j_per_kg_k": 4200.0},
        {"head_m": M},
    ),
    (
        thermal.isentropic_temperature_rise,
        {"liquid": WATER, **STATE, "outlet_pa_abs": 9e6},
        {"inlet_temperature_degc": M},
    ),
    (
        thermal.isentropic_heating_per_pressure,
        {"liquid": WATER, **STATE, "outlet_pa_abs": 9e6},
        {"inlet_temperature_degc": M},
    ),
    (
        thermal.outlet_temperature,
        {"liquid": WATER, **STATE, "outlet_pa_abs": 9e6, "efficiency": 0.7},
        {"inlet_temperature_degc": M},
    ),
    (
        thermal.throttle_outlet_temperature,
        {
            "liquid": WATER,
            "inlet_temperature_degc": 60.0,
            "inlet_pa_abs": 9e6,
            "outlet_pa_abs": 3e5,
        },
        {"inlet_temperature_degc": M},
    ),
    (
        thermal.temperature_rises,
        {"curve": CURVE, "liquid": WATER, "flow_m3_per_s": 0.02, **STATE},
        {"inlet_temperature_degc": M},
    ),
    (
        heating.shutoff_heating_rate,
        {"shaft_power_w": 340e3, "liquid_mass_kg": 1200.0, "specific_heat_j_per_kg_k": 4200.0},
        {"shaft_power_w": M, "liquid_mass_kg": M},
    ),
    (
        heating.time_to_boil,
        {
            "liquid": WATER,
            "shaft_power_w": 340e3,
            "liquid_mass_kg": 1200.0,
            "metal_mass_kg": 1500.0,
            "metal_specific_heat_j_per_kg_k": 480.0,
            "start_temperature_degc": 105.0,
            "inlet_pa_abs": 0.3e6,
        },
        {
            "shaft_power_w": M,
            "liquid_mass_kg": M,
            "metal_mass_kg": Z | M,
            "start_temperature_degc": M,
        },
    ),
    (
        heating.suction_return_inlet_rise,
        {"rise_per_pass_k": 3.0, "bypass_share": 0.5},
        {"rise_per_pass_k": M, "bypass_share": Z | M},
    ),
    (
        suction.head_from_pressure,
        {"pressure_pa": 2e5, "density_kg_per_m3": 985.0},
        {"pressure_pa": M},
    ),
    (
        suction.npsh_available,
        {
            "surface_pa_abs": 120.8e3,
            "vapour_pressure_pa_abs": 100e3,
            "static_head_m": 9.0,
            "friction_head_m": 6.1,
            "density_kg_per_m3": 955.0,
        },
        {
            "vapour_pressure_pa_abs": Z | M,
            "static_head_m": Z | N | M,
            "friction_head_m": Z | M,
        },
    ),
    (
        suction.allowed_rise_to_vaporisation,
        {"liquid": WATER, **STATE, "margin_pa": 2e4},
        {"inlet_temperature_degc": M, "margin_pa": Z | M},
    ),
    (
        suction.npsh_at_rise,
        {"liquid": WATER, **STATE, "rise_k": 5.0, "inlet_velocity_m_per_s": 2.0},
        {
            "inlet_temperature_degc": Z | M,
            "rise_k": Z | M,
            "inlet_velocity_m_per_s": Z | M,
        },
    ),
    (
        suction.allowed_rise_npsh,
        {
            "liquid": WATER,
            **STATE,
            "inlet_velocity_m_per_s": 2.0,
            "npsh_required_m": 6.0,
            "margin_m": 1.0,
        },
        {
            "inlet_temperature_degc": M,
            "inlet_velocity_m_per_s": Z | M,
            "npsh_required_m": M,
            "margin_m": Z | M,
        },
    ),
    (
        suction.allowed_rise,
        {
            "liquid": WATER,
            **STATE,
            "stated_rise_k": 8.33,
            "vapour_margin_pa": 2e4,
            "inlet_velocity_m_per_s": 2.0,
            "npsh_required_m": 6.0,
            "npsh_margin_m": 1.0,
        },
        {
            "inlet_temperature_degc": M,
            "stated_rise_k": {MISSING} | M,
            "vapour_margin_pa": Z | M,
            "inlet_velocity_m_per_s": Z | M,
            "npsh_required_m": M,
            "npsh_margin_m": Z | M,
        },
    ),
    (
        minimum_flow.handbook_minimum_flow,
        {"shaft_power_w": 345e3, "allowed_rise_k": 8.33, **FLUID},
        {"shaft_power_w": M, "allowed_rise_k": M},
    ),
    (
        minimum_flow.thermal_minimum_flow,
        {
            "curve": CURVE,
            "liquid": WATER,
            **STATE,
            "stated_rise_k": 8.0,
            "vapour_margin_pa": 1e4,
            "npsh_required": None,
        },
        {
            "inlet_temperature_degc": M,
            "stated_rise_k": {MISSING},
            "vapour_margin_pa": Z | M,
        },
    ),
    (
        minimum_flow.minimum_flow_for_rise,
        {
            "curve": CURVE,
            "specific_heat_j_per_kg_k": 4225.0,
            "allowed_rise_k": 8.0,
            "compression_rises_k": [0.0] * 13,
        },
        {},
    ),
    (
        minimum_flow.NpshRequired,
        {
            "flows_m3_per_s": (0.0, 0.06),
            "heads_m": (3.0, 9.0),
            "margin_m": 1.0,
            "inlet_bore_m": 0.2,
            "source": "invented",
        },
        {"margin_m": Z | M, "inlet_bore_m": M},
    ),
    (
        uncertainty.conformance_probability,
        {"measured": 509.7, "standard_uncertainty": 8.6, "lower_limit": 490.0},
        # a probability of any three numbers is one; the decision functions bound them
        {
            "measured": Z | N | K | M,
            "standard_uncertainty": K | M,
            "lower_limit": Z | N | K | M,
        },
    ),
    (
        uncertainty.acceptance_limit,
        {"required": 60.0, "standard_uncertainty": 1.2, "probability": 0.95},
        # dimensionless on purpose: used with any unit
        {"required": K | M, "standard_uncertainty": K | M},
    ),
    (uncertainty.z_for_probability, {"probability": 0.95}, {}),
    (
        uncertainty.false_accept_probability,
        {"guard_band_in_standard_uncertainties": 2.0},
        {"guard_band_in_standard_uncertainties": Z | M},
    ),
    (
        uncertainty.decide_at_least,
        {"measured": 63.0, "standard_uncertainty": 1.2, "required": 60.0, "probability": 0.95},
        # a unit slip of the uncertainty or requirement ends as 'test not able', of the reading
        # within 1000 times as a clear fail: never as a pass (see the property tests)
        {"measured": Z | M, "standard_uncertainty": K | M, "required": K},
    ),
    (
        uncertainty.decide_at_most,
        {"measured": 6.0, "standard_uncertainty": 0.2, "limit": 8.0, "probability": 0.95},
        {"measured": Z | K | M, "standard_uncertainty": K | M, "limit": K | M},
    ),
    (
        pump_energy.shaft_power,
        {"electrical_power_w": 345e3, "motor_efficiency": 0.95},
        {"electrical_power_w": M, "motor_efficiency": M},
    ),
    (
        pump_energy.pump_efficiency_from_pressures,
        {
            "shaft_power_w": 345e3,
            "flow_m3_per_s": 0.025,
            "inlet_pa_abs": 3e5,
            "outlet_pa_abs": 9e6,
        },
        {"flow_m3_per_s": M},
    ),
    (
        pump_energy.wire_to_water_efficiency,
        {"pump_efficiency": 0.78, "motor_efficiency": 0.9},
        {"pump_efficiency": M, "motor_efficiency": M},
    ),
    (
        pump_energy.pumping_energy,
        {"volume_m3": 5e6, **ENERGY},
        {"volume_m3": M, "head_m": M, "pump_efficiency": M, "motor_efficiency": M},
    ),
    (
        pump_energy.pumping_cost,
        {"volume_m3": 5e6, **ENERGY, "price_per_kwh": 0.1},
        {
            "volume_m3": M,
            "head_m": M,
            "pump_efficiency": M,
            "motor_efficiency": M,
            "price_per_kwh": K | M,
        },
    ),
    (
        pump_energy.recirculation_energy,
        {"flow_m3_per_s": 0.03, "hours": 8000.0, **ENERGY},
        {
            "flow_m3_per_s": M,
            "hours": M,
            "head_m": M,
            "pump_efficiency": M,
            "motor_efficiency": M,
        },
    ),
    (WATER.density, {"temperature_degc": 105.0, "pressure_pa_abs": 3e5}, {"temperature_degc": M}),
    (
        WATER.specific_heat,
        {"temperature_degc": 105.0, "pressure_pa_abs": 3e5},
        {"temperature_degc": M},
    ),
    (WATER.enthalpy, {"temperature_degc": 105.0, "pressure_pa_abs": 3e5}, {"temperature_degc": M}),
    (WATER.viscosity, {"temperature_degc": 105.0, "pressure_pa_abs": 3e5}, {"temperature_degc": M}),
    (WATER.vapour_pressure, {"temperature_degc": 105.0}, {"temperature_degc": M}),
    (WATER.saturation_temperature, {"pressure_pa_abs": 3e5}, {}),
    (
        TABLE.density,
        {"temperature_degc": 25.0, "pressure_pa_abs": 3e5},
        {"temperature_degc": Z | M},
    ),
    (TABLE.vapour_pressure, {"temperature_degc": 25.0}, {"temperature_degc": Z | M}),
]
