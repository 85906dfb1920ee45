"""Leak through a bypass that should be shut: how much, and what it costs."""

from dataclasses import dataclass
from math import hypot, pi, sqrt

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, OutOfRange, require_between
from valvecare.engineering.pump_energy import pumping_energy
from valvecare.engineering.uncertainty import z_for_probability

LAMINAR_LIMIT_REYNOLDS = 2000.0
"""Reynolds number on twice the gap above which the laminar formula is not used (textbooks)."""
_J_PER_KWH = 3.6e6


@dataclass(frozen=True)
class FlowDifferenceLeak:
    """A leak as the difference of two meters, and whether they can see it at all."""

    leak_m3_per_s: float
    standard_uncertainty_m3_per_s: float
    detection_limit_m3_per_s: float
    proven: bool
    words: str


def leak_from_flow_difference(
    *,
    pump_flow_m3_per_s: float,
    u_pump_flow_m3_per_s: float,
    net_flow_m3_per_s: float,
    u_net_flow_m3_per_s: float,
    known_off_takes_m3_per_s: float,
    probability: float,
) -> FlowDifferenceLeak:
    """Leak as pump flow less net flow less known off-takes, proven or not.

    Parameters
    ----------
    pump_flow_m3_per_s, net_flow_m3_per_s : m3/s, above 0
    u_pump_flow_m3_per_s, u_net_flow_m3_per_s : standard uncertainties, above 0
    known_off_takes_m3_per_s : balance leak-off, seal flush, sprays; at least 0, taken as exact
    probability : for 'proven', one-sided, at least 0.5

    Returns
    -------
    FlowDifferenceLeak; the leak may be negative within the uncertainty.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : net flow exceeds pump flow by more than three uncertainties: the meters disagree

    Assumptions
    -----------
    Independent meters at the same density.

    Source
    ------
    JCGM 100 propagation (from memory).

    Examples
    --------
    >>> answer = leak_from_flow_difference(pump_flow_m3_per_s=152 / 3600,
    ...     u_pump_flow_m3_per_s=1.5 / 3600, net_flow_m3_per_s=149 / 3600,
    ...     u_net_flow_m3_per_s=1.2 / 3600, known_off_takes_m3_per_s=0.0, probability=0.95)
    >>> round(answer.leak_m3_per_s * 3600, 6), answer.proven
    (3.0, False)
    """
    pump = plausible.FLOW.check("pump_flow_m3_per_s", pump_flow_m3_per_s)
    net = plausible.FLOW.check("net_flow_m3_per_s", net_flow_m3_per_s)
    known = plausible.FLOW_OR_ZERO.check("known_off_takes_m3_per_s", known_off_takes_m3_per_s)
    u_pump = plausible.uncertainty("u_pump_flow_m3_per_s", u_pump_flow_m3_per_s, of=pump)
    u_net = plausible.uncertainty("u_net_flow_m3_per_s", u_net_flow_m3_per_s, of=net)
    spread = hypot(u_pump, u_net)
    leak = pump - net - known
    if leak < -3.0 * spread:
        raise NoSolution(
            f"more flow leaves than the pump gives: {3600 * leak:.3g} m3/h, three uncertainties "
            f"are {3 * 3600 * spread:.3g}; check the meters"
        )
    limit = z_for_probability(probability) * spread
    proven = leak > limit
    words = "proven" if proven else "not proven: below what these two meters can see"
    return FlowDifferenceLeak(
        leak, spread, limit, proven, f"leak {3600 * leak:.3g} m3/h, {words} ({3600 * limit:.3g})"
    )


@dataclass(frozen=True)
class ExcessPowerLeak:
    """Leak sizes that explain a shaft power above the curve, between two ways of looking at it."""

    leak_attributable_m3_per_s: float
    leak_marginal_m3_per_s: float | None
    excess_power_w: float
    attributable_power_per_flow_j_per_m3: float
    marginal_power_per_flow_j_per_m3: float
    proven: bool
    assumptions: tuple[str, ...]


def leak_from_excess_power(
    curve: PumpCurve, *, net_flow_m3_per_s: float, shaft_power_w: float, u_shaft_power_w: float
) -> ExcessPowerLeak:
    """Size of a leak from the shaft power above the curve at the net flow.

    Parameters
    ----------
    curve : the pump at its running speed and with its liquid
    net_flow_m3_per_s : m3/s that reaches the process
    shaft_power_w : W at the shaft, measured
    u_shaft_power_w : standard uncertainty of the power and the curve together, above 0

    Returns
    -------
    ExcessPowerLeak: smaller figure with the whole power a cubic metre takes (``rho g H/eta``),
    larger with the slope of the power curve (None when the slope is not above 0).

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the power is not above the curve

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    First law and the pump curve; own method, an indication to be confirmed by flow.

    Examples
    --------
    See docs/methods/leakage.md.
    """
    net = plausible.FLOW.check("net_flow_m3_per_s", net_flow_m3_per_s)
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    spread = plausible.uncertainty("u_shaft_power_w", u_shaft_power_w, of=power)
    excess = power - curve.power(net)
    if excess <= 0.0:
        raise NoSolution(
            f"the power is not above the curve: {power:.6g} W against {curve.power(net):.6g} W"
        )
    whole = curve.density_kg_per_m3 * G_M_PER_S2 * curve.head(net) / curve.efficiency(net)
    flows = curve.flows_m3_per_s
    i = max(j for j in range(len(flows) - 1) if flows[j] <= net)
    slope = (curve.powers_w[i + 1] - curve.powers_w[i]) / (flows[i + 1] - flows[i])
    return ExcessPowerLeak(
        leak_attributable_m3_per_s=excess / whole,
        leak_marginal_m3_per_s=excess / slope if slope > 0.0 else None,
        excess_power_w=excess,
        attributable_power_per_flow_j_per_m3=whole,
        marginal_power_per_flow_j_per_m3=slope,
        proven=excess > z_for_probability(0.95) * spread,
        assumptions=(
            "the power curve is still the pump's; wear also raises power",
            "the truth lies between the two figures when head and speed are held",
        ),
    )


def annular_leak_laminar(
    *,
    diameter_m: float,
    clearance_m: float,
    length_m: float,
    pressure_difference_pa: float,
    viscosity_pa_s: float,
    eccentricity: float,
) -> float:
    """Laminar leak through a fine annular gap, m3/s.

    Parameters
    ----------
    diameter_m : m
    clearance_m : m, radial gap, above 0, at most 5 mm and a tenth of the diameter
    length_m : m, of the gap
    pressure_difference_pa : Pa, above 0
    viscosity_pa_s : Pa s
    eccentricity : 0 (concentric) to 1 (touching)

    Returns
    -------
    m3/s: ``pi d c^3 dp (1 + 1.5 e^2)/(12 mu L)``.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Laminar, no entrance loss; check the Reynolds number (`annular_leak` does).

    Source
    ------
    calculatoratoz.com, leakage of fluid past a rod (seen; uses pi = 3.14): 5.2333e-8 m3/s; factor
    2.5 when touching from Wilkes, problem P6.3 (statement seen).

    Examples
    --------
    >>> leak = annular_leak_laminar(diameter_m=10.0, clearance_m=0.001, length_m=1.0,
    ...     pressure_difference_pa=10.0, viscosity_pa_s=0.5, eccentricity=0.0)
    >>> round(leak * 1e8, 2)
    5.24
    """
    gap = _gap(diameter_m, clearance_m, length_m, pressure_difference_pa, viscosity_pa_s)
    diameter, clearance, length, difference, viscosity = gap
    offset = require_between("eccentricity", eccentricity, at_least=0.0, at_most=1.0)
    laminar = pi * diameter * clearance**3 * difference / (12.0 * viscosity * length)
    return laminar * (1.0 + 1.5 * offset**2)


def annular_leak_turbulent(
    *,
    diameter_m: float,
    clearance_m: float,
    length_m: float,
    pressure_difference_pa: float,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
    inlet_loss: float,
    outlet_loss: float,
) -> float:
    """Turbulent leak through a fine annular gap, m3/s.

    Parameters
    ----------
    diameter_m, clearance_m, length_m, pressure_difference_pa, viscosity_pa_s : as the laminar one
    density_kg_per_m3 : kg/m3
    inlet_loss, outlet_loss : velocity heads, 0 to 3; 0.5 and 1.0 for sharp edges

    Returns
    -------
    m3/s from ``dp = rho v^2/2 (K_in + K_out + f L/2c)``, f by Blasius on 2c.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the flow is not turbulent (Reynolds number below 2000)

    Assumptions
    -----------
    Concentric, smooth, hydraulic diameter 2c; 20 to 30 % uncertainty (common practice).

    Source
    ------
    Momentum balance with Blasius; regime as studied in Tao and Donovan, Trans. ASME 77 (1955) 1291
    (abstract seen); 8.795 m3/h by bisection.

    Examples
    --------
    >>> round(3600 * annular_leak_turbulent(diameter_m=0.06, clearance_m=0.00015, length_m=0.02,
    ...     pressure_difference_pa=9e6, density_kg_per_m3=920.0, viscosity_pa_s=0.00019,
    ...     inlet_loss=0.5, outlet_loss=1.0), 2)
    8.79
    """
    gap = _gap(diameter_m, clearance_m, length_m, pressure_difference_pa, viscosity_pa_s)
    diameter, clearance, length, difference, viscosity = gap
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    losses = require_between("inlet_loss", inlet_loss, at_least=0.0, at_most=3.0)
    losses += require_between("outlet_loss", outlet_loss, at_least=0.0, at_most=3.0)
    if losses <= 0.0:
        raise OutOfRange("inlet_loss", losses, "above 0 together with the outlet loss")

    def needed(velocity: float) -> float:
        friction_reynolds = density * velocity * 2.0 * clearance / viscosity
        friction = 0.3164 / sqrt(sqrt(friction_reynolds))
        return 0.5 * density * velocity**2 * (losses + friction * length / (2.0 * clearance))

    low, high = 0.0, sqrt(2.0 * difference / (density * losses))
    while high - low > 1e-12 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if needed(middle) < difference else (low, middle)
    reynolds = density * high * 2.0 * clearance / viscosity
    if reynolds < LAMINAR_LIMIT_REYNOLDS:
        raise NoSolution(f"not turbulent: Reynolds number {reynolds:.0f} is below 2000")
    return high * pi * diameter * clearance


@dataclass(frozen=True)
class AnnularLeak:
    """Leak through a worn clearance with its regime, and the Kv it is worth at this drop."""

    flow_m3_per_s: float
    regime: str
    reynolds: float
    choked: bool
    equivalent_kv: float
    used_pressure_difference_pa: float
    assumptions: tuple[str, ...]


def annular_leak(
    *,
    diameter_m: float,
    clearance_m: float,
    length_m: float,
    inlet_pa_abs: float,
    outlet_pa_abs: float,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
    vapour_pressure_pa_abs: float,
    recovery_factor: float,
    eccentricity: float,
    inlet_loss: float,
    outlet_loss: float,
) -> AnnularLeak:
    """Leak through a worn clearance, laminar or turbulent, limited when the liquid boils in it.

    Parameters
    ----------
    diameter_m, clearance_m, length_m, viscosity_pa_s, eccentricity : see `annular_leak_laminar`
    inlet_pa_abs, outlet_pa_abs, vapour_pressure_pa_abs : Pa absolute
    density_kg_per_m3, inlet_loss, outlet_loss : see `annular_leak_turbulent`
    recovery_factor : FL taken for the gap when the outlet lies below the vapour pressure, about
        0.9 (common practice)

    Returns
    -------
    AnnularLeak.

    Raises
    ------
    OutOfRange : an input missing or insane; no pressure difference

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    As the two formulas; hot water at 9 MPa across 0.15 mm on 60 mm leaks 8.8 m3/h turbulent where
    the cubic law would say about 450.

    Examples
    --------
    >>> answer = annular_leak(diameter_m=0.06, clearance_m=0.00015, length_m=0.02,
    ...     inlet_pa_abs=10e6, outlet_pa_abs=1e6, density_kg_per_m3=920.0,
    ...     viscosity_pa_s=0.00019, vapour_pressure_pa_abs=0.4e6, recovery_factor=0.9,
    ...     eccentricity=0.0, inlet_loss=0.5, outlet_loss=1.0)
    >>> answer.regime, round(answer.flow_m3_per_s * 3600, 2)
    ('turbulent', 8.79)
    """
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    outlet = plausible.PRESSURE_ABS.check("outlet_pa_abs", outlet_pa_abs)
    boiling = plausible.VAPOUR_PRESSURE.check("vapour_pressure_pa_abs", vapour_pressure_pa_abs)
    factor = plausible.RECOVERY_FACTOR.check("recovery_factor", recovery_factor)
    if not outlet < inlet or boiling >= inlet:
        raise OutOfRange(
            "inlet_pa_abs", inlet, f"above the outlet {outlet:g} and vapour pressure {boiling:g}"
        )
    limit = factor**2 * (inlet - 0.96 * boiling)
    choked = outlet < boiling and inlet - outlet > limit
    difference = min(inlet - outlet, limit) if choked else inlet - outlet
    laminar = annular_leak_laminar(
        diameter_m=diameter_m,
        clearance_m=clearance_m,
        length_m=length_m,
        pressure_difference_pa=difference,
        viscosity_pa_s=viscosity_pa_s,
        eccentricity=eccentricity,
    )
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    area = pi * diameter_m * clearance_m
    reynolds = density * laminar / area * 2.0 * clearance_m / viscosity_pa_s
    regime, flow = "laminar", laminar
    if reynolds >= LAMINAR_LIMIT_REYNOLDS:
        try:
            flow = annular_leak_turbulent(
                diameter_m=diameter_m,
                clearance_m=clearance_m,
                length_m=length_m,
                pressure_difference_pa=difference,
                density_kg_per_m3=density,
                viscosity_pa_s=viscosity_pa_s,
                inlet_loss=inlet_loss,
                outlet_loss=outlet_loss,
            )
            regime = "turbulent"
            reynolds = density * flow / area * 2.0 * clearance_m / viscosity_pa_s
        except NoSolution:
            regime = "between laminar and turbulent; laminar value taken, an upper bound"
    else:
        require_between("inlet_loss", inlet_loss, at_least=0.0, at_most=3.0)
        require_between("outlet_loss", outlet_loss, at_least=0.0, at_most=3.0)
    return AnnularLeak(
        flow_m3_per_s=flow,
        regime=regime,
        reynolds=reynolds,
        choked=choked,
        equivalent_kv=3600.0 * flow * sqrt(density / 999.1 * 1e5 / difference),
        used_pressure_difference_pa=difference,
        assumptions=(
            "uniform gap, smooth walls; 20 to 30 % uncertainty (common practice)",
            "the equivalent Kv holds at this pressure difference only when laminar",
            "eccentricity counts in the laminar regime only",
        ),
    )


def marginal_power(curve: PumpCurve, *, net_flow_m3_per_s: float, leak_m3_per_s: float) -> float:
    """Extra shaft power, W, when a leak comes on top of a net flow that is held.

    Parameters
    ----------
    curve : the pump at its running speed and with its liquid
    net_flow_m3_per_s : m3/s to the process, at least 0
    leak_m3_per_s : m3/s, above 0; net plus leak inside the curve

    Returns
    -------
    W: ``P(Q + L) - P(Q)``; may be negative where the power curve falls.

    Raises
    ------
    OutOfRange : an input missing or insane; outside the curve

    Assumptions
    -----------
    The net flow is held by a control valve.

    Source
    ------
    Pump curve (computed, no publication).

    Examples
    --------
    See docs/methods/leakage.md.
    """
    net = plausible.FLOW_OR_ZERO.check("net_flow_m3_per_s", net_flow_m3_per_s)
    leak = plausible.FLOW.check("leak_m3_per_s", leak_m3_per_s)
    return curve.power(net + leak) - curve.power(net)


@dataclass(frozen=True)
class LeakLoss:
    """What a leak takes: an upper (attributable) and a lower (marginal) figure, always both."""

    attributable_power_w: float
    marginal_power_w: float
    attributable_energy_kwh: float
    marginal_energy_kwh: float
    attributable_cost: float
    marginal_cost: float
    hours: float
    price_per_kwh: float
    assumptions: tuple[str, ...]


def leak_loss(
    curve: PumpCurve,
    *,
    net_flow_m3_per_s: float,
    leak_m3_per_s: float,
    motor_efficiency: float,
    hours: float,
    price_per_kwh: float,
) -> LeakLoss:
    """Electrical power, energy and cost of a leak, attributable and marginal.

    Parameters
    ----------
    curve : the pump at its running speed and with its liquid
    net_flow_m3_per_s, leak_m3_per_s : m3/s, above 0; their sum inside the curve
    motor_efficiency : above 0 and below 1
    hours : h of running in the period, at most 8784
    price_per_kwh : money per kWh, above 0

    Returns
    -------
    LeakLoss; cost in the currency of the price.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    ``rho g L H/(eta_p eta_m)`` and ``[P(Q + L) - P(Q)]/eta_m``; computed, no publication.

    Examples
    --------
    See docs/methods/leakage.md.
    """
    net = plausible.FLOW.check("net_flow_m3_per_s", net_flow_m3_per_s)
    leak = plausible.FLOW.check("leak_m3_per_s", leak_m3_per_s)
    motor = plausible.EFFICIENCY.check("motor_efficiency", motor_efficiency)
    time = plausible.HOURS.check("hours", hours)
    price = plausible.Window("money per kWh", above=0.0, at_most=1e6).check(
        "price_per_kwh", price_per_kwh
    )
    flow = net + leak
    energy = pumping_energy(
        leak * time * 3600.0,
        head_m=curve.head(flow),
        density_kg_per_m3=curve.density_kg_per_m3,
        pump_efficiency=curve.efficiency(flow),
        motor_efficiency=motor,
    )
    upper = energy / _J_PER_KWH
    lower_power = marginal_power(curve, net_flow_m3_per_s=net, leak_m3_per_s=leak) / motor
    lower = lower_power * time / 1000.0
    return LeakLoss(
        attributable_power_w=1000.0 * upper / time,
        marginal_power_w=lower_power,
        attributable_energy_kwh=upper,
        marginal_energy_kwh=lower,
        attributable_cost=upper * price,
        marginal_cost=lower * price,
        hours=time,
        price_per_kwh=price,
        assumptions=(
            "attributable: the leak's share of all power at head and efficiency of the flow",
            "marginal: what the meter sees when the net flow is held by a control valve",
            "heat is not all lost when the line returns to a heated vessel; erosion not counted",
        ),
    )


def _gap(
    diameter_m: float,
    clearance_m: float,
    length_m: float,
    pressure_difference_pa: float,
    viscosity_pa_s: float,
) -> tuple[float, float, float, float, float]:
    diameter = plausible.DIAMETER.check("diameter_m", diameter_m)
    clearance = plausible.CLEARANCE.check("clearance_m", clearance_m)
    if clearance > 0.1 * diameter:
        raise OutOfRange("clearance_m", clearance, f"at most a tenth of {diameter:g}", "fine gap")
    return (
        diameter,
        clearance,
        plausible.Window("m of gap, not mm", above=0.0, at_most=5.0).check("length_m", length_m),
        plausible.PRESSURE_DIFFERENCE.check("pressure_difference_pa", pressure_difference_pa),
        plausible.VISCOSITY.check("viscosity_pa_s", viscosity_pa_s),
    )
