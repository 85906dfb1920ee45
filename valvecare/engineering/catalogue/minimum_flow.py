"""Catalogue entries: temperature rises, minimum flow, allowed rise, time to boil."""

from collections.abc import Mapping
from typing import Any

from valvecare.engineering import heating, plausible, suction, thermal
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.parts import (
    BAR,
    BAR_A,
    CURVE,
    CURVE_ALIASES,
    DEGC,
    DENSITY,
    EFFICIENCY,
    FLOW,
    HEAD,
    INLET_PRESSURE,
    INLET_TEMPERATURE,
    KELVIN,
    KELVIN_MIN,
    KG,
    KJ_KG_K,
    LIQUID,
    M3_H,
    M_S,
    METRE,
    MINUTE,
    RISE,
    RUNNING_SPEED,
    SHAFT_POWER,
    SHARE,
    SPECIFIC_HEAT,
    VAPOUR_PRESSURE,
    having,
    liquid_of,
    number,
    out,
    running_curve_of,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.minimum_flow import (
    RequiredMinimum,
    handbook_minimum_flow,
    required_minimum_flow,
    thermal_minimum_flow,
)
from valvecare.engineering.plausible import Window

_STATED_RISE = number(
    "stated_rise_k", "Stated allowed rise", "stated_rise_k", KELVIN, RISE, 8.33,
    if_absent="No stated limit: the vapour limit alone stands, and the answer says so.",
    help="From the pump record or the owner's policy.",
)  # fmt: skip
_VAPOUR_MARGIN = number(
    "vapour_margin_bar", "Margin kept above the vapour pressure", "vapour_margin_pa", BAR,
    Window("a margin, Pa", at_least=0.0, at_most=1e7), 0.0,
    help="State 0 if the owner keeps none.",
)  # fmt: skip
_STABLE = number(
    "stable_flow_m3_per_h", "Minimum continuous stable flow", "stable_flow_m3_per_s",
    M3_H, plausible.FLOW, 35.0,
    if_absent="Not known: the answer is the heat limit alone and cannot prove protection.",
    help="From the pump record.",
)  # fmt: skip
_PUMP_AND_LIQUID = (*CURVE, RUNNING_SPEED, *LIQUID, INLET_TEMPERATURE, INLET_PRESSURE)
_ALIASES = {**CURVE_ALIASES, "temperature_degc": "inlet_temperature_degc"}
_FIRST_LAW = "first law of thermodynamics; water: IAPWS R7-97(2012) (seen)"
_HANDBOOK = "Ludwig, Applied Process Design, p. 208; Pump Handbook, 3rd ed., p. 2.372 (seen)"


def _state(v: Mapping[str, Any]) -> dict[str, Any]:
    return {name: v[name] for name in ("inlet_temperature_degc", "inlet_pa_abs")}


def _rises(v: Mapping[str, Any]) -> thermal.TemperatureRises:
    liquid = liquid_of(v)
    curve = running_curve_of(v, liquid)
    return thermal.temperature_rises(curve, liquid, flow_m3_per_s=v["flow_m3_per_s"], **_state(v))


def _thermal(v: Mapping[str, Any]) -> Any:
    liquid = liquid_of(v)
    return thermal_minimum_flow(
        running_curve_of(v, liquid),
        liquid,
        **_state(v),
        stated_rise_k=v["stated_rise_k"],
        vapour_margin_pa=v["vapour_margin_pa"],
        npsh_required=None,
    )


def _required(v: Mapping[str, Any]) -> RequiredMinimum:
    stable = v["stable_flow_m3_per_s"]
    best = v["best_efficiency_flow_m3_per_s"]
    if stable is not None and stable > best:
        raise OutOfRange(
            "stable_flow_m3_per_s", stable, f"at most the best efficiency flow, {best:.4g} m3/s"
        )
    return required_minimum_flow(
        _thermal(v), stable_flow_m3_per_s=v["stable_flow_m3_per_s"], other_limits_m3_per_s={}
    )


ENTRIES = (
    Computation(
        name="temperature-rises",
        title="Temperature rises of a pump at one flow",
        group=Group.MINIMUM_FLOW,
        purpose="How much warmer the liquid is at the pump outlet and at the end of the bypass "
        "return line, at one flow on the curve.",
        function=thermal.temperature_rises,
        run=_rises,
        inputs=(
            *_PUMP_AND_LIQUID,
            having(FLOW, label="Flow through the pump", example=60.0),
        ),
        outputs=(
            out("outlet_rise_k", "Rise at the pump outlet", "outlet_rise_k", KELVIN),
            out("return_rise_k", "Rise at the end of the return line", "return_rise_k", KELVIN),
            out(
                "return_temperature_degc",
                "Temperature there",
                "return_temperature_degc",
                DEGC,
            ),
            out(
                "return_vapour_pressure_bar_a",
                "Vapour pressure there",
                "return_vapour_pressure_pa_abs",
                BAR_A,
            ),
        ),
        formula="outlet rise = g H (1/η - 1)/cp + compression rise; return rise = g H/(η cp)",
        sources=(_FIRST_LAW, _HANDBOOK),
        aliases=_ALIASES,
        cautions=("closed-in-running",),
        example=Example(
            expected={"outlet_rise_k": 4.02, "return_rise_k": 6.036},
            source="invented pump, 406 kW and 1232.5 m at 60 m³/h: losses 3.18 K by hand, "
            "compression 0.85 K (IAPWS)",
            tolerance=5e-3,
        ),
        page="temperature-rise",
    ),
    Computation(
        name="outlet-temperature-rise",
        title="Rise at the pump outlet from head and efficiency",
        group=Group.MINIMUM_FLOW,
        purpose="The rise of the liquid over the pump without a curve.",
        function=thermal.pump_temperature_rise,
        inputs=(
            having(HEAD, example=1524.0),
            having(EFFICIENCY, example=0.8),
            having(SPECIFIC_HEAT, example=4.1868),
            number(
                "compression_rise_k",
                "Rise by compression alone",
                "compression_rise_k",
                KELVIN,
                plausible.COMPRESSION_RISE,
                0.0,
                help="State 0 only to leave it out on purpose; hot water has 0.1 K per 10 bar.",
            ),
        ),
        outputs=(out("outlet_rise_k", "Rise at the pump outlet", "", KELVIN),),
        formula="ΔT = g H (1/η - 1)/cp + compression rise",
        sources=(_FIRST_LAW, _HANDBOOK),
        example=Example(
            expected={"outlet_rise_k": 0.889},
            tolerance=0.01,
            source="published worked example, 5000 ft, 80 %, 1 Btu/(lb °F): 1.6 °F (seen)",
        ),
        page="temperature-rise",
    ),
    Computation(
        name="return-line-rise",
        title="Rise at the end of the return line",
        group=Group.MINIMUM_FLOW,
        purpose="All shaft work of the recirculated flow ends as heat: pump losses and throttling.",
        function=thermal.return_line_rise,
        inputs=(
            having(HEAD, example=1200.0),
            having(EFFICIENCY, example=0.25),
            having(SPECIFIC_HEAT, example=4.2),
        ),
        outputs=(out("return_rise_k", "Rise from pump inlet to vessel", "", KELVIN),),
        formula="ΔT = g H/(η cp)",
        sources=(_FIRST_LAW,),
        example=Example(
            expected={"return_rise_k": 11.2076},
            source="first law, computed by hand",
            tolerance=1e-4,
        ),
        page="temperature-rise",
    ),
    Computation(
        name="thermal-minimum-flow",
        title="Thermal minimum flow by scanning the curve",
        group=Group.MINIMUM_FLOW,
        purpose="The smallest flow from which the rise stays inside every heat limit, up to best "
        "efficiency flow. Never by itself the required minimum.",
        function=thermal_minimum_flow,
        run=_thermal,
        inputs=(
            *(
                having(item, example=2.5) if item is INLET_PRESSURE else item
                for item in _PUMP_AND_LIQUID
            ),
            _STATED_RISE,
            _VAPOUR_MARGIN,
        ),
        outputs=(
            out("flow_m3_per_h", "Thermal minimum flow", "flow_m3_per_s", M3_H),
            out("governs", "Limit that governs", "governs"),
            out("rise_k", "Rise at that flow", "rise_k", KELVIN),
            out(
                "at_or_below_lowest_point",
                "At or below the lowest point of the curve",
                "at_or_below_lowest_point",
            ),
        ),
        formula="smallest Q with (P/(ρ Q) - g H)/cp + compression rise ≤ allowed, up to Q_bep",
        sources=(_FIRST_LAW, _HANDBOOK),
        aliases=_ALIASES,
        cautions=("closed-in-running",),
        example=Example(
            expected={"flow_m3_per_h": 30.7, "governs": "stated"},
            tolerance=0.003,
            source="invented curve; closed form on one segment, docs/methods",
        ),
        page="minimum-flow",
    ),
    Computation(
        name="required-minimum-flow",
        title="Required minimum flow of a pump",
        group=Group.MINIMUM_FLOW,
        purpose="The larger of the thermal limit and the stable flow: what the bypass must pass.",
        function=required_minimum_flow,
        run=_required,
        inputs=(
            *(
                having(item, example=2.5) if item is INLET_PRESSURE else item
                for item in _PUMP_AND_LIQUID
            ),
            _STATED_RISE,
            _VAPOUR_MARGIN,
            _STABLE,
        ),
        outputs=(
            out("flow_m3_per_h", "Required minimum flow", "flow_m3_per_s", M3_H),
            out("governs", "Limit that governs", "governs"),
            out("stable_known", "Stable flow known", "stable_known"),
            out("can_prove_protection", "Can prove protection", "can_prove_protection"),
        ),
        formula="Q_min = max(thermal minimum, stable minimum)",
        sources=(
            _FIRST_LAW,
            "NRC Bulletin 88-04 as summarised in an inspection finding (seen): heat alone is "
            "not enough",
        ),
        aliases=_ALIASES,
        cautions=("closed-in-running",),
        example=Example(
            expected={"flow_m3_per_h": 35.0, "governs": "stable", "can_prove_protection": True},
            source="the stable flow of the invented pump exceeds its thermal 30.7 m³/h",
            tolerance=1e-9,
        ),
        page="minimum-flow",
    ),
    Computation(
        name="handbook-minimum-flow",
        title="Thermal minimum flow by the handbook rule",
        group=Group.MINIMUM_FLOW,
        purpose="A quick conservative check: the whole shaft power heats the flow.",
        function=handbook_minimum_flow,
        inputs=(
            having(SHAFT_POWER, example=74.57),
            having(DENSITY, example=1000.0),
            having(SPECIFIC_HEAT, example=4.1868),
            number(
                "allowed_rise_k",
                "Allowed rise",
                "allowed_rise_k",
                KELVIN,
                RISE,
                25.0 / 3.0,
            ),
        ),
        outputs=(out("flow_m3_per_h", "Thermal minimum flow", "", M3_H),),
        formula="Q = P/(ρ cp ΔT)",
        sources=("BHP/(2.95 cp SG) for 15 °F, handbook formula (seen)",),
        assumptions=("no credit for the useful head: conservative",),
        cautions=("closed-in-running",),
        example=Example(
            expected={"flow_m3_per_h": 7.70},
            tolerance=0.003,
            source="published formula: 100 hp, 15 °F, water: 33.9 US gal/min",
        ),
        page="minimum-flow",
    ),
    Computation(
        name="allowed-rise",
        title="Allowed temperature rise",
        group=Group.MINIMUM_FLOW,
        purpose="The smallest of the stated, the vapour and the NPSH limit, and which it is.",
        function=suction.allowed_rise,
        run=lambda v: suction.allowed_rise(
            liquid_of(v),
            **_state(v),
            **{
                name: v[name]
                for name in (
                    "stated_rise_k",
                    "vapour_margin_pa",
                    "inlet_velocity_m_per_s",
                    "npsh_required_m",
                    "npsh_margin_m",
                )
            },
        ),
        inputs=(
            *LIQUID,
            INLET_TEMPERATURE,
            having(INLET_PRESSURE, example=1.6),
            _STATED_RISE,
            _VAPOUR_MARGIN,
            number(
                "inlet_velocity_m_per_s",
                "Velocity at the pump inlet",
                "inlet_velocity_m_per_s",
                M_S,
                plausible.VELOCITY,
                None,
                if_absent="NPSH is not checked, and the answer says so; give all three or none.",
            ),
            number(
                "npsh_required_m",
                "NPSH required",
                "npsh_required_m",
                METRE,
                plausible.HEAD,
                None,
                if_absent="NPSH is not checked, and the answer says so; give all three or none.",
            ),
            number(
                "npsh_margin_m",
                "Margin over NPSH required",
                "npsh_margin_m",
                METRE,
                plausible.HEAD_OR_ZERO,
                None,
                if_absent="NPSH is not checked, and the answer says so; give all three or none.",
            ),
        ),
        outputs=(
            out("rise_k", "Allowed rise", "rise_k", KELVIN),
            out("governs", "Limit that governs", "governs"),
        ),
        formula="min(stated; T_boil(p_in - margin) - T_in; rise at NPSHA = NPSHR + margin)",
        sources=(_HANDBOOK, "8.3 K (15 °F) is a handbook value for boiler feed, not a law"),
        aliases={
            "temperature_degc": "inlet_temperature_degc",
            "margin_m": "npsh_margin_m",
            "margin_pa": "vapour_margin_pa",
        },
        example=Example(
            expected={"rise_k": 8.298, "governs": "vapour"},
            tolerance=1e-4,
            source="published method (Ludwig p. 208), water by IAPWS: 8.298 K",
        ),
        page="suction",
    ),
    Computation(
        name="suction-return-rise",
        title="Inlet rise when the bypass returns to the suction pipe",
        group=Group.MINIMUM_FLOW,
        purpose="A return to the suction pipe warms the inlet; with no forward flow there is no "
        "steady state.",
        function=heating.suction_return_inlet_rise,
        inputs=(
            number(
                "rise_per_pass_k",
                "Rise of one pass",
                "rise_per_pass_k",
                KELVIN,
                RISE,
                3.0,
            ),
            number(
                "bypass_share",
                "Share of the pump flow that goes through the bypass",
                "bypass_share",
                SHARE,
                Window("a share", at_least=0.0, at_most=1.0),
                0.5,
            ),
        ),
        outputs=(out("inlet_rise_k", "Steady rise of the pump inlet", "", KELVIN),),
        formula="ΔT_in = b ΔT_pass/(1 - b)",
        sources=("steady mixing balance",),
        cautions=("closed-in-running",),
        example=Example(
            expected={"inlet_rise_k": 3.0},
            source="mixing balance: 0.5 × 3/(1 - 0.5)",
            tolerance=1e-9,
        ),
        page="no-flow",
    ),
    Computation(
        name="time-to-boil",
        title="Time until a closed-in pump boils",
        group=Group.MINIMUM_FLOW,
        purpose="How long the trapped liquid lasts when the pump turns with no flow.",
        function=heating.time_to_boil,
        run=lambda v: heating.time_to_boil(
            liquid_of(v),
            **{
                name: value
                for name, value in v.items()
                if not name.startswith("liquid") or name == "liquid_mass_kg"
            },
        ),
        inputs=(
            *LIQUID,
            having(SHAFT_POWER, label="Shaft power at no flow", example=74.57),
            number(
                "liquid_mass_kg",
                "Mass of liquid in the pump",
                "liquid_mass_kg",
                KG,
                Window("liquid in a pump, kg", at_least=1.0, at_most=50_000.0),
                226.796,
            ),
            number(
                "metal_mass_kg",
                "Mass of metal that warms with it",
                "metal_mass_kg",
                KG,
                Window("metal of a pump, kg", at_least=0.0, at_most=100_000.0),
                0.0,
                help="State 0 to leave it out on purpose.",
            ),
            number(
                "metal_specific_heat_kj_per_kg_k",
                "Specific heat of the metal",
                "metal_specific_heat_j_per_kg_k",
                KJ_KG_K,
                Window("a metal", at_least=100.0, at_most=1500.0),
                0.48,
                help="Steel: about 0.48 (from memory).",
            ),
            number(
                "start_temperature_degc",
                "Temperature at the start",
                "start_temperature_degc",
                DEGC,
                plausible.TEMPERATURE,
                20.0,
            ),
            having(INLET_PRESSURE, example=1.01325),
        ),
        outputs=(
            out("liquid_only_min", "Time, liquid alone (plan with this)", "liquid_only_s", MINUTE),
            out("with_metal_min", "Time, metal warming too", "with_metal_s", MINUTE),
            out(
                "heating_rate_k_per_min",
                "Heating rate at the start",
                "heating_rate_k_per_s",
                KELVIN_MIN,
            ),
            out(
                "boiling_temperature_degc", "Boiling temperature", "boiling_temperature_degc", DEGC
            ),
        ),
        formula="t = m (h_boil - h_start)/P",
        sources=(
            "first law; 42.4 BHP/(W cp), Ludwig p. 208 (seen)",
            "water: IAPWS R7-97(2012) (seen)",
        ),
        aliases={"temperature_degc": "start_temperature_degc"},
        cautions=("closed-in-running", "hot-water"),
        example=Example(
            expected={"liquid_only_min": 17.0, "heating_rate_k_per_min": 4.712},
            tolerance=0.005,
            source="handbook rate 8.48 °F/min for 100 hp and 500 lb of water (published formula)",
        ),
        page="no-flow",
    ),
    Computation(
        name="npsh-available",
        title="NPSH available from the suction vessel",
        group=Group.MINIMUM_FLOW,
        purpose="What is left over the vapour pressure at the pump inlet.",
        function=suction.npsh_available,
        inputs=(
            number(
                "surface_pressure_bar_a",
                "Pressure on the surface",
                "surface_pa_abs",
                BAR_A,
                Window("a suction vessel, Pa absolute", at_least=500.0, at_most=6e6),
                0.91011,
            ),
            having(VAPOUR_PRESSURE, example=0.79290, help="Of the liquid at its temperature."),
            number(
                "static_head_m",
                "Height of the surface above the pump",
                "static_head_m",
                METRE,
                plausible.STATIC_HEAD,
                3.048,
                help="Negative for a lift.",
            ),
            number(
                "friction_head_m",
                "Loss of the suction line",
                "friction_head_m",
                METRE,
                Window("loss of a suction line, m", at_least=0.0, at_most=100.0),
                0.3048,
            ),
            having(DENSITY, example=963.0),
        ),
        outputs=(out("npsh_available_m", "NPSH available", "", METRE),),
        formula="NPSHA = (p_s - p_v)/(ρ g) + z - h_f",
        sources=("Ludwig, example 3-9 (seen)",),
        example=Example(
            expected={"npsh_available_m": 3.984},
            tolerance=0.003,
            source="published example: 13.2 psia, 11.5 psia, 10 ft, 1 ft, SG 0.963: 13.07 ft",
        ),
        page="suction",
    ),
)
