"""The function test judged step by step; the choice of method; correction to reference."""

from dataclasses import replace
from math import sqrt
from typing import Any

import pytest

from tests.engineering.test_curves import sample
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange
from valvecare.engineering.flow_choice import Instruments, choose_flow_method, judge_flow_methods
from valvecare.engineering.flow_methods import FlowEstimate
from valvecare.engineering.flow_tests import (
    Conditions,
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
    flow_at_reference,
    judge_function_test,
)
from valvecare.engineering.liquids import WATER

M3_H = 1.0 / 3600.0
LIMITS = Limits(
    required_flow_m3_per_s=46.5 * M3_H,
    allowed_rise_k=8.0,
    switching_flow_m3_per_s=(55.0 * M3_H, 70.0 * M3_H),
    head_band_share=0.03,
    leak_limit_m3_per_s=0.5 * M3_H,
    reverse_swing_limit_s=3.0,
    header_decay_limit_pa=2e5,
    probability=0.95,
)
BYPASS = FlowEstimate("meter", 50.3 * M3_H, 0.5 * M3_H, (("instrument", 0.5 * M3_H),), True)
ZERO = ZeroMainFlow(
    bypass=BYPASS,
    steady=True,
    rise_k=5.4,
    u_rise_k=0.15,
    cavitation_noise=False,
    return_vapour_pressure_pa_abs=4.8e5,
    line_end_pa_abs=5.7e5,
)
POINTS = tuple(
    HandoverPoint(main * M3_H, bypass * M3_H, 0.7 * M3_H)
    for main, bypass in ((0.0, 50.3), (20.0, 35.0), (40.0, 20.0), (61.0, 0.0), (147.0, 0.0))
)
DONE: dict[str, Any] = {
    "static": StaticTest(joints_tight=True),
    "zero_main_flow": ZERO,
    "opening": Handover(POINTS, 61.0 * M3_H),
    "rated": RatedFlow(0.01, 0.2 * M3_H, 0.02 * M3_H, rattle=False),
    "closing": Handover(POINTS, 58.0 * M3_H),
    "stop": Stop(1.2, slam=False, header_decay_pa=1e5, u_header_decay_pa=5e3),
    "pair": PairTest(BYPASS, 46.5 * M3_H),
    "standby": Standby(turns_backwards=False, back_flow_seen=False),
    "not_applicable": {},
}


def judge(**changes: Any) -> FunctionTestJudgement:
    return judge_function_test(LIMITS, **{**DONE, **changes})


def step(answer: FunctionTestJudgement, name: str) -> Outcome:
    return next(s.outcome for s in answer.steps if s.step == name)


def test_a_good_valve_passes_every_step() -> None:
    answer = judge()
    assert answer.outcome is Outcome.PASS
    assert answer.proves_capacity
    assert [s.step for s in answer.steps] == ["T0", "T1", "T2", "T3", "T4", "T5", "T6", "T7"]
    assert answer.words == "all steps passed"


@pytest.mark.parametrize(
    ("changes", "name", "outcome"),
    [
        ({"static": StaticTest(joints_tight=False)}, "T0", Outcome.FAIL),
        (
            {"zero_main_flow": replace(ZERO, bypass=replace(BYPASS, flow_m3_per_s=40 * M3_H))},
            "T1",
            Outcome.FAIL,
        ),
        (
            {"zero_main_flow": replace(ZERO, bypass=replace(BYPASS, flow_m3_per_s=47 * M3_H))},
            "T1",
            Outcome.UNDECIDED,
        ),
        (
            {
                "zero_main_flow": replace(
                    ZERO, bypass=replace(BYPASS, standard_uncertainty_m3_per_s=5 * M3_H)
                )
            },
            "T1",
            Outcome.NOT_ABLE,
        ),
        (
            {
                "zero_main_flow": replace(
                    ZERO, bypass=replace(BYPASS, proves_capacity=False, notes=("circular",))
                )
            },
            "T1",
            Outcome.UNDECIDED,
        ),
        ({"zero_main_flow": replace(ZERO, steady=False)}, "T1", Outcome.UNDECIDED),
        ({"zero_main_flow": replace(ZERO, rise_k=9.0)}, "T1", Outcome.FAIL),
        ({"zero_main_flow": replace(ZERO, cavitation_noise=True)}, "T1", Outcome.FAIL),
        ({"zero_main_flow": replace(ZERO, line_end_pa_abs=4.8e5)}, "T1", Outcome.FAIL),
        (
            {
                "opening": Handover(
                    (*POINTS[:3], HandoverPoint(42 * M3_H, 0.0, 0.7 * M3_H)), 61 * M3_H
                )
            },
            "T2",
            Outcome.FAIL,
        ),
        ({"opening": Handover(POINTS, 75.0 * M3_H)}, "T2", Outcome.FAIL),
        ({"rated": replace(DONE["rated"], head_deviation_share=-0.05)}, "T3", Outcome.FAIL),
        ({"rated": replace(DONE["rated"], bypass_leak_m3_per_s=3 * M3_H)}, "T3", Outcome.FAIL),
        ({"rated": replace(DONE["rated"], rattle=True)}, "T3", Outcome.FAIL),
        ({"closing": Handover(POINTS, 40.0 * M3_H)}, "T4", Outcome.FAIL),
        ({"stop": replace(DONE["stop"], reverse_swing_s=14.0)}, "T5", Outcome.FAIL),
        ({"stop": replace(DONE["stop"], slam=True)}, "T5", Outcome.FAIL),
        ({"stop": replace(DONE["stop"], header_decay_pa=5e5)}, "T5", Outcome.FAIL),
        (
            {"pair": PairTest(replace(BYPASS, flow_m3_per_s=20 * M3_H), 46.5 * M3_H)},
            "T6",
            Outcome.FAIL,
        ),
        ({"standby": Standby(turns_backwards=True, back_flow_seen=False)}, "T7", Outcome.FAIL),
        ({"closing": None}, "T4", Outcome.NOT_DONE),
    ],
)
def test_each_criterion_counts(changes: dict[str, Any], name: str, outcome: Outcome) -> None:
    answer = judge(**changes)
    assert step(answer, name) is outcome
    assert answer.outcome is outcome
    assert name in answer.words
    assert answer.proves_capacity is (name != "T1")


def test_what_was_not_done_is_not_passed() -> None:
    nothing = {key: None for key in DONE if key != "not_applicable"}
    answer = judge(**nothing)
    assert {s.outcome for s in answer.steps} == {Outcome.NOT_DONE}
    assert not answer.proves_capacity


def test_a_step_that_does_not_apply_needs_a_reason_and_no_result() -> None:
    answer = judge(pair=None, not_applicable={"T6": "single pump"})
    assert answer.outcome is Outcome.PASS
    with pytest.raises(OutOfRange, match="not_applicable"):
        judge(not_applicable={"T6": "single pump"})
    with pytest.raises(OutOfRange, match="not_applicable"):
        judge(zero_main_flow=None, not_applicable={"T1": "no time"})
    with pytest.raises(OutOfRange, match="among T0"):
        judge(not_applicable={"T9": "?"})


def test_too_few_stops_are_no_handover_test() -> None:
    with pytest.raises(OutOfRange, match="at least 4 stops"):
        judge(opening=Handover(POINTS[:3], 61.0 * M3_H))


@pytest.mark.parametrize(
    "changes",
    [
        {"required_flow_m3_per_s": 46.5},
        {"allowed_rise_k": 0.0},
        {"switching_flow_m3_per_s": (70.0 * M3_H, 55.0 * M3_H)},
        {"head_band_share": 3.0},
        {"probability": 95.0},
    ],
)
def test_insane_limits_are_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(OutOfRange):
        judge_function_test(replace(LIMITS, **changes), **DONE)


HERE = Conditions(49.0, 935.0, 4e5, 4.3e5)


def test_correction_is_the_root_of_drop_over_density() -> None:
    there = Conditions(49.5, 930.0, 4e5, 6e5)
    answer = flow_at_reference(BYPASS, head_m=850.0, choked=False, test=HERE, reference=there)
    before = 4e5 + 935.0 * 9.80665 * 850.0 - 4.3e5
    after = 4e5 + 930.0 * 9.80665 * 850.0 * (49.5 / 49.0) ** 2 - 6e5
    assert answer.factor == pytest.approx(sqrt(after / before * 935.0 / 930.0))
    assert answer.estimate.relative_uncertainty == pytest.approx(BYPASS.relative_uncertainty)
    same = flow_at_reference(BYPASS, head_m=850.0, choked=True, test=HERE, reference=HERE)
    assert same.factor == pytest.approx(1.0)


def test_higher_back_pressure_at_reference_never_raises_the_flow() -> None:
    flows = [
        flow_at_reference(
            BYPASS,
            head_m=850.0,
            choked=False,
            test=HERE,
            reference=replace(HERE, back_pa_abs=back),
        ).estimate.flow_m3_per_s
        for back in (4.3e5, 6e5, 2e6)
    ]
    assert flows[0] > flows[1] > flows[2]


def test_a_choked_flow_is_never_scaled() -> None:
    with pytest.raises(NoSolution, match="choked flow is not scaled"):
        flow_at_reference(
            BYPASS,
            head_m=850.0,
            choked=True,
            test=HERE,
            reference=replace(HERE, back_pa_abs=2e5),
        )
    with pytest.raises(NoSolution, match="no driving pressure"):
        flow_at_reference(
            BYPASS,
            head_m=850.0,
            choked=False,
            test=HERE,
            reference=replace(HERE, back_pa_abs=9e6),
        )


ALL = Instruments(
    u_meter_share=0.01,
    u_clamp_on_share=0.02,
    u_vessel_level_share=0.12,
    u_kv_share=0.03,
    u_pressure_drop_share=0.01,
    u_density_share=0.002,
    kv_is_under_test=True,
    u_shaft_power_share=0.02,
    u_rise_k=0.15,
    u_head_share=0.005,
)
NOTHING = Instruments(None, None, None, None, None, None, True, None, None, None)
STATE: dict[str, Any] = {
    "flow_m3_per_s": 28.0 * M3_H,
    "inlet_temperature_degc": 105.0,
    "inlet_pa_abs": 0.25e6,
}


def test_methods_are_ranked_and_each_refusal_has_its_reason() -> None:
    judged = judge_flow_methods(sample(), WATER, **STATE, instruments=ALL)
    assert [m.method for m in judged if m.able] == [
        "meter in the bypass line",
        "clamp-on meter",
        "energy balance",
    ]
    reasons = {m.method: m.reason for m in judged if not m.able}
    assert "12 % is above 10 %" in reasons["vessel level"]
    assert "circular" in reasons["Kv and pressure drop"]
    assert "fit" in reasons["head on the curve"]
    assert choose_flow_method(sample(), WATER, **STATE, instruments=ALL).best == judged[0].method


def test_without_a_meter_the_energy_balance_is_chosen() -> None:
    there = replace(ALL, u_meter_share=None, u_clamp_on_share=None)
    choice = choose_flow_method(sample(), WATER, **STATE, instruments=there)
    assert choice.best == "energy balance"
    known_kv = replace(there, kv_is_under_test=False, u_shaft_power_share=0.05)
    assert choose_flow_method(sample(), WATER, **STATE, instruments=known_kv).best == (
        "Kv and pressure drop"
    )


def test_no_instrument_and_no_able_method_are_refused_differently() -> None:
    with pytest.raises(NotEnoughData, match="no instrument"):
        choose_flow_method(sample(), WATER, **STATE, instruments=NOTHING)
    with pytest.raises(NoSolution, match="no method can prove"):
        choose_flow_method(
            sample(), WATER, **STATE, instruments=replace(NOTHING, u_vessel_level_share=0.2)
        )
    with pytest.raises(OutOfRange, match="clamp-on"):
        judge_flow_methods(sample(), WATER, **STATE, instruments=replace(ALL, u_clamp_on_share=2.0))
