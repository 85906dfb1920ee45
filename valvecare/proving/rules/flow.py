"""The bypass flow at zero main flow from the raw readings, by the method of the run, corrected."""

from dataclasses import dataclass
from math import hypot

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, Refusal
from valvecare.engineering.flow_methods import (
    FlowEstimate,
    flow_from_energy_balance,
    flow_from_meter,
    flow_from_vessel_level,
)
from valvecare.engineering.flow_tests import Conditions, flow_at_reference
from valvecare.engineering.liquids import Liquid
from valvecare.engineering.thermal import isentropic_temperature_rise
from valvecare.engineering.units import from_si, gauge_to_absolute, to_si
from valvecare.engineering.valve_flow import is_choked
from valvecare.protection.rules.capacity import curve_of, inlet_of, liquid_of, return_line_of
from valvecare.proving.rules.facts import ReadingFact, RunFacts, Vessel
from valvecare.proving.rules.quantities import TestQuantity
from valvecare.work.rules.test_methods import CLAMP_ON, HEAT, LEVEL, METER

_Q = TestQuantity
K = 2.0
"""Coverage factor of every band that is shown or recorded (about 95 %)."""


def si_flow(flow_m3_per_h: float) -> float:
    """m3/h to m3/s."""
    return to_si("volume_flow", "m3/h", flow_m3_per_h)


@dataclass(frozen=True)
class LiquidState:
    """Liquid, curve and pressures of the run's pump, SI."""

    liquid: Liquid
    curve: PumpCurve
    atmosphere_pa: float
    density_kg_per_m3: float
    inlet_degc: float
    inlet_pa_abs: float

    def absolute(self, bar_g: float) -> float:
        """Pa absolute of a gauge pressure in bar."""
        return gauge_to_absolute(
            to_si("pressure_gauge", "bar", bar_g), atmospheric_pa_abs=self.atmosphere_pa
        )

    def head_m(self, suction_bar_g: float, discharge_bar_g: float) -> float:
        """Head from two gauge pressures; velocity heads and gauge heights left out."""
        rise = self.absolute(discharge_bar_g) - self.absolute(suction_bar_g)
        return rise / (self.density_kg_per_m3 * G_M_PER_S2)


def liquid_state(facts: RunFacts) -> LiquidState:
    """The register's liquid at the pump inlet, at the temperature read where one was read."""
    liquid = liquid_of(facts.hydraulics)
    temperature, pressure = inlet_of(facts.hydraulics)
    read = facts.latest("T1", _Q.INLET_TEMPERATURE)
    if read is not None:
        temperature = read.value
    atmosphere = to_si("pressure_absolute", "bar", facts.hydraulics.atmospheric_pressure_bar_a)
    return LiquidState(
        liquid,
        curve_of(facts.hydraulics, liquid),
        atmosphere,
        liquid.density(temperature, pressure),
        temperature,
        pressure,
    )


@dataclass(frozen=True)
class FoundFlow:
    """The bypass flow as it is judged, and how it came about. `by_heat`: from the rise."""

    estimate: FlowEstimate
    working: tuple[tuple[str, str], ...]
    by_heat: bool


def rise_of(facts: RunFacts) -> float | None:
    """Rise over the pump in K; None until both temperatures are read."""
    cold = facts.latest("T1", _Q.INLET_TEMPERATURE)
    hot = facts.latest("T1", _Q.OUTLET_TEMPERATURE)
    return hot.value - cold.value if cold is not None and hot is not None else None


def return_line_state(facts: RunFacts, return_degc: float) -> tuple[float, float]:
    """Vapour pressure at the return line's temperature, and the lowest pressure in the line, Pa.

    The lowest pressure is that at the end of the line by the register, or the one read at the
    bypass outlet where that is lower. Raises `Refusal` by name.
    """
    state = liquid_state(facts)
    end = return_line_of(facts.hydraulics, state.density_kg_per_m3).end_pa_abs
    back = facts.latest("T1", _Q.BACK_PRESSURE)
    if back is not None:
        end = min(end, state.absolute(back.value))
    return state.liquid.vapour_pressure(return_degc), end


def bypass_flow(facts: RunFacts, lacking: list[str], notes: list[str]) -> FoundFlow | None:
    """The flow by the run's method, at reference conditions where those can be told.

    What is missing goes to `lacking`, what is to be known about the answer to `notes`.
    """
    before = len(lacking)
    try:
        measured = _BY_METHOD[facts.method](facts, lacking)
    except Refusal as refusal:
        lacking.append(str(refusal))
        return None
    if measured is None or len(lacking) > before:
        return None
    working = [
        (
            "as measured",
            f"{_m3_h(measured.flow_m3_per_s)} ± "
            f"{_m3_h(2.0 * measured.standard_uncertainty_m3_per_s)} m³/h (k = 2), "
            f"{measured.method}",
        ),
        *(
            (f"of it by {name}", f"± {_m3_h(2.0 * part)} m³/h")
            for name, part in measured.contributions_m3_per_s
        ),
    ]
    estimate = _at_reference(facts, measured, working, notes)
    return FoundFlow(estimate, tuple(working), facts.method == HEAT)


def _m3_h(flow_m3_per_s: float) -> str:
    return f"{from_si('volume_flow', 'm3/h', flow_m3_per_s):.4g}"


def _read(
    facts: RunFacts, quantity: TestQuantity, lacking: list[str]
) -> tuple[ReadingFact | None, float]:
    """The latest reading of T1 and its standard uncertainty; what is missing is told."""
    found = facts.latest("T1", quantity)
    if found is None:
        lacking.append(quantity.value)
        return None, 0.0
    if found.spread is None:
        lacking.append(found.uncertified)
        return None, 0.0
    return found, found.spread


def metered(value_m3_per_h: float, spread_m3_per_h: float, kind: str) -> FlowEstimate:
    """A flow as a meter reads it; none, or less than the meter can tell from none, is one too.

    That a meter cannot tell a reading from nothing is no reason to judge nothing: the standard
    uncertainty then stands beside a value that fails. Raises `Refusal` by name.
    """
    flow, spread = si_flow(value_m3_per_h), si_flow(spread_m3_per_h)
    if flow <= spread:
        return FlowEstimate(kind, flow, spread, (("instrument", spread),), True)
    return flow_from_meter(
        flow,
        standard_uncertainty_m3_per_s=spread,
        calibration_in_date=True,  # an overdue gauge is refused when the reading is recorded
        kind=kind,
    )


def _by_meter(facts: RunFacts, lacking: list[str]) -> FlowEstimate | None:
    found, spread = _read(facts, _Q.BYPASS_FLOW, lacking)
    if found is None:
        return None
    return metered(found.value, spread, f"{facts.method}, {found.gauge}")


def _by_level(facts: RunFacts, lacking: list[str]) -> FlowEstimate | None:
    rise, u_rise = _read(facts, _Q.LEVEL_RISE, lacking)
    time, u_time = _read(facts, _Q.DURATION, lacking)
    if facts.vessel is None:
        lacking.append("surface of the vessel and its other flows")
    if rise is None or time is None or facts.vessel is None:
        return None
    if rise.value <= u_rise:
        return _without_rise(facts.vessel, rise.value, u_rise, time.value, u_time)
    return flow_from_vessel_level(
        surface_area_m2=facts.vessel.surface_m2,
        level_rise_m=rise.value,
        duration_s=time.value,
        other_outflow_m3_per_s=si_flow(facts.vessel.other_outflow_m3_per_h),
        u_surface_area_m2=facts.vessel.u_surface_m2,
        u_level_rise_m=u_rise,
        u_duration_s=u_time,
        u_other_outflow_m3_per_s=si_flow(facts.vessel.u_other_outflow_m3_per_h),
    )


def _without_rise(
    vessel: Vessel, rise_m: float, u_rise_m: float, duration_s: float, u_duration_s: float
) -> FlowEstimate:
    """The volume balance of `flow_from_vessel_level` where the level did not rise: it may say 0.

    Raises `Refusal`: no time, or a level that falls by more than the other flows explain.
    """
    time = plausible.Window("s", above=0.0, at_most=86_400.0).check("duration_s", duration_s)
    parts = (
        ("area", vessel.u_surface_m2 * abs(rise_m) / time),
        ("level", vessel.surface_m2 / time * u_rise_m),
        ("time", vessel.surface_m2 * abs(rise_m) / time**2 * u_duration_s),
        ("other flows", si_flow(vessel.u_other_outflow_m3_per_h)),
    )
    spread = hypot(*(part for _, part in parts))
    flow = vessel.surface_m2 * rise_m / time + si_flow(vessel.other_outflow_m3_per_h)
    if flow < -K * spread:
        raise NoSolution("the level falls faster than the other flows of the vessel explain")
    return FlowEstimate("vessel level", max(flow, 0.0), spread, parts, True)


def _by_heat(facts: RunFacts, lacking: list[str]) -> FlowEstimate | None:
    power, u_power = _read(facts, _Q.ELECTRICAL_POWER, lacking)
    cold, u_cold = _read(facts, _Q.INLET_TEMPERATURE, lacking)
    hot, u_hot = _read(facts, _Q.OUTLET_TEMPERATURE, lacking)
    low, u_low = _read(facts, _Q.SUCTION_PRESSURE, lacking)
    high, u_high = _read(facts, _Q.DISCHARGE_PRESSURE, lacking)
    if facts.motor_efficiency is None:
        lacking.append("the motor's efficiency in the register")
    if power is None or cold is None or hot is None or low is None or high is None:
        return None
    if facts.motor_efficiency is None:
        return None
    state = liquid_state(facts)
    inlet, outlet = state.absolute(low.value), state.absolute(high.value)
    compression = isentropic_temperature_rise(
        state.liquid,
        inlet_temperature_degc=cold.value,
        inlet_pa_abs=inlet,
        outlet_pa_abs=outlet,
    )
    shaft = 1e3 * power.value * facts.motor_efficiency
    per_bar = 1e5 / (state.density_kg_per_m3 * G_M_PER_S2)
    return flow_from_energy_balance(
        shaft,
        head_m=state.head_m(low.value, high.value),
        loss_rise_k=hot.value - cold.value - compression,
        density_kg_per_m3=state.density_kg_per_m3,
        specific_heat_j_per_kg_k=state.liquid.specific_heat(cold.value, inlet),
        u_shaft_power_w=1e3 * u_power * facts.motor_efficiency,
        u_head_m=hypot(u_low, u_high) * per_bar,
        u_rise_k=hypot(u_cold, u_hot),
    )


_BY_METHOD = {METER: _by_meter, CLAMP_ON: _by_meter, LEVEL: _by_level, HEAT: _by_heat}

_FOR_REFERENCE = (
    _Q.SUCTION_PRESSURE,
    _Q.DISCHARGE_PRESSURE,
    _Q.INLET_TEMPERATURE,
    _Q.BACK_PRESSURE,
    _Q.SPEED,
)


def _at_reference(
    facts: RunFacts,
    measured: FlowEstimate,
    working: list[tuple[str, str]],
    notes: list[str],
) -> FlowEstimate:
    """The flow at the register's speed, liquid and back pressure; else as measured, and why."""
    read = {quantity: facts.latest("T1", quantity) for quantity in _FOR_REFERENCE}
    missing = [quantity.value for quantity, found in read.items() if found is None]
    if missing:
        notes.append(
            f"judged as measured, not brought to reference conditions: not read: "
            f"{', '.join(missing)}"
        )
        return measured
    values = {quantity: found.value for quantity, found in read.items() if found is not None}
    try:
        state = liquid_state(facts)
        temperature, wanted_inlet = inlet_of(facts.hydraulics)
        factor = facts.hydraulics.liquid_recovery_factor
        critical = state.liquid.critical_pressure_pa_abs
        wanted_speed = facts.hydraulics.speed_rpm
        wanted_back = facts.hydraulics.back_pressure_bar_g
        for name, known in (
            ("the trim's pressure recovery factor", factor),
            ("the liquid's critical pressure", critical),
            ("the pump's speed", wanted_speed),
            ("the back pressure", wanted_back),
        ):
            if known is None:
                notes.append(
                    f"judged as measured: {name} is not in the register, so it cannot be brought "
                    "to reference conditions"
                )
                return measured
        inlet = state.absolute(values[_Q.SUCTION_PRESSURE])
        outlet = state.absolute(values[_Q.DISCHARGE_PRESSURE])
        back = state.absolute(values[_Q.BACK_PRESSURE])
        head = state.head_m(values[_Q.SUCTION_PRESSURE], values[_Q.DISCHARGE_PRESSURE])
        speed = plausible.SPEED.check("the speed read", values[_Q.SPEED] / 60.0)
        test = Conditions(speed, state.density_kg_per_m3, inlet, back)
        reference = Conditions(
            (wanted_speed or 0.0) / 60.0,
            state.liquid.density(temperature, wanted_inlet),
            wanted_inlet,
            state.absolute(wanted_back or 0.0),
        )
        hot = facts_outlet_degc(facts, state.inlet_degc)
        lift = head * (reference.speed_per_s / test.speed_per_s) ** 2
        wanted_outlet = wanted_inlet + reference.density_kg_per_m3 * G_M_PER_S2 * lift
        choked = any(
            is_choked(
                inlet_pa_abs=before,
                outlet_pa_abs=after,
                vapour_pressure_pa_abs=state.liquid.vapour_pressure(degc),
                critical_pressure_pa_abs=critical,  # type: ignore[arg-type]
                recovery_factor=factor,  # type: ignore[arg-type]
            )
            for before, after, degc in (
                (outlet, back, hot),
                (wanted_outlet, reference.back_pa_abs, temperature + hot - state.inlet_degc),
            )
        )
        corrected = flow_at_reference(
            measured, head_m=head, choked=choked, test=test, reference=reference
        )
    except Refusal as refusal:
        notes.append(f"judged as measured: {refusal}")
        return measured
    working.append(
        (
            "at reference conditions",
            f"{_m3_h(corrected.estimate.flow_m3_per_s)} m³/h, factor {corrected.factor:.4f}: "
            f"pressure drop {corrected.test_drop_pa / 1e5:.4g} to "
            f"{corrected.reference_drop_pa / 1e5:.4g} bar",
        )
    )
    working.extend(("assumed", words) for words in corrected.assumptions)
    return corrected.estimate


def facts_outlet_degc(facts: RunFacts, otherwise_degc: float) -> float:
    """Temperature before the trim: at the pump outlet where it was read, else at the inlet."""
    hot = facts.latest("T1", _Q.OUTLET_TEMPERATURE)
    return hot.value if hot is not None else otherwise_degc
