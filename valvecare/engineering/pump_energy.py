"""Power, efficiency, energy and cost of pumping."""

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2
from valvecare.engineering.errors import OutOfRange

_J_PER_KWH = 3.6e6


def shaft_power(electrical_power_w: float, *, motor_efficiency: float) -> float:
    """Power at the pump shaft, W, from electrical power; motor losses never enter the liquid.

    Parameters
    ----------
    electrical_power_w : W, above 0
    motor_efficiency : above 0 and below 1

    Returns
    -------
    W at the shaft.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    Separate motor; not for canned motors, whose losses do enter the liquid.

    Source
    ------
    Definition; Cengel and Cimbala, Fluid Mechanics, Example 5-12 (inputs seen): 15 kW, 0.90.

    Examples
    --------
    >>> shaft_power(15000.0, motor_efficiency=0.9)
    13500.0
    """
    power = plausible.POWER.check("electrical_power_w", electrical_power_w)
    return power * plausible.EFFICIENCY.check("motor_efficiency", motor_efficiency)


def pump_efficiency_from_pressures(
    shaft_power_w: float, *, flow_m3_per_s: float, inlet_pa_abs: float, outlet_pa_abs: float
) -> float:
    """Pump efficiency, a share, from measured flow, pressures and shaft power.

    Parameters
    ----------
    shaft_power_w : W at the shaft, not electrical
    flow_m3_per_s : m3/s, above 0
    inlet_pa_abs, outlet_pa_abs : Pa absolute; outlet above inlet

    Returns
    -------
    Share above 0 and below 1: ``Q (p2 - p1)/P``.

    Raises
    ------
    OutOfRange : an input missing or insane; no pressure rise; efficiency of 1 or more

    Assumptions
    -----------
    Equal bores and heights at both gauges.

    Source
    ------
    Cengel and Cimbala, Fluid Mechanics, Example 5-12 (a): 74.1 % (from memory, recomputed).

    Examples
    --------
    >>> round(pump_efficiency_from_pressures(13500.0, flow_m3_per_s=0.05, inlet_pa_abs=100e3,
    ...     outlet_pa_abs=300e3), 3)
    0.741
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    outlet = plausible.PRESSURE_ABS.check("outlet_pa_abs", outlet_pa_abs)
    if outlet <= inlet:
        raise OutOfRange("outlet_pa_abs", outlet, f"above the inlet pressure {inlet:g}")
    share = flow * (outlet - inlet) / power
    if share >= 1.0:
        raise OutOfRange(
            "shaft_power_w",
            power,
            f"above the hydraulic power {flow * (outlet - inlet):.6g} W",
            "efficiency would be 1 or more; check units and readings",
        )
    return share


def pumping_energy(
    volume_m3: float,
    *,
    head_m: float,
    density_kg_per_m3: float,
    pump_efficiency: float,
    motor_efficiency: float,
) -> float:
    """Electrical energy to pump a volume, J.

    Parameters
    ----------
    volume_m3 : m3, above 0
    head_m : m
    density_kg_per_m3 : kg/m3
    pump_efficiency, motor_efficiency : above 0 and below 1

    Returns
    -------
    J: ``rho g V H/(eta_p eta_m)``.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Constant efficiencies.

    Source
    ------
    J. Evans, Pumps and Systems, cost of pumping, equation 1 (seen): 0.0449 a 1000 US gal at 100 ft,
    0.78, 0.90 and 0.10 a kWh.

    Examples
    --------
    >>> energy_j = pumping_energy(3.785411784, head_m=30.48, density_kg_per_m3=1000.0,
    ...     pump_efficiency=0.78, motor_efficiency=0.9)
    >>> round(energy_j / 3.6e6 * 0.10, 4)
    0.0448
    """
    volume = plausible.Window("m3", above=0.0, at_most=1e9).check("volume_m3", volume_m3)
    head = plausible.HEAD.check("head_m", head_m)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    total = wire_to_water_efficiency(pump_efficiency, motor_efficiency)
    return density * G_M_PER_S2 * volume * head / total


def wire_to_water_efficiency(pump_efficiency: float, motor_efficiency: float) -> float:
    """Efficiency from the wire to the liquid, a share.

    Parameters
    ----------
    pump_efficiency, motor_efficiency : above 0 and below 1

    Returns
    -------
    Their product.

    Raises
    ------
    OutOfRange : an input missing or not a share

    Assumptions
    -----------
    No losses between motor and pump.

    Source
    ------
    J. Evans, Pumps and Systems (seen): 0.90 x 0.78 is 70 %.

    Examples
    --------
    >>> round(wire_to_water_efficiency(0.78, 0.90), 3)
    0.702
    """
    pump = plausible.EFFICIENCY.check("pump_efficiency", pump_efficiency)
    return pump * plausible.EFFICIENCY.check("motor_efficiency", motor_efficiency)


def pumping_cost(
    volume_m3: float,
    *,
    head_m: float,
    density_kg_per_m3: float,
    pump_efficiency: float,
    motor_efficiency: float,
    price_per_kwh: float,
) -> float:
    """Cost of the electricity to pump a volume, in the currency of the price.

    Parameters
    ----------
    volume_m3, head_m, density_kg_per_m3, pump_efficiency, motor_efficiency : see `pumping_energy`
    price_per_kwh : money per kWh, above 0

    Returns
    -------
    Money.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Energy price only.

    Source
    ------
    J. Evans, Pumps and Systems, cost of pumping, equation 1 (seen).

    Examples
    --------
    >>> round(pumping_cost(3.785411784, head_m=30.48, density_kg_per_m3=1000.0,
    ...     pump_efficiency=0.78, motor_efficiency=0.9, price_per_kwh=0.10), 3)
    0.045
    """
    energy = pumping_energy(
        volume_m3,
        head_m=head_m,
        density_kg_per_m3=density_kg_per_m3,
        pump_efficiency=pump_efficiency,
        motor_efficiency=motor_efficiency,
    )
    price = plausible.Window("money per kWh", above=0.0, at_most=1e6)
    return energy / _J_PER_KWH * price.check("price_per_kwh", price_per_kwh)


def recirculation_energy(
    flow_m3_per_s: float,
    *,
    hours: float,
    head_m: float,
    density_kg_per_m3: float,
    pump_efficiency: float,
    motor_efficiency: float,
) -> float:
    """Electrical energy of a steady recirculated or leaking flow, J.

    Parameters
    ----------
    flow_m3_per_s : m3/s, above 0
    hours : h, above 0, at most 8784
    head_m, density_kg_per_m3, pump_efficiency, motor_efficiency : see `pumping_energy`

    Returns
    -------
    J.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    The flow's full share of the power (attributable, the upper figure).

    Source
    ------
    ``rho g Q H t/(eta_p eta_m)``; 75 110.6 kWh (computed, no publication).

    Examples
    --------
    >>> round(recirculation_energy(2 / 3600, hours=8000.0, head_m=1200.0,
    ...     density_kg_per_m3=955.0, pump_efficiency=0.7, motor_efficiency=0.95) / 3.6e6, 1)
    75110.6
    """
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    return pumping_energy(
        flow * plausible.HOURS.check("hours", hours) * 3600.0,
        head_m=head_m,
        density_kg_per_m3=density_kg_per_m3,
        pump_efficiency=pump_efficiency,
        motor_efficiency=motor_efficiency,
    )
