"""The function test with the pump: correction to reference conditions, and steps T0 to T7 judged.

A single number is not the test. Every step is judged on its own; what was not done stays 'not
done'; the whole passes only when every step that applies has passed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2
from valvecare.engineering.errors import NoSolution, OutOfRange, require_between
from valvecare.engineering.flow_methods import FlowEstimate
from valvecare.engineering.uncertainty import (
    Decision,
    Verdict,
    decide_at_least,
    decide_at_most,
)

STEPS = ("T0", "T1", "T2", "T3", "T4", "T5", "T6", "T7")


class Outcome(StrEnum):
    """Result of a check, a step or the whole test, worst first when combined."""

    FAIL = "fail"
    NOT_ABLE = "test not able"
    UNDECIDED = "undecided"
    NOT_DONE = "not done"
    PASS = "pass"  # noqa: S105  a verdict, no secret
    NOT_APPLICABLE = "not applicable"


_FROM_VERDICT = {
    Verdict.PASS: Outcome.PASS,
    Verdict.FAIL: Outcome.FAIL,
    Verdict.UNDECIDED: Outcome.UNDECIDED,
    Verdict.NOT_ABLE: Outcome.NOT_ABLE,
}
_WORST_FIRST = tuple(Outcome)


@dataclass(frozen=True)
class Conditions:
    """Speed, liquid and pressures at which a bypass flow was measured or is wanted."""

    speed_per_s: float
    density_kg_per_m3: float
    inlet_pa_abs: float
    back_pa_abs: float


@dataclass(frozen=True)
class CorrectedFlow:
    """A measured bypass flow brought to reference conditions, with the factors used."""

    estimate: FlowEstimate
    factor: float
    test_drop_pa: float
    reference_drop_pa: float
    reference_head_m: float
    assumptions: tuple[str, ...]


def flow_at_reference(
    estimate: FlowEstimate,
    *,
    head_m: float,
    choked: bool,
    test: Conditions,
    reference: Conditions,
) -> CorrectedFlow:
    """Bring a bypass flow from test to reference speed, density and back pressure.

    Parameters
    ----------
    estimate : the measured bypass flow, main line shut
    head_m : m, measured with it
    choked : whether the trim was choked in the test or would be at the reference
    test, reference : conditions of the test and those the requirement is stated for

    Returns
    -------
    CorrectedFlow: head by affinity (n squared), then flow by the square root of the ratio of
    pressure drop over density.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : choked and the conditions differ: a choked flow is never scaled; no driving
        pressure at the reference

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Affinity laws (DOE Fundamentals Handbook, vol. 3, seen); IEC 60534-2-1 for the flow.

    Examples
    --------
    >>> measured = FlowEstimate("meter", 0.010, 1e-4, (("instrument", 1e-4),), True)
    >>> at_test = Conditions(49.0, 998.0, 2e5, 3e5)
    >>> wanted = Conditions(49.5, 998.0, 2e5, 2e5)
    >>> answer = flow_at_reference(measured, head_m=300.0, choked=False, test=at_test,
    ...     reference=wanted)
    >>> round(answer.factor, 4)
    1.0279
    """
    head = plausible.HEAD.check("head_m", head_m)
    if not isinstance(choked, bool):
        raise OutOfRange("choked", choked, "True or False")
    for label, state in (("test", test), ("reference", reference)):
        plausible.SPEED.check(f"{label}.speed_per_s", state.speed_per_s)
        plausible.DENSITY.check(f"{label}.density_kg_per_m3", state.density_kg_per_m3)
        plausible.PRESSURE_ABS.check(f"{label}.inlet_pa_abs", state.inlet_pa_abs)
        plausible.PRESSURE_ABS.check(f"{label}.back_pa_abs", state.back_pa_abs)
    ratio = plausible.SPEED_RATIO.check("speed_ratio", reference.speed_per_s / test.speed_per_s)
    if choked and test != reference:
        raise NoSolution(
            "a choked flow is not scaled: repeat the test at the reference conditions or judge the "
            "flow as measured"
        )
    drops = []
    for state, lift in ((test, head), (reference, head * ratio**2)):
        drop = state.inlet_pa_abs + state.density_kg_per_m3 * G_M_PER_S2 * lift - state.back_pa_abs
        if drop <= 0.0:
            raise NoSolution("no driving pressure: back pressure above pump discharge")
        drops.append(drop)
    factor = sqrt(drops[1] / drops[0] * test.density_kg_per_m3 / reference.density_kg_per_m3)
    scaled = FlowEstimate(
        method=estimate.method,
        flow_m3_per_s=estimate.flow_m3_per_s * factor,
        standard_uncertainty_m3_per_s=estimate.standard_uncertainty_m3_per_s * factor,
        contributions_m3_per_s=tuple((n, v * factor) for n, v in estimate.contributions_m3_per_s),
        proves_capacity=estimate.proves_capacity,
        notes=(*estimate.notes, f"corrected to reference conditions, factor {factor:.4f}"),
    )
    return CorrectedFlow(
        scaled,
        factor,
        drops[0],
        drops[1],
        head * ratio**2,
        (
            "head by affinity at about the same share of best flow",
            "the loss of the return line is part of the back pressure",
            "the correction itself adds no uncertainty",
        ),
    )


@dataclass(frozen=True)
class Limits:
    """What the test is judged against, from the records of pump, valve and policy."""

    required_flow_m3_per_s: float
    allowed_rise_k: float
    switching_flow_m3_per_s: tuple[float, float]
    head_band_share: float
    leak_limit_m3_per_s: float
    reverse_swing_limit_s: float
    header_decay_limit_pa: float
    probability: float


@dataclass(frozen=True)
class StaticTest:
    """T0: filled, vented, pressurised."""

    joints_tight: bool


@dataclass(frozen=True)
class ZeroMainFlow:
    """T1: started with the main line shut, until steady."""

    bypass: FlowEstimate
    steady: bool
    rise_k: float
    u_rise_k: float
    cavitation_noise: bool
    return_vapour_pressure_pa_abs: float
    line_end_pa_abs: float


@dataclass(frozen=True)
class HandoverPoint:
    """One stop of T2 or T4: main flow and bypass flow at the same time."""

    main_flow_m3_per_s: float
    bypass_flow_m3_per_s: float
    u_total_m3_per_s: float


@dataclass(frozen=True)
class Handover:
    """T2 opening or T4 closing: the stops, and the main flow at which the bypass shut or opened."""

    points: tuple[HandoverPoint, ...]
    switching_flow_m3_per_s: float


@dataclass(frozen=True)
class RatedFlow:
    """T3: rated flow, bypass shut."""

    head_deviation_share: float
    bypass_leak_m3_per_s: float
    u_bypass_leak_m3_per_s: float
    rattle: bool


@dataclass(frozen=True)
class Stop:
    """T5: pump stopped with the header under pressure."""

    reverse_swing_s: float
    slam: bool
    header_decay_pa: float
    u_header_decay_pa: float


@dataclass(frozen=True)
class PairTest:
    """T6: two pumps at low demand; the flow of the weaker one."""

    weaker_flow: FlowEstimate
    weaker_required_flow_m3_per_s: float


@dataclass(frozen=True)
class Standby:
    """T7: standby or warm-keeping line."""

    turns_backwards: bool
    back_flow_seen: bool


@dataclass(frozen=True)
class Check:
    """One criterion of one step."""

    name: str
    outcome: Outcome
    words: str
    decision: Decision | None = None


@dataclass(frozen=True)
class StepJudgement:
    """One step with all its criteria; its outcome is the worst of them."""

    step: str
    outcome: Outcome
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class FunctionTestJudgement:
    """The whole test: what is proven and what is not."""

    outcome: Outcome
    proves_capacity: bool
    steps: tuple[StepJudgement, ...]
    words: str


def judge_function_test(
    limits: Limits,
    *,
    static: StaticTest | None,
    zero_main_flow: ZeroMainFlow | None,
    opening: Handover | None,
    rated: RatedFlow | None,
    closing: Handover | None,
    stop: Stop | None,
    pair: PairTest | None,
    standby: Standby | None,
    not_applicable: Mapping[str, str],
) -> FunctionTestJudgement:
    """Judge a function test step by step, T0 to T7.

    Parameters
    ----------
    limits : what the test is judged against
    static, zero_main_flow, opening, rated, closing, stop, pair, standby : what was measured at T0
        to T7; None means not done
    not_applicable : reason by step for steps that do not apply to this pump, for example
        ``{"T6": "single pump"}``; T1 always applies

    Returns
    -------
    FunctionTestJudgement; `proves_capacity` only when T1 passed with a method that can prove it.

    Raises
    ------
    OutOfRange : an input missing or insane; a step both done and not applicable; T1 declared not
        applicable; an unknown step

    Assumptions
    -----------
    The required flow is taken as exact; its margin is inside it.

    Source
    ------
    Steps and acceptance: own, common practice; JCGM 106 and ILAC-G8 for the decisions; NRC
    IN 88-70 for testing opening and closing (seen); NRC Bulletin 88-04 for T6 (via closing letter,
    seen).

    Examples
    --------
    See docs/methods/function-test.md.
    """
    _check_limits(limits)
    done: dict[str, list[Check] | None] = {
        "T0": None if static is None else [_yes("joints tight", static.joints_tight, True)],
        "T1": None if zero_main_flow is None else _zero_main_flow(limits, zero_main_flow),
        "T2": None if opening is None else _handover(limits, opening, "bypass shuts"),
        "T3": None if rated is None else _rated(limits, rated),
        "T4": None if closing is None else _handover(limits, closing, "bypass opens"),
        "T5": None if stop is None else _stop(limits, stop),
        "T6": None if pair is None else _pair(limits, pair),
        "T7": None if standby is None else _standby(standby),
    }
    steps = []
    for step in STEPS:
        checks = done[step]
        if step in not_applicable:
            if checks is not None or step == "T1":
                raise OutOfRange(
                    "not_applicable", step, "a step that was not done and is not T1", "T1 proves"
                )
            note = Check("not applicable", Outcome.NOT_APPLICABLE, not_applicable[step])
            steps.append(StepJudgement(step, Outcome.NOT_APPLICABLE, (note,)))
        elif checks is None:
            steps.append(StepJudgement(step, Outcome.NOT_DONE, ()))
        else:
            steps.append(StepJudgement(step, _worst([c.outcome for c in checks]), tuple(checks)))
    unknown = set(not_applicable) - set(STEPS)
    if unknown:
        raise OutOfRange("not_applicable", ", ".join(sorted(unknown)), f"among {', '.join(STEPS)}")
    outcome = _worst([step.outcome for step in steps])
    proves = steps[1].outcome is Outcome.PASS  # undecided when the method cannot prove capacity
    open_steps = [
        f"{s.step} {s.outcome}"
        for s in steps
        if s.outcome not in (Outcome.PASS, Outcome.NOT_APPLICABLE)
    ]
    words = "all steps passed" if not open_steps else ", ".join(open_steps)
    return FunctionTestJudgement(outcome, proves, tuple(steps), words)


def _zero_main_flow(limits: Limits, seen: ZeroMainFlow) -> list[Check]:
    flow = _decision(
        "bypass flow",
        decide_at_least(
            seen.bypass.flow_m3_per_s,
            standard_uncertainty=seen.bypass.standard_uncertainty_m3_per_s,
            required=limits.required_flow_m3_per_s,
            probability=limits.probability,
        ),
    )
    if not seen.bypass.proves_capacity and flow.outcome is Outcome.PASS:
        words = f"{seen.bypass.method} cannot prove capacity: {'; '.join(seen.bypass.notes)}"
        flow = Check(flow.name, Outcome.UNDECIDED, words, flow.decision)
    boiling = plausible.VAPOUR_PRESSURE.check(
        "return_vapour_pressure_pa_abs", seen.return_vapour_pressure_pa_abs
    )
    end = plausible.PRESSURE_ABS.check("line_end_pa_abs", seen.line_end_pa_abs)
    steady = _yes("steady", seen.steady, True)
    if steady.outcome is Outcome.FAIL:
        steady = Check("steady", Outcome.UNDECIDED, "not steady: repeat until it is")
    return [
        flow,
        steady,
        _decision(
            "rise",
            decide_at_most(
                seen.rise_k,
                standard_uncertainty=seen.u_rise_k,
                limit=limits.allowed_rise_k,
                probability=limits.probability,
            ),
        ),
        _yes("cavitation noise", seen.cavitation_noise, False),
        Check(
            "return line does not flash",
            Outcome.PASS if boiling < end else Outcome.FAIL,
            f"vapour pressure {boiling:.0f} Pa, line end {end:.0f} Pa",
        ),
    ]


def _handover(limits: Limits, seen: Handover, event: str) -> list[Check]:
    if len(seen.points) < 4:
        raise OutOfRange(
            "points", len(seen.points), "at least 4 stops", "between them all may fall"
        )
    checks = []
    for point in seen.points:
        main = plausible.FLOW_OR_ZERO.check("main_flow_m3_per_s", point.main_flow_m3_per_s)
        bypass = plausible.FLOW_OR_ZERO.check("bypass_flow_m3_per_s", point.bypass_flow_m3_per_s)
        decision = decide_at_least(
            main + bypass,
            standard_uncertainty=point.u_total_m3_per_s,
            required=limits.required_flow_m3_per_s,
            probability=limits.probability,
        )
        checks.append(_decision(f"total at main flow {3600.0 * main:.4g} m3/h", decision))
    low, high = limits.switching_flow_m3_per_s
    flow = plausible.FLOW.check("switching_flow_m3_per_s", seen.switching_flow_m3_per_s)
    inside = low <= flow <= high
    checks.append(
        Check(
            f"{event} inside the design band",
            Outcome.PASS if inside else Outcome.FAIL,
            f"{3600 * flow:.4g} m3/h, band {3600 * low:.4g} to {3600 * high:.4g} m3/h",
        )
    )
    return checks


def _rated(limits: Limits, seen: RatedFlow) -> list[Check]:
    deviation = require_between(
        "head_deviation_share", seen.head_deviation_share, at_least=-1.0, at_most=1.0
    )
    inside = abs(deviation) <= limits.head_band_share
    return [
        Check(
            "head on the curve",
            Outcome.PASS if inside else Outcome.FAIL,
            f"{100 * deviation:.1f} %, band {100 * limits.head_band_share:.1f} %",
        ),
        _decision(
            "bypass leak",
            decide_at_most(
                seen.bypass_leak_m3_per_s,
                standard_uncertainty=seen.u_bypass_leak_m3_per_s,
                limit=limits.leak_limit_m3_per_s,
                probability=limits.probability,
            ),
        ),
        _yes("rattle", seen.rattle, False),
    ]


def _stop(limits: Limits, seen: Stop) -> list[Check]:
    swing = require_between("reverse_swing_s", seen.reverse_swing_s, at_least=0.0, at_most=86_400.0)
    return [
        Check(
            "no reverse rotation beyond a short swing",
            Outcome.PASS if swing <= limits.reverse_swing_limit_s else Outcome.FAIL,
            f"{swing:g} s, limit {limits.reverse_swing_limit_s:g} s",
        ),
        _yes("slam", seen.slam, False),
        _decision(
            "header pressure decay",
            decide_at_most(
                seen.header_decay_pa,
                standard_uncertainty=seen.u_header_decay_pa,
                limit=limits.header_decay_limit_pa,
                probability=limits.probability,
            ),
        ),
    ]


def _pair(limits: Limits, seen: PairTest) -> list[Check]:
    return [
        _decision(
            "flow of the weaker pump",
            decide_at_least(
                seen.weaker_flow.flow_m3_per_s,
                standard_uncertainty=seen.weaker_flow.standard_uncertainty_m3_per_s,
                required=seen.weaker_required_flow_m3_per_s,
                probability=limits.probability,
            ),
        )
    ]


def _standby(seen: Standby) -> list[Check]:
    return [
        _yes("turns backwards", seen.turns_backwards, False),
        _yes("back-flow", seen.back_flow_seen, False),
    ]


def _yes(name: str, seen: bool, wanted: bool) -> Check:
    if not isinstance(seen, bool):
        raise OutOfRange(name, seen, "yes or no", "what was not looked at is not recorded as good")
    words = "yes" if seen else "no"
    return Check(name, Outcome.PASS if seen is wanted else Outcome.FAIL, words)


def _decision(name: str, decision: Decision) -> Check:
    return Check(name, _FROM_VERDICT[decision.verdict], decision.words, decision)


def _worst(outcomes: Sequence[Outcome]) -> Outcome:
    return min(outcomes, key=_WORST_FIRST.index)


def _check_limits(limits: Limits) -> None:
    plausible.FLOW.check("required_flow_m3_per_s", limits.required_flow_m3_per_s)
    plausible.RISE.check("allowed_rise_k", limits.allowed_rise_k)
    low, high = limits.switching_flow_m3_per_s
    plausible.FLOW.check("switching_flow_m3_per_s", low)
    plausible.FLOW.check("switching_flow_m3_per_s", high)
    if low >= high:
        raise OutOfRange("switching_flow_m3_per_s", f"{low:g} to {high:g}", "low end first")
    require_between("head_band_share", limits.head_band_share, above=0.0, at_most=0.5)
    plausible.FLOW.check("leak_limit_m3_per_s", limits.leak_limit_m3_per_s)
    require_between("reverse_swing_limit_s", limits.reverse_swing_limit_s, above=0.0, at_most=600.0)
    plausible.PRESSURE_DIFFERENCE.check("header_decay_limit_pa", limits.header_decay_limit_pa)
    plausible.CONFORMANCE.check("probability", limits.probability)
