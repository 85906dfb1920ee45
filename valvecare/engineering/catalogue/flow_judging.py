"""Catalogue entries: choice of the method, reference conditions, decisions, the function test."""

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from valvecare.engineering import flow_choice, flow_tests, plausible, uncertainty
from valvecare.engineering.catalogue.bypass import MOST_TIMES_REQUIRED
from valvecare.engineering.catalogue.edge import LEAST_RELATIVE_UNCERTAINTY
from valvecare.engineering.catalogue.flow_tests import TEST_CAUTIONS, spread
from valvecare.engineering.catalogue.forms import Computation, Example, Group, Input
from valvecare.engineering.catalogue.parts import (
    BAR,
    BAR_A,
    CURVE,
    CURVE_ALIASES,
    FLOW,
    INLET_PRESSURE,
    INLET_TEMPERATURE,
    KELVIN,
    KG_M3,
    LIQUID,
    M3_H,
    METRE,
    PROBABILITY,
    RISE,
    RPM,
    RUNNING_SPEED,
    SECOND,
    SHARE,
    choice,
    having,
    liquid_of,
    number,
    out,
    rows,
    running_curve_of,
    text,
    yes_no,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.flow_methods import FlowEstimate
from valvecare.engineering.plausible import Window

_JCGM = "JCGM 106:2012 and ILAC-G8 (figures from memory, quantiles recomputed)"
_NOT_DONE = "Not done; give all fields of this step or none."
_METHODS = ("meter", "vessel level", "known Kv", "orifice", "energy balance", "head on the curve")
_SHARE_U = Window("a share, not per cent", at_least=1e-4, at_most=1.0)


def _instrument(name: str, label: str, example: float | None) -> Input:
    return number(
        name, label, name, SHARE, _SHARE_U, example, if_absent="Not there to measure with.",
        help="Relative standard uncertainty, a share.",
    )  # fmt: skip


_INSTRUMENTS = (
    _instrument("u_meter_share", "In-line meter", None),
    _instrument("u_clamp_on_share", "Clamp-on meter", 0.02),
    _instrument("u_vessel_level_share", "Flow by vessel level", None),
    _instrument("u_kv_share", "Kv of a known resistance", None),
    _instrument("u_pressure_drop_share", "Pressure drop over it", None),
    _instrument("u_density_share", "Density", None),
    yes_no("kv_is_under_test", "That Kv is the one under test", "kv_is_under_test", True),
    _instrument("u_shaft_power_share", "Shaft power", 0.02),
    number(
        "u_rise_k", "Difference of two thermometers", "u_rise_k", KELVIN,
        Window("K", at_least=0.005, at_most=20.0), 0.1, if_absent="Not there to measure with.",
        help="Standard uncertainty of the difference.",
    ),
    _instrument("u_head_share", "Head", 0.005),
)  # fmt: skip


def _choose(v: Mapping[str, Any]) -> flow_choice.MethodChoice:
    liquid = liquid_of(v)
    names = [field.name for field in fields(flow_choice.Instruments)]
    return flow_choice.choose_flow_method(
        running_curve_of(v, liquid),
        liquid,
        flow_m3_per_s=v["flow_m3_per_s"],
        inlet_temperature_degc=v["inlet_temperature_degc"],
        inlet_pa_abs=v["inlet_pa_abs"],
        instruments=flow_choice.Instruments(**{name: v[name] for name in names}),
    )


def _conditions(word: str, label: str, speed: float, back: float) -> tuple[Input, ...]:
    return (
        number(f"{word}_speed_rpm", f"Speed, {label}", f"{word}.speed_per_s", RPM,
               plausible.SPEED, speed),
        number(f"{word}_density_kg_per_m3", f"Density, {label}", f"{word}.density_kg_per_m3",
               KG_M3, plausible.DENSITY, 998.0),
        number(f"{word}_inlet_pressure_bar_a", f"Pump inlet pressure, {label}",
               f"{word}.inlet_pa_abs", BAR_A, plausible.PRESSURE_ABS, 2.0),
        number(f"{word}_back_pressure_bar_a", f"Back pressure, {label}", f"{word}.back_pa_abs",
               BAR_A, plausible.PRESSURE_ABS, back),
    )  # fmt: skip


def _at_reference(v: Mapping[str, Any]) -> flow_tests.CorrectedFlow:
    def state(word: str) -> flow_tests.Conditions:
        names = [field.name for field in fields(flow_tests.Conditions)]
        return flow_tests.Conditions(**{name: v[f"{word}.{name}"] for name in names})

    return flow_tests.flow_at_reference(
        _estimate(v, "flow_m3_per_s", "u_flow_m3_per_s", "method", proves=True),
        head_m=v["head_m"],
        choked=v["choked"],
        test=state("test"),
        reference=state("reference"),
    )


def _estimate(
    v: Mapping[str, Any], flow: str, u: str, method: str, *, proves: bool
) -> FlowEstimate:
    plausible.uncertainty(u, v[u], of=v[flow])
    return FlowEstimate(v[method], v[flow], v[u], ((v[method], v[u]),), proves)


_DECISION = (
    out("verdict", "Decision", "verdict"),
    out("limit_for_pass", "Reading that passes", "acceptance_limit"),
    out("limit_for_fail", "Reading that fails", "rejection_limit"),
    out(
        "conformance_probability",
        "Probability that the requirement is met",
        "conformance_probability",
        is_uncertainty=True,
    ),
)
_ANY = "In any unit, the same in all three."
_MEASURED = number(
    "measured", "Measured value", "measured", None,
    Window("a measured amount", at_least=0.0, at_most=1e6), 63.0, help=_ANY,
)  # fmt: skip
_U = number(
    "standard_uncertainty", "Standard uncertainty of it", "standard_uncertainty", None,
    Window("no measurement is exact", above=0.0, at_most=1e6), 1.2, help=_ANY,
    relative_to="measured",
)  # fmt: skip


def _step(v: Mapping[str, Any], step: str, build: Callable[[Mapping[str, Any]], Any]) -> Any:
    """The record of one step, or None when nothing of it was given."""
    own = {
        name.partition(".")[2]: value for name, value in v.items() if name.startswith(f"{step}.")
    }
    given = [name for name, value in own.items() if value is not None]
    if not given:
        return None
    for name, value in own.items():
        if value is None:
            raise OutOfRange(f"{step}.{name}", None, "given", f"the step has {given[0]} already")
    return build(own)


def _zero_main_flow(own: Mapping[str, Any]) -> flow_tests.ZeroMainFlow:
    rest = {
        name: own[name]
        for name in (
            "steady", "rise_k", "u_rise_k", "cavitation_noise",
            "return_vapour_pressure_pa_abs", "line_end_pa_abs",
        )
    }  # fmt: skip
    proves = own["proves_capacity"]
    bypass = _estimate(own, "flow_m3_per_s", "u_flow_m3_per_s", "method", proves=proves)
    return flow_tests.ZeroMainFlow(bypass=bypass, **rest)


def _handover(own: Mapping[str, Any]) -> flow_tests.Handover:
    stops = own["points"]
    columns = zip(*(stops[name] for name in _STOPS_SI), strict=True)
    return flow_tests.Handover(
        tuple(flow_tests.HandoverPoint(*row) for row in columns), own["switching_flow_m3_per_s"]
    )


def _pair(own: Mapping[str, Any]) -> flow_tests.PairTest:
    return flow_tests.PairTest(
        FlowEstimate("meter", own["flow_m3_per_s"], own["u_flow_m3_per_s"], (), True),
        own["required_flow_m3_per_s"],
    )


def _criteria(judged: flow_tests.FunctionTestJudgement) -> list[dict[str, Any]]:
    """Every criterion of every step, with its figures in the trade's units."""
    return [
        {
            "step": step.step,
            "criterion": check.name,
            "outcome": check.outcome.value,
            "why": check.words if check.decision is None else _limit_words(check.name, check),
        }
        for step in judged.steps
        for check in step.checks
    ]


def _limit_words(name: str, check: flow_tests.Check) -> str:
    decision = check.decision
    if decision is None:
        return check.words
    unit = {"rise": KELVIN, "header pressure decay": BAR}.get(name, M3_H)
    shown = (
        f"{unit.from_si(value):.4g} {unit.shown}"
        for value in (decision.measured, decision.standard_uncertainty, decision.acceptance_limit)
    )
    words = "{} with standard uncertainty {}; passes {} {}"
    measured, spread_of, limit = shown
    return words.format(measured, spread_of, decision.sense, limit)


def _check_against_required(v: Mapping[str, Any]) -> None:
    """Refuse a flow that is a slip of a unit against the required one."""
    required = v["required_flow_m3_per_s"]
    flows = {name: v[name] for name in _FLOWS if v[name] is not None}
    for step in ("t2", "t4"):
        if v[f"{step}.points"] is not None:
            for column in _STOPS_SI[:2]:
                flows[f"{step}.points"] = max(
                    *v[f"{step}.points"][column], flows.get(f"{step}.points", 0.0)
                )
    for step in ("t2", "t4"):
        if v[f"{step}.points"] is not None:
            least = LEAST_RELATIVE_UNCERTAINTY * required
            smallest = min(v[f"{step}.points"][_STOPS_SI[2]])
            if smallest < least:
                why = "0.01 % of the required flow; no plant instrument is better"
                raise OutOfRange(f"{step}.points", smallest, f"at least {least:.4g}", why)
    for name, flow in flows.items():
        if flow > MOST_TIMES_REQUIRED * required:
            why = "more than 100 times the required flow: check the unit"
            raise OutOfRange(name, flow, f"at most {MOST_TIMES_REQUIRED * required:.4g}", why)
    if v["leak_limit_m3_per_s"] > required:
        raise OutOfRange(
            "leak_limit_m3_per_s",
            v["leak_limit_m3_per_s"],
            f"at most {required:.4g}",
            "a leak limit above the required flow is no limit",
        )
    low, high = v["switching_flow_low_m3_per_s"], v["switching_flow_high_m3_per_s"]
    if low < 0.1 * high:
        raise OutOfRange(
            "switching_flow_low_m3_per_s", low, f"at least a tenth of the high end, {high:.4g}"
        )


def _judge(v: Mapping[str, Any]) -> flow_tests.FunctionTestJudgement:
    _check_against_required(v)
    names = [field.name for field in fields(flow_tests.Limits)]
    limits = {name: v[name] for name in names if name != "switching_flow_m3_per_s"}
    band = (v["switching_flow_low_m3_per_s"], v["switching_flow_high_m3_per_s"])
    excused = v["not_applicable"] or {"step": (), "reason": ()}
    return flow_tests.judge_function_test(
        flow_tests.Limits(**limits, switching_flow_m3_per_s=band),
        static=_step(v, "t0", lambda own: flow_tests.StaticTest(**own)),
        zero_main_flow=_step(v, "t1", _zero_main_flow),
        opening=_step(v, "t2", _handover),
        rated=_step(v, "t3", lambda own: flow_tests.RatedFlow(**own)),
        closing=_step(v, "t4", _handover),
        stop=_step(v, "t5", lambda own: flow_tests.Stop(**own)),
        pair=_step(v, "t6", _pair),
        standby=_step(v, "t7", lambda own: flow_tests.Standby(**own)),
        not_applicable=dict(zip(excused["step"], excused["reason"], strict=True)),
    )


_FLOWS = (
    "t1.flow_m3_per_s", "t2.switching_flow_m3_per_s", "t4.switching_flow_m3_per_s",
    "switching_flow_high_m3_per_s", "t3.bypass_leak_m3_per_s", "t6.flow_m3_per_s",
)  # fmt: skip
_STOPS_SI = ("main_flow_m3_per_s", "bypass_flow_m3_per_s", "u_total_m3_per_s")
_STOPS = (
    number("main_flow_m3_per_h", "Main flow", _STOPS_SI[0], M3_H, plausible.FLOW_OR_ZERO, 0.0),
    number("bypass_flow_m3_per_h", "Bypass flow", _STOPS_SI[1], M3_H, plausible.FLOW_OR_ZERO, 52.0),
    number("u_total_m3_per_h", "Uncertainty of the sum", _STOPS_SI[2], M3_H, plausible.FLOW, 0.7),
)
_STOP_ROWS = ((0.0, 52.2, 0.7), (18.0, 36.0, 0.7), (36.0, 18.0, 0.7), (54.0, 0.0, 0.7))


def _handover_inputs(step: str, label: str) -> tuple[Input, ...]:
    return (
        rows(f"{step}_stops", f"{label}: stops", f"{step}.points", _STOPS, _STOP_ROWS, least=1,
             if_absent=_NOT_DONE, help="Four stops or more."),
        number(f"{step}_switching_flow_m3_per_h", f"{label}: main flow at which it switched",
               f"{step}.switching_flow_m3_per_s", M3_H, plausible.FLOW, 57.6,
               if_absent=_NOT_DONE),
    )  # fmt: skip


_LIMIT_INPUTS = (
    number("required_flow_m3_per_h", "Required minimum flow", "required_flow_m3_per_s", M3_H,
           plausible.FLOW, 45.0),
    number("allowed_rise_k", "Allowed rise", "allowed_rise_k", KELVIN, RISE, 8.0),
    number("switching_flow_low_m3_per_h", "Switching flow, low end",
           "switching_flow_low_m3_per_s", M3_H, plausible.FLOW, 50.4),
    number("switching_flow_high_m3_per_h", "Switching flow, high end",
           "switching_flow_high_m3_per_s", M3_H, plausible.FLOW, 72.0),
    number("head_band", "Band of the head around the curve", "head_band_share", SHARE,
           Window("a share", above=0.0, at_most=0.5), 0.03),
    number("leak_limit_m3_per_h", "Limit of the bypass leak", "leak_limit_m3_per_s", M3_H,
           plausible.FLOW, 0.36),
    number("reverse_swing_limit_s", "Longest reverse swing", "reverse_swing_limit_s", SECOND,
           Window("s", above=0.0, at_most=600.0), 3.0),
    number("header_decay_limit_bar", "Limit of the header's pressure decay",
           "header_decay_limit_pa", BAR, Window("Pa", above=0.0, at_most=2e6), 0.2),
    PROBABILITY,
)  # fmt: skip
_O = {"if_absent": _NOT_DONE}
_STEP_INPUTS = (
    yes_no("t0_joints_tight", "T0 static: joints tight", "t0.joints_tight", True, **_O),
    number("t1_flow_m3_per_h", "T1 zero main flow: bypass flow", "t1.flow_m3_per_s", M3_H,
           plausible.FLOW, 54.0, **_O),
    number("t1_u_flow_m3_per_h", "T1: its standard uncertainty", "t1.u_flow_m3_per_s", M3_H,
           plausible.FLOW, 0.72, relative_to="t1.flow_m3_per_s", **_O),
    choice("t1_method", "T1: how the flow was known", "t1.method", _METHODS, "meter", **_O),
    yes_no("t1_proves_capacity", "T1: this way can prove capacity", "t1.proves_capacity", True,
           help="No for the Kv under test.", **_O),
    yes_no("t1_steady", "T1: temperatures and flow steady", "t1.steady", True, **_O),
    number("t1_rise_k", "T1: rise over the pump", "t1.rise_k", KELVIN, plausible.RISE_OR_ZERO,
           5.0, **_O),
    number("t1_u_rise_k", "T1: its standard uncertainty", "t1.u_rise_k", KELVIN,
           RISE, 0.1, relative_to="t1.rise_k", **_O),
    yes_no("t1_cavitation_noise", "T1: cavitation noise", "t1.cavitation_noise", False, **_O),
    number("t1_return_vapour_pressure_bar_a", "T1: vapour pressure at the line's end",
           "t1.return_vapour_pressure_pa_abs", BAR_A, plausible.VAPOUR_PRESSURE, 3.0, **_O),
    number("t1_line_end_pressure_bar_a", "T1: pressure at the line's end", "t1.line_end_pa_abs",
           BAR_A, plausible.PRESSURE_ABS, 5.0, **_O),
    *_handover_inputs("t2", "T2 opening"),
    number("t3_head_deviation", "T3 rated flow: head off the curve", "t3.head_deviation_share",
           SHARE, Window("a share", at_least=-1.0, at_most=1.0), 0.01, **_O),
    number("t3_leak_m3_per_h", "T3: bypass leak", "t3.bypass_leak_m3_per_s", M3_H,
           plausible.FLOW_OR_ZERO, 0.18, **_O),
    number("t3_u_leak_m3_per_h", "T3: its standard uncertainty", "t3.u_bypass_leak_m3_per_s",
           M3_H, plausible.FLOW, 0.018, relative_to="t3.bypass_leak_m3_per_s", **_O),
    yes_no("t3_rattle", "T3: rattle", "t3.rattle", False, **_O),
    *_handover_inputs("t4", "T4 closing"),
    number("t5_reverse_swing_s", "T5 stop: reverse swing", "t5.reverse_swing_s", SECOND,
           Window("s", at_least=0.0, at_most=86_400.0), 1.0, **_O),
    yes_no("t5_slam", "T5: slam", "t5.slam", False, **_O),
    number("t5_header_decay_bar", "T5: pressure decay of the header", "t5.header_decay_pa", BAR,
           Window("Pa", at_least=0.0, at_most=1e8), 0.1, **_O),
    number("t5_u_header_decay_bar", "T5: its standard uncertainty", "t5.u_header_decay_pa", BAR,
           plausible.PRESSURE_DIFFERENCE, 0.005, relative_to="t5.header_decay_pa", **_O),
    number("t6_flow_m3_per_h", "T6 pair: flow of the weaker pump", "t6.flow_m3_per_s", M3_H,
           plausible.FLOW, None, **_O),
    number("t6_u_flow_m3_per_h", "T6: its standard uncertainty", "t6.u_flow_m3_per_s", M3_H,
           plausible.FLOW, None, relative_to="t6.flow_m3_per_s", **_O),
    number("t6_required_flow_m3_per_h", "T6: required flow of the weaker pump",
           "t6.required_flow_m3_per_s", M3_H, plausible.FLOW, None, **_O),
    yes_no("t7_turns_backwards", "T7 standby: turns backwards", "t7.turns_backwards", False,
           **_O),
    yes_no("t7_back_flow", "T7: back-flow seen", "t7.back_flow_seen", False, **_O),
    rows("not_applicable", "Steps that do not apply", "not_applicable",
         (choice("step", "Step", "step", ("T0", "T2", "T3", "T4", "T5", "T6", "T7"), "T6"),
          text("reason", "Reason", "reason", "single pump")),
         (("T6", "single pump"),), least=1, if_absent="Every step applies."),
)  # fmt: skip

ENTRIES = (
    Computation(
        name="flow-method-choice",
        title="Best able way to know the bypass flow",
        group=Group.FUNCTION_TEST,
        purpose="Judges every way with the instruments at hand, and says why the others are not "
        "able.",
        function=flow_choice.choose_flow_method,
        run=_choose,
        inputs=(
            *CURVE,
            RUNNING_SPEED,
            *LIQUID,
            INLET_TEMPERATURE,
            INLET_PRESSURE,
            having(FLOW, label="Flow expected", example=40.0),
            *_INSTRUMENTS,
        ),
        outputs=(
            out("best", "Best able way", "best"),
            out("methods", "Every way judged", "methods"),
            out("outlet_rise_k", "Rise to expect at the pump outlet", "outlet_rise_k", KELVIN),
            out(
                "best_relative_uncertainty",
                "Relative uncertainty of the best",
                "methods.0.relative_uncertainty",
                is_uncertainty=True,
            ),
        ),
        formula="able: relative standard uncertainty at most a tenth, and not circular",
        sources=("own rules (common practice) on propagated uncertainties",),
        aliases={**CURVE_ALIASES, "temperature_degc": "inlet_temperature_degc"},
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"best": "clamp-on meter"},
            source="2 % clamp-on against 2 % power with 0.1 K and 0.5 % head, by hand",
        ),
        page="flow-measurement",
    ),
    Computation(
        name="flow-at-reference",
        title="Test flow at reference conditions",
        group=Group.FUNCTION_TEST,
        purpose="Brings a measured bypass flow to the speed, density and pressures the "
        "requirement is stated for.",
        function=flow_tests.flow_at_reference,
        run=_at_reference,
        inputs=(
            having(FLOW, label="Bypass flow as measured", example=36.0),
            spread("u_flow_m3_per_h", "Uncertainty of it", "u_flow_m3_per_s", M3_H, 20.0, 0.36,
                   of="flow_m3_per_s"),
            choice("method", "How it was known", "method", _METHODS, "meter"),
            number(
                "head_m", "Head measured with it", "head_m", METRE, plausible.HEAD, 300.0
            ),
            yes_no("choked", "Trim choked in the test or at the reference", "choked", False),
            *_conditions("test", "in the test", 2940.0, 3.0),
            *_conditions("reference", "at the reference", 2970.0, 2.0),
        ),
        outputs=(
            out("flow_m3_per_h", "Flow at the reference", "estimate.flow_m3_per_s", M3_H),
            out("factor", "Factor on the flow", "factor"),
            out("reference_head_m", "Head at the reference", "reference_head_m", METRE),
            out(
                "standard_uncertainty_m3_per_h", "Standard uncertainty (k = 1)",
                "estimate.standard_uncertainty_m3_per_s", M3_H, is_uncertainty=True,
            ),
        ),
        formula="H ~ n²; Q ~ √(Δp/ρ)",
        sources=("affinity laws: DOE Fundamentals Handbook vol. 3 (seen)", "IEC 60534-2-1"),
        aliases={"speed_ratio": "reference_speed_rpm"},
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 37.005, "factor": 1.0279}, tolerance=1e-4,
            source="affinity and square root by hand",
        ),
        page="function-test",
    ),
    Computation(
        name="decide-at-least",
        title="Decision 'at least', with guard band",
        group=Group.FUNCTION_TEST,
        purpose="Pass, fail or undecided for a measured value that must reach a requirement.",
        function=uncertainty.decide_at_least,
        inputs=(
            _MEASURED,
            _U,
            number("required", "Required", "required", None,
                   Window("a requirement", above=0.0, at_most=1e6), 60.0, help=_ANY),
            PROBABILITY,
        ),
        outputs=_DECISION,
        formula="pass at or above R + z u, fail at or below R - z u, undecided between",
        sources=(_JCGM,),
        assumptions=("normal distribution of the measured value",),
        example=Example(
            expected={"verdict": "pass", "limit_for_pass": 61.974}, tolerance=1e-4,
            source="three-zone rule: 60 + 1.645 × 1.2",
        ),
        page="uncertainty",
    ),
    Computation(
        name="decide-at-most",
        title="Decision 'at most', with guard band",
        group=Group.FUNCTION_TEST,
        purpose="Pass, fail or undecided for a measured value that must stay below a limit.",
        function=uncertainty.decide_at_most,
        inputs=(
            having(_MEASURED, example=6.0),
            having(_U, example=0.2),
            number("limit", "Limit", "limit", None,
                   Window("a limit", above=0.0, at_most=1e6), 8.0, help=_ANY),
            PROBABILITY,
        ),
        outputs=_DECISION,
        formula="pass at or below L - z u, fail at or above L + z u, undecided between",
        sources=(_JCGM,),
        assumptions=("normal distribution of the measured value",),
        example=Example(
            expected={"verdict": "pass", "limit_for_pass": 7.67103}, tolerance=1e-5,
            source="three-zone rule: 8 - 1.6449 × 0.2",
        ),
        page="uncertainty",
    ),
    Computation(
        name="function-test",
        title="Function test judged step by step, T0 to T7",
        group=Group.FUNCTION_TEST,
        purpose="What the whole test proves, and what it does not.",
        function=flow_tests.judge_function_test,
        run=_judge,
        inputs=(*_LIMIT_INPUTS, *_STEP_INPUTS),
        outputs=(
            out("outcome", "Outcome of the test", "outcome"),
            out("proves_capacity", "Capacity proven", "proves_capacity"),
            out("steps", "Steps", of=_criteria),
        ),
        formula="each criterion in three zones; a step is its worst criterion",
        sources=(
            _JCGM,
            "NRC Information Notice 88-70 (seen), NRC Bulletin 88-04 (seen); steps: own, common "
            "practice",
        ),
        aliases={
            "measured": "required_flow_m3_per_h",
            "switching_flow_m3_per_s": "switching_flow_low_m3_per_s",
        },
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"outcome": "pass", "proves_capacity": True},
            source="every criterion of the invented example by hand",
        ),
        page="function-test",
    ),
)  # fmt: skip
