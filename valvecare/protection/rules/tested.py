"""What a measured bypass flow means on the pump's curve: Kv as found, rises, flashing."""

from dataclasses import dataclass

from valvecare.engineering.bypass import back_pressure
from valvecare.engineering.curves import G_M_PER_S2
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.thermal import temperature_rises
from valvecare.engineering.units import from_si, to_si
from valvecare.engineering.valve_flow import kv_required
from valvecare.protection.rules.capacity import (
    Hydraulics,
    curve_of,
    inlet_of,
    liquid_of,
    return_line_of,
)


@dataclass(frozen=True)
class TestedPoint:
    """The pump at the measured bypass flow with main flow zero. Pressures absolute, in bar.

    `kv_share` is the Kv as found over the register's; None where the register has none.
    `return_boils`: the return line would flash before the vessel.
    """

    flow_m3_per_h: float
    head_m: float
    shaft_kw: float
    discharge_bar_a: float
    valve_outlet_bar_a: float
    pressure_drop_bar: float
    kv_m3_per_h: float
    kv_share: float | None
    outlet_rise_k: float
    return_rise_k: float
    return_temperature_degc: float
    return_vapour_pressure_bar_a: float
    return_boils: bool


def tested_point(facts: Hydraulics, flow_m3_per_h: float) -> TestedPoint:
    """Work out the pump and the trim at a measured flow. Raises `Refusal` naming what is missing.

    Source: `engineering.thermal`, `engineering.valve_flow`, `engineering.bypass`.
    """
    liquid = liquid_of(facts)
    curve = curve_of(facts, liquid)
    temperature, inlet = inlet_of(facts)
    cold = liquid.density(temperature, inlet)
    flow = to_si("volume_flow", "m3/h", flow_m3_per_h)
    line = return_line_of(facts, cold)
    rises = temperature_rises(
        curve,
        liquid,
        flow_m3_per_s=flow,
        inlet_temperature_degc=temperature,
        inlet_pa_abs=inlet,
    )
    before = inlet + cold * G_M_PER_S2 * curve.head(flow)
    hot = temperature + rises.outlet_rise_k
    density = liquid.density(hot, before)
    after = back_pressure(line, flow, density_kg_per_m3=density)
    if liquid.critical_pressure_pa_abs is None or facts.liquid_recovery_factor is None:
        missing = (
            "critical_pressure_pa_abs"
            if liquid.critical_pressure_pa_abs is None
            else "liquid_recovery_factor"
        )
        raise OutOfRange(missing, None, "given", "choking cannot be excluded without it")
    kv = kv_required(
        flow,
        inlet_pa_abs=before,
        outlet_pa_abs=after,
        density_kg_per_m3=density,
        vapour_pressure_pa_abs=liquid.vapour_pressure(hot),
        critical_pressure_pa_abs=liquid.critical_pressure_pa_abs,
        recovery_factor=facts.liquid_recovery_factor,
    )
    design = facts.bypass_kv_m3_per_h
    boiling = rises.return_vapour_pressure_pa_abs

    def bar(pressure_pa: float) -> float:
        return from_si("pressure_absolute", "bar", pressure_pa)

    return TestedPoint(
        flow_m3_per_h=flow_m3_per_h,
        head_m=rises.head_m,
        shaft_kw=from_si("power", "kW", rises.shaft_power_w),
        discharge_bar_a=bar(before),
        valve_outlet_bar_a=bar(after),
        pressure_drop_bar=bar(before - after),
        kv_m3_per_h=kv,
        kv_share=None if design is None else kv / design,
        outlet_rise_k=rises.outlet_rise_k,
        return_rise_k=rises.return_rise_k,
        return_temperature_degc=rises.return_temperature_degc,
        return_vapour_pressure_bar_a=bar(boiling),
        return_boils=boiling >= min(line.end_pa_abs, after),
    )
