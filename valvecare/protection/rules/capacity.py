"""What a pump needs and what its bypass passes, from register numbers in the trade's units.

The one place where the register's units become SI for the engineering library. Each part that
cannot be computed is refused with its reason; the others still stand.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from math import pi
from typing import Any, TypeVar

from msgspec import to_builtins

from valvecare.engineering.bypass import BypassWorkingPoint, ReturnLine, bypass_working_point
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import OutOfRange, Refusal
from valvecare.engineering.heating import TimeToBoil, time_to_boil
from valvecare.engineering.liquids import WATER, Liquid, TableLiquid
from valvecare.engineering.minimum_flow import (
    RequiredMinimum,
    ThermalMinimum,
    required_minimum_flow,
    thermal_minimum_flow,
)
from valvecare.engineering.units import from_si, gauge_to_absolute, to_si

STEEL_J_PER_KG_K = 480.0
"""Specific heat of steel, from memory; only lengthens the time to boil 'with metal'."""

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class LiquidTable:
    """A liquid other than water as the register holds it: columns over temperature."""

    name: str
    source: str
    temperatures_degc: tuple[float, ...]
    densities_kg_per_m3: tuple[float, ...]
    specific_heats_j_per_kg_k: tuple[float, ...]
    vapour_pressures_pa_abs: tuple[float, ...]
    critical_pressure_pa_abs: float | None


@dataclass(frozen=True)
class Hydraulics:
    """Every register number the capacity depends on; None is 'not known'. Hashable."""

    medium: str
    table: LiquidTable | None
    curve_m3_per_h_m_kw: tuple[tuple[float, float, float | None], ...]
    curve_source: str
    curve_speed_rpm: float | None
    curve_density_kg_per_m3: float | None
    speed_rpm: float | None
    best_flow_m3_per_h: float | None
    atmospheric_pressure_bar_a: float | None
    suction_pressure_bar_g: float | None
    suction_temperature_degc: float | None
    returns_to: str
    back_pressure_bar_g: float | None
    return_static_bar_g: float | None
    return_line_dn: int | None
    pumps_on_common: int
    design_bypass_flow_m3_per_h: float | None
    bypass_kv_m3_per_h: float | None
    liquid_recovery_factor: float | None
    stable_min_flow_m3_per_h: float | None
    allowed_rise_k: float | None
    liquid_volume_m3: float | None
    metal_mass_kg: float | None


@dataclass(frozen=True)
class Capacity:
    """What the register's numbers say about one valve, without any test.

    Flows in m3/h, `margin_share` = computed flow / required - 1, times in s. A part that could
    not be computed is None and named in `refusals` (part: reason).
    """

    required_m3_per_h: float | None
    required_governs: str
    thermal_min_m3_per_h: float | None
    stable_known: bool
    computed_m3_per_h: float | None
    margin_share: float | None
    choked: bool | None
    boil_water_only_s: float | None
    boil_with_metal_s: float | None
    refusals: Mapping[str, str] = field(default_factory=dict)
    working: Mapping[str, Any] = field(default_factory=dict)


def _number(name: str, value: float | None) -> float:
    if value is None:
        raise OutOfRange(name, None, "given", "the register says it is not known")
    return value


def _absolute_pa(name: str, bar_g: float | None, atmospheric_bar_a: float | None) -> float:
    atmospheric = _number("atmospheric_pressure_bar_a", atmospheric_bar_a)
    return gauge_to_absolute(
        to_si("pressure_gauge", "bar", _number(name, bar_g)),
        atmospheric_pa_abs=to_si("pressure_absolute", "bar", atmospheric),
    )


def liquid_of(facts: Hydraulics) -> Liquid:
    """Water by IAPWS-IF97, any other medium from its stated table; refused without one."""
    if facts.medium == "water":
        return WATER
    if facts.table is None:
        raise OutOfRange(
            "medium", facts.medium, "water or a liquid with a property table", "add its table"
        )
    return liquid_of_table(facts.table)


def liquid_of_table(table: LiquidTable) -> TableLiquid:
    """The liquid of a property table; raises when its columns are not usable."""
    return TableLiquid(**{**asdict(table), "viscosities_pa_s": None})


def curve_of(facts: Hydraulics, liquid: Liquid) -> PumpCurve:
    """The pump's curve at running speed and for the liquid at the pump inlet."""
    points = facts.curve_m3_per_h_m_kw
    density = _number("curve_density_kg_per_m3", facts.curve_density_kg_per_m3)
    curve = PumpCurve(
        tuple(to_si("volume_flow", "m3/h", flow) for flow, _, _ in points),
        tuple(head for _, head, _ in points),
        tuple(to_si("power", "kW", _number("shaft_power_kw", power)) for _, _, power in points),
        density_kg_per_m3=density,
        speed_per_s=_number("curve_speed_rpm", facts.curve_speed_rpm) / 60.0,
        best_efficiency_flow_m3_per_s=to_si(
            "volume_flow", "m3/h", _number("best_flow_m3_per_h", facts.best_flow_m3_per_h)
        ),
        source=facts.curve_source,
    )
    return curve.running(
        speed_per_s=_number("speed_rpm", facts.speed_rpm) / 60.0,
        density_kg_per_m3=liquid.density(*inlet_of(facts)),
    )


def inlet_of(facts: Hydraulics) -> tuple[float, float]:
    """Temperature in degC and absolute pressure in Pa at the pump inlet."""
    return (
        _number("suction_temperature_degc", facts.suction_temperature_degc),
        _absolute_pa(
            "suction_pressure_bar_g", facts.suction_pressure_bar_g, facts.atmospheric_pressure_bar_a
        ),
    )


def return_line_of(facts: Hydraulics, density_kg_per_m3: float) -> ReturnLine:
    """The return line as the register knows it.

    With a static pressure the loss at design flow becomes a loss coefficient, all of it in the
    shared part when the return is common (the worst case); without one the stated back pressure
    holds for one pump, and a common return is refused.
    """
    bore = _number("return_line_dn", facts.return_line_dn) / 1000.0
    back = _absolute_pa(
        "back_pressure_bar_g", facts.back_pressure_bar_g, facts.atmospheric_pressure_bar_a
    )
    if facts.return_static_bar_g is None:
        if facts.pumps_on_common > 1:
            raise OutOfRange(
                "return_static_bar_g",
                None,
                "given for a common return line",
                "the back pressure with all pumps on bypass cannot be computed without it",
            )
        return ReturnLine(0.0, bore, 0.0, bore, 1, 0.0, back)
    static = _absolute_pa(
        "return_static_bar_g", facts.return_static_bar_g, facts.atmospheric_pressure_bar_a
    )
    design = to_si(
        "volume_flow",
        "m3/h",
        _number("design_bypass_flow_m3_per_h", facts.design_bypass_flow_m3_per_h),
    )
    speed = design / (0.25 * pi * bore**2)
    loss = (back - static) / (0.5 * density_kg_per_m3 * speed**2)
    if loss < 0.0:
        raise OutOfRange(
            "return_static_bar_g", facts.return_static_bar_g, "at most the back pressure"
        )
    shared = facts.pumps_on_common > 1
    return ReturnLine(
        0.0 if shared else loss,
        bore,
        loss if shared else 0.0,
        bore,
        facts.pumps_on_common,
        0.0,
        static,
    )


@dataclass(frozen=True)
class _Pump:
    """What several parts of one capacity share, worked out at most once; a refusal each time."""

    facts: Hydraulics

    @cached_property
    def liquid(self) -> Liquid:
        return liquid_of(self.facts)

    @cached_property
    def inlet(self) -> tuple[float, float]:
        return inlet_of(self.facts)

    @cached_property
    def curve(self) -> PumpCurve:
        return curve_of(self.facts, self.liquid)

    @cached_property
    def density_kg_per_m3(self) -> float:
        return self.liquid.density(*self.inlet)


def _thermal(pump: _Pump) -> ThermalMinimum:
    facts, liquid = pump.facts, pump.liquid
    temperature, pressure = pump.inlet
    if facts.returns_to != "vessel":
        raise OutOfRange(
            "returns_to",
            facts.returns_to,
            "vessel",
            "a return to the suction pipe has no steady state at zero main flow",
        )
    return thermal_minimum_flow(
        pump.curve,
        liquid,
        inlet_temperature_degc=temperature,
        inlet_pa_abs=pressure,
        stated_rise_k=_number("allowed_rise_k", facts.allowed_rise_k),
        vapour_margin_pa=0.0,
        npsh_required=None,
    )


def _required(facts: Hydraulics, thermal: ThermalMinimum) -> RequiredMinimum:
    stable = facts.stable_min_flow_m3_per_h
    return required_minimum_flow(
        thermal,
        stable_flow_m3_per_s=None if stable is None else to_si("volume_flow", "m3/h", stable),
        other_limits_m3_per_s={},
    )


def _working_point(pump: _Pump) -> BypassWorkingPoint:
    facts, liquid = pump.facts, pump.liquid
    temperature, pressure = pump.inlet
    return bypass_working_point(
        pump.curve,
        liquid,
        return_line_of(facts, pump.density_kg_per_m3),
        kv=_number("bypass_kv_m3_per_h", facts.bypass_kv_m3_per_h),
        recovery_factor=_number("liquid_recovery_factor", facts.liquid_recovery_factor),
        main_flow_m3_per_s=0.0,
        inlet_temperature_degc=temperature,
        inlet_pa_abs=pressure,
    )


def _boil(pump: _Pump) -> TimeToBoil:
    facts, liquid = pump.facts, pump.liquid
    temperature, pressure = pump.inlet
    volume = _number("liquid_volume_m3", facts.liquid_volume_m3)
    return time_to_boil(
        liquid,
        shaft_power_w=pump.curve.shutoff_power(),
        liquid_mass_kg=volume * pump.density_kg_per_m3,
        metal_mass_kg=_number("metal_mass_kg", facts.metal_mass_kg),
        metal_specific_heat_j_per_kg_k=STEEL_J_PER_KG_K,
        start_temperature_degc=temperature,
        inlet_pa_abs=pressure,
    )


def _tried(part: str, refusals: dict[str, str], work: Callable[[], Answer]) -> Answer | None:
    try:
        return work()
    except Refusal as error:
        refusals[part] = str(error)
        return None


def _m3_per_h(flow_m3_per_s: float) -> float:
    return from_si("volume_flow", "m3/h", flow_m3_per_s)


def capacity_of(facts: Hydraulics) -> Capacity:
    """Required flow, computed bypass flow and time to boil of one valve; refusals by part.

    Source: `engineering.minimum_flow`, `engineering.bypass`, `engineering.heating`.
    """
    refusals: dict[str, str] = {}
    pump = _Pump(facts)
    thermal = _tried("required flow", refusals, lambda: _thermal(pump))
    required = _required(facts, thermal) if thermal is not None else None
    point = _tried("computed bypass flow", refusals, lambda: _working_point(pump))
    boil = _tried("time to boil", refusals, lambda: _boil(pump))
    needed = _m3_per_h(required.flow_m3_per_s) if required is not None else None
    passed = _m3_per_h(point.bypass_flow_m3_per_s) if point is not None else None
    working: dict[str, Any] = {"inputs": to_builtins(facts), "g_m_per_s2": G_M_PER_S2}
    for name, part in (
        ("thermal", thermal),
        ("required", required),
        ("working_point", point),
        ("boil", boil),
    ):
        if part is not None:
            working[name] = to_builtins(part)
    return Capacity(
        required_m3_per_h=needed,
        required_governs=required.governs if required is not None else "",
        thermal_min_m3_per_h=_m3_per_h(thermal.flow_m3_per_s) if thermal is not None else None,
        stable_known=facts.stable_min_flow_m3_per_h is not None,
        computed_m3_per_h=passed,
        margin_share=passed / needed - 1.0 if passed is not None and needed else None,
        choked=point.choked if point is not None else None,
        boil_water_only_s=boil.liquid_only_s if boil is not None else None,
        boil_with_metal_s=boil.with_metal_s if boil is not None else None,
        refusals=refusals,
        working=working,
    )
