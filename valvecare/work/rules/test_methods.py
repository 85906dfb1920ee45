"""Which way of knowing the bypass flow this site's gauges allow on this pump, and how well."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot

from valvecare.engineering.curves import G_M_PER_S2
from valvecare.engineering.flow_choice import Instruments, MethodJudgement, judge_flow_methods
from valvecare.engineering.thermal import temperature_rises
from valvecare.engineering.units import absolute_to_gauge, from_si, to_si
from valvecare.protection.rules import Hydraulics, ProofMethod
from valvecare.protection.rules.capacity import curve_of, inlet_of, liquid_of
from valvecare.work.rules.gauges import GaugeKind, gauge_uncertainty

METER, CLAMP_ON, LEVEL, HEAT = (
    "meter in the bypass line",
    "clamp-on meter",
    "vessel level",
    "energy balance",
)
PROOF_METHODS: Mapping[str, ProofMethod] = {
    METER: ProofMethod.FLOW_METER,
    CLAMP_ON: ProofMethod.CLAMP_ON,
    LEVEL: ProofMethod.VESSEL_LEVEL,
    HEAT: ProofMethod.HEAT_BALANCE,
}
"""Methods that can prove a bypass flow, and how the proof is recorded."""

HEAD_CURVE = "head on the curve"
NO_PROOF = (
    "no proof: a worn pump reads too much flow, and near shut-off 1 % of head is 19 to 54 % of flow"
)
"""Own error analysis over the groups of the demo world."""

BAR_G = "bar g"


@dataclass(frozen=True)
class GaugeAbility:
    """One gauge that may be used that day, and what its certificate says of it."""

    code: str
    kind: str
    unit: str
    low: float
    high: float
    step: float
    expanded: float | None
    expanded_share: float | None

    def uncertainty_at(self, value: float) -> float | None:
        """Standard uncertainty at this value; None: outside its range, or not certified."""
        if not self.low <= value <= self.high:
            return None
        return gauge_uncertainty(
            value, expanded=self.expanded, expanded_share=self.expanded_share, step=self.step
        )


@dataclass(frozen=True)
class Expected:
    """What the gauges would have to read at zero main flow, from curve and required flow."""

    flow_m3_per_h: float
    inlet_degc: float
    outlet_degc: float
    suction_bar_g: float
    discharge_bar_g: float
    electrical_kw: float | None
    head_m: float
    density_kg_per_m3: float


def expected_at(
    facts: Hydraulics, required_m3_per_h: float, motor_efficiency: float | None
) -> Expected:
    """The pump at its required flow with the main line shut. Raises `Refusal` by name."""
    liquid = liquid_of(facts)
    temperature, inlet = inlet_of(facts)
    rises = temperature_rises(
        curve_of(facts, liquid),
        liquid,
        flow_m3_per_s=to_si("volume_flow", "m3/h", required_m3_per_h),
        inlet_temperature_degc=temperature,
        inlet_pa_abs=inlet,
    )
    atmosphere = to_si("pressure_absolute", "bar", facts.atmospheric_pressure_bar_a)

    def bar_g(pressure_pa_abs: float) -> float:
        gauge = absolute_to_gauge(pressure_pa_abs, atmospheric_pa_abs=atmosphere)
        return from_si("pressure_gauge", "bar", gauge)

    return Expected(
        required_m3_per_h,
        temperature,
        temperature + rises.outlet_rise_k,
        bar_g(inlet),
        bar_g(rises.outlet_pa_abs),
        rises.shaft_power_w / motor_efficiency / 1e3 if motor_efficiency else None,
        rises.head_m,
        rises.density_kg_per_m3,
    )


def _best(
    gauges: Sequence[GaugeAbility], kind: GaugeKind, unit: str, value: float | None
) -> list[float]:
    """Standard uncertainties of the gauges that could read this value, smallest first."""
    if value is None:
        return []
    found = [
        gauge.uncertainty_at(value)
        for gauge in gauges
        if gauge.kind == kind.value and gauge.unit == unit
    ]
    return sorted(spread for spread in found if spread is not None)


def instruments_of(
    gauges: Sequence[GaugeAbility],
    expected: Expected,
    *,
    level_share: float | None = None,
    recorded: Mapping[str, float] | None = None,
) -> Instruments:
    """What there is to measure with, as relative standard uncertainties at the expected values.

    A heat balance needs two thermometers, two pressure gauges and a power meter; the motor's
    efficiency is taken from the register as it stands. `level_share` of a vessel's level over
    time, where somebody worked it out. `recorded`: shares of earlier tests by method, used where
    no gauge is listed.
    """
    past = recorded or {}
    flow = expected.flow_m3_per_h
    meter = _best(gauges, GaugeKind.FLOW_METER, "m³/h", flow)
    clamp = _best(gauges, GaugeKind.CLAMP_ON_METER, "m³/h", flow)
    power = _best(gauges, GaugeKind.POWER_METER, "kW", expected.electrical_kw)
    cold = _best(gauges, GaugeKind.THERMOMETER, "°C", expected.inlet_degc)
    hot = _best(gauges, GaugeKind.THERMOMETER, "°C", expected.outlet_degc)
    low = _best(gauges, GaugeKind.PRESSURE_GAUGE, BAR_G, expected.suction_bar_g)
    high = _best(gauges, GaugeKind.PRESSURE_GAUGE, BAR_G, expected.discharge_bar_g)
    head = None
    if low and high:
        metres_per_bar = 1e5 / (expected.density_kg_per_m3 * G_M_PER_S2)
        head = hypot(low[0], high[0]) * metres_per_bar / expected.head_m
    return Instruments(
        u_meter_share=meter[0] / flow if meter else past.get(METER),
        u_clamp_on_share=clamp[0] / flow if clamp else past.get(CLAMP_ON),
        u_vessel_level_share=level_share if level_share is not None else past.get(LEVEL),
        u_kv_share=None,
        u_pressure_drop_share=None,
        u_density_share=None,
        kv_is_under_test=True,
        u_shaft_power_share=power[0] / expected.electrical_kw
        if power and expected.electrical_kw
        else None,
        u_rise_k=hypot(cold[0], hot[1]) if cold and len(hot) > 1 else None,
        u_head_share=head,
    )


def judge_methods(
    facts: Hydraulics, expected: Expected, instruments: Instruments
) -> tuple[MethodJudgement, ...]:
    """Every method with its band or why not, best able first. Raises `Refusal` by name."""
    liquid = liquid_of(facts)
    temperature, inlet = inlet_of(facts)
    judged = judge_flow_methods(
        curve_of(facts, liquid),
        liquid,
        flow_m3_per_s=to_si("volume_flow", "m3/h", expected.flow_m3_per_h),
        inlet_temperature_degc=temperature,
        inlet_pa_abs=inlet,
        instruments=instruments,
    )
    kept = [
        replace(method, able=False, reason=NO_PROOF)
        if method.able and method.method not in PROOF_METHODS
        else method
        for method in judged
    ]
    return tuple(sorted(kept, key=lambda method: not method.able))
