"""The one rule that judges a run: raw readings to criteria, live and at the end.

The criteria and the decisions are those of `engineering.flow_tests`; here the readings become its
inputs, a step without all of them says what is lacking, and nothing is assumed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import hypot
from typing import Any

from valvecare.engineering.errors import OutOfRange, Refusal
from valvecare.engineering.flow_tests import (
    Check,
    FunctionTestJudgement,
    Handover,
    HandoverPoint,
    Limits,
    Outcome,
    PairTest,
    RatedFlow,
    Standby,
    StaticTest,
    Stop,
    ZeroMainFlow,
    judge_function_test,
)
from valvecare.engineering.uncertainty import decide_at_least
from valvecare.engineering.units import from_si, to_si
from valvecare.protection.rules import ProofResult
from valvecare.proving.rules.facts import (
    CheckLine,
    FlowLine,
    ReadingFact,
    RunFacts,
    RunJudgement,
    RunLimits,
    StepLine,
    StopLine,
)
from valvecare.proving.rules.flow import (
    FoundFlow,
    K,
    bypass_flow,
    liquid_state,
    metered,
    return_line_state,
    si_flow,
)
from valvecare.proving.rules.quantities import TestQuantity
from valvecare.proving.rules.steady import steadiness
from valvecare.work.rules.test_steps import STEP_IDS

_Q = TestQuantity

_RESULTS = {
    Outcome.FAIL: ProofResult.FAIL,
    Outcome.NOT_ABLE: ProofResult.NOT_ABLE,
    Outcome.UNDECIDED: ProofResult.UNDECIDED,
    Outcome.NOT_DONE: ProofResult.UNDECIDED,
    Outcome.PASS: ProofResult.PASS,
}
_ARGUMENTS = {
    "T0": "static",
    "T1": "zero_main_flow",
    "T2": "opening",
    "T3": "rated",
    "T4": "closing",
    "T5": "stop",
    "T6": "pair",
    "T7": "standby",
}


@dataclass
class _Built:
    """One step on its way: the input of the criteria, or what is lacking."""

    value: Any = None
    lacking: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    flow: FlowLine | None = None
    stops: list[StopLine] = field(default_factory=list)

    def need(self, reading: ReadingFact | None, what: str) -> float:
        """The value, or 0 with a note that it is lacking."""
        if reading is None:
            self.lacking.append(what)
            return 0.0
        return reading.value

    def spread(self, reading: ReadingFact | None) -> float:
        """Its standard uncertainty; a gauge without one lacks it."""
        if reading is None:
            return 0.0
        if reading.spread is None:
            self.lacking.append(reading.uncertified)
            return 0.0
        return reading.spread


def engine_limits(limits: RunLimits) -> Limits:
    """The limits as the criteria take them."""
    band = limits.switching_band_share
    return Limits(
        required_flow_m3_per_s=si_flow(limits.required_m3_per_h),
        allowed_rise_k=limits.allowed_rise_k,
        switching_flow_m3_per_s=(
            si_flow(limits.switching_m3_per_h * (1.0 - band)),
            si_flow(limits.switching_m3_per_h * (1.0 + band)),
        ),
        head_band_share=limits.head_band_share,
        leak_limit_m3_per_s=si_flow(limits.leak_limit_m3_per_h),
        reverse_swing_limit_s=limits.reverse_swing_limit_s,
        header_decay_limit_pa=to_si("pressure_difference", "bar", limits.header_decay_limit_bar),
        probability=limits.probability,
    )


def flow_line(
    label: str, value: float, spread: float, required: float, probability: float
) -> FlowLine:
    """A flow against 'at least required' with its band, in m3/h. Raises `Refusal`."""
    decision = decide_at_least(
        value, standard_uncertainty=spread, required=required, probability=probability
    )
    return FlowLine(
        label,
        value,
        K * spread,
        required,
        decision.acceptance_limit,
        (value - K * spread) / required - 1.0,
        str(decision.verdict),
        decision.words,
    )


def judge_run(facts: RunFacts) -> RunJudgement:
    """Judge every step of a run from its readings.

    A step is 'not done' until all it needs is read; what is lacking is named. A bypass flow that
    fails against its requirement fails the run, whatever else of T1 was read. A run whose abort
    limit was crossed proves nothing: a pass becomes 'undecided'.
    """
    limits = engine_limits(facts.limits)
    built = {step: _BUILDERS[step](facts) for step in STEP_IDS}
    judged: dict[str, FunctionTestJudgement] = {}
    for step, part in built.items():
        if part.lacking or part.value is None or step in facts.not_applicable:
            continue
        try:
            judged[step] = _ask(limits, {step: part.value}, {})
        except Refusal as refusal:
            part.lacking.append(str(refusal))
    whole = _ask(
        limits,
        {step: built[step].value for step in judged},
        {step: why for step, why in facts.not_applicable.items() if step not in judged},
    )
    result = _RESULTS.get(whole.outcome, ProofResult.UNDECIDED)
    outcome, words = str(whole.outcome), whole.words[:1].upper() + whole.words[1:]
    flow = built["T1"].flow
    if flow is not None and flow.outcome == Outcome.FAIL.value:
        result = ProofResult.FAIL
        if outcome != Outcome.FAIL.value:
            outcome = Outcome.FAIL.value
            words = (
                f"Bypass flow {flow.value_m3_per_h:.4g} of {flow.required_m3_per_h:.4g} m³/h "
                f"needed: fail. {words}"
            )
    if facts.crossed:
        words = f"Abort limit crossed: {'; '.join(facts.crossed)}. {words}"
        if result is ProofResult.PASS:
            result = ProofResult.UNDECIDED
    steps = tuple(
        StepLine(
            step.step,
            str(step.outcome),
            tuple(
                CheckLine(_name(c), str(c.outcome), _words(c, built[step.step].value))
                for c in step.checks
            ),
            tuple(dict.fromkeys(built[step.step].lacking)),
            facts.not_done.get(step.step, ""),
            tuple(built[step.step].notes),
            built[step.step].flow,
            tuple(built[step.step].stops),
        )
        for step in whole.steps
    )
    recorded: dict[str, Any] = {}
    if flow is not None and flow.band_m3_per_h < flow.value_m3_per_h:
        recorded = {
            "bypass_flow_m3_per_h": flow.value_m3_per_h,
            "uncertainty_share": flow.band_m3_per_h / flow.value_m3_per_h,
            "required_m3_per_h": facts.limits.required_m3_per_h,
        }
    return RunJudgement(outcome, result, whole.proves_capacity, words, steps, flow, recorded)


def _ask(limits: Limits, done: dict[str, Any], not_applicable: dict[str, str]) -> Any:
    given: dict[str, Any] = {name: done.get(step) for step, name in _ARGUMENTS.items()}
    return judge_function_test(limits, not_applicable=not_applicable, **given)


def _name(check: Check) -> str:
    return check.name.replace("m3/h", "m³/h")


def _words(check: Check, seen: Any) -> str:
    """What a criterion says, in the trade's units."""
    if isinstance(seen, ZeroMainFlow) and check.name == "return line does not flash":
        boils = from_si("pressure_absolute", "bar", seen.return_vapour_pressure_pa_abs)
        end = from_si("pressure_absolute", "bar", seen.line_end_pa_abs)
        return f"boils at {boils:.4g} bar a, lowest pressure in the line {end:.4g} bar a"
    decision = check.decision
    if decision is None:
        return check.words.replace("m3/h", "m³/h")
    kind, unit, shown = _UNITS.get(check.name, ("volume_flow", "m3/h", "m³/h"))

    def told(value: float, digits: int = 4) -> str:
        return f"{from_si(kind, unit, value) if kind else value:.{digits}g}"

    return (
        f"{told(decision.measured)} ± {told(K * decision.standard_uncertainty, 2)} {shown}, "
        f"{decision.sense} {told(decision.required)}; proven {_SENSE[decision.sense]} "
        f"{told(decision.acceptance_limit)} {shown}"
    )


_UNITS = {
    "rise": ("", "", "K"),
    "header pressure decay": ("pressure_difference", "bar", "bar"),
}
_SENSE = {"at least": "from", "at most": "up to"}


# ---- the steps


def _seen(built: _Built, facts: RunFacts, step: str, quantity: TestQuantity) -> bool:
    return built.need(facts.latest(step, quantity), f"{quantity}: yes or no") > 0.5


def _static(facts: RunFacts) -> _Built:
    built = _Built()
    tight = _seen(built, facts, "T0", _Q.JOINTS_TIGHT)
    built.value = StaticTest(tight)
    return built


def _try(built: _Built, work: Callable[[], Any]) -> Any:
    """The answer, or None with the refusal among what is lacking."""
    try:
        return work()
    except Refusal as refusal:
        built.lacking.append(str(refusal))
        return None


def _zero_main_flow(facts: RunFacts) -> _Built:
    built = _Built()
    found: FoundFlow | None = bypass_flow(facts, built.lacking, built.notes)
    if found is not None:
        estimate = found.estimate
        value = from_si("volume_flow", "m3/h", estimate.flow_m3_per_s)
        spread = from_si("volume_flow", "m3/h", estimate.standard_uncertainty_m3_per_s)
        limits = facts.limits
        line = _try(
            built,
            lambda: flow_line(
                "bypass flow", value, spread, limits.required_m3_per_h, limits.probability
            ),
        )
        if line is not None:
            built.flow = FlowLine(**{**vars(line), "working": found.working})
    steady = steadiness(
        [r for r in facts.readings if r.step == "T1" and r.quantity is _Q.OUTLET_TEMPERATURE],
        k_per_min=facts.limits.steady_k_per_min,
        after_min=facts.limits.steady_after_min,
        by_heat=found is not None and found.by_heat,
    )
    built.notes.append(steady.words)
    cold = facts.latest("T1", _Q.INLET_TEMPERATURE)
    hot = facts.latest("T1", _Q.OUTLET_TEMPERATURE)
    back = facts.latest("T1", _Q.RETURN_TEMPERATURE)
    for reading, quantity in (
        (cold, _Q.INLET_TEMPERATURE),
        (hot, _Q.OUTLET_TEMPERATURE),
        (back, _Q.RETURN_TEMPERATURE),
    ):
        built.need(reading, quantity.value)
    noise = _seen(built, facts, "T1", _Q.CAVITATION_NOISE)
    u_rise = hypot(built.spread(cold), built.spread(hot))
    if found is None or cold is None or hot is None or back is None:
        return built
    rise = hot.value - cold.value
    if rise < -K * u_rise:
        built.lacking.append(
            f"a sane rise: the outlet reads {-rise:.3g} K below the inlet (thermometers swapped?)"
        )
        return built
    line_end = _try(built, lambda: return_line_state(facts, back.value))
    if line_end is not None:
        built.value = ZeroMainFlow(
            bypass=found.estimate,
            steady=steady.is_steady,
            rise_k=max(rise, 0.0),
            u_rise_k=u_rise,
            cavitation_noise=noise,
            return_vapour_pressure_pa_abs=line_end[0],
            line_end_pa_abs=line_end[1],
        )
    return built


def _disagree(ways: Sequence[tuple[float, float]]) -> bool:
    """Do two ways to one flow (value, spread) differ by more than both can be wrong."""
    if len(ways) < 2:
        return False
    (one, spread), (two, other) = ways
    return abs(one - two) > K * hypot(spread, other)


def _handover(facts: RunFacts, step: str, event: TestQuantity) -> _Built:
    built = _Built()
    numbers = sorted({r.stop for r in facts.readings if r.step == step and r.stop is not None})
    points: list[HandoverPoint] = []
    for number in numbers:
        at_stop = {
            r.quantity: r for r in facts.readings if r.step == step and r.stop == number
        }  # oldest first: the latest counts
        main, bypass = at_stop.get(_Q.MAIN_FLOW), at_stop.get(_Q.BYPASS_FLOW)
        pump = at_stop.get(_Q.PUMP_FLOW)
        if main is None or (bypass is None and pump is None):
            if main is not None or bypass is not None or pump is not None:
                what = "main flow" if main is None else "bypass flow, or flow through the pump"
                built.lacking.append(f"stop {number}: {what}")
            continue
        ways = [(pump.value, built.spread(pump))] if pump is not None else []
        if bypass is not None:
            spread = hypot(built.spread(main), built.spread(bypass))
            ways.append((main.value + bypass.value, spread))
        total, spread = min(ways)
        if _disagree(ways):
            built.notes.append(
                f"stop {number}: {ways[0][0]:g} m³/h through the pump and {ways[1][0]:g} m³/h in "
                "main and bypass: one meter is wrong; the smaller sum is judged"
            )
        if spread <= 0.0:
            continue
        try:
            line = flow_line(
                f"total at {main.value:g} m³/h main flow",
                total,
                spread,
                facts.limits.required_m3_per_h,
                facts.limits.probability,
            )
        except Refusal as refusal:
            built.lacking.append(f"stop {number}: {refusal}")
            continue
        rest = max(total - main.value, 0.0)
        if main.value - total > K * hypot(spread, built.spread(main)):
            built.notes.append(
                f"stop {number}: main flow {main.value:g} m³/h is above the {total:g} m³/h through "
                "the pump: one meter is wrong; the smaller one is judged"
            )
        built.stops.append(StopLine(step, number, main.value, rest, line))
        points.append(
            HandoverPoint(si_flow(min(main.value, total)), si_flow(rest), si_flow(spread))
        )
    if len(points) < 4:
        built.lacking.append(f"{len(points)} of at least 4 stops")
    switching = built.need(facts.latest(step, event), event.value)
    if not built.lacking:
        built.value = Handover(tuple(points), si_flow(switching))
    return built


def _rated(facts: RunFacts) -> _Built:
    built = _Built()
    main = built.need(facts.latest("T3", _Q.MAIN_FLOW), _Q.MAIN_FLOW.value)
    low = built.need(facts.latest("T3", _Q.SUCTION_PRESSURE), _Q.SUCTION_PRESSURE.value)
    high = built.need(facts.latest("T3", _Q.DISCHARGE_PRESSURE), _Q.DISCHARGE_PRESSURE.value)
    leak = facts.latest("T3", _Q.BYPASS_FLOW)
    passes = built.need(leak, "bypass flow (0 when it is shut)")
    u_leak = built.spread(leak)
    rattle = _seen(built, facts, "T3", _Q.RATTLE)
    if built.lacking:
        return built
    state = _try(built, lambda: liquid_state(facts))
    if state is None:
        return built
    head = state.head_m(low, high)
    wanted = _try(built, lambda: state.curve.head(si_flow(main + passes)))
    if wanted is not None:
        built.notes.append(
            f"head {head:.4g} m, curve {wanted:.4g} m at {main + passes:.4g} m³/h; velocity heads "
            "and heights of the gauges are left out"
        )
        built.value = RatedFlow(head / wanted - 1.0, si_flow(passes), si_flow(u_leak), rattle)
    return built


def _stop(facts: RunFacts) -> _Built:
    built = _Built()
    swing = built.need(
        facts.latest("T5", _Q.REVERSE_SWING), f"{_Q.REVERSE_SWING} (0 if it did not)"
    )
    slam = _seen(built, facts, "T5", _Q.SLAM)
    decay = facts.latest("T5", _Q.HEADER_DECAY)
    fall = built.need(decay, _Q.HEADER_DECAY.value)
    built.value = Stop(
        swing,
        slam,
        to_si("pressure_difference", "bar", fall),
        to_si("pressure_difference", "bar", built.spread(decay)),
    )
    return built


def _pair(facts: RunFacts) -> _Built:
    built = _Built()
    reading = facts.latest("T6", _Q.PUMP_FLOW)
    flow, spread = built.need(reading, "flow through the weaker pump"), built.spread(reading)
    required = facts.limits.weaker_required_m3_per_h
    if required is None:
        built.lacking.append("the required flow of the other pumps of the group")
    if built.lacking or required is None or reading is None:
        return built
    estimate = _try(
        built,
        lambda: metered(flow, spread, reading.gauge),
    )
    if estimate is not None:
        built.flow = _try(
            built,
            lambda: flow_line(
                "flow of the weaker pump", flow, spread, required, facts.limits.probability
            ),
        )
        built.value = PairTest(estimate, si_flow(required))
    return built


def _standby(facts: RunFacts) -> _Built:
    built = _Built()
    turns = _seen(built, facts, "T7", _Q.TURNS_BACKWARDS)
    built.value = Standby(turns, _seen(built, facts, "T7", _Q.BACK_FLOW))
    return built


_BUILDERS: dict[str, Callable[[RunFacts], _Built]] = {
    "T0": _static,
    "T1": _zero_main_flow,
    "T2": lambda facts: _handover(facts, "T2", _Q.BYPASS_SHUTS),
    "T3": _rated,
    "T4": lambda facts: _handover(facts, "T4", _Q.BYPASS_OPENS),
    "T5": _stop,
    "T6": _pair,
    "T7": _standby,
}


def why_limits_refused(limits: RunLimits) -> str:
    """Why these limits cannot be judged against; empty when they can."""
    try:
        engine_limits(limits)
    except (OutOfRange, ValueError) as refusal:
        return str(refusal)
    return ""
