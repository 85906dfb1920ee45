"""The one rule of a guided test, on readings of invented pumps, against stated results."""

from datetime import timedelta
from math import sqrt

import pytest

from tests.factories.proving import one
from tests.proving.runs import (
    BEGUN,
    demo_gauges,
    demo_pump,
    facts_of_rows,
    hydraulics,
    limits,
    run_with,
)
from valvecare.engineering.thermal import temperature_rises
from valvecare.protection.rules import ProofResult
from valvecare.protection.rules.capacity import curve_of, inlet_of, liquid_of
from valvecare.proving.rules import ReadingFact, TestQuantity, Vessel, judge_run
from valvecare.proving.rules.judging import flow_line
from valvecare.proving.rules.steady import steadiness
from valvecare.work.rules.test_methods import (
    HEAD_CURVE,
    HEAT,
    LEVEL,
    METER,
    expected_at,
    instruments_of,
    judge_methods,
)

GROUPS = ("NH-DH", "NH-BC", "NH-FW", "NH-MU", "SM-IN", "SM-HP", "SM-PR", "AF-FW", "AF-CR", "AF-SH")


def outcomes(judged):
    return {line.step: line.outcome for line in judged.steps}


# ---- methods by achievable uncertainty


def test_a_heat_balance_is_able_in_three_groups_of_the_demo_world_only():
    """Stated by the demo world: only NH-FW, SM-HP and AF-FW have a rise that is large enough."""
    able, kinds = [], {}
    for group in (*GROUPS, "AF-PW"):
        row, facts = demo_pump(group)
        expected = expected_at(facts, row["stable_min_flow_m3_per_h"], row["motor_efficiency"])
        gauges = demo_gauges(group[:2])
        judged = judge_methods(facts, expected, instruments_of(gauges, expected))
        found = {method.method: method for method in judged}
        kinds[group] = found
        if found[HEAT].able:
            able.append(group)
        assert found[METER].able
        assert found[METER].relative_uncertainty == pytest.approx(0.01, abs=0.001)
        assert not found[HEAD_CURVE].able
        assert found["Kv and pressure drop"].reason.startswith("circular")
        assert judged[0].method == METER
    assert able == ["NH-FW", "SM-HP", "AF-FW"]
    assert "the rise is too small for a heat balance" in kinds["NH-DH"][HEAT].reason


def test_a_gauge_without_certificate_or_out_of_range_is_no_instrument():
    row, facts = demo_pump("NH-FW")
    expected = expected_at(facts, 27.0, row["motor_efficiency"])
    gauges = [gauge for gauge in demo_gauges("NH") if gauge.kind != "flow meter"]
    found = instruments_of(gauges, expected)
    assert found.u_meter_share is None
    assert found.u_clamp_on_share == pytest.approx(0.03, abs=0.001)
    one_thermometer = [g for g in gauges if g.code not in ("TH-21", "TH-31")]
    assert instruments_of(one_thermometer, expected).u_rise_k is None
    assert all(gauge.uncertainty_at(1e9) is None for gauge in gauges)


# ---- the flow against its requirement


@pytest.mark.parametrize(("flow", "verdict"), [(63.0, "pass"), (59.0, "undecided"), (57.0, "fail")])
def test_three_zones(flow, verdict):
    """JCGM 106 and ILAC-G8, three-zone rule: 60 required, u 1.2, 95 % (cases Y106 and Y108)."""
    assert flow_line("f", flow, 1.2, 60.0, 0.95).outcome == verdict


def test_the_test_of_the_demo_world_that_passed():
    """AF-FW-2V: 50.3 m³/h ± 2 % against 46.5: lower bound 49.3, margin 6 % (stated)."""
    line = flow_line("f", 50.3, 0.01 * 50.3, 46.5, 0.975)
    assert line.value_m3_per_h - line.band_m3_per_h == pytest.approx(49.3, abs=0.05)
    assert (round(line.margin_share, 2), line.outcome) == (0.06, "pass")


def test_the_test_of_the_demo_world_that_failed():
    """NH-FW-3V: 21.0 m³/h ± 5 % of 27 needed, rise 5.48 K at the outlet, 6.73 K in the return;
    fails for its flow, safe against heat, no flashing at 2.28 bar g (stated)."""
    _, facts = demo_pump("NH-FW")
    readings = [
        ReadingFact(n, "T1", quantity, value, None, BEGUN + timedelta(minutes=after), spread, "G")
        for n, (quantity, value, after, spread) in enumerate(
            [
                (TestQuantity.BYPASS_FLOW, 21.0, 0, 0.525),
                (TestQuantity.INLET_TEMPERATURE, 130.0, 0, 0.1),
                (TestQuantity.OUTLET_TEMPERATURE, 135.45, 0, 0.1),
                (TestQuantity.OUTLET_TEMPERATURE, 135.48, 2, 0.1),
                (TestQuantity.RETURN_TEMPERATURE, 136.73, 0, 0.1),
                (TestQuantity.CAVITATION_NOISE, 0.0, 0, None),
            ],
            1,
        )
    ]
    run = facts_of_rows([], hydraulics=facts, readings=tuple(readings), limits=limits())
    judged = judge_run(run)
    checks = {check.name: check for check in judged.step("T1").checks}
    assert checks["bypass flow"].outcome == "fail"
    assert checks["rise"].outcome == "pass"
    assert checks["return line does not flash"].outcome == "pass"
    assert "boils at 3.293 bar a" in checks["return line does not flash"].words
    assert (judged.result, judged.proves_capacity) == (ProofResult.FAIL, False)
    assert judged.recorded["uncertainty_share"] == pytest.approx(0.05)


# ---- steady


def series(*points):
    return [
        ReadingFact(
            number,
            "T1",
            TestQuantity.OUTLET_TEMPERATURE,
            value,
            None,
            BEGUN + timedelta(seconds=seconds),
            0.1,
            "TH",
        )
        for number, (seconds, value) in enumerate(points, 1)
    ]


@pytest.mark.parametrize(
    ("case", "points", "by_heat", "steady"),
    [
        ("nothing read", [], False, False),
        ("one reading", [(0, 135.0)], False, False),
        ("too close together", [(0, 135.0), (30, 135.0)], False, False),
        ("just below 0.1 K a minute", [(0, 135.0), (60, 135.099)], False, True),
        ("at 0.1 K a minute", [(0, 135.0), (60, 135.1)], False, False),
        ("falling as fast", [(0, 135.0), (60, 134.8)], False, False),
        ("the last minute counts", [(0, 130.0), (60, 134.0), (120, 134.05)], False, True),
        ("after five minutes", [(0, 130.0), (300, 136.0)], False, True),
        ("just before five minutes", [(0, 130.0), (299, 136.0)], False, False),
        ("not by the clock for a heat balance", [(0, 130.0), (300, 136.0)], True, False),
    ],
)
def test_steady(case, points, by_heat, steady):
    """Below 0.1 K a minute, or 5 minutes: common practice."""
    found = steadiness(series(*points), k_per_min=0.1, after_min=5.0, by_heat=by_heat)
    assert found.is_steady is steady, (case, found.words)


# ---- the other methods


def heat_rows(flow, *, efficiency=0.95):
    """What gauges would read at this flow, by the exact enthalpy form of IAPWS-IF97."""
    facts = hydraulics()
    liquid = liquid_of(facts)
    degc, inlet = inlet_of(facts)
    rises = temperature_rises(
        curve_of(facts, liquid),
        liquid,
        flow_m3_per_s=flow / 3600.0,
        inlet_temperature_degc=degc,
        inlet_pa_abs=inlet,
    )
    high = (rises.outlet_pa_abs - 101_300.0) / 1e5
    hot, power = degc + rises.outlet_rise_k, rises.shaft_power_w / efficiency / 1e3
    return [
        one("T1", "electrical power", power, "PM-01"),
        one("T1", "temperature at the pump inlet", degc, "TH-01"),
        one("T1", "temperature at the pump outlet", hot, "TH-02"),
        one("T1", "suction pressure", 3.0, "PG-01"),
        one("T1", "discharge pressure", high, "PG-02"),
    ]


def test_heat_balance_finds_the_flow_that_made_the_readings():
    """First law forwards (IF97 enthalpies) and backwards (losses after the compression rise)."""
    facts = facts_of_rows(heat_rows(30.0), method=HEAT)
    line = judge_run(facts).flow
    assert line.value_m3_per_h == pytest.approx(30.0, rel=0.01)
    # power 1 %, rise hypot(0.1, 0.1) K of about 2.8 K by losses: by hand about 2.5 %
    assert 0.02 < line.band_m3_per_h / 2 / line.value_m3_per_h < 0.035


def test_heat_balance_refuses_a_rise_that_is_too_small():
    rows = [row for row in heat_rows(30.0) if "outlet" not in row["quantity"]]
    rows.append(one("T1", "temperature at the pump outlet", 131.5, "TH-02"))
    judged = judge_run(facts_of_rows(rows, method=HEAT))
    assert judged.flow is None
    assert any("too small for a heat balance" in words for words in judged.step("T1").lacking)


def test_the_level_of_the_vessel_gives_the_flow():
    """A dz/dt + other flows: 12 m2, 0.3 m in 400 s, 3.6 m³/h other: 36 m³/h by hand."""
    rows = [
        one("T1", "rise of the vessel's level", 0.3, "LG-01"),
        one("T1", "over the time", 400.0, "SW-01"),
    ]
    vessel = Vessel(12.0, 0.1, 3.6, 0.36)
    line = judge_run(facts_of_rows(rows, method=LEVEL, vessel=vessel)).flow
    assert line.value_m3_per_h == pytest.approx(36.0)
    bare = judge_run(facts_of_rows(rows, method=LEVEL))
    assert "surface of the vessel and its other flows" in bare.step("T1").lacking


# ---- reference conditions


def test_a_slower_pump_is_corrected_to_the_registers_speed():
    """Head by affinity, flow by the root of the pressure drops: worked by hand below."""
    slow = [
        ReadingFact(**{**vars(row), "value": 2900.0}) if row.quantity is TestQuantity.SPEED else row
        for row in run_with().readings
    ]
    multistage = hydraulics(liquid_recovery_factor=1.0)  # not choked
    judged = judge_run(facts_of_rows([], readings=tuple(slow), hydraulics=multistage))
    test_drop = 80.6 - 3.3
    reference = 3.0 + (80.6 - 3.0) * (2970.0 / 2900.0) ** 2 - 3.3
    assert judged.flow.value_m3_per_h == pytest.approx(30.0 * sqrt(reference / test_drop), rel=1e-4)
    assert any(name == "at reference conditions" for name, _ in judged.flow.working)


def test_a_choked_flow_is_never_scaled():
    facts = run_with(facts={"hydraulics": hydraulics(liquid_recovery_factor=0.6, speed_rpm=3000.0)})
    judged = judge_run(facts)
    assert judged.flow.value_m3_per_h == pytest.approx(30.0)
    assert any("a choked flow is not scaled" in note for note in judged.step("T1").notes)


def changed_to(values, **given):
    """The passing run with other values in T1, by quantity."""
    return tuple(
        ReadingFact(**{**vars(row), "value": values.get(row.quantity, row.value)})
        if row.step == "T1"
        else row
        for row in run_with(**given).readings
    )


def test_a_flow_that_would_choke_at_the_reference_is_not_scaled():
    """81.6 bar a before the trim, FL 0.9. By hand with IEC 60534-2-1: choked from 0.81 (81.6 -
    0.94 x 3.1) = 63.7 bar on; in the test the drop is 60.6 bar, with 3.3 bar g behind it 77.3."""
    readings = changed_to({TestQuantity.BACK_PRESSURE: 20.0}, bypass_flow=26.0)
    registered = hydraulics(liquid_recovery_factor=0.9)
    judged = judge_run(facts_of_rows([], readings=readings, hydraulics=registered))
    assert judged.flow.value_m3_per_h == pytest.approx(26.0)
    assert any("a choked flow is not scaled" in note for note in judged.step("T1").notes)
    assert judged.result is ProofResult.FAIL
    never = hydraulics(liquid_recovery_factor=1.0)
    scaled = judge_run(facts_of_rows([], readings=readings, hydraulics=never))
    assert scaled.flow.value_m3_per_h == pytest.approx(26.0 * sqrt(77.3 / 60.6), rel=2e-3)


def test_a_speed_of_nothing_is_refused_by_name():
    readings = changed_to({TestQuantity.SPEED: 0.0})
    judged = judge_run(facts_of_rows([], readings=readings))
    assert judged.flow.value_m3_per_h == pytest.approx(30.0)
    assert any("the speed read" in note for note in judged.step("T1").notes)


def test_swapped_thermometers_are_not_judged():
    cold, hot = TestQuantity.INLET_TEMPERATURE, TestQuantity.OUTLET_TEMPERATURE
    judged = judge_run(facts_of_rows([], readings=changed_to({cold: 142.0, hot: 130.0})))
    line = judged.step("T1")
    words = "a sane rise: the outlet reads 12 K below the inlet (thermometers swapped?)"
    assert (line.outcome, judged.result) == ("not done", ProofResult.UNDECIDED)
    assert words in line.lacking
    within = judge_run(facts_of_rows([], readings=changed_to({cold: 135.1, hot: 135.0})))
    assert within.step("T1").outcome == "pass"  # 0.1 K with 0.14 K of standard uncertainty


def test_what_was_not_read_for_the_correction_is_said():
    facts = run_with()
    kept = tuple(r for r in facts.readings if r.quantity is not TestQuantity.SPEED)
    judged = judge_run(facts_of_rows([], readings=kept))
    assert any("not read: speed" in note for note in judged.step("T1").notes)
    assert judged.result is ProofResult.PASS


# ---- steps and the whole


def test_every_step_passes():
    judged = judge_run(run_with())
    assert outcomes(judged) == {
        **{f"T{number}": "pass" for number in range(7)},
        "T7": "not applicable",
    }
    assert (judged.result, judged.proves_capacity) == (ProofResult.PASS, True)


@pytest.mark.parametrize(
    ("case", "changed", "step", "outcome", "result"),
    [
        ("flow short by more than the band", {"bypass_flow": 26.0}, "T1", "fail", "fail"),
        ("flow inside the band", {"bypass_flow": 27.3}, "T1", "undecided", "undecided"),
        ("bypass shuts too late", {"shuts": 45.0}, "T2", "fail", "fail"),
        ("head off the curve", {"rated": 65.0}, "T3", "fail", "fail"),
        ("bypass opens too late", {"opens": 25.0}, "T4", "fail", "fail"),
        ("turns backwards", {"swing": 8.0}, "T5", "fail", "fail"),
        ("slams", {"slam": 1}, "T5", "fail", "fail"),
        ("weaker pump starved", {"weaker": 20.0}, "T6", "fail", "fail"),
    ],
)
def test_one_criterion_that_is_not_kept(case, changed, step, outcome, result):
    judged = judge_run(run_with(**changed))
    assert judged.step(step).outcome == outcome, case
    assert judged.result == result
    others = {s: o for s, o in outcomes(judged).items() if s != step}
    assert set(others.values()) == {"pass", "not applicable"}


def test_a_step_that_was_left_out_proves_nothing_and_says_what_is_lacking():
    judged = judge_run(run_with(leave=("T4",)))
    line = judged.step("T4")
    assert (line.outcome, judged.result) == ("not done", ProofResult.UNDECIDED)
    assert line.lacking == (
        "0 of at least 4 stops",
        "main flow at which the bypass opens",
    )


def test_a_crossed_abort_limit_proves_nothing_even_when_all_passes():
    facts = run_with(facts={"crossed": ("T1: vibration 12 mm/s, agreed limit 7.1 mm/s",)})
    judged = judge_run(facts)
    assert judged.outcome == "pass"
    assert judged.result is ProofResult.UNDECIDED
    assert judged.words.startswith("Abort limit crossed: T1: vibration 12 mm/s")


def test_a_bypass_that_passes_nothing_fails_the_test():
    judged = judge_run(run_with(bypass_flow=0.0))
    assert judged.step("T1").outcome == "fail"
    assert (judged.result, judged.proves_capacity) == (ProofResult.FAIL, False)
    assert (judged.flow.value_m3_per_h, judged.flow.outcome) == (0.0, "fail")
    assert judged.flow.band_m3_per_h > 0.0
    assert judged.recorded == {}  # its band cannot be told as a share of nothing


def test_a_weaker_pump_pushed_shut_fails_the_test():
    judged = judge_run(run_with(weaker=0.0))
    line = judged.step("T6")
    assert (line.outcome, line.flow.outcome, judged.result) == ("fail", "fail", "fail")


def level_run(rise, *, seconds=400.0, **vessel):
    rows = [
        one("T1", "rise of the vessel's level", rise, "LG-01"),
        one("T1", "over the time", seconds, "SW-01"),
    ]
    given = {"other_outflow_m3_per_h": 0.0, "u_other_outflow_m3_per_h": 0.36, **vessel}
    return facts_of_rows(rows, method=LEVEL, vessel=Vessel(12.0, 0.1, **given))


def test_a_vessel_whose_level_does_not_rise_fails_the_test():
    """Volume balance by hand: 12 m2, no rise, u 2 mm and the step at each of two readings in 400 s:
    0.31 m³/h."""
    judged = judge_run(level_run(0.0))
    assert (judged.flow.value_m3_per_h, judged.flow.outcome) == (0.0, "fail")
    by_level = 12.0 / 400.0 * 3600.0 * sqrt(2.0 * (0.002**2 + 0.001**2 / 12.0))
    assert judged.flow.band_m3_per_h == pytest.approx(2.0 * sqrt(by_level**2 + 0.36**2))
    assert judged.result is ProofResult.FAIL


def test_a_falling_level_counts_with_the_other_flows_or_is_refused():
    """12 m2 falling 0.05 m in 400 s is 5.4 m³/h; 41.4 leave by other lines: 36 by the bypass."""
    judged = judge_run(level_run(-0.05, other_outflow_m3_per_h=41.4))
    assert judged.flow.value_m3_per_h == pytest.approx(36.0)
    alone = judge_run(level_run(-0.05))
    assert alone.flow is None
    words = " ".join(alone.step("T1").lacking)
    assert "the level falls faster than the other flows of the vessel explain" in words
    no_time = judge_run(level_run(0.0, seconds=0.0))
    assert no_time.flow is None
    assert any("duration_s" in words for words in no_time.step("T1").lacking)


def without(facts, quantity):
    return tuple(r for r in facts.readings if r.quantity is not quantity)


def test_a_flow_that_fails_fails_the_run_although_the_step_lacks_a_reading():
    kept = without(run_with(bypass_flow=21.0), TestQuantity.RETURN_TEMPERATURE)
    judged = judge_run(facts_of_rows([], readings=kept))
    assert judged.step("T1").outcome == "not done"
    assert (judged.outcome, judged.result) == ("fail", ProofResult.FAIL)
    assert judged.words.startswith("Bypass flow 21 of 27 m³/h needed: fail. ")
    enough = without(run_with(bypass_flow=30.0), TestQuantity.RETURN_TEMPERATURE)
    assert judge_run(facts_of_rows([], readings=enough)).result is ProofResult.UNDECIDED


def test_the_band_is_recorded_as_it_is_or_not_at_all():
    bare = run_with(bypass_flow=2.0)
    for spread, recorded in ((0.9, pytest.approx(0.9)), (1.1, None)):
        readings = tuple(
            ReadingFact(**{**vars(row), "spread": spread})
            if (row.step, row.quantity) == ("T1", TestQuantity.BYPASS_FLOW)
            else row
            for row in bare.readings
        )
        judged = judge_run(facts_of_rows([], readings=readings))
        assert judged.result is ProofResult.FAIL
        assert judged.recorded.get("uncertainty_share") == recorded


def test_a_gauge_without_certificate_decides_nothing():
    facts = run_with()
    bare = tuple(
        ReadingFact(**{**vars(row), "spread": None})
        if (row.step, row.quantity) == ("T1", TestQuantity.BYPASS_FLOW)
        else row
        for row in facts.readings
    )
    judged = judge_run(facts_of_rows([], readings=bare))
    assert judged.flow is None
    assert "the certified uncertainty of FM-01" in judged.step("T1").lacking


def test_a_total_below_the_minimum_between_two_good_ends_is_seen():
    rows = []
    for number, (main, bypass) in enumerate([(0, 30), (12, 12), (24, 16), (36, 0)], 1):
        rows.append(one("T2", "main flow", float(main), "FM-01", stop=number))
        rows.append(one("T2", "bypass flow", float(bypass), "FM-01", stop=number))
    rows.append(one("T2", "main flow at which the bypass shuts", 36.0, "FM-01"))
    judged = judge_run(facts_of_rows(rows))
    assert judged.step("T2").outcome == "fail"
    second = judged.step("T2").stops[1].total
    assert (second.value_m3_per_h, second.outcome) == (24.0, "fail")


def test_the_total_may_be_read_from_a_meter_at_the_pump():
    rows = []
    for number, (main, pump) in enumerate([(0, 30), (12, 40), (24, 40), (36, 36)], 1):
        rows.append(one("T2", "main flow", float(main), "FM-01", stop=number))
        rows.append(one("T2", "flow through the pump", float(pump), "FM-01", stop=number))
    rows.append(one("T2", "main flow at which the bypass shuts", 36.0, "FM-01"))
    line = judge_run(facts_of_rows(rows)).step("T2")
    assert line.outcome == "pass"
    assert [stop.bypass_m3_per_h for stop in line.stops] == [30.0, 28.0, 16.0, 0.0]


def test_of_two_ways_to_the_total_the_smaller_is_judged_at_every_stop():
    """The pump's meter stands at 40 while main and bypass add up to 10 and 22; 27 needed."""
    rows = []
    for number, (main, bypass) in enumerate([(0, 10), (12, 10), (24, 3), (36, 0)], 1):
        rows.append(one("T2", "main flow", float(main), "FM-01", stop=number))
        rows.append(one("T2", "bypass flow", float(bypass), "FM-01", stop=number))
        rows.append(one("T2", "flow through the pump", 40.0, "FM-01", stop=number))
    rows.append(one("T2", "main flow at which the bypass shuts", 36.0, "FM-01"))
    line = judge_run(facts_of_rows(rows)).step("T2")
    assert line.outcome == "fail"
    assert [stop.total.value_m3_per_h for stop in line.stops] == [10.0, 22.0, 27.0, 36.0]
    assert sum("one meter is wrong" in words for words in line.notes) == 4


def test_a_pump_meter_below_the_main_meter_is_judged_by_the_smaller():
    """36 m³/h cannot leave a pump through which 22 flow; 27 needed: 22 is judged, and fails."""
    rows = []
    for number, (main, pump) in enumerate([(0, 30), (12, 40), (24, 40), (36, 22)], 1):
        rows.append(one("T2", "main flow", float(main), "FM-01", stop=number))
        rows.append(one("T2", "flow through the pump", float(pump), "FM-01", stop=number))
    rows.append(one("T2", "main flow at which the bypass shuts", 36.0, "FM-01"))
    line = judge_run(facts_of_rows(rows)).step("T2")
    assert line.outcome == "fail"
    assert line.stops[3].total.value_m3_per_h == 22.0
    assert [words for words in line.notes if "one meter is wrong" in words] == [
        "stop 4: main flow 36 m³/h is above the 22 m³/h through the pump: one meter is wrong; the "
        "smaller one is judged"
    ]
