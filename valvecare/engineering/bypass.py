"""What the bypass really passes: trim, return line and pump curve solved together."""

from collections.abc import Callable
from dataclasses import dataclass
from math import pi, sqrt

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, OutOfRange, require_between, require_number
from valvecare.engineering.liquids import Liquid
from valvecare.engineering.thermal import TemperatureRises, temperature_rises
from valvecare.engineering.valve_flow import (
    cavitation_index,
    choking_pressure_drop,
    critical_pressure_ratio,
    flow_through_kv,
    kv_to_flow_area,
)

_PROPERTY_ROUNDS = 3


@dataclass(frozen=True)
class ReturnLine:
    """The line from the bypass outlet to the return vessel.

    Parameters
    ----------
    loss_coefficient : velocity heads lost in this valve's own line, at `bore_m`; at least 0
    bore_m : m, inside diameter the coefficient refers to
    common_loss_coefficient : velocity heads lost in the shared part, at `common_bore_m`; 0 if none
    common_bore_m : m, inside diameter of the shared part
    pumps_on_common : how many pumps pass their bypass through the shared part at the same time,
        this one included; the worst case is all of them
    rise_m : m from the valve outlet up to the end of the line
    end_pa_abs : Pa absolute at the end of the line, before the nozzle into the vessel
    """

    loss_coefficient: float
    bore_m: float
    common_loss_coefficient: float
    common_bore_m: float
    pumps_on_common: int
    rise_m: float
    end_pa_abs: float

    def __post_init__(self) -> None:
        plausible.LOSS_COEFFICIENT.check("loss_coefficient", self.loss_coefficient)
        plausible.BORE.check("bore_m", self.bore_m)
        plausible.LOSS_COEFFICIENT.check("common_loss_coefficient", self.common_loss_coefficient)
        plausible.BORE.check("common_bore_m", self.common_bore_m)
        count = require_between("pumps_on_common", self.pumps_on_common, at_least=1, at_most=20)
        if count != int(count):
            raise OutOfRange("pumps_on_common", self.pumps_on_common, "a whole number")
        plausible.STATIC_HEAD.check("rise_m", self.rise_m)
        plausible.PRESSURE_ABS.check("end_pa_abs", self.end_pa_abs)


def back_pressure(line: ReturnLine, flow_m3_per_s: float, *, density_kg_per_m3: float) -> float:
    """Pressure at the bypass outlet, Pa absolute, at a bypass flow of this pump.

    Parameters
    ----------
    line : the return line; its shared part carries this flow once for each pump on it
    flow_m3_per_s : m3/s through this bypass, at least 0
    density_kg_per_m3 : kg/m3 in the line

    Returns
    -------
    Pa absolute: end pressure + static + own loss + shared loss with all its pumps.

    Raises
    ------
    OutOfRange : an input missing or insane; result below vacuum

    Assumptions
    -----------
    Liquid throughout; equal bypass flow of all pumps on the shared part; fully turbulent (constant
    loss coefficients).

    Source
    ------
    Bernoulli with loss coefficients, textbook form; NRC IN 87-59 for why all pumps count (seen).

    Examples
    --------
    >>> line = ReturnLine(18.0, 0.065, 0.0, 0.065, 1, 0.0, 0.8e6)
    >>> round(back_pressure(line, 99.368 / 3600, density_kg_per_m3=998.2) / 1e6, 4)
    1.4216
    """
    flow = plausible.FLOW_OR_ZERO.check("flow_m3_per_s", flow_m3_per_s)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    end, losses = _line_terms(line, density)
    pressure = end + losses * flow**2
    if pressure <= 0.0:
        raise OutOfRange("rise_m", line.rise_m, "such that the pressure stays above vacuum")
    return pressure


def bypass_flow_with_return_line(
    kv: float,
    line: ReturnLine,
    *,
    discharge_pa_abs: float,
    density_kg_per_m3: float,
    vapour_pressure_pa_abs: float,
    critical_pressure_pa_abs: float,
    recovery_factor: float,
) -> float:
    """Bypass flow, m3/s, through trim and return line at a given pump discharge pressure.

    Parameters
    ----------
    kv : m3/h at 1 bar, at closed main disc
    line : the return line
    discharge_pa_abs : Pa absolute before the trim
    density_kg_per_m3, vapour_pressure_pa_abs, critical_pressure_pa_abs : of the liquid there
    recovery_factor : FL of the trim, from its record

    Returns
    -------
    m3/s.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no driving pressure

    Assumptions
    -----------
    The discharge pressure does not fall with flow (see `bypass_working_point`); no flashing.

    Source
    ------
    IEC 60534-2-1 with a series resistance, in closed form; 99.37 m3/h also by bisection, no
    publication.

    Examples
    --------
    >>> line = ReturnLine(18.0, 0.065, 0.0, 0.065, 1, 0.0, 0.8e6)
    >>> flow = bypass_flow_with_return_line(25.0, line, discharge_pa_abs=3e6,
    ...     density_kg_per_m3=998.2, vapour_pressure_pa_abs=2339.0,
    ...     critical_pressure_pa_abs=22.064e6, recovery_factor=0.9)
    >>> round(flow * 3600, 1)
    99.4
    """

    discharge = plausible.PRESSURE_ABS.check("discharge_pa_abs", discharge_pa_abs)
    trim = _Trim(
        kv, density_kg_per_m3, vapour_pressure_pa_abs, critical_pressure_pa_abs, recovery_factor
    )
    free = trim.flow(discharge, back_pressure(line, 0.0, density_kg_per_m3=density_kg_per_m3))
    if free > 20.0:
        raise OutOfRange("kv", kv, "such that the bypass passes at most 20 m3/s")
    return _meeting_flow(trim, line, discharge, 0.0)


@dataclass(frozen=True)
class BypassWorkingPoint:
    """Where pump, trim and return line meet, and everything on the way there."""

    bypass_flow_m3_per_s: float
    main_flow_m3_per_s: float
    pump_flow_m3_per_s: float
    head_m: float
    discharge_pa_abs: float
    valve_outlet_pa_abs: float
    pressure_drop_pa: float
    choked: bool
    cavitation_index: float
    kv: float
    recovery_factor: float
    density_kg_per_m3: float
    rises: TemperatureRises
    flashing_margin_pa: float
    line: ReturnLine
    curve_source: str
    assumptions: tuple[str, ...]


def bypass_working_point(
    curve: PumpCurve,
    liquid: Liquid,
    line: ReturnLine,
    *,
    kv: float,
    recovery_factor: float,
    main_flow_m3_per_s: float,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
) -> BypassWorkingPoint:
    """Solve the bypass flow on the pump curve; the protection question is main flow zero.

    Parameters
    ----------
    curve : the pump at its running speed; for the worst case its lowest speed
    liquid : `WATER` or a `TableLiquid` with a critical pressure
    line : the return line with the highest back pressure: all pumps of a common line on bypass
    kv : m3/h at 1 bar at closed main disc (whole trim)
    recovery_factor : FL of the whole trim, 0.3 to 1, from its record
    main_flow_m3_per_s : m3/s through the main disc at the same time, at least 0
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet

    Returns
    -------
    BypassWorkingPoint.

    Raises
    ------
    OutOfRange : an input missing or insane; the liquid has no critical pressure
    NoSolution : no driving pressure; the answer lies outside the curve; the return line would
        flash (two-phase flow is outside this calculation)

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    IEC 60534-2-1, Bernoulli, first law; IAPWS R7-97(2012) for water.

    Examples
    --------
    See docs/methods/bypass.md.
    """
    temperature = plausible.TEMPERATURE.check("inlet_temperature_degc", inlet_temperature_degc)
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    main = plausible.FLOW_OR_ZERO.check("main_flow_m3_per_s", main_flow_m3_per_s)
    plausible.KV.check("kv", kv)
    plausible.RECOVERY_FACTOR.check("recovery_factor", recovery_factor)
    critical = liquid.critical_pressure_pa_abs
    if critical is None:
        raise OutOfRange(
            "critical_pressure_pa_abs", None, "given", f"choking of {liquid.name} needs it"
        )
    cold = liquid.density(temperature, inlet)
    density, boiling = cold, liquid.vapour_pressure(temperature)

    def discharge(pump_flow: float) -> float:
        return inlet + cold * G_M_PER_S2 * curve.head(pump_flow)

    def balance() -> float:
        trim = _Trim(kv, density, boiling, critical, recovery_factor)
        return _first_balance(curve, trim, line, main, discharge, cold)

    def rises_at(pump_flow: float) -> TemperatureRises:
        return temperature_rises(
            curve,
            liquid,
            flow_m3_per_s=pump_flow,
            inlet_temperature_degc=temperature,
            inlet_pa_abs=inlet,
        )

    flow = balance()
    rises = rises_at(flow)
    for _ in range(_PROPERTY_ROUNDS):  # density and vapour pressure before the trim depend on Q
        hot = temperature + rises.outlet_rise_k
        density, boiling = liquid.density(hot, discharge(flow)), liquid.vapour_pressure(hot)
        flow = balance()
        rises = rises_at(flow)
    before = discharge(flow)
    after = back_pressure(line, flow - main, density_kg_per_m3=density)
    margin = min(line.end_pa_abs, after) - rises.return_vapour_pressure_pa_abs
    if margin <= 0.0:
        raise NoSolution(
            f"the return line would flash: at {rises.return_temperature_degc:.1f} degC the vapour "
            f"pressure {rises.return_vapour_pressure_pa_abs:.0f} Pa is not below the pressure in "
            f"the line {min(line.end_pa_abs, after):.0f} Pa; raise the back pressure or the flow"
        )
    return BypassWorkingPoint(
        bypass_flow_m3_per_s=flow - main,
        main_flow_m3_per_s=main,
        pump_flow_m3_per_s=flow,
        head_m=curve.head(flow),
        discharge_pa_abs=before,
        valve_outlet_pa_abs=after,
        pressure_drop_pa=before - after,
        choked=before - after
        >= choking_pressure_drop(
            before,
            vapour_pressure_pa_abs=boiling,
            critical_pressure_pa_abs=critical,
            recovery_factor=recovery_factor,
        ),
        cavitation_index=cavitation_index(
            inlet_pa_abs=before, outlet_pa_abs=after, vapour_pressure_pa_abs=boiling
        ),
        kv=kv,
        recovery_factor=recovery_factor,
        density_kg_per_m3=density,
        rises=rises,
        flashing_margin_pa=margin,
        line=line,
        curve_source=curve.source,
        assumptions=(
            "Kv is that of the trim with the main disc shut",
            f"{line.pumps_on_common} pump(s) pass the shared return line at the same time",
            "no loss between pump outlet and trim; velocity heads neglected",
            "where two flows fit, the smaller one is taken",
        ),
    )


def capacity_margin(
    flow_m3_per_s: float, *, expanded_uncertainty_m3_per_s: float, required_m3_per_s: float
) -> float:
    """Margin of the bypass over the required minimum flow, a share, uncertainty taken off.

    Parameters
    ----------
    flow_m3_per_s : m3/s, measured or computed bypass flow, at least 0
    expanded_uncertainty_m3_per_s : m3/s, twice the combined standard uncertainty, above 0
    required_m3_per_s : m3/s, above 0

    Returns
    -------
    ``(Q - U)/R - 1``: negative is too little, 0.05 is five per cent to spare.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Required flow taken as exact: no second guard band on it.

    Source
    ------
    ILAC-G8:09/2019 section 4.2 for w = U (p. 9 seen).

    Examples
    --------
    >>> round(capacity_margin(50.3 / 3600, expanded_uncertainty_m3_per_s=1.006 / 3600,
    ...     required_m3_per_s=46.5 / 3600), 3)
    0.06
    """
    flow = plausible.FLOW_OR_ZERO.check("flow_m3_per_s", flow_m3_per_s)
    spread = plausible.uncertainty("expanded_uncertainty_m3_per_s", expanded_uncertainty_m3_per_s)
    required = plausible.FLOW.check("required_m3_per_s", required_m3_per_s)
    return (flow - spread) / required - 1.0


def pipe_loss_coefficient(
    *,
    flow_m3_per_s: float,
    bore_m: float,
    length_m: float,
    roughness_m: float,
    fittings_loss_coefficient: float,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
) -> float:
    """Loss coefficient of a pipe with fittings, velocity heads, at one flow.

    Parameters
    ----------
    flow_m3_per_s : m3/s, above 0
    bore_m, length_m, roughness_m : m
    fittings_loss_coefficient : sum of K of bends, tees, valves and the outlet, at least 0
    density_kg_per_m3, viscosity_pa_s : of the liquid in the line

    Returns
    -------
    ``f L/D + sum K``, dimensionless, for `ReturnLine`.

    Raises
    ------
    OutOfRange : an input missing or insane; roughness not below 5 % of the bore

    Assumptions
    -----------
    Full pipe, fully developed flow.

    Source
    ------
    Darcy friction factor by the fluids library (Clamond's solution of Colebrook's equation).

    Examples
    --------
    >>> round(pipe_loss_coefficient(flow_m3_per_s=0.01, bore_m=0.0779, length_m=50.0,
    ...     roughness_m=4.5e-5, fittings_loss_coefficient=3.0, density_kg_per_m3=998.2,
    ...     viscosity_pa_s=1.002e-3), 1)
    15.6
    """
    from fluids.friction import friction_factor

    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    bore = plausible.BORE.check("bore_m", bore_m)
    length = plausible.LENGTH.check("length_m", length_m)
    roughness = plausible.ROUGHNESS.check("roughness_m", roughness_m)
    fittings = plausible.LOSS_COEFFICIENT.check(
        "fittings_loss_coefficient", fittings_loss_coefficient
    )
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    viscosity = plausible.VISCOSITY.check("viscosity_pa_s", viscosity_pa_s)
    if roughness > 0.05 * bore:
        raise OutOfRange("roughness_m", roughness, f"at most 5 % of the bore, {0.05 * bore:g}")
    reynolds = 4.0 * flow * density / (pi * bore * viscosity)
    friction = require_number(
        "friction factor", float(friction_factor(Re=reynolds, eD=roughness / bore))
    )
    return friction * length / bore + fittings


@dataclass(frozen=True)
class _Trim:
    """The trim and the liquid before it; units as `flow_through_kv`."""

    kv: float
    density_kg_per_m3: float
    vapour_pressure_pa_abs: float
    critical_pressure_pa_abs: float
    recovery_factor: float

    def flow(self, inlet_pa_abs: float, outlet_pa_abs: float) -> float:
        """m3/s between two pressures, every input checked."""
        return flow_through_kv(
            self.kv,
            inlet_pa_abs=inlet_pa_abs,
            outlet_pa_abs=outlet_pa_abs,
            density_kg_per_m3=self.density_kg_per_m3,
            vapour_pressure_pa_abs=self.vapour_pressure_pa_abs,
            critical_pressure_pa_abs=self.critical_pressure_pa_abs,
            recovery_factor=self.recovery_factor,
        )


def _meeting_flow(
    trim: _Trim, line: ReturnLine, discharge_pa_abs: float, slope_pa_s_per_m3: float
) -> float:
    """Bypass flow, m3/s, that trim and return line agree on, in closed form.

    With the discharge pressure linear in the bypass flow y, ``p1 = discharge + slope y``, the trim
    passes ``y^2 = g (p1 - p2)`` unchoked and ``y^2 = g FL^2 (p1 - FF pv)`` choked, and the line
    asks ``p2 = end + k y^2``: two quadratics. The trim passes more than y where both are positive,
    so the flow is the smaller of their upper roots.
    """
    passed = kv_to_flow_area(trim.kv) ** 2 / trim.density_kg_per_m3
    choked = passed * trim.recovery_factor**2
    throat = trim.vapour_pressure_pa_abs * critical_pressure_ratio(
        trim.vapour_pressure_pa_abs, critical_pressure_pa_abs=trim.critical_pressure_pa_abs
    )
    end, losses = _line_terms(line, trim.density_kg_per_m3)
    return min(
        _upper_root(
            1.0 + passed * losses, passed * slope_pa_s_per_m3, passed * (discharge_pa_abs - end)
        ),
        _upper_root(1.0, choked * slope_pa_s_per_m3, choked * (discharge_pa_abs - throat)),
    )


def _line_terms(line: ReturnLine, density_kg_per_m3: float) -> tuple[float, float]:
    """Pressure at the bypass outlet is the first, Pa, plus the second, Pa s2/m6, times flow^2."""
    own = 1.0 / (0.25 * pi * line.bore_m**2)
    shared = line.pumps_on_common / (0.25 * pi * line.common_bore_m**2)
    losses = line.loss_coefficient * own**2 + line.common_loss_coefficient * shared**2
    return (
        line.end_pa_abs + density_kg_per_m3 * G_M_PER_S2 * line.rise_m,
        0.5 * density_kg_per_m3 * losses,
    )


def _upper_root(square: float, linear: float, constant: float) -> float:
    """Larger y with ``square y^2 = linear y + constant``; no digits lost to cancellation."""
    root = sqrt(max(linear**2 + 4.0 * square * constant, 0.0))
    if linear >= 0.0:
        return (linear + root) / (2.0 * square)
    return 2.0 * constant / (root - linear)


def _first_balance(
    curve: PumpCurve,
    trim: _Trim,
    line: ReturnLine,
    main: float,
    discharge: Callable[[float], float],
    density_before_kg_per_m3: float,
) -> float:
    """Smallest pump flow at which the trim passes exactly what is left for it."""
    flows, heads = curve.flows_m3_per_s, curve.heads_m
    lowest = max(main, flows[0])
    before = discharge(lowest)
    after = back_pressure(line, lowest - main, density_kg_per_m3=trim.density_kg_per_m3)
    if after >= before or trim.flow(before, after) <= lowest - main:
        raise NoSolution(
            "no driving pressure or no flow: at the lowest pump flow of the curve the bypass "
            "passes less than is left for it",
            (lowest,),
        )
    for i in range(len(flows) - 1):
        if flows[i + 1] <= main:
            continue
        slope = density_before_kg_per_m3 * G_M_PER_S2 * (heads[i + 1] - heads[i])
        slope /= flows[i + 1] - flows[i]
        low = max(main, flows[i])
        flow = main + _meeting_flow(trim, line, discharge(low) - slope * (low - main), slope)
        if flow <= flows[i + 1]:
            return max(flow, low)
    raise NoSolution(
        "the bypass would pass more than the curve covers; extend the curve", (flows[-1],)
    )
