"""The flow a pump must keep: thermal minimum by closed form on the curve, and the larger of the
thermal and the stable limit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import pi, sqrt

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange
from valvecare.engineering.liquids import Liquid
from valvecare.engineering.suction import allowed_rise_to_vaporisation, npsh_at_rise
from valvecare.engineering.thermal import isentropic_temperature_rise

_STEPS_A_SEGMENT = 8


@dataclass(frozen=True)
class RiseLimitFlow:
    """Smallest flow from which every flow up to the best efficiency flow keeps a rise limit.

    When `at_or_below_lowest_point` is true the limit is met on the whole known curve and the
    answer is only 'at or below' the lowest point.
    """

    flow_m3_per_s: float
    at_or_below_lowest_point: bool
    segment_m3_per_s: tuple[float, float]


def minimum_flow_for_rise(
    curve: PumpCurve,
    *,
    specific_heat_j_per_kg_k: float,
    allowed_rise_k: float,
    compression_rises_k: Sequence[float],
) -> RiseLimitFlow:
    """Smallest flow from which the rise stays inside a limit up to the best efficiency flow.

    Parameters
    ----------
    curve : the pump at its running speed
    specific_heat_j_per_kg_k : J/(kg K) of the pumped liquid
    allowed_rise_k : K, above 0, at most 150
    compression_rises_k : K at each point of the curve, same length; zeros leave compression out

    Returns
    -------
    RiseLimitFlow: root of ``(cp f - g d) Q^2 + (b/rho - g c + cp e - cp dT) Q + a/rho = 0`` on the
    segment P = a + bQ, H = c + dQ, compression = e + fQ, the first met coming down.

    Raises
    ------
    OutOfRange : an input missing or insane
    NotEnoughData : compression rises do not match the points
    NoSolution : the limit is not met at the best efficiency flow

    Assumptions
    -----------
    Piecewise linear curve; all shaft losses stay in the liquid.

    Source
    ------
    First law; 28.01 m3/h for the invented curve of the case table, by this root and by bisection.

    Examples
    --------
    >>> q = [0, 20, 40, 80, 120, 160, 200]
    >>> curve = PumpCurve(tuple(v / 3600 for v in q), (1250, 1255, 1250, 1215, 1140, 1020, 850),
    ...     tuple(1e3 * p for p in (310, 340, 372, 440, 512, 580, 640)), density_kg_per_m3=955.0,
    ...     speed_per_s=49.5, best_efficiency_flow_m3_per_s=160 / 3600, source="invented")
    >>> answer = minimum_flow_for_rise(curve, specific_heat_j_per_kg_k=4225.0,
    ...     allowed_rise_k=8.33, compression_rises_k=[0.0] * 7)
    >>> round(answer.flow_m3_per_s * 3600, 2)
    28.01
    """
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    allowed = plausible.RISE.check("allowed_rise_k", allowed_rise_k)
    flows = curve.flows_m3_per_s
    if compression_rises_k is None or len(compression_rises_k) != len(flows):
        raise NotEnoughData("compression_rises_k", f"{len(flows)} values, one a curve point")
    warmer = [
        plausible.COMPRESSION_RISE.check("compression_rises_k", k) for k in compression_rises_k
    ]
    energies = [power / curve.density_kg_per_m3 for power in curve.powers_w]
    best = curve.best_efficiency_flow_m3_per_s
    top = best
    for i in range(len(flows) - 2, -1, -1):
        if flows[i] >= best:
            continue
        width = flows[i + 1] - flows[i]
        b = (energies[i + 1] - energies[i]) / width
        d = (curve.heads_m[i + 1] - curve.heads_m[i]) / width
        f = (warmer[i + 1] - warmer[i]) / width
        a, c, e = (
            energies[i] - b * flows[i],
            curve.heads_m[i] - d * flows[i],
            warmer[i] - f * flows[i],
        )
        quadratic = (
            heat * f - G_M_PER_S2 * d,
            b - G_M_PER_S2 * c + heat * e - heat * allowed,
            a,
        )
        if _value(quadratic, top) > 0.0:
            if top < best:  # the limit is reached exactly at this point, within rounding
                return RiseLimitFlow(top, False, (flows[i], flows[i + 1]))
            raise NoSolution(
                f"the limit of {allowed:g} K is not met anywhere up to the best efficiency flow",
                (flows[0], best),
            )
        root = _first_root_below(quadratic, flows[i], top)
        if root is not None:
            return RiseLimitFlow(root, False, (flows[i], flows[i + 1]))
        top = flows[i]
    return RiseLimitFlow(flows[0], True, (flows[0], flows[1]))


@dataclass(frozen=True)
class NpshRequired:
    """NPSH required over flow, with the margin policy asks and the bore of the suction nozzle.

    n points ascending in flow, n >= 2, linear between, not extrapolated; `source` is required.

    >>> NpshRequired((0.0, 0.05), (3.0, 5.0), margin_m=1.0, inlet_bore_m=0.2,
    ...     source="invented").at(0.025)
    4.0
    """

    flows_m3_per_s: tuple[float, ...]
    heads_m: tuple[float, ...]
    margin_m: float
    inlet_bore_m: float
    source: str

    def __post_init__(self) -> None:
        if not isinstance(self.source, str) or not self.source.strip():
            raise OutOfRange("source", self.source, "given", "NPSH required without a source")
        for flow in self.flows_m3_per_s:
            plausible.FLOW_OR_ZERO.check("flows_m3_per_s", flow)
        for head in self.heads_m:
            plausible.Window("m", above=0.0, at_most=100.0).check("heads_m", head)
        plausible.Window("m", at_least=0.0, at_most=50.0).check("margin_m", self.margin_m)
        plausible.BORE.check("inlet_bore_m", self.inlet_bore_m)
        if len(self.flows_m3_per_s) < 2 or len(self.flows_m3_per_s) != len(self.heads_m):
            raise NotEnoughData(
                f"{len(self.flows_m3_per_s)} flows, {len(self.heads_m)} heads", "2 or more pairs"
            )
        if any(b <= a for a, b in zip(self.flows_m3_per_s, self.flows_m3_per_s[1:], strict=False)):
            raise OutOfRange("flows_m3_per_s", str(self.flows_m3_per_s), "ascending")

    def at(self, flow_m3_per_s: float) -> float:
        """NPSH required, m, at a flow inside the points."""
        q, h = self.flows_m3_per_s, self.heads_m
        flow = plausible.Window(
            "the points of NPSH required; not extrapolated", at_least=q[0], at_most=q[-1]
        ).check("flow_m3_per_s", flow_m3_per_s)
        i = max(j for j in range(len(q) - 1) if q[j] <= flow)
        return h[i] + (flow - q[i]) * (h[i + 1] - h[i]) / (q[i + 1] - q[i])


@dataclass(frozen=True)
class ThermalMinimum:
    """The thermal minimum flow and everything it was worked out from."""

    flow_m3_per_s: float
    governs: str
    at_or_below_lowest_point: bool
    segment_m3_per_s: tuple[float, float]
    rise_k: float
    losses_rise_k: float
    compression_rise_k: float
    limits_k: tuple[tuple[str, float], ...]
    flows_by_limit_m3_per_s: tuple[tuple[str, float], ...]
    inlet_temperature_degc: float
    inlet_pa_abs: float
    specific_heat_j_per_kg_k: float
    density_kg_per_m3: float
    liquid: str
    curve_source: str
    assumptions: tuple[str, ...]


def thermal_minimum_flow(
    curve: PumpCurve,
    liquid: Liquid,
    *,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    stated_rise_k: float | None,
    vapour_margin_pa: float,
    npsh_required: NpshRequired | None,
) -> ThermalMinimum:
    """Thermal minimum flow of one pump, with compression heating, and which limit governs.

    Parameters
    ----------
    curve : the pump at its running speed; powers are scaled to the density of the liquid
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet
    stated_rise_k : K from the pump record or policy, or None when none is stated
    vapour_margin_pa : Pa kept above the vapour pressure at the impeller inlet, at least 0
    npsh_required : NPSH required with margin, or None: the result then says it is not checked

    Returns
    -------
    ThermalMinimum; `governs` is ``stated``, ``vapour`` or ``npsh``. It is the heat limit alone,
    never the required minimum: see `required_minimum_flow`.

    Raises
    ------
    OutOfRange : an input missing or insane, the inlet is not liquid
    NoSolution : the limit is not met up to the best efficiency flow, or no rise is allowed

    Assumptions
    -----------
    Listed in the result. The bypass returns to a vessel large enough to hold the inlet
    temperature; for a return to the suction pipe there is no steady state at zero main flow.

    Source
    ------
    First law; IAPWS R7-97(2012); Ludwig p. 208 and Pump Handbook, 3rd ed., p. 2.372 (seen).

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> q = [0, 20, 40, 80, 120, 160, 200]
    >>> curve = PumpCurve(tuple(v / 3600 for v in q), (1250, 1255, 1250, 1215, 1140, 1020, 850),
    ...     tuple(1e3 * p for p in (310, 340, 372, 440, 512, 580, 640)), density_kg_per_m3=955.0,
    ...     speed_per_s=49.5, best_efficiency_flow_m3_per_s=160 / 3600, source="invented")
    >>> answer = thermal_minimum_flow(curve, WATER, inlet_temperature_degc=105.0,
    ...     inlet_pa_abs=0.25e6, stated_rise_k=8.33, vapour_margin_pa=0.0, npsh_required=None)
    >>> answer.governs, round(answer.flow_m3_per_s * 3600, 1), round(answer.compression_rise_k, 2)
    ('stated', 30.7, 0.85)
    """
    temperature = plausible.TEMPERATURE.check("inlet_temperature_degc", inlet_temperature_degc)
    pressure = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    density = liquid.density(temperature, pressure)
    heat = liquid.specific_heat(temperature, pressure)
    compression = [
        isentropic_temperature_rise(
            liquid,
            inlet_temperature_degc=temperature,
            inlet_pa_abs=pressure,
            outlet_pa_abs=pressure + density * G_M_PER_S2 * head,
        )
        for head in curve.heads_m
    ]
    limits: list[tuple[str, float]] = []
    if stated_rise_k is not None:
        limits.append(("stated", plausible.RISE.check("stated_rise_k", stated_rise_k)))
    vapour = allowed_rise_to_vaporisation(
        liquid,
        inlet_temperature_degc=temperature,
        inlet_pa_abs=pressure,
        margin_pa=vapour_margin_pa,
    )
    limits.append(("vapour", vapour))
    governs, smallest = min(limits, key=lambda limit: limit[1])
    by_rise = minimum_flow_for_rise(
        curve,
        specific_heat_j_per_kg_k=heat,
        allowed_rise_k=min(smallest, 150.0),
        compression_rises_k=compression,
    )
    flows = [(governs, by_rise.flow_m3_per_s)]
    flow, segment, lowest = (
        by_rise.flow_m3_per_s,
        by_rise.segment_m3_per_s,
        by_rise.at_or_below_lowest_point,
    )
    parts = _RiseParts(curve, heat, compression)
    notes = [
        "all shaft losses stay in the liquid",
        "the full rise at the outlet is taken as the rise at the impeller inlet",
        "the bypass returns to a vessel that holds its temperature",
        "curve piecewise linear between its points",
    ]
    if npsh_required is None:
        notes.append("NPSH required is not known and not checked")
    else:
        found = _npsh_flow(
            parts, liquid, npsh_required, temperature=temperature, pressure=pressure, lowest=flow
        )
        flows.append(("npsh", found))
        if found > flow:
            flow, governs, lowest = found, "npsh", False
            segment = parts.segment(found)
    losses, squeezed = parts.at(flow) if flow > 0.0 else (0.0, compression[0])
    return ThermalMinimum(
        flow_m3_per_s=flow,
        governs=governs,
        at_or_below_lowest_point=lowest,
        segment_m3_per_s=segment,
        rise_k=losses + squeezed,
        losses_rise_k=losses,
        compression_rise_k=squeezed,
        limits_k=tuple(limits),
        flows_by_limit_m3_per_s=tuple(flows),
        inlet_temperature_degc=temperature,
        inlet_pa_abs=pressure,
        specific_heat_j_per_kg_k=heat,
        density_kg_per_m3=density,
        liquid=f"{liquid.name}, {liquid.source}",
        curve_source=curve.source,
        assumptions=tuple(notes),
    )


def handbook_minimum_flow(
    shaft_power_w: float,
    *,
    density_kg_per_m3: float,
    specific_heat_j_per_kg_k: float,
    allowed_rise_k: float,
) -> float:
    """Handbook thermal minimum flow, m3/s: the whole shaft power heats the flow.

    Parameters
    ----------
    shaft_power_w : W at the shaft
    density_kg_per_m3, specific_heat_j_per_kg_k : of the pumped liquid
    allowed_rise_k : K, above 0

    Returns
    -------
    m3/s: ``P/(rho cp dT)``, an upper bound on the losses-only answer at the same power.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    No credit for the useful head (safe side).

    Source
    ------
    engineeringtoolbox.com, Centrifugal Pumps - Minimum Flow (seen): BHP/(2.95 cp SG) gpm for
    15 degF; 100 hp: 33.9 US gpm. One public page prints the product instead of the quotient.

    Examples
    --------
    >>> flow = handbook_minimum_flow(74570.0, density_kg_per_m3=1000.0,
    ...     specific_heat_j_per_kg_k=4186.8, allowed_rise_k=15 / 1.8)
    >>> round(flow / 6.30902e-5, 1)
    33.9
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    return power / (density * heat * plausible.RISE.check("allowed_rise_k", allowed_rise_k))


@dataclass(frozen=True)
class RequiredMinimum:
    """The flow the pump must keep. Without a known stable limit it can never prove protection."""

    flow_m3_per_s: float
    governs: str
    limits_m3_per_s: tuple[tuple[str, float], ...]
    stable_known: bool
    can_prove_protection: bool
    words: str


def required_minimum_flow(
    thermal: ThermalMinimum,
    *,
    stable_flow_m3_per_s: float | None,
    other_limits_m3_per_s: Mapping[str, float],
) -> RequiredMinimum:
    """Return the larger of the thermal, the stable and any other recorded limit.

    Parameters
    ----------
    thermal : from `thermal_minimum_flow`
    stable_flow_m3_per_s : minimum continuous stable flow from the pump record at running speed,
        or None when the record has none: the answer is then 'thermal only'
    other_limits_m3_per_s : further recorded limits by name (seal, bearing); may be empty

    Returns
    -------
    RequiredMinimum.

    Raises
    ------
    OutOfRange : a limit that is not a sane flow

    Assumptions
    -----------
    None: a stable limit is a record, never computed and never a silent share of the best flow.

    Source
    ------
    NRC Bulletin 88-04 as summarised in inspection finding 05000341/2007003-07 (seen): settings by
    heat alone were inadequate.

    Examples
    --------
    See docs/methods/minimum-flow.md.
    """
    limits = [("thermal", plausible.FLOW_OR_ZERO.check("thermal", thermal.flow_m3_per_s))]
    if stable_flow_m3_per_s is not None:
        limits.append(
            ("stable", plausible.FLOW.check("stable_flow_m3_per_s", stable_flow_m3_per_s))
        )
    for name, value in other_limits_m3_per_s.items():
        limits.append((name, plausible.FLOW.check(f"other_limits_m3_per_s[{name}]", value)))
    governs, flow = max(limits, key=lambda limit: limit[1])
    known = stable_flow_m3_per_s is not None
    return RequiredMinimum(
        flow_m3_per_s=flow,
        governs=governs,
        limits_m3_per_s=tuple(limits),
        stable_known=known,
        can_prove_protection=known,
        words=f"{governs} limit governs" if known else "thermal only, stable flow unknown",
    )


class _RiseParts:
    """Losses and compression at any flow of a curve, both from its points."""

    def __init__(self, curve: PumpCurve, heat: float, compression: Sequence[float]) -> None:
        self.curve, self.heat, self.compression = curve, heat, compression

    def segment(self, flow: float) -> tuple[float, float]:
        flows = self.curve.flows_m3_per_s
        i = max(j for j in range(len(flows) - 1) if flows[j] <= flow)
        return flows[i], flows[i + 1]

    def at(self, flow: float) -> tuple[float, float]:
        curve = self.curve
        low, high = self.segment(flow)
        i = curve.flows_m3_per_s.index(low)
        share = (flow - low) / (high - low)
        head = curve.heads_m[i] + share * (curve.heads_m[i + 1] - curve.heads_m[i])
        power = curve.powers_w[i] + share * (curve.powers_w[i + 1] - curve.powers_w[i])
        squeezed = self.compression[i] + share * (self.compression[i + 1] - self.compression[i])
        losses = (power / (curve.density_kg_per_m3 * flow) - G_M_PER_S2 * head) / self.heat
        return losses, squeezed


def _npsh_flow(
    parts: _RiseParts,
    liquid: Liquid,
    required: NpshRequired,
    *,
    temperature: float,
    pressure: float,
    lowest: float,
) -> float:
    """Smallest flow, not below `lowest`, from which NPSH suffices up to best efficiency flow."""
    area = 0.25 * pi * required.inlet_bore_m**2
    best = parts.curve.best_efficiency_flow_m3_per_s

    def suffices(flow: float) -> bool:
        left = npsh_at_rise(
            liquid,
            inlet_temperature_degc=temperature,
            inlet_pa_abs=pressure,
            rise_k=sum(parts.at(flow)),
            inlet_velocity_m_per_s=flow / area,
        )
        return left >= required.at(flow) + required.margin_m

    if not suffices(best):
        raise NoSolution("NPSH is too small already at the best efficiency flow", (lowest, best))
    points = sorted({q for q in parts.curve.flows_m3_per_s if lowest < q < best} | {lowest, best})
    above = best
    for low, high in reversed(list(zip(points, points[1:], strict=False))):
        for step in range(_STEPS_A_SEGMENT - 1, -1, -1):
            flow = low + (high - low) * step / _STEPS_A_SEGMENT
            if flow > 0.0 and not suffices(flow):
                while above - flow > 1e-9 * best:
                    middle = 0.5 * (flow + above)
                    flow, above = (flow, middle) if suffices(middle) else (middle, above)
                return above
            above = flow
    return lowest


def _value(quadratic: tuple[float, float, float], flow: float) -> float:
    return (quadratic[0] * flow + quadratic[1]) * flow + quadratic[2]


def _first_root_below(
    quadratic: tuple[float, float, float], low: float, high: float
) -> float | None:
    """Largest flow in [low, high] below which the limit is broken, met at `high`; or None."""
    a, b, c = quadratic
    if abs(a) * high < 1e-12 * abs(b):
        roots = [-c / b] if b != 0.0 else []
    else:
        inside = b * b - 4.0 * a * c
        if inside <= 0.0:
            return None
        q = -0.5 * (b + sqrt(inside) * (1.0 if b >= 0.0 else -1.0))
        roots = [q / a, c / q] if q != 0.0 else [q / a]
    for root in sorted(roots, reverse=True):
        if low <= root <= high and 2.0 * a * root + b < 0.0:
            return root
    return None
