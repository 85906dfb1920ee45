"""The ways to know the bypass flow, each with its propagated uncertainty.

Best first: a flow meter in the bypass line, the drop over a known Kv, the energy balance, the head
on the pump curve. A clamp-on meter or the level of the return vessel over time counts as a meter.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, OutOfRange, require_number
from valvecare.engineering.uncertainty import combined_uncertainty
from valvecare.engineering.valve_flow import choking_pressure_drop, flow_through_kv

RISE_ERROR_SHARE = 0.1
"""Largest share of the measured rise that the thermometers may be wrong by (common practice)."""
HEAD_FLOW_ERROR_SHARE = 0.2
"""Largest relative flow uncertainty at which a flow read from the head curve is given at all."""


@dataclass(frozen=True)
class FlowEstimate:
    """A flow with its standard uncertainty and what that is made of.

    `proves_capacity` is false when the method cannot prove the capacity of the bypass, for
    example because it uses the Kv that is under test.
    """

    method: str
    flow_m3_per_s: float
    standard_uncertainty_m3_per_s: float
    contributions_m3_per_s: tuple[tuple[str, float], ...]
    proves_capacity: bool
    notes: tuple[str, ...] = ()

    @property
    def relative_uncertainty(self) -> float:
        """Standard uncertainty over flow, a share."""
        return self.standard_uncertainty_m3_per_s / self.flow_m3_per_s


def flow_from_meter(
    flow_m3_per_s: float,
    *,
    standard_uncertainty_m3_per_s: float,
    calibration_in_date: bool,
    kind: str,
) -> FlowEstimate:
    """Flow as a meter reads it: in line, clamp-on, or another calibrated instrument.

    Parameters
    ----------
    flow_m3_per_s : m3/s, above 0
    standard_uncertainty_m3_per_s : k = 1, from the instrument record, above 0
    calibration_in_date : whether the instrument's calibration is valid on the day of the test
    kind : what instrument it is, in words, for the record

    Returns
    -------
    FlowEstimate.

    Raises
    ------
    OutOfRange : an input missing or insane; calibration out of date

    Assumptions
    -----------
    Pipe full, straight lengths as the instrument needs.

    Source
    ------
    US Navy Machinery Repairman, calibration paragraph (seen): a gauge with outdated calibration
    is not used.

    Examples
    --------
    >>> answer = flow_from_meter(0.015, standard_uncertainty_m3_per_s=1.5e-4,
    ...     calibration_in_date=True, kind="clamp-on")
    >>> answer.relative_uncertainty
    0.01
    """
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    spread = plausible.uncertainty(
        "standard_uncertainty_m3_per_s", standard_uncertainty_m3_per_s, of=flow
    )
    if calibration_in_date is not True:
        raise OutOfRange(
            "calibration_in_date", bool(calibration_in_date), "True", "calibrate the instrument"
        )
    if not isinstance(kind, str) or not kind.strip():
        raise OutOfRange("kind", kind, "given", "what instrument read the flow")
    return FlowEstimate(kind, flow, spread, (("instrument", spread),), True)


def flow_from_vessel_level(
    *,
    surface_area_m2: float,
    level_rise_m: float,
    duration_s: float,
    other_outflow_m3_per_s: float,
    u_surface_area_m2: float,
    u_level_rise_m: float,
    u_duration_s: float,
    u_other_outflow_m3_per_s: float,
) -> FlowEstimate:
    """Flow into the return vessel from the rise of its level over time.

    Parameters
    ----------
    surface_area_m2 : m2 of liquid surface, 0.01 to 10000
    level_rise_m : m, above 0, at most 50
    duration_s : s, above 0, at most one day
    other_outflow_m3_per_s : m3/s leaving (+) or entering (-) the vessel by all other lines
    u_... : standard uncertainty of each, same unit, above 0

    Returns
    -------
    FlowEstimate: ``A dz/dt + other``.

    Raises
    ------
    OutOfRange : an input missing or insane; the flow comes out not above 0

    Assumptions
    -----------
    Constant surface area and density over the test.

    Source
    ------
    Volume balance; propagation JCGM 100 (from memory).

    Examples
    --------
    >>> answer = flow_from_vessel_level(surface_area_m2=12.0, level_rise_m=0.3, duration_s=400.0,
    ...     other_outflow_m3_per_s=0.001, u_surface_area_m2=0.1, u_level_rise_m=0.003,
    ...     u_duration_s=1.0, u_other_outflow_m3_per_s=1e-4)
    >>> round(answer.flow_m3_per_s, 6), round(answer.relative_uncertainty, 4)
    (0.01, 0.0156)
    """
    area = plausible.Window("m2", at_least=0.01, at_most=1e4).check(
        "surface_area_m2", surface_area_m2
    )
    rise = plausible.Window("m", above=0.0, at_most=50.0).check("level_rise_m", level_rise_m)
    time = plausible.Window("s", above=0.0, at_most=86_400.0).check("duration_s", duration_s)
    other = plausible.Window("m3/s", at_least=-20.0, at_most=20.0).check(
        "other_outflow_m3_per_s", other_outflow_m3_per_s
    )
    flow = area * rise / time + other
    plausible.FLOW.check("flow_m3_per_s", flow)
    parts = (
        (
            "area",
            plausible.uncertainty("u_surface_area_m2", u_surface_area_m2, of=area),
            rise / time,
        ),
        ("level", plausible.uncertainty("u_level_rise_m", u_level_rise_m, of=rise), area / time),
        (
            "time",
            plausible.uncertainty("u_duration_s", u_duration_s, of=time),
            area * rise / time**2,
        ),
        (
            "other flows",
            plausible.uncertainty("u_other_outflow_m3_per_s", u_other_outflow_m3_per_s),
            1.0,
        ),
    )
    return _estimate("vessel level", flow, [(n, u * c) for n, u, c in parts])


def flow_from_kv(
    kv: float,
    *,
    inlet_pa_abs: float,
    outlet_pa_abs: float,
    density_kg_per_m3: float,
    vapour_pressure_pa_abs: float,
    critical_pressure_pa_abs: float,
    recovery_factor: float,
    u_kv: float,
    u_inlet_pa: float,
    u_outlet_pa: float,
    u_density_kg_per_m3: float,
    kv_under_test: bool,
) -> FlowEstimate:
    """Flow from the pressure drop over a resistance of known Kv.

    Parameters
    ----------
    kv, inlet_pa_abs, outlet_pa_abs, density_kg_per_m3, vapour_pressure_pa_abs,
    critical_pressure_pa_abs, recovery_factor : see `flow_through_kv`
    u_kv, u_inlet_pa, u_outlet_pa, u_density_kg_per_m3 : standard uncertainties, above 0
    kv_under_test : True when the Kv is that of the bypass trim being tested: the answer then
        cannot prove its capacity

    Returns
    -------
    FlowEstimate; when choked the outlet pressure carries no uncertainty into the flow.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no driving pressure

    Assumptions
    -----------
    First-order propagation, independent inputs; FL and vapour pressure exact.

    Source
    ------
    IEC 60534-2-1; relative u^2 = u_Kv^2 + (u_dp/2dp)^2 + (u_rho/2rho)^2, JCGM 100 (from memory).

    Examples
    --------
    >>> answer = flow_from_kv(25.0, inlet_pa_abs=3e6, outlet_pa_abs=1.2e6,
    ...     density_kg_per_m3=920.0, vapour_pressure_pa_abs=0.4e6,
    ...     critical_pressure_pa_abs=22.064e6, recovery_factor=0.9, u_kv=0.5, u_inlet_pa=20e3,
    ...     u_outlet_pa=20e3, u_density_kg_per_m3=2.0, kv_under_test=False)
    >>> round(answer.flow_m3_per_s * 3600, 1), round(answer.relative_uncertainty, 4)
    (110.5, 0.0215)
    """
    flow = flow_through_kv(
        kv,
        inlet_pa_abs=inlet_pa_abs,
        outlet_pa_abs=outlet_pa_abs,
        density_kg_per_m3=density_kg_per_m3,
        vapour_pressure_pa_abs=vapour_pressure_pa_abs,
        critical_pressure_pa_abs=critical_pressure_pa_abs,
        recovery_factor=recovery_factor,
    )
    choke = choking_pressure_drop(
        inlet_pa_abs,
        vapour_pressure_pa_abs=vapour_pressure_pa_abs,
        critical_pressure_pa_abs=critical_pressure_pa_abs,
        recovery_factor=recovery_factor,
    )
    drop = inlet_pa_abs - outlet_pa_abs
    u_in = plausible.uncertainty("u_inlet_pa", u_inlet_pa, of=inlet_pa_abs)
    u_out = plausible.uncertainty("u_outlet_pa", u_outlet_pa, of=outlet_pa_abs)
    choked = drop >= choke
    parts = [
        ("Kv", flow * plausible.uncertainty("u_kv", u_kv, of=kv) / kv),
        (
            "inlet pressure",
            flow * u_in * (recovery_factor**2 / choke if choked else 1.0 / drop) / 2.0,
        ),
    ]
    if not choked:
        parts.append(("outlet pressure", flow * u_out / (2.0 * drop)))
    u_density = plausible.uncertainty(
        "u_density_kg_per_m3", u_density_kg_per_m3, of=density_kg_per_m3
    )
    parts.append(("density", flow * u_density / (2.0 * density_kg_per_m3)))
    notes = ["choked: the outlet pressure does not matter"] if choked else []
    if not isinstance(kv_under_test, bool):
        raise OutOfRange("kv_under_test", kv_under_test, "True or False")
    if kv_under_test:
        notes.append("uses the Kv under test: no proof of capacity")
    return _estimate("Kv and pressure drop", flow, parts, not kv_under_test, notes)


def energy_balance_flow(
    shaft_power_w: float,
    *,
    head_m: float,
    loss_rise_k: float,
    density_kg_per_m3: float,
    specific_heat_j_per_kg_k: float,
) -> float:
    """Pump flow, m3/s, from shaft power, head and the rise by losses.

    Parameters
    ----------
    shaft_power_w : W at the shaft (electrical power times motor efficiency)
    head_m : m, at least 0; 0 when the rise was measured in the return line, where the head has
        turned into heat
    loss_rise_k : K, above 0: measured rise less the compression rise; never the raw rise at high
        head, or compression is counted twice
    density_kg_per_m3, specific_heat_j_per_kg_k : of the pumped liquid

    Returns
    -------
    m3/s: ``P/(rho (g H + cp dT))``.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    All shaft losses stay in the liquid; steady.

    Source
    ------
    First law; 28.212 m3/h (computed twice, no publication).

    Examples
    --------
    >>> round(3600 * energy_balance_flow(345e3, head_m=1254.0, loss_rise_k=8.0,
    ...     density_kg_per_m3=955.0, specific_heat_j_per_kg_k=4225.0), 3)
    28.212
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    head = plausible.HEAD_OR_ZERO.check("head_m", head_m)
    rise = plausible.RISE.check("loss_rise_k", loss_rise_k)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    return power / (density * (G_M_PER_S2 * head + heat * rise))


def flow_from_energy_balance(
    shaft_power_w: float,
    *,
    head_m: float,
    loss_rise_k: float,
    density_kg_per_m3: float,
    specific_heat_j_per_kg_k: float,
    u_shaft_power_w: float,
    u_head_m: float,
    u_rise_k: float,
) -> FlowEstimate:
    """Pump flow from the energy balance, with uncertainty; refused when the rise is too small.

    Parameters
    ----------
    shaft_power_w, head_m, loss_rise_k, density_kg_per_m3, specific_heat_j_per_kg_k :
        see `energy_balance_flow`
    u_shaft_power_w, u_head_m, u_rise_k : standard uncertainties, above 0; `u_rise_k` of the
        difference of the two thermometers

    Returns
    -------
    FlowEstimate.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the thermometers may be wrong by more than a tenth of the rise

    Assumptions
    -----------
    Density and specific heat exact; first-order propagation.

    Source
    ------
    First law with JCGM 100 propagation; 2.454 % for the case of the table (by finite differences
    too).

    Examples
    --------
    >>> answer = flow_from_energy_balance(345e3, head_m=1254.0, loss_rise_k=8.0,
    ...     density_kg_per_m3=955.0, specific_heat_j_per_kg_k=4225.0, u_shaft_power_w=7e3,
    ...     u_head_m=6.0, u_rise_k=0.15)
    >>> round(answer.relative_uncertainty, 5)
    0.02454
    """
    flow = energy_balance_flow(
        shaft_power_w,
        head_m=head_m,
        loss_rise_k=loss_rise_k,
        density_kg_per_m3=density_kg_per_m3,
        specific_heat_j_per_kg_k=specific_heat_j_per_kg_k,
    )
    u_power = plausible.uncertainty("u_shaft_power_w", u_shaft_power_w, of=shaft_power_w)
    u_head = plausible.uncertainty("u_head_m", u_head_m, of=head_m if head_m > 0.0 else None)
    u_rise = plausible.uncertainty("u_rise_k", u_rise_k)
    if u_rise > RISE_ERROR_SHARE * loss_rise_k:
        raise NoSolution(
            f"the rise is too small for a heat balance: {loss_rise_k:.2f} K, and {u_rise:g} K "
            f"error is {100.0 * u_rise / loss_rise_k:.0f} % of it (at most "
            f"{100.0 * RISE_ERROR_SHARE:.0f} %); use a flow meter or the vessel level"
        )
    total = G_M_PER_S2 * head_m + specific_heat_j_per_kg_k * loss_rise_k
    parts = [
        ("shaft power", flow * u_power / shaft_power_w),
        ("rise", flow * specific_heat_j_per_kg_k * u_rise / total),
    ]
    if head_m > 0.0:
        parts.append(("head", flow * G_M_PER_S2 * u_head / total))
    return _estimate("energy balance", flow, parts)


def flow_from_head(curve: PumpCurve, *, head_m: float, u_head_m: float) -> FlowEstimate:
    """Pump flow read from the measured head on the curve, with uncertainty.

    Parameters
    ----------
    curve : the pump at the speed of the test
    head_m : m, measured
    u_head_m : standard uncertainty of the measured head and of the curve together, above 0

    Returns
    -------
    FlowEstimate: ``u_Q = u_H/|dH/dQ|``.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no flow or more than one fits; the uncertainty reaches the top of the curve; the
        relative uncertainty of the flow exceeds 20 %

    Assumptions
    -----------
    The curve is still the pump's: a worn pump reads too much flow.

    Source
    ------
    Own error analysis: 1 % of head is 19 to 54 % of flow near shut-off. Method common practice.

    Examples
    --------
    >>> curve = PumpCurve((0.0, 0.02, 0.04), (110.0, 100.0, 70.0), (14e3, 27e3, 40e3),
    ...     density_kg_per_m3=998.0, speed_per_s=49.0, best_efficiency_flow_m3_per_s=0.03,
    ...     source="invented")
    >>> answer = flow_from_head(curve, head_m=85.0, u_head_m=0.85)
    >>> round(answer.flow_m3_per_s, 4), round(answer.relative_uncertainty, 4)
    (0.03, 0.0189)
    """
    head = plausible.HEAD.check("head_m", head_m)
    spread = plausible.uncertainty("u_head_m", u_head_m, of=head)
    roots = curve.flows_at_head(head)
    if not roots:
        raise NoSolution(
            f"no flow fits this head: {head:g} m is outside the curve "
            f"({min(curve.heads_m):g} to {max(curve.heads_m):g} m)"
        )
    if len(roots) > 1:
        listed = ", ".join(f"{3600.0 * q:.4g}" for q in roots)
        raise NoSolution(f"{len(roots)} flows fit this head: {listed} m3/h", roots)
    if head + spread >= max(curve.heads_m) or len(curve.flows_at_head(head + spread)) != 1:
        raise NoSolution(
            "the uncertainty of the head reaches the top of the curve: any small flow fits", roots
        )
    flow = roots[0]
    slope = curve.head_slope(flow)
    u_flow = spread / abs(slope)
    if u_flow > HEAD_FLOW_ERROR_SHARE * flow:
        raise NoSolution(
            f"the curve is too flat here: {spread:g} m of head is {100.0 * u_flow / flow:.0f} % "
            f"of the flow (at most {100.0 * HEAD_FLOW_ERROR_SHARE:.0f} %)",
            roots,
        )
    return _estimate("head on the curve", flow, [("head", u_flow)])


def _estimate(
    method: str,
    flow: float,
    parts: Sequence[tuple[str, float]],
    proves: bool = True,
    notes: Sequence[str] = (),
) -> FlowEstimate:
    spread = require_number("uncertainty", combined_uncertainty([abs(value) for _, value in parts]))
    return FlowEstimate(
        method, flow, spread, tuple((n, abs(v)) for n, v in parts), proves, tuple(notes)
    )


def relative_kv_uncertainty(
    *, u_kv_share: float, u_pressure_drop_share: float, u_density_share: float
) -> float:
    """Relative standard uncertainty of an unchoked flow from Kv and pressure drop, a share.

    Parameters
    ----------
    u_kv_share, u_pressure_drop_share, u_density_share : relative standard uncertainties, above 0

    Returns
    -------
    ``sqrt(u_Kv^2 + (u_dp/2)^2 + (u_rho/2)^2)``.

    Raises
    ------
    OutOfRange : an input missing, not above 0, or above 1

    Assumptions
    -----------
    Independent inputs, unchoked.

    Source
    ------
    JCGM 100 propagation (from memory) of the IEC 60534-2-1 flow equation.

    Examples
    --------
    >>> round(relative_kv_uncertainty(u_kv_share=0.02, u_pressure_drop_share=0.01,
    ...     u_density_share=0.002), 5)
    0.02064
    """
    kv = plausible.uncertainty("u_kv_share", u_kv_share, of=1.0)
    drop = plausible.uncertainty("u_pressure_drop_share", u_pressure_drop_share, of=1.0)
    density = plausible.uncertainty("u_density_share", u_density_share, of=1.0)
    return sqrt(kv**2 + 0.25 * drop**2 + 0.25 * density**2)
