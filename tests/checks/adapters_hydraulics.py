"""Adapters of the hydraulics table: units in, one public function, units out. No formula here."""

from typing import Any

from tests.checks.registry import Inputs, adapter
from valvecare.engineering import (
    bypass,
    cooling,
    curves,
    flow_methods,
    heating,
    leakage,
    minimum_flow,
    orifice,
    pump_energy,
    suction,
    thermal,
    uncertainty,
    valve_flow,
)
from valvecare.engineering.liquids import WATER
from valvecare.engineering.units import from_si, to_si

_ANY_SPEED_PER_S = 49.5  # rows without affinity do not depend on it


def _si(inputs: Inputs, name: str, kind: str, unit: str) -> Any:
    """The named input in the base unit; absent stays None, so that the library refuses it."""
    return None if inputs.get(name) is None else to_si(kind, unit, inputs[name])


def _abs(inputs: Inputs, name: str, unit: str = "MPa") -> Any:
    return _si(inputs, name, "pressure_absolute", unit)


def _state(inputs: Inputs) -> tuple[Any, Any]:
    kelvin = _si(inputs, "T_K", "temperature", "K")
    celsius = _si(inputs, "T_C", "temperature", "degC")
    fahrenheit = _si(inputs, "T_F", "temperature", "degF")
    temperature = next((t for t in (kelvin, celsius, fahrenheit) if t is not None), None)
    return temperature, _abs(inputs, "p_MPa_abs")


def _curve(inputs: Inputs, best_m3_h: float) -> curves.PumpCurve:
    return curves.PumpCurve(
        tuple(to_si("volume_flow", "m3/h", q) for q in inputs["Q_m3_h"]),
        tuple(inputs["H_m"]),
        tuple(to_si("power", "kW", p) for p in inputs["P_kW"]),
        density_kg_per_m3=inputs.get("rho") or 955.0,
        speed_per_s=_ANY_SPEED_PER_S,
        best_efficiency_flow_m3_per_s=to_si("volume_flow", "m3/h", best_m3_h),
        source="case table, invented",
    )


@adapter("water_density", "water_density_liquid")
def water_density(inputs: Inputs) -> float:
    return WATER.density(*_state(inputs))


@adapter("water_cp")
def water_cp(inputs: Inputs) -> float:
    return from_si("specific_heat", "kJ/(kg K)", WATER.specific_heat(*_state(inputs)))


@adapter("water_enthalpy")
def water_enthalpy(inputs: Inputs) -> float:
    return from_si("specific_energy", "kJ/kg", WATER.enthalpy(*_state(inputs)))


@adapter("water_vapour_pressure")
def water_vapour_pressure(inputs: Inputs) -> float:
    pressure = WATER.vapour_pressure(_state(inputs)[0])
    return from_si("pressure_absolute", "psi" if "T_F" in inputs else "MPa", pressure)


@adapter("water_saturation_temperature")
def water_saturation_temperature(inputs: Inputs) -> float:
    return from_si("temperature", "K", WATER.saturation_temperature(_state(inputs)[1]))


@adapter("water_viscosity")
def water_viscosity(inputs: Inputs) -> float:
    viscosity = WATER.viscosity_at_density(_state(inputs)[0], inputs["rho_kg_m3"])
    return from_si("dynamic_viscosity", "uPa s", viscosity)


@adapter("temperature_rise_losses")
def temperature_rise_losses(inputs: Inputs) -> float:
    if "head_ft" in inputs:
        rise = thermal.pump_temperature_rise(
            to_si("length", "ft", inputs["head_ft"]),
            inputs["efficiency"],
            specific_heat_j_per_kg_k=to_si("specific_heat", "Btu/(lb degF)", inputs["cp_Btu_lbF"]),
            compression_rise_k=0.0,
        )
        return from_si("temperature_difference", "degF", rise)
    heat = to_si("specific_heat", "kJ/(kg K)", inputs["cp_kJ_kgK"])
    if "electric_kW" in inputs:
        head = suction.head_from_pressure(
            _abs(inputs, "p2_kPa", "kPa") - _abs(inputs, "p1_kPa", "kPa"),
            density_kg_per_m3=inputs["rho"],
        )
        return thermal.temperature_rise_from_power(
            _shaft_power(inputs),
            flow_m3_per_s=to_si("volume_flow", "L/s", inputs["flow_L_s"]),
            head_m=head,
            density_kg_per_m3=inputs["rho"],
            specific_heat_j_per_kg_k=heat,
        )
    return thermal.temperature_rise_from_losses(
        to_si("power", "kW", inputs["brake_power_kW"]),
        inputs["efficiency"],
        flow_m3_per_s=to_si("volume_flow", "m3/h", inputs["flow_m3_h"]),
        density_kg_per_m3=inputs["rho"],
        specific_heat_j_per_kg_k=heat,
    )


def _shaft_power(inputs: Inputs) -> float:
    return pump_energy.shaft_power(
        to_si("power", "kW", inputs["electric_kW"]), motor_efficiency=inputs["motor_efficiency"]
    )


@adapter("pump_efficiency_from_pressures")
def pump_efficiency_from_pressures(inputs: Inputs) -> float:
    return pump_energy.pump_efficiency_from_pressures(
        _shaft_power(inputs),
        flow_m3_per_s=to_si("volume_flow", "L/s", inputs["flow_L_s"]),
        inlet_pa_abs=_abs(inputs, "p1_kPa", "kPa"),
        outlet_pa_abs=_abs(inputs, "p2_kPa", "kPa"),
    )


@adapter("isentropic_heating_per_pressure")
def isentropic_heating_per_pressure(inputs: Inputs) -> float:
    slope = thermal.isentropic_heating_per_pressure(
        WATER,
        inlet_temperature_degc=inputs["T_C"],
        inlet_pa_abs=_abs(inputs, "p1_MPa_abs"),
        outlet_pa_abs=_abs(inputs, "p2_MPa_abs"),
    )
    return from_si("temperature_per_pressure", "K/MPa", slope)


@adapter("isentropic_temperature_rise")
def isentropic_temperature_rise(inputs: Inputs) -> float:
    return thermal.isentropic_temperature_rise(
        WATER,
        inlet_temperature_degc=inputs["T1_C"],
        inlet_pa_abs=_abs(inputs, "p1_MPa_abs"),
        outlet_pa_abs=_abs(inputs, "p2_MPa_abs"),
    )


@adapter("pump_outlet_temperature_enthalpy")
def pump_outlet_temperature_enthalpy(inputs: Inputs) -> float:
    return thermal.outlet_temperature(
        WATER,
        inlet_temperature_degc=inputs["T1_C"],
        inlet_pa_abs=_abs(inputs, "p1_MPa_abs"),
        outlet_pa_abs=_abs(inputs, "p2_MPa_abs"),
        efficiency=inputs["efficiency"],
    )


@adapter("throttle_outlet_temperature")
def throttle_outlet_temperature(inputs: Inputs) -> float:
    return thermal.throttle_outlet_temperature(
        WATER,
        inlet_temperature_degc=inputs["T1_C"],
        inlet_pa_abs=_abs(inputs, "p1_MPa_abs"),
        outlet_pa_abs=_abs(inputs, "p2_MPa_abs"),
    )


@adapter("temperature_rise_total_recirculated")
def temperature_rise_total_recirculated(inputs: Inputs) -> float:
    return thermal.return_line_rise(
        inputs["head_m"],
        inputs["efficiency"],
        specific_heat_j_per_kg_k=to_si("specific_heat", "kJ/(kg K)", inputs["cp_kJ_kgK"]),
    )


@adapter("suction_return_inlet_rise")
def suction_return_inlet_rise(inputs: Inputs) -> float:
    return heating.suction_return_inlet_rise(
        inputs["rise_per_pass_K"], inputs["bypass_share_of_pump_flow"]
    )


@adapter("shutoff_heating_rate")
def shutoff_heating_rate(inputs: Inputs) -> float:
    rate = heating.shutoff_heating_rate(
        to_si("power", "hp", inputs["brake_power_hp"]),
        liquid_mass_kg=to_si("mass", "lb", inputs["liquid_mass_lb"]),
        specific_heat_j_per_kg_k=to_si("specific_heat", "Btu/(lb degF)", inputs["cp_Btu_lbF"]),
    )
    return from_si("temperature_rate", "degF/min", rate)


@adapter("thermal_min_flow_handbook")
def thermal_min_flow_handbook(inputs: Inputs) -> float:
    flow = minimum_flow.handbook_minimum_flow(
        to_si("power", "hp", inputs["brake_power_hp"]),
        density_kg_per_m3=to_si("density", "kg/L", inputs["sg"]),
        specific_heat_j_per_kg_k=to_si("specific_heat", "Btu/(lb degF)", inputs["cp_Btu_lbF"]),
        allowed_rise_k=to_si("temperature_difference", "degF", inputs["dT_F"]),
    )
    return from_si("volume_flow", "gal_us/min", flow)


@adapter("thermal_min_flow_curve")
def thermal_min_flow_curve(inputs: Inputs) -> float:
    answer = minimum_flow.minimum_flow_for_rise(
        _curve(inputs, inputs["Q_bep_m3_h"]),
        specific_heat_j_per_kg_k=_si(inputs, "cp_kJ_kgK", "specific_heat", "kJ/(kg K)"),
        allowed_rise_k=inputs["dT_allow_K"],
        compression_rises_k=[0.0] * len(inputs["Q_m3_h"]),
    )
    return from_si("volume_flow", "m3/h", answer.flow_m3_per_s)


@adapter("allowed_rise_to_vaporisation")
def allowed_rise_to_vaporisation(inputs: Inputs) -> float:
    return suction.allowed_rise_to_vaporisation(
        WATER,
        inlet_temperature_degc=inputs["T1_C"],
        inlet_pa_abs=_abs(inputs, "inlet_p_MPa_abs"),
        margin_pa=0.0,
    )


@adapter("allowed_rise_npsh")
def allowed_rise_npsh(inputs: Inputs) -> float:
    return suction.allowed_rise_npsh(
        WATER,
        inlet_temperature_degc=inputs["T1_C"],
        inlet_pa_abs=_abs(inputs, "inlet_p_MPa_abs"),
        inlet_velocity_m_per_s=0.0,
        npsh_required_m=inputs["npshr_m"],
        margin_m=inputs["margin_m"],
    )


@adapter("npsha")
def npsha(inputs: Inputs) -> float:
    if "static_ft" in inputs:
        metres = suction.npsh_available(
            _abs(inputs, "surface_psia", "psi"),
            vapour_pressure_pa_abs=_abs(inputs, "vapour_psia", "psi"),
            static_head_m=to_si("length", "ft", inputs["static_ft"]),
            friction_head_m=to_si("length", "ft", inputs["friction_ft"]),
            density_kg_per_m3=to_si("density", "kg/L", inputs["sg"]),
        )
        return from_si("length", "ft", metres)
    surface = _abs(inputs, "surface_MPa_abs")
    boiling = WATER.vapour_pressure(inputs["T_C"])
    return suction.npsh_available(
        surface,
        vapour_pressure_pa_abs=boiling,
        static_head_m=inputs["static_m"],
        friction_head_m=inputs["friction_m"],
        density_kg_per_m3=WATER.density(inputs["T_C"], max(surface, boiling)),
    )


@adapter("pressure_to_head")
def pressure_to_head(inputs: Inputs) -> float:
    metres = suction.head_from_pressure(
        _abs(inputs, "p_psia", "psi"), density_kg_per_m3=to_si("density", "kg/L", inputs["sg"])
    )
    return from_si("length", "ft", metres)


@adapter("affinity_flow")
def affinity_flow(inputs: Inputs) -> float:
    flow = curves.affinity_flow(
        to_si("volume_flow", "gal_us/min", inputs["Q1_gpm"]),
        from_speed_per_s=to_si("rotational_speed", "rpm", inputs["n1"]),
        to_speed_per_s=to_si("rotational_speed", "rpm", inputs["n2"]),
    )
    return from_si("volume_flow", "gal_us/min", flow)


@adapter("affinity_power")
def affinity_power(inputs: Inputs) -> float:
    power = curves.affinity_power(
        to_si("power", "kW", inputs["P1_kW"]),
        from_speed_per_s=to_si("rotational_speed", "rpm", inputs["n1"]),
        to_speed_per_s=to_si("rotational_speed", "rpm", inputs["n2"]),
    )
    return from_si("power", "kW", power)


@adapter("pumping_cost_per_1000_gal")
def pumping_cost_per_1000_gal(inputs: Inputs) -> float:
    return pump_energy.pumping_cost(
        to_si("volume", "gal_us", 1000.0),
        head_m=to_si("length", "ft", inputs["head_ft"]),
        density_kg_per_m3=to_si("density", "kg/L", 1.0),
        pump_efficiency=inputs["pump_efficiency"],
        motor_efficiency=inputs["motor_efficiency"],
        price_per_kwh=inputs["price_per_kWh"],
    )


@adapter("wire_to_water_efficiency")
def wire_to_water_efficiency(inputs: Inputs) -> float:
    return pump_energy.wire_to_water_efficiency(
        inputs["pump_efficiency"], inputs["motor_efficiency"]
    )


@adapter("recirculation_energy")
def recirculation_energy(inputs: Inputs) -> float:
    energy = pump_energy.recirculation_energy(
        to_si("volume_flow", "m3/h", inputs["Q_m3_h"]),
        hours=inputs["hours"],
        head_m=inputs["head_m"],
        density_kg_per_m3=inputs["rho"],
        pump_efficiency=inputs["pump_efficiency"],
        motor_efficiency=inputs["motor_efficiency"],
    )
    return from_si("energy", "kWh", energy)


@adapter("valve_Kv_required")
def valve_kv_required(inputs: Inputs) -> float:
    return valve_flow.kv_required(
        to_si("volume_flow", "m3/h", inputs["Q_m3_h"]),
        inlet_pa_abs=_abs(inputs, "p1_kPa_abs", "kPa"),
        outlet_pa_abs=_abs(inputs, "p2_kPa_abs", "kPa"),
        density_kg_per_m3=inputs["rho"],
        vapour_pressure_pa_abs=_abs(inputs, "p_v_kPa", "kPa"),
        critical_pressure_pa_abs=_abs(inputs, "p_c_kPa", "kPa"),
        recovery_factor=inputs["FL"],
    )


@adapter("valve_is_choked")
def valve_is_choked(inputs: Inputs) -> bool:
    return valve_flow.is_choked(
        inlet_pa_abs=_abs(inputs, "p1_kPa_abs", "kPa"),
        outlet_pa_abs=_abs(inputs, "p2_kPa_abs", "kPa"),
        vapour_pressure_pa_abs=_abs(inputs, "p_v_kPa", "kPa"),
        critical_pressure_pa_abs=_abs(inputs, "p_c_kPa", "kPa"),
        recovery_factor=inputs["FL"],
    )


@adapter("critical_pressure_ratio_FF")
def critical_pressure_ratio(inputs: Inputs) -> float:
    return valve_flow.critical_pressure_ratio(
        _abs(inputs, "p_v_kPa", "kPa"), critical_pressure_pa_abs=_abs(inputs, "p_c_kPa", "kPa")
    )


@adapter("Kv_to_Cv")
def kv_to_cv(inputs: Inputs) -> float:
    return valve_flow.kv_to_cv(inputs["Kv"])


@adapter("Kv_to_flow_area_Av")
def kv_to_flow_area(inputs: Inputs) -> float:
    return valve_flow.kv_to_flow_area(inputs["Kv"])


@adapter("cavitation_index")
def cavitation_index(inputs: Inputs) -> float:
    return valve_flow.cavitation_index(
        inlet_pa_abs=_abs(inputs, "p1_MPa_abs"),
        outlet_pa_abs=_abs(inputs, "p2_MPa_abs"),
        vapour_pressure_pa_abs=_abs(inputs, "p_v_MPa"),
    )


@adapter("bypass_flow_delivered")
def bypass_flow_delivered(inputs: Inputs) -> float:
    flow = valve_flow.flow_through_kv(
        inputs["Kv"],
        inlet_pa_abs=_abs(inputs, "p1_MPa_abs"),
        outlet_pa_abs=_abs(inputs, "p2_MPa_abs"),
        density_kg_per_m3=inputs.number("rho"),
        vapour_pressure_pa_abs=_abs(inputs, "p_v_MPa"),
        critical_pressure_pa_abs=_abs(inputs, "p_c_MPa"),
        recovery_factor=inputs.number("FL"),
    )
    return from_si("volume_flow", "m3/h", flow)


@adapter("Kv_in_series")
def kv_in_series(inputs: Inputs) -> float:
    return valve_flow.kv_in_series(inputs["Kv"])


@adapter("bypass_flow_with_return_line")
def bypass_flow_with_return_line(inputs: Inputs) -> float:
    line = bypass.ReturnLine(
        loss_coefficient=inputs["K_line"],
        bore_m=inputs["d_m"],
        common_loss_coefficient=0.0,
        common_bore_m=inputs["d_m"],
        pumps_on_common=1,
        rise_m=0.0,
        end_pa_abs=_abs(inputs, "p_return_MPa_abs"),
    )
    flow = bypass.bypass_flow_with_return_line(
        inputs["Kv"],
        line,
        discharge_pa_abs=_abs(inputs, "p_discharge_MPa_abs"),
        density_kg_per_m3=inputs["rho"],
        vapour_pressure_pa_abs=_abs(inputs, "p_v_kPa", "kPa"),
        critical_pressure_pa_abs=WATER.critical_pressure_pa_abs,
        recovery_factor=inputs["FL"],
    )
    return from_si("volume_flow", "m3/h", flow)


@adapter("orifice_expansibility")
def orifice_expansibility(inputs: Inputs) -> float:
    return orifice.orifice_expansibility(
        pipe_bore_m=inputs["D_m"],
        orifice_bore_m=inputs["d_m"],
        upstream_pa_abs=_abs(inputs, "p1_kPa", "kPa"),
        downstream_pa_abs=_abs(inputs, "p2_kPa", "kPa"),
        isentropic_exponent=inputs["k"],
    )


@adapter("orifice_mass_flow_water")
def orifice_mass_flow(inputs: Inputs) -> float:
    return orifice.orifice_mass_flow(
        to_si("pressure_difference", "kPa", inputs["dp_kPa"]),
        pipe_bore_m=inputs["D_m"],
        orifice_bore_m=inputs["d_m"],
        density_kg_per_m3=inputs["rho"],
        viscosity_pa_s=inputs["mu_Pa_s"],
        taps=inputs["taps"],
    )


@adapter("annular_leak_laminar")
def annular_leak_laminar(inputs: Inputs) -> float:
    return leakage.annular_leak_laminar(
        diameter_m=inputs["d_m"],
        clearance_m=inputs["c_m"],
        length_m=inputs["L_m"],
        pressure_difference_pa=inputs["dp_Pa"],
        viscosity_pa_s=inputs["mu_Pa_s"],
        eccentricity=inputs["eccentricity"],
    )


@adapter("annular_leak_turbulent")
def annular_leak_turbulent(inputs: Inputs) -> float:
    flow = leakage.annular_leak_turbulent(
        diameter_m=inputs["d_m"],
        clearance_m=inputs["c_m"],
        length_m=inputs["L_m"],
        pressure_difference_pa=to_si("pressure_difference", "MPa", inputs["dp_MPa"]),
        density_kg_per_m3=inputs["rho"],
        viscosity_pa_s=inputs["mu_Pa_s"],
        inlet_loss=inputs["K_in"],
        outlet_loss=inputs["K_out"],
    )
    return from_si("volume_flow", "m3/h", flow)


@adapter("z_for_conformance_probability")
def z_for_conformance_probability(inputs: Inputs) -> float:
    return uncertainty.z_for_probability(inputs["p_conformance"])


@adapter("conformance_probability_lower_limit")
def conformance_probability(inputs: Inputs) -> float:
    return uncertainty.conformance_probability(
        inputs["y"], standard_uncertainty=inputs["u"], lower_limit=inputs["lower_limit"]
    )


@adapter("acceptance_limit_lower")
def acceptance_limit(inputs: Inputs) -> float:
    return uncertainty.acceptance_limit(
        inputs["required_m3_h"],
        standard_uncertainty=inputs["u_m3_h"],
        probability=inputs["p_conformance"],
    )


@adapter("false_accept_probability_at_acceptance_limit")
def false_accept_probability(inputs: Inputs) -> float:
    assert inputs["guard_band"] == "w = U, k = 2"
    return uncertainty.false_accept_probability(2.0)


@adapter("function_test_verdict")
def function_test_verdict(inputs: Inputs) -> str:
    return uncertainty.decide_at_least(
        inputs["measured_m3_h"],
        standard_uncertainty=inputs["u_m3_h"],
        required=inputs["required_m3_h"],
        probability=inputs["p_conformance"],
    ).verdict


@adapter("pump_flow_from_energy_balance")
def pump_flow_from_energy_balance(inputs: Inputs) -> float:
    flow = flow_methods.energy_balance_flow(
        to_si("power", "kW", inputs["shaft_power_kW"]),
        head_m=inputs["head_m"],
        loss_rise_k=inputs["loss_rise_K"],
        density_kg_per_m3=inputs["rho"],
        specific_heat_j_per_kg_k=to_si("specific_heat", "kJ/(kg K)", inputs["cp_kJ_kgK"]),
    )
    return from_si("volume_flow", "m3/h", flow)


@adapter("pump_flow_uncertainty_energy_balance")
def pump_flow_uncertainty_energy_balance(inputs: Inputs) -> float:
    return flow_methods.flow_from_energy_balance(
        to_si("power", "kW", inputs["shaft_power_kW"]),
        head_m=inputs["head_m"],
        loss_rise_k=inputs["loss_rise_K"],
        density_kg_per_m3=inputs["rho"],
        specific_heat_j_per_kg_k=to_si("specific_heat", "kJ/(kg K)", inputs["cp_kJ_kgK"]),
        u_shaft_power_w=to_si("power", "kW", inputs["u_kW"]),
        u_head_m=inputs["u_m"],
        u_rise_k=inputs["u_K"],
    ).relative_uncertainty


@adapter("pump_flow_from_head")
def pump_flow_from_head(inputs: Inputs) -> float:
    answer = flow_methods.flow_from_head(
        _curve(Inputs(inputs["curve"], inputs.folder), 160.0),
        head_m=inputs["H_measured_m"],
        u_head_m=inputs["u_H_m"],
    )
    return from_si("volume_flow", "m3/h", answer.flow_m3_per_s)


@adapter("bare_pipe_convection")
def bare_pipe_convection(inputs: Inputs) -> float:
    return cooling.bare_pipe_convection(
        outside_diameter_m=inputs["D_m"],
        length_m=inputs["L_m"],
        wall_temperature_degc=inputs["Tw_C"],
        ambient_temperature_degc=inputs["Ta_C"],
        air_kinematic_viscosity_m2_per_s=inputs["nu_m2_s"],
        air_conductivity_w_per_m_k=inputs["k_W_mK"],
        air_prandtl=inputs["Pr"],
    )


@adapter("leak_by_from_dead_leg_cooling")
def leak_from_cooling(inputs: Inputs) -> float:
    leak = cooling.leak_from_cooling(
        heat_loss_w_per_m_k=inputs["U_W_mK"],
        length_m=inputs["L_m"],
        start_temperature_degc=inputs["T1_C"],
        end_temperature_degc=inputs["T2_C"],
        ambient_temperature_degc=inputs["Ta_C"],
        specific_heat_j_per_kg_k=to_si("specific_heat", "kJ/(kg K)", inputs["cp_kJ_kgK"]),
    )
    return from_si("mass_flow", "kg/h", leak)


@adapter("leak_by_from_flow_difference")
def leak_from_flow_difference(inputs: Inputs) -> float:
    answer = leakage.leak_from_flow_difference(
        pump_flow_m3_per_s=to_si("volume_flow", "m3/h", inputs["pump_m3_h"]),
        u_pump_flow_m3_per_s=to_si("volume_flow", "m3/h", inputs["u_pump"]),
        net_flow_m3_per_s=to_si("volume_flow", "m3/h", inputs["net_m3_h"]),
        u_net_flow_m3_per_s=to_si("volume_flow", "m3/h", inputs["u_net"]),
        known_off_takes_m3_per_s=0.0,
        probability=0.95,
    )
    return from_si("volume_flow", "m3/h", answer.leak_m3_per_s)


@adapter("leak_by_marginal_power")
def marginal_power(inputs: Inputs) -> float:
    power = leakage.marginal_power(
        _curve(inputs, 160.0),
        net_flow_m3_per_s=to_si("volume_flow", "m3/h", inputs["Q_net_m3_h"]),
        leak_m3_per_s=to_si("volume_flow", "m3/h", inputs["leak_m3_h"]),
    )
    return from_si("power", "kW", power)
