"""Catalogue entries: flow coefficient, choking, working point, margin, pumps side by side."""

from collections.abc import Mapping
from typing import Any

from valvecare.engineering import bypass, parallel_pumps, plausible, valve_flow
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.parts import (
    BAR,
    BAR_A,
    BORE,
    CRITICAL_PRESSURE,
    CURVE,
    CURVE_ALIASES,
    CURVE_TABLE,
    DEGC,
    DENSITY,
    FLOW,
    INLET_PRESSURE,
    INLET_TEMPERATURE,
    KELVIN,
    KV,
    LINE_LENGTH,
    LIQUID,
    M3_H,
    METRE,
    MM,
    MPA_S,
    RECOVERY_FACTOR,
    RUNNING_SPEED,
    SHARE,
    VAPOUR_PRESSURE,
    VISCOSITY,
    curve_of,
    having,
    liquid_of,
    number,
    out,
    running_curve_of,
    whole,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible import Window

_IEC = "IEC 60534-2-1 (2011) (seen second-hand: its worked examples)"
_UPSTREAM = number(
    "upstream_pressure_bar_a", "Pressure before the trim", "inlet_pa_abs", BAR_A,
    plausible.PRESSURE_ABS, 6.8,
)  # fmt: skip
_DOWNSTREAM = number(
    "downstream_pressure_bar_a", "Pressure after the trim", "outlet_pa_abs", BAR_A,
    plausible.PRESSURE_ABS, 2.2,
)  # fmt: skip
TRIM = (_UPSTREAM, _DOWNSTREAM, VAPOUR_PRESSURE, CRITICAL_PRESSURE, RECOVERY_FACTOR)
_LOSS_WINDOW = Window("velocity heads of a line", at_least=0.0, at_most=1_000.0)
_LOSS = number(
    "return_loss_coefficient", "Loss coefficient of the return line", "loss_coefficient", None,
    _LOSS_WINDOW, 10.0, help="Velocity heads at its bore; 0 for none.",
)  # fmt: skip
RETURN_LINE = (
    _LOSS,
    number(
        "return_bore_mm", "Bore of the return line", "bore_m", MM, BORE, 65.0
    ),
    number(
        "common_loss_coefficient", "Loss coefficient of the common line",
        "common_loss_coefficient", None, _LOSS_WINDOW, 2.0,
        help="Velocity heads at its bore; 0 if there is no common line.",
    ),
    number(
        "common_bore_mm", "Bore of the common line", "common_bore_m", MM, BORE, 100.0
    ),
    whole(
        "pumps_on_common", "Pumps returning at the same time", "pumps_on_common", 1, 20, 3
    ),
    number(
        "return_rise_height_m", "Height of the line's end above the pump", "rise_m", METRE,
        plausible.STATIC_HEAD, 5.0,
    ),
    number(
        "return_end_pressure_bar_a", "Pressure at the end of the line", "end_pa_abs", BAR_A,
        plausible.PRESSURE_ABS, 6.0,
    ),
)  # fmt: skip
_LINE_NAMES = tuple(item.si for item in RETURN_LINE)


def _working_point(v: Mapping[str, Any]) -> bypass.BypassWorkingPoint:
    liquid = liquid_of(v)
    return bypass.bypass_working_point(
        running_curve_of(v, liquid),
        liquid,
        bypass.ReturnLine(**{name: v[name] for name in _LINE_NAMES}),
        kv=v["kv"],
        recovery_factor=v["recovery_factor"],
        main_flow_m3_per_s=v["main_flow_m3_per_s"],
        inlet_temperature_degc=v["inlet_temperature_degc"],
        inlet_pa_abs=v["inlet_pa_abs"],
    )


MOST_TIMES_REQUIRED = 100.0
"""A flow more than this many times the required one is a slip of a unit, not a bypass."""


def _margin(v: Mapping[str, Any]) -> float:
    flow, required = v["flow_m3_per_s"], v["required_m3_per_s"]
    if flow > MOST_TIMES_REQUIRED * required:
        raise OutOfRange(
            "required_m3_per_s",
            required,
            f"at least {flow / MOST_TIMES_REQUIRED:.4g} m3/s",
            "the bypass flow is more than 100 times as large: check the units",
        )
    return bypass.capacity_margin(
        flow,
        expanded_uncertainty_m3_per_s=v["expanded_uncertainty_m3_per_s"],
        required_m3_per_s=required,
    )


ENTRIES = (
    Computation(
        name="kv-required",
        title="Kv a trim needs for a flow",
        group=Group.BYPASS,
        purpose="The flow coefficient that passes a flow at stated pressures, choking allowed for.",
        function=valve_flow.kv_required,
        inputs=(having(FLOW, example=360.0), *TRIM, having(DENSITY, example=965.4)),
        outputs=(out("kv_m3_per_h", "Kv required"),),
        formula="Kv = Q √(ρ/ρ0/Δp), Δp at most F_L² (p1 - F_F p_v)",
        sources=(_IEC,),
        assumptions=("turbulent; no reducers beside the trim",),
        example=Example(
            expected={"kv_m3_per_h": 165.0},
            source="IEC 60534-2-1 example 1 (globe, unchoked): 165 (published)",
        ),
        page="bypass",
    ),
    Computation(
        name="flow-through-kv",
        title="Flow through a trim of known Kv",
        group=Group.BYPASS,
        purpose="The flow a trim passes at stated pressures, choking allowed for.",
        function=valve_flow.flow_through_kv,
        inputs=(
            having(KV, example=6.0),
            having(_UPSTREAM, example=120.0),
            having(_DOWNSTREAM, example=6.0),
            having(VAPOUR_PRESSURE, example=4.0),
            having(CRITICAL_PRESSURE, example=220.64),
            RECOVERY_FACTOR,
            having(DENSITY, example=920.0),
        ),
        outputs=(out("flow_m3_per_h", "Flow", "", M3_H),),
        formula="Q = Kv √(Δp ρ0/ρ), Δp at most F_L² (p1 - F_F p_v)",
        sources=(_IEC,),
        assumptions=("turbulent; no reducers beside the trim",),
        cautions=("hot-water",),
        example=Example(
            expected={"flow_m3_per_h": 60.69},
            source="IEC 60534-2-1 equations 1 and 3, inverted: 60.690 (choked)",
        ),
        page="bypass",
    ),
    Computation(
        name="choking",
        title="Pressure drop at which the flow chokes",
        group=Group.BYPASS,
        purpose="Beyond this drop the flow of the liquid no longer grows.",
        function=valve_flow.choking_pressure_drop,
        inputs=(
            _UPSTREAM,
            VAPOUR_PRESSURE,
            CRITICAL_PRESSURE,
            having(RECOVERY_FACTOR, example=0.6),
        ),
        outputs=(out("choking_pressure_drop_bar", "Choking pressure drop", "", BAR),),
        formula="Δp_max = F_L² (p1 - F_F p_v), F_F = 0.96 - 0.28 √(p_v/p_c)",
        sources=(_IEC,),
        example=Example(
            expected={"choking_pressure_drop_bar": 2.2097},
            source="IEC 60534-2-1 example 2: F_F 0.944, so 0.36 (6.8 - 0.9442 × 0.701) bar; the "
            "4.6 bar there is choked (published)",
        ),
        page="bypass",
    ),
    Computation(
        name="cavitation-index",
        title="Cavitation index of a trim",
        group=Group.BYPASS,
        purpose="How far a trim is from boiling: larger is calmer.",
        function=valve_flow.cavitation_index,
        inputs=(
            having(_UPSTREAM, example=10.0),
            having(_DOWNSTREAM, example=8.0),
            having(VAPOUR_PRESSURE, example=2.0),
        ),
        outputs=(out("cavitation_index", "Cavitation index"),),
        formula="σ = (p1 - p_v)/(p1 - p2)",
        sources=("definition; checked against a general-purpose fluids library (seen)",),
        example=Example(
            expected={"cavitation_index": 4.0},
            source="definition: (10 - 2)/(10 - 8)",
            tolerance=1e-9,
        ),
        page="bypass",
    ),
    Computation(
        name="bypass-working-point",
        title="Bypass flow on the pump curve",
        group=Group.BYPASS,
        purpose="Solves pump, trim and return line together. The protection question is main "
        "flow zero.",
        function=bypass.bypass_working_point,
        run=_working_point,
        inputs=(
            *CURVE,
            RUNNING_SPEED,
            *LIQUID,
            INLET_TEMPERATURE,
            INLET_PRESSURE,
            having(KV, example=4.6),
            RECOVERY_FACTOR,
            number(
                "main_flow_m3_per_h",
                "Main flow",
                "main_flow_m3_per_s",
                M3_H,
                plausible.FLOW_OR_ZERO,
                0.0,
                help="0: the main disc is shut.",
            ),
            *RETURN_LINE,
        ),
        outputs=(
            out("bypass_flow_m3_per_h", "Bypass flow", "bypass_flow_m3_per_s", M3_H),
            out("pump_flow_m3_per_h", "Flow through the pump", "pump_flow_m3_per_s", M3_H),
            out("head_m", "Head of the pump there", "head_m", METRE),
            out("choked", "Trim choked", "choked"),
            out("cavitation_index", "Cavitation index", "cavitation_index"),
            out(
                "return_rise_k", "Rise at the end of the return line", "rises.return_rise_k", KELVIN
            ),
            out(
                "return_temperature_degc",
                "Temperature there",
                "rises.return_temperature_degc",
                DEGC,
            ),
            out(
                "flashing_margin_bar",
                "Margin to flashing at the end of the line",
                "flashing_margin_pa",
                BAR,
            ),
        ),
        formula="find Q: p_in + ρ g H(Q) - Δp_trim(Q) - Δp_line(Q) = p_end",
        sources=(_IEC, "series resistance; first law"),
        aliases={
            **CURVE_ALIASES,
            "temperature_degc": "inlet_temperature_degc",
            "flow_m3_per_s": "main_flow_m3_per_h",
        },
        cautions=("closed-in-running", "hot-water"),
        example=Example(
            expected={"bypass_flow_m3_per_h": 46.4, "choked": True},
            tolerance=0.05,
            source="invented pump; trim flow at the solved pressures within 0.1 % of "
            "flow-through-kv",
        ),
        page="bypass",
    ),
    Computation(
        name="pipe-loss",
        title="Loss coefficient of a return line",
        group=Group.BYPASS,
        purpose="Friction and fittings of a line as one loss coefficient at one flow.",
        function=bypass.pipe_loss_coefficient,
        inputs=(
            having(FLOW, example=108.0),
            number("bore_mm", "Bore", "bore_m", MM, BORE, 77.9),
            number("length_m", "Length", "length_m", METRE, LINE_LENGTH, 50.0),
            number(
                "roughness_mm",
                "Roughness of the wall",
                "roughness_m",
                MM,
                plausible.ROUGHNESS,
                0.045,
                help="Steel pipe, new: about 0.045 (common practice).",
            ),
            number(
                "fittings_loss_coefficient",
                "Fittings, together",
                "fittings_loss_coefficient",
                None,
                _LOSS_WINDOW,
                15.0,
            ),
            having(DENSITY, example=998.2),
            number(
                "viscosity_mpa_s",
                "Dynamic viscosity",
                "viscosity_pa_s",
                MPA_S,
                VISCOSITY,
                1.002,
            ),
        ),
        outputs=(out("loss_coefficient", "Loss coefficient, velocity heads"),),
        formula="K = f L/d + ΣK",
        sources=("Darcy-Weisbach; friction factor after Colebrook (textbooks)",),
        example=Example(
            expected={"loss_coefficient": 26.6},
            source="Colebrook by hand: f = 0.0181, 0.0181 × 50/0.0779 + 15",
            tolerance=0.01,
        ),
        page="bypass",
    ),
    Computation(
        name="capacity-margin",
        title="Margin of the bypass over the required flow",
        group=Group.BYPASS,
        purpose="How much more the bypass passes than needed, uncertainty taken off.",
        function=bypass.capacity_margin,
        run=_margin,
        inputs=(
            number(
                "bypass_flow_m3_per_h",
                "Bypass flow",
                "flow_m3_per_s",
                M3_H,
                plausible.FLOW_OR_ZERO,
                108.0,
            ),
            number(
                "expanded_uncertainty_m3_per_h",
                "Expanded uncertainty of it",
                "expanded_uncertainty_m3_per_s",
                M3_H,
                plausible.FLOW,
                2.16,
                relative_to="flow_m3_per_s",
                help="k = 2, about 95 %.",
            ),
            number(
                "required_flow_m3_per_h",
                "Required minimum flow",
                "required_m3_per_s",
                M3_H,
                plausible.FLOW,
                90.0,
            ),
        ),
        outputs=(out("margin", "Margin, a share of the required flow", "", SHARE),),
        formula="margin = (Q - U)/Q_req - 1",
        sources=("definition of this project",),
        example=Example(expected={"margin": 0.176}, source="(108 - 2.16)/90 - 1", tolerance=1e-9),
        page="bypass",
    ),
    Computation(
        name="pump-pair",
        title="Two pumps on a common header",
        group=Group.BYPASS,
        purpose="The flow of the stronger pump below which it pushes the weaker one's disc shut.",
        function=parallel_pumps.pump_pair_interaction,
        run=lambda v: parallel_pumps.pump_pair_interaction(
            curve_of(v),
            curve_of(v, "weaker_curve"),
            weaker_bypass_flow_m3_per_s=v["weaker_bypass_flow_m3_per_s"],
        ),
        inputs=(
            having(CURVE_TABLE, label="Curve of the stronger pump"),
            having(
                CURVE_TABLE,
                name="weaker_curve",
                si="weaker_curve",
                label="Curve of the weaker pump",
                example=[
                    {"flow_m3_per_h": q, "head_m": h, "shaft_power_kw": p}
                    for q, h, p in (
                        (0, 1210, 305),
                        (40, 1205, 368),
                        (80, 1170, 435),
                        (120, 1095, 507),
                        (160, 975, 575),
                        (200, 805, 635),
                    )
                ],
            ),
            *CURVE[1:],
            number(
                "weaker_bypass_flow_m3_per_h",
                "Bypass flow of the weaker pump",
                "weaker_bypass_flow_m3_per_s",
                M3_H,
                plausible.FLOW_OR_ZERO,
                40.0,
            ),
        ),
        outputs=(
            out(
                "limit_flow_m3_per_h",
                "Weaker pump shut below this flow of the stronger",
                "limit_flow_m3_per_s",
                M3_H,
            ),
            out(
                "share_of_best_flow",
                "As a share of best efficiency flow",
                "share_of_best_flow",
                SHARE,
            ),
            out("whole_curve", "Over the whole curve", "whole_curve"),
        ),
        formula="largest Q of the stronger with H_strong(Q) ≥ H_weak(Q_bypass)",
        sources=("NRC Bulletin 88-04, pump-to-pump interaction (seen)",),
        aliases={
            **CURVE_ALIASES,
            "weaker": "weaker_curve",
            "flow_m3_per_s": "weaker_bypass_flow_m3_per_h",
        },
        cautions=("closed-in-running",),
        example=Example(
            expected={"limit_flow_m3_per_h": 85.333},
            source="1205 m on the segment 80 to 120: 80 + 40 (1215 - 1205)/75, by hand",
        ),
        page="parallel-pumps",
    ),
)
