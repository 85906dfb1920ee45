"""Temperature rise of the liquid over the pump, in the bypass return line, and through a throttle.

The place of the thermometer decides the formula: the outlet sees losses plus compression, the
return line sees the whole shaft power, because the throttle turns the head into heat too.
"""

from dataclasses import dataclass

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.liquids import Liquid


def pump_temperature_rise(
    head_m: float, efficiency: float, *, specific_heat_j_per_kg_k: float, compression_rise_k: float
) -> float:
    """Rise of the liquid from pump inlet to pump outlet, K.

    Parameters
    ----------
    head_m : m of the pumped liquid, above 0, at most 6000
    efficiency : hydraulic over shaft power, above 0 and below 1
    specific_heat_j_per_kg_k : J/(kg K)
    compression_rise_k : K, at least -0.2, from `isentropic_temperature_rise`; 0 leaves it out

    Returns
    -------
    K: ``g H (1/eta - 1)/cp`` plus the compression rise.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    All shaft losses stay in the liquid (safe side); no heat lost from the casing.

    Source
    ------
    Karassik et al., Pump Handbook, 3rd ed., p. 2.372 (seen); example from centrifugal-pump.org,
    temp_rise: 5000 ft, efficiency 0.80, cp 1 Btu/(lb degF), printed 1.6 degF. The formula line of
    that page divides where its own answer multiplies: a misprint.

    Examples
    --------
    >>> rise_k = pump_temperature_rise(1524.0, 0.8, specific_heat_j_per_kg_k=4186.8,
    ...     compression_rise_k=0.0)
    >>> round(rise_k * 1.8, 1)
    1.6
    """
    head = plausible.HEAD.check("head_m", head_m)
    share = plausible.EFFICIENCY.check("efficiency", efficiency)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    compression = plausible.COMPRESSION_RISE.check("compression_rise_k", compression_rise_k)
    return G_M_PER_S2 * head * (1.0 / share - 1.0) / heat + compression


def temperature_rise_from_power(
    shaft_power_w: float,
    *,
    flow_m3_per_s: float,
    head_m: float,
    density_kg_per_m3: float,
    specific_heat_j_per_kg_k: float,
) -> float:
    """Rise of the liquid over the pump by its losses, K, from shaft power and hydraulic power.

    Parameters
    ----------
    shaft_power_w : W at the shaft, not electrical; above the hydraulic power
    flow_m3_per_s : m3/s through the pump, above 0
    head_m : m, at least 0
    density_kg_per_m3, specific_heat_j_per_kg_k : of the pumped liquid

    Returns
    -------
    K: ``(P - rho g Q H)/(rho Q cp)``, losses only.

    Raises
    ------
    OutOfRange : an input missing or insane; hydraulic power not below the shaft power

    Assumptions
    -----------
    No compression heating; all shaft losses stay in the liquid.

    Source
    ------
    Cengel and Cimbala, Fluid Mechanics, Example 5-12 (inputs seen, printed answer 0.017 K from
    memory): 13.5 kW at the shaft, 50 L/s, 200 kPa.

    Examples
    --------
    >>> round(temperature_rise_from_power(13500.0, flow_m3_per_s=0.05, head_m=20.394,
    ...     density_kg_per_m3=1000.0, specific_heat_j_per_kg_k=4180.0), 3)
    0.017
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    head = plausible.HEAD_OR_ZERO.check("head_m", head_m)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    hydraulic = density * G_M_PER_S2 * flow * head
    if hydraulic >= power:
        raise OutOfRange(
            "shaft_power_w",
            power,
            f"above the hydraulic power {hydraulic:.6g} W",
            "a pump cannot give more than it gets; check units and readings",
        )
    return _rise((power - hydraulic) / (density * flow * heat), "flow_m3_per_s", flow)


def temperature_rise_from_losses(
    shaft_power_w: float,
    efficiency: float,
    *,
    flow_m3_per_s: float,
    density_kg_per_m3: float,
    specific_heat_j_per_kg_k: float,
) -> float:
    """Rise of the liquid over the pump by its losses, K, from shaft power and efficiency.

    Parameters
    ----------
    shaft_power_w : W at the shaft, not electrical
    efficiency : hydraulic over shaft power, above 0 and below 1
    flow_m3_per_s : m3/s through the pump, above 0
    density_kg_per_m3, specific_heat_j_per_kg_k : of the pumped liquid

    Returns
    -------
    K: ``P (1 - eta)/(rho Q cp)``, losses only.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    No compression heating; all shaft losses stay in the liquid.

    Source
    ------
    engineeringtoolbox.com, Pump - Temperature Rise vs. Volume Flow (seen): 0.11 kW, efficiency
    0.28, 6 m3/h of water: 0.011 K.

    Examples
    --------
    >>> round(temperature_rise_from_losses(110.0, 0.28, flow_m3_per_s=6 / 3600,
    ...     density_kg_per_m3=1000.0, specific_heat_j_per_kg_k=4200.0), 3)
    0.011
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    share = plausible.EFFICIENCY.check("efficiency", efficiency)
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    return _rise(power * (1.0 - share) / (density * flow * heat), "flow_m3_per_s", flow)


def return_line_rise(head_m: float, efficiency: float, *, specific_heat_j_per_kg_k: float) -> float:
    """Rise from pump inlet to the end of the bypass return line, K: the whole pass.

    Parameters
    ----------
    head_m : m of the pumped liquid, above 0
    efficiency : above 0 and below 1
    specific_heat_j_per_kg_k : J/(kg K)

    Returns
    -------
    K: ``g H/(eta cp)``; note eta, not (1 - eta)/eta.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Back at the suction pressure; no heat lost; no flashing.

    Source
    ------
    First law; 11.2076 K for 1200 m, efficiency 0.25, cp 4200 (computed twice, no publication).

    Examples
    --------
    >>> round(return_line_rise(1200.0, 0.25, specific_heat_j_per_kg_k=4200.0), 4)
    11.2076
    """
    head = plausible.HEAD.check("head_m", head_m)
    share = plausible.EFFICIENCY.check("efficiency", efficiency)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    return _rise(G_M_PER_S2 * head / (share * heat), "efficiency", share)


def isentropic_temperature_rise(
    liquid: Liquid, *, inlet_temperature_degc: float, inlet_pa_abs: float, outlet_pa_abs: float
) -> float:
    """Rise by compression alone, K: the temperature change at constant entropy.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc : degC
    inlet_pa_abs, outlet_pa_abs : Pa absolute; outlet above inlet

    Returns
    -------
    K.

    Raises
    ------
    OutOfRange : an input missing or insane; not liquid; no pressure rise

    Assumptions
    -----------
    Single-phase liquid.

    Source
    ------
    IAPWS R7-97(2012); Pump Handbook, 3rd ed., p. 2.372 gives 0.129 K/MPa for feedwater at 350 degF
    (seen), IF97 0.133.

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(isentropic_temperature_rise(WATER, inlet_temperature_degc=105.0,
    ...     inlet_pa_abs=0.5e6, outlet_pa_abs=15.5e6), 2)
    1.08
    """
    _inlet_temperature(inlet_temperature_degc)
    inlet, outlet = _rising(inlet_pa_abs, outlet_pa_abs)
    after = liquid.isentropic_temperature(inlet_temperature_degc, inlet, outlet)
    return after - inlet_temperature_degc


def isentropic_heating_per_pressure(
    liquid: Liquid, *, inlet_temperature_degc: float, inlet_pa_abs: float, outlet_pa_abs: float
) -> float:
    """Mean compression heating between two pressures, K/Pa.

    Parameters
    ----------
    liquid, inlet_temperature_degc, inlet_pa_abs, outlet_pa_abs : see `isentropic_temperature_rise`

    Returns
    -------
    K/Pa.

    Raises
    ------
    OutOfRange : as `isentropic_temperature_rise`

    Assumptions
    -----------
    Single-phase liquid.

    Source
    ------
    IAPWS R7-97(2012); Pump Handbook, 3rd ed., p. 2.372: 0.129 K/MPa at 350 degF (seen).

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(1e6 * isentropic_heating_per_pressure(WATER, inlet_temperature_degc=176.67,
    ...     inlet_pa_abs=2e6, outlet_pa_abs=22e6), 3)
    0.133
    """
    rise = isentropic_temperature_rise(
        liquid,
        inlet_temperature_degc=inlet_temperature_degc,
        inlet_pa_abs=inlet_pa_abs,
        outlet_pa_abs=outlet_pa_abs,
    )
    return rise / (outlet_pa_abs - inlet_pa_abs)


def outlet_temperature(
    liquid: Liquid,
    *,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    outlet_pa_abs: float,
    efficiency: float,
) -> float:
    """Temperature at the pump outlet, degC, in the exact enthalpy form.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc : degC
    inlet_pa_abs, outlet_pa_abs : Pa absolute; outlet above inlet
    efficiency : above 0 and below 1

    Returns
    -------
    degC: ``h2 = h1 + (h2s - h1)/eta``, ``T2 = T(p2, h2)``.

    Raises
    ------
    OutOfRange : an input missing or insane; the outlet would not be liquid

    Assumptions
    -----------
    All losses stay in the liquid; equal heights and velocities at inlet and outlet.

    Source
    ------
    IAPWS R7-97(2012) with the first law; 153.44 degC is computed, no publication.

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(outlet_temperature(WATER, inlet_temperature_degc=150.0, inlet_pa_abs=0.8e6,
    ...     outlet_pa_abs=20e6, efficiency=0.78), 2)
    153.44
    """
    _inlet_temperature(inlet_temperature_degc)
    inlet, outlet = _rising(inlet_pa_abs, outlet_pa_abs)
    share = plausible.EFFICIENCY.check("efficiency", efficiency)
    ideal = liquid.isentropic_temperature(inlet_temperature_degc, inlet, outlet)
    return _heated(liquid, inlet_temperature_degc, inlet, ideal, outlet, share)


def throttle_outlet_temperature(
    liquid: Liquid, *, inlet_temperature_degc: float, inlet_pa_abs: float, outlet_pa_abs: float
) -> float:
    """Temperature after throttling at constant enthalpy, degC. Cold water warms.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc : degC
    inlet_pa_abs, outlet_pa_abs : Pa absolute; outlet below inlet

    Returns
    -------
    degC.

    Raises
    ------
    OutOfRange : an input missing or insane; the outlet would flash; no pressure drop

    Assumptions
    -----------
    No heat lost, velocity heads neglected.

    Source
    ------
    IAPWS R7-97(2012), constant enthalpy; 22.239 degC is computed, no publication.

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(throttle_outlet_temperature(WATER, inlet_temperature_degc=20.0, inlet_pa_abs=10.1e6,
    ...     outlet_pa_abs=0.1e6), 3)
    22.239
    """
    _inlet_temperature(inlet_temperature_degc)
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    outlet = plausible.PRESSURE_ABS.check("outlet_pa_abs", outlet_pa_abs)
    if outlet >= inlet:
        raise OutOfRange("outlet_pa_abs", outlet, f"below the inlet pressure {inlet:g}")
    return liquid.temperature_at_enthalpy(liquid.enthalpy(inlet_temperature_degc, inlet), outlet)


@dataclass(frozen=True)
class TemperatureRises:
    """Every temperature of one pass, with what it was computed from."""

    flow_m3_per_s: float
    head_m: float
    shaft_power_w: float
    efficiency: float
    density_kg_per_m3: float
    specific_heat_j_per_kg_k: float
    inlet_temperature_degc: float
    inlet_pa_abs: float
    outlet_pa_abs: float
    losses_rise_k: float
    compression_rise_k: float
    outlet_rise_k: float
    return_rise_k: float
    return_temperature_degc: float
    return_vapour_pressure_pa_abs: float
    liquid: str
    assumptions: tuple[str, ...]


def temperature_rises(
    curve: PumpCurve,
    liquid: Liquid,
    *,
    flow_m3_per_s: float,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
) -> TemperatureRises:
    """Work out the rise at the pump outlet and in the return line at one flow of one pump.

    Parameters
    ----------
    curve : the pump at its running speed; its powers are scaled to the density of the liquid
    liquid : `WATER` or a `TableLiquid`
    flow_m3_per_s : m3/s through the pump, above 0, inside the curve
    inlet_temperature_degc : degC at the pump inlet
    inlet_pa_abs : Pa absolute at the pump inlet

    Returns
    -------
    TemperatureRises; `outlet_rise_k` is the exact enthalpy form.

    Raises
    ------
    OutOfRange : an input missing or insane, not liquid at inlet or outlet
    NoSolution : the liquid would boil on this pass

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    IAPWS R7-97(2012) with the first law; Pump Handbook, 3rd ed., p. 2.372 (seen).

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> curve = PumpCurve((0.0, 0.1), (1250.0, 1000.0), (300e3, 1400e3), density_kg_per_m3=998.0,
    ...     speed_per_s=49.0, best_efficiency_flow_m3_per_s=0.08, source="invented")
    >>> rises = temperature_rises(curve, WATER, flow_m3_per_s=0.02,
    ...     inlet_temperature_degc=105.0, inlet_pa_abs=0.25e6)
    >>> round(rises.outlet_rise_k, 2), round(rises.return_rise_k, 2)
    (4.2, 6.17)
    """
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    _inlet_temperature(inlet_temperature_degc)
    plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    density = liquid.density(inlet_temperature_degc, inlet_pa_abs)
    heat = liquid.specific_heat(inlet_temperature_degc, inlet_pa_abs)
    head = curve.head(flow)
    efficiency = curve.efficiency(flow)
    outlet = inlet_pa_abs + density * G_M_PER_S2 * head
    compression = isentropic_temperature_rise(
        liquid,
        inlet_temperature_degc=inlet_temperature_degc,
        inlet_pa_abs=inlet_pa_abs,
        outlet_pa_abs=outlet,
    )
    try:
        hot = _heated(
            liquid,
            inlet_temperature_degc,
            inlet_pa_abs,
            inlet_temperature_degc + compression,
            outlet,
            plausible.EFFICIENCY.check("efficiency", efficiency),
        )
        whole_pass = return_line_rise(head, efficiency, specific_heat_j_per_kg_k=heat)
        back = inlet_temperature_degc + whole_pass
        boiling = liquid.vapour_pressure(back)
    except OutOfRange as refused:
        raise NoSolution(
            f"at {flow:g} m3/s one pass heats the {liquid.name} beyond what can be computed as "
            f"liquid: {refused}"
        ) from refused
    return TemperatureRises(
        flow_m3_per_s=flow,
        head_m=head,
        shaft_power_w=curve.power(flow) * density / curve.density_kg_per_m3,
        efficiency=efficiency,
        density_kg_per_m3=density,
        specific_heat_j_per_kg_k=heat,
        inlet_temperature_degc=inlet_temperature_degc,
        inlet_pa_abs=inlet_pa_abs,
        outlet_pa_abs=outlet,
        losses_rise_k=G_M_PER_S2 * head * (1.0 / efficiency - 1.0) / heat,
        compression_rise_k=compression,
        outlet_rise_k=hot - inlet_temperature_degc,
        return_rise_k=whole_pass,
        return_temperature_degc=back,
        return_vapour_pressure_pa_abs=boiling,
        liquid=f"{liquid.name}, {liquid.source}",
        assumptions=(
            "all shaft losses stay in the liquid",
            "no heat lost from casing and return line",
            "steady flow, liquid throughout",
        ),
    )


def _heated(
    liquid: Liquid,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    ideal_degc: float,
    outlet_pa_abs: float,
    efficiency: float,
) -> float:
    """Outlet temperature, degC, from the one at constant entropy: h2 = h1 + (h2s - h1)/eta."""
    before = liquid.enthalpy(inlet_temperature_degc, inlet_pa_abs)
    after = before + (liquid.enthalpy(ideal_degc, outlet_pa_abs) - before) / efficiency
    return liquid.temperature_at_enthalpy(after, outlet_pa_abs)


def _rising(inlet_pa_abs: float, outlet_pa_abs: float) -> tuple[float, float]:
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    outlet = plausible.PRESSURE_ABS.check("outlet_pa_abs", outlet_pa_abs)
    if outlet <= inlet:
        raise OutOfRange("outlet_pa_abs", outlet, f"above the inlet pressure {inlet:g}")
    return inlet, outlet


def _inlet_temperature(inlet_temperature_degc: float) -> float:
    return plausible.TEMPERATURE.check("inlet_temperature_degc", inlet_temperature_degc)


def _rise(value: float, name: str, given: float) -> float:
    if value > 1000.0:
        raise OutOfRange(name, given, "such that the rise stays below 1000 K", f"{value:.3g} K")
    return value
