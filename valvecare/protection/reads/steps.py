"""The working of a capacity as steps for people: numbers in the trade's units, formula, source."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from valvecare.engineering.units import from_si
from valvecare.protection.rules.tested import TestedPoint


@dataclass(frozen=True, slots=True)
class Line:
    """One number; `value` None is 'not known'."""

    label: str
    value: float | str | None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the working. `calculation`: name in the catalogue; `method`: page of docs."""

    title: str
    formula: str
    lines: tuple[Line, ...]
    source: str
    method: str
    calculation: str = ""
    refusal: str = ""
    assumptions: tuple[str, ...] = ()


def _flow(value: float | None) -> float | None:
    return None if value is None else from_si("volume_flow", "m3/h", value)


def _bar(value: float | None) -> float | None:
    return None if value is None else from_si("pressure_absolute", "bar", value)


def _exact(value: float | None, unit: str = "") -> str | None:
    """As the register holds it, no digit lost."""
    return None if value is None else f"{value:g} {unit}".strip()


def _inputs(given: Mapping[str, Any]) -> Step:
    table = given["table"]
    liquid = f"{table['name']}, {table['source']}" if table else "IAPWS-IF97 for water"
    curve = given["curve_m3_per_h_m_kw"]
    return Step(
        "From the register",
        "Every number below comes from these and from nowhere else.",
        (
            Line("Medium", given["medium"]),
            Line("Suction temperature", given["suction_temperature_degc"], "°C"),
            Line("Suction pressure", given["suction_pressure_bar_g"], "bar g"),
            Line("Atmospheric pressure", _exact(given["atmospheric_pressure_bar_a"], "bar a")),
            Line("Speed", given["speed_rpm"], "1/min"),
            Line("Points of the pump curve", float(len(curve))),
            Line("Best-efficiency flow", given["best_flow_m3_per_h"], "m³/h"),
            Line("Stable minimum flow", given["stable_min_flow_m3_per_h"], "m³/h"),
            Line("Allowed temperature rise", given["allowed_rise_k"], "K"),
            Line("Bypass returns to", given["returns_to"]),
            Line("Bypass Kv, main disc shut", given["bypass_kv_m3_per_h"], "m³/h"),
            Line("Pressure recovery factor FL", _exact(given["liquid_recovery_factor"])),
            Line("Back pressure at design bypass flow", given["back_pressure_bar_g"], "bar g"),
            Line("Static pressure of the return line", given["return_static_bar_g"], "bar g"),
            Line("Pumps on the return line", float(given["pumps_on_common"])),
        ),
        f"Register; curve: {given['curve_source']}; liquid: {liquid}",
        "pump-curve",
    )


def _thermal(part: Mapping[str, Any] | None, refusal: str) -> Step:
    lines: tuple[Line, ...] = ()
    if part is not None:
        lines = (
            Line("Smallest flow that keeps the rise", _flow(part["flow_m3_per_s"]), "m³/h"),
            Line("Rise at that flow", part["rise_k"], "K"),
            Line("of it by losses", part["losses_rise_k"], "K"),
            Line("of it by compression", part["compression_rise_k"], "K"),
            *(Line(f"Limit: {name}", value, "K") for name, value in part["limits_k"]),
        )
    return Step(
        "Heat limit",
        "rise = g H (1/η − 1) / c + rise by compression; the smallest flow at which it stays "
        "below the smallest limit",
        lines,
        f"First law; {part['liquid']}" if part else "First law",
        "minimum-flow",
        "thermal-minimum-flow",
        refusal,
        tuple(part["assumptions"]) if part else (),
    )


def _required(part: Mapping[str, Any] | None, refusal: str) -> Step:
    lines: tuple[Line, ...] = ()
    if part is not None:
        lines = (
            *(
                Line(f"{name.capitalize()} limit", _flow(value), "m³/h")
                for name, value in part["limits_m3_per_s"]
            ),
            Line("Required minimum flow", _flow(part["flow_m3_per_s"]), "m³/h"),
            Line("Governs", part["governs"]),
        )
    return Step(
        "Required minimum flow",
        "the larger of heat limit and stable limit; heat alone never proves protection",
        lines,
        "ANSI/HI 9.6.3 and API 610 distinguish the two limits (seen second-hand)",
        "minimum-flow",
        "required-minimum-flow",
        refusal,
    )


def _point(part: Mapping[str, Any] | None, refusal: str) -> Step:
    lines: tuple[Line, ...] = ()
    if part is not None:
        rises = part["rises"]
        lines = (
            Line("Bypass flow with main flow zero", _flow(part["bypass_flow_m3_per_s"]), "m³/h"),
            Line("Head there", part["head_m"], "m"),
            Line("Pressure before the trim", _bar(part["discharge_pa_abs"]), "bar a"),
            Line("Pressure after the trim", _bar(part["valve_outlet_pa_abs"]), "bar a"),
            Line("Pressure drop", _bar(part["pressure_drop_pa"]), "bar"),
            Line("Choked", "yes" if part["choked"] else "no"),
            Line("Rise at the pump outlet", rises["outlet_rise_k"], "K"),
            Line("Rise in the return line", rises["return_rise_k"], "K"),
            Line(
                "Vapour pressure in the return line",
                _bar(rises["return_vapour_pressure_pa_abs"]),
                "bar a",
            ),
            Line("Margin to flashing", _bar(part["flashing_margin_pa"]), "bar"),
        )
    return Step(
        "Computed bypass flow",
        "Q = Kv √(Δp ρ₀/ρ), Δp limited to the choking drop, solved with pump curve and return line",
        lines,
        "IEC 60534-2-1; Bernoulli; first law",
        "bypass",
        "bypass-working-point",
        refusal,
        tuple(part["assumptions"]) if part else (),
    )


def _margin(result: Mapping[str, Any]) -> Step:
    margin = result["margin_share"]
    return Step(
        "Computed margin",
        "margin = computed bypass flow / required minimum flow − 1",
        (
            Line("Computed bypass flow", result["computed_m3_per_h"], "m³/h"),
            Line("Required minimum flow", result["required_m3_per_h"], "m³/h"),
            Line("Margin", None if margin is None else 100.0 * margin, "%"),
        ),
        "Own rule",
        "bypass",
        "capacity-margin",
    )


def _boil(part: Mapping[str, Any] | None, refusal: str) -> Step:
    lines: tuple[Line, ...] = ()
    if part is not None:
        lines = (
            Line("Power at no flow", from_si("power", "kW", part["shaft_power_w"]), "kW"),
            Line("Liquid in the pump", part["liquid_mass_kg"], "kg"),
            Line("Boils at", part["boiling_temperature_degc"], "°C"),
            Line("Time to boil, liquid alone", part["liquid_only_s"], "s"),
            Line("with the metal", part["with_metal_s"], "s"),
        )
    return Step(
        "If nothing flows",
        "t = (m c + m_metal c_metal)(T_boil − T) / P₀",
        lines,
        "First law",
        "no-flow",
        "time-to-boil",
        refusal,
        tuple(part["assumptions"]) if part else (),
    )


def tested_step(point: TestedPoint | None, refusal: str, day: str) -> Step:
    """The pump and the trim at the flow that was measured."""
    lines: tuple[Line, ...] = ()
    if point is not None:
        share = None if point.kv_share is None else 100.0 * point.kv_share
        lines = (
            Line("Measured bypass flow", point.flow_m3_per_h, "m³/h"),
            Line("Head there", point.head_m, "m"),
            Line("Pressure drop of the trim", point.pressure_drop_bar, "bar"),
            Line("Kv as found", point.kv_m3_per_h, "m³/h"),
            Line("of the register's Kv", share, "%"),
            Line("Rise at the pump outlet", point.outlet_rise_k, "K"),
            Line("Rise in the return line", point.return_rise_k, "K"),
            Line("Temperature in the return line", point.return_temperature_degc, "°C"),
            Line("Vapour pressure there", point.return_vapour_pressure_bar_a, "bar a"),
            Line("Pressure in the line", point.valve_outlet_bar_a, "bar a"),
            Line("Return line flashes", "yes" if point.return_boils else "no"),
        )
    return Step(
        f"What the test of {day} means",
        "Kv = Q √(ρ/ρ₀ / Δp) at the measured flow on the pump curve",
        lines,
        "IEC 60534-2-1; first law; IAPWS R7-97(2012) for water",
        "function-test",
        "kv-required",
        refusal,
    )


def capacity_steps(working: Mapping[str, Any], result: Mapping[str, Any]) -> Sequence[Step]:
    """Register numbers, heat limit, requirement, working point, margin, time to boil."""
    refused = result["refusals"]
    return (
        _inputs(working["inputs"]),
        _thermal(working.get("thermal"), refused.get("required flow", "")),
        _required(working.get("required"), refused.get("required flow", "")),
        _point(working.get("working_point"), refused.get("computed bypass flow", "")),
        _margin(result),
        _boil(working.get("boil"), refused.get("time to boil", "")),
    )
