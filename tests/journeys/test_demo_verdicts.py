"""The invented demo world gives the expected verdicts: 13 cases with their numbers.

The expected answers are those of the world's own description; its physics was checked
independently (water by IAPWS-IF97).
"""

from datetime import date

import pytest
from django.conf import settings
from django.contrib.auth import get_user_model
from django.test import override_settings

from tests.factories.protection import caught_up
from valvecare.engineering import flow_methods, thermal
from valvecare.engineering.errors import NoSolution
from valvecare.engineering.liquids import WATER
from valvecare.engineering.release import (
    CoverRecord,
    ReleasePolicy,
    ReleaseWay,
    SpringRecord,
    SpringState,
    release_verdict,
)
from valvecare.models import DueItem, FunctionTest, ProtectionValve, SeriesState, Verdict
from valvecare.project.demo.build import DEMO_NOW, build
from valvecare.protection.reads.why import why
from valvecare.protection.rules.capacity import curve_of, inlet_of
from valvecare.work.reads import spring_known
from valvecare.work.reads.mine import my_work

pytestmark = pytest.mark.django_db

OPTIONS = {**settings.VALVECARE, "DEMO": True, "TODAY": "2026-05-04"}


@pytest.fixture(scope="module")
def world(django_db_setup, django_db_blocker):
    """The whole demo world, built once by the actions and pushes a plant would use."""
    from django.db import transaction

    with django_db_blocker.unblock(), override_settings(VALVECARE=OPTIONS):
        outer = transaction.atomic()
        outer.__enter__()
        try:
            build(lambda words: None)
            yield {row.valve.tag: row for row in _current()}
        finally:
            transaction.set_rollback(True)
            outer.__exit__(None, None, None)


def _current():
    return Verdict.objects.filter(is_current=True).select_related("valve")


def codes(row):
    return [ground["code"] for ground in row.grounds]


def due(tag, kind="strip-down"):
    return DueItem.objects.get(valve__tag=tag, kind=kind)


@pytest.fixture
def explain(world):
    from django.contrib.auth import get_user_model

    owner = get_user_model().objects.get(username="demo-admin")
    return lambda tag: why(owner, ProtectionValve.objects.get(tag=tag).pk, DEMO_NOW)


def test_every_valve_in_service_is_judged(world):
    assert len(world) == 32


def test_nh_fw_3v_does_not_protect_for_holding_and_is_safe_against_heat(world, explain):
    row = world["NH-FW-3V"]
    assert (row.word, row.code, row.since) == ("Does not protect", "test_failed", date(2025, 9, 23))
    assert row.reason == (
        "The bypass passes too little: 21 m³/h ±5.0% measured on 23 Sep 2025, 27 m³/h needed."
    )
    assert row.restriction.startswith("Load within 60 s after start.")
    assert "it is safe against heat" in row.restriction
    assert "overdue" in codes(row)
    assert due("NH-FW-3V").share_used == pytest.approx(1.43, abs=0.01)
    tested = explain("NH-FW-3V").tested
    assert tested.kv_m3_per_h == pytest.approx(2.30, abs=0.005)
    assert tested.kv_share == pytest.approx(0.70, abs=0.005)
    assert tested.outlet_rise_k == pytest.approx(5.48, abs=0.01)
    assert tested.return_rise_k == pytest.approx(6.73, abs=0.01)
    assert tested.return_vapour_pressure_bar_a - 1.01325 == pytest.approx(2.28, abs=0.01)
    assert tested.valve_outlet_bar_a - 1.01325 == pytest.approx(3.3, abs=0.001)
    assert not tested.return_boils


def test_its_sisters_are_doubtful_until_looked_into(world):
    for tag in ("NH-FW-1V", "NH-FW-2V"):
        assert world[tag].word == "Doubtful"
        assert "sister_failed" in codes(world[tag])


def test_af_fw_2v_passes_and_still_protects(world):
    row = world["AF-FW-2V"]
    assert (row.word, row.code) == ("Protects", "proven")
    test = FunctionTest.objects.get(valve=row.valve, bypass_flow_m3_per_h__isnull=False)
    assert (test.bypass_flow_m3_per_h, test.uncertainty_share) == (50.3, 0.02)
    assert row.margin_share == pytest.approx(0.06, abs=0.001)
    [note] = row.notes
    assert note.startswith("Passing is a cost, not a loss of protection")
    numbers = row.facts["passing"]["numbers"]
    assert row.facts["passing"]["result"] == "passes"
    assert numbers["line_degc"] == pytest.approx(139.0)
    assert numbers["hours_since_shut"] == pytest.approx(9.0)
    assert numbers["observed_fraction"] == pytest.approx(0.97, abs=0.005)
    assert numbers["shut_fraction"] == pytest.approx(0.56, abs=0.005)
    assert numbers["shut_temperature_degc"] == pytest.approx(90.0, abs=0.5)
    assert numbers["shut_temperature_slow_degc"] == pytest.approx(99.0, abs=1.0)
    assert 84.0 <= numbers["steady_leak_kg_per_h"] < 90.0
    assert numbers["excess_kw"] == pytest.approx(11.0, abs=0.3)
    assert numbers["excess_is_proven"]
    assert numbers["leak_m3_per_h"] == pytest.approx(3.0, abs=0.1)
    # the description says 92 MWh for a year of 8,000 h; the counters of the world run 7,640 h
    assert numbers["energy_mwh_a_year"] == pytest.approx(92.0, rel=0.06)


def test_sm_in_3v_is_doubtful_of_closing(world):
    row = world["SM-IN-3V"]
    assert (row.word, row.code, row.since) == ("Doubtful", "closing_in_doubt", date(2026, 4, 19))
    assert "180 rpm backwards for 14 s" in row.reason
    assert row.restriction == "No restart until zero speed is seen."
    assert codes(row) == ["closing_in_doubt", "overdue"]
    assert due("SM-IN-3V").share_used == pytest.approx(1.03, abs=0.01)


def test_sm_pr_2v_is_computed_not_measured_since_its_trim(world):
    row = world["SM-PR-2V"]
    assert (row.word, row.code) == ("Doubtful", "computed_only_after_change")
    assert row.since == date(2025, 3, 11)
    assert row.next_action == "Measure the bypass flow in a function test."
    assert row.margin_share == pytest.approx(0.098, abs=0.002)


def test_af_cr_2v_is_not_known_and_its_cover_is_treated_as_loaded(world):
    row = world["AF-CR-2V"]
    assert (row.word, row.code) == ("Not known", "no_record")
    assert "long rods and a clamp" in row.next_action
    assert row.restriction == "Keep the pump above 30 m³/h."
    valve = ProtectionValve.objects.select_related("design").get(pk=row.valve_id)
    assert not spring_known(valve)
    design = valve.design
    verdict = release_verdict(
        SpringRecord(rate_n_per_m=None, free_m=None, installed_m=None, state=SpringState.NOT_KNOWN),
        CoverRecord(
            bolt_count=design.cover_bolt_count,
            pitch_m=0.0025,  # M20 coarse, ISO 261
            grip_m=0.06,
            nut_height_m=0.018,  # ISO 4032
            stud_travel_m=0.027,  # of its size in the world's table
        ),
        policy=ReleasePolicy(margin_m=0.005, hand_force_n=150.0),
    )
    assert verdict.way is ReleaseWay.TREAT_AS_LOADED
    assert verdict.clamp_needed


def test_af_cr_1v_protects_until_its_hours_are_reached(world):
    row = world["AF-CR-1V"]
    assert row.word == "Protects"
    assert date(2026, 6, 29) <= row.until <= date(2026, 7, 1)
    assert row.until_earliest <= row.until <= row.until_latest
    assert row.next_action == "Strip-down, by run-hours."
    assert due("AF-CR-1V").share_used == pytest.approx(0.95, abs=0.01)


def test_af_sh_2v_and_3v_are_doubtful_by_the_sister_rule(world):
    for tag in ("AF-SH-2V", "AF-SH-3V"):
        row = world[tag]
        assert (row.word, row.code, row.since) == ("Doubtful", "sister_failed", date(2026, 2, 10))
        assert "Sister AF-SH-1V failed on 10 Feb 2026" in row.reason
        assert "lost motion 2.6 mm limit 1.0" in row.reason
        for shared in ("crew AF July contractor", "seal lot L2281", "consecutive days"):
            assert shared in row.reason
        assert row.next_action.endswith("not in the same shift as its sisters.")
    assert world["AF-SH-1V"].word == "Protects"


def test_a_repair_of_one_part_does_not_reset_the_strip_down_clock(world):
    assert due("AF-SH-1V").due_on == date(2026, 7, 18)


def test_sm_hp_4v_does_not_use_its_frozen_reading(world):
    row = world["SM-HP-4V"]
    assert row.facts["passing"]["result"] == "not judged"
    state = SeriesState.objects.get(series__tag="SM-HP-4P.LINE_T")
    if not state.doubtful_code:
        pytest.fail("the frozen line temperature of SM-HP-4P is believed")
    assert any(note.startswith("Reading not used: SM-HP-4P.LINE_T") for note in row.notes)
    assert row.evidence == "function test of 13 Aug 2024: pass"


def test_sm_hp_3v_counts_on_through_its_replaced_counter(world):
    row = world["SM-HP-3V"]
    assert row.word == "Protects"
    item = due("SM-HP-3V")
    assert item.share_used == pytest.approx(0.47, abs=0.01)
    assert row.until > DEMO_NOW.date()


def test_sm_hp_2v_protects_after_its_broken_spring(world):
    assert (world["SM-HP-2V"].word, world["SM-HP-2V"].code) == ("Protects", "proven")


def test_nh_mu_2v_is_due_by_starts(world):
    item = due("NH-MU-2V")
    assert (item.governed_by, item.state) == ("starts", "overdue")
    assert item.share_used == pytest.approx(1.17, abs=0.01)
    row = world["NH-MU-2V"]
    assert row.word == "Doubtful"
    assert any("strip-down is overdue by starts" in g["words"] for g in row.grounds)


def test_the_weaker_pump_of_the_district_heat_pair_must_be_proven(world):
    row = world["NH-DH-2V"]
    assert (row.word, row.code) == ("Doubtful", "pushed_shut_by_stronger")
    [ground] = row.grounds
    assert ground["numbers"]["limit_m3_per_h"] == pytest.approx(311.0, abs=1.0)
    assert ground["numbers"]["share_of_best_flow"] == pytest.approx(0.36, abs=0.005)
    assert "pushed_shut_by_stronger" not in codes(world["NH-DH-1V"])


def test_a_flow_from_outlet_temperatures_is_refused_where_the_rise_is_too_small(world, explain):
    facts = explain("NH-DH-1V").hydraulics
    curve = curve_of(facts, WATER)
    temperature, inlet = inlet_of(facts)
    flow = 237 / 3600
    rises = thermal.temperature_rises(
        curve, WATER, flow_m3_per_s=flow, inlet_temperature_degc=temperature, inlet_pa_abs=inlet
    )
    assert rises.losses_rise_k == pytest.approx(0.39, abs=0.005)
    assert 0.2 / rises.losses_rise_k == pytest.approx(0.52, abs=0.01)
    with pytest.raises(NoSolution, match="0.2 K error is 52 %"):
        flow_methods.flow_from_energy_balance(
            rises.shaft_power_w,
            head_m=rises.head_m,
            loss_rise_k=rises.losses_rise_k,
            density_kg_per_m3=rises.density_kg_per_m3,
            specific_heat_j_per_kg_k=rises.specific_heat_j_per_kg_k,
            u_shaft_power_w=0.01 * rises.shaft_power_w,
            u_head_m=0.5,
            u_rise_k=0.2,
        )


def test_every_protects_shows_what_it_rests_on(world, explain):
    """S-64: inputs, ages, rule version, margin with measured or computed, cautions."""
    for tag, row in world.items():
        if row.word != "Protects":
            continue
        assert row.rule_version == "verdict 4"
        assert row.margin_share is not None
        assert "(measured)" in row.reason or "(computed)" in row.reason
        assert row.facts["tests"][0]["done_on"] <= "2026-05-04"
        assert row.facts["due"]
        assert row.until is not None
        found = explain(tag)
        assert found.policy is not None
        assert [caution.id for caution in found.cautions] == [
            "closed-in-running",
            "reverse-rotation",
            "advice-only",
        ]
        assert len(found.steps) >= 6
        assert all(step.source for step in found.steps)


def test_nothing_is_stale_once_the_events_are_followed(world):
    from django.contrib.auth import get_user_model

    from valvecare.protection.reads.standing import standings

    owner = get_user_model().objects.get(username="demo-admin")
    assert not any(row["is_stale"] for row in standings(owner, DEMO_NOW))
    caught_up()
    assert not any(row["is_stale"] for row in standings(owner, DEMO_NOW))


def test_a_visitor_finds_work_that_can_be_started(world) -> None:
    found = {
        login: {
            (line.valve, line.kind, line.state)
            for part in (work.today, work.week, work.later)
            for line in part
        }
        for login in ("af-technician-c", "sm-crew-1", "nh-technician-a")
        for person in (get_user_model().objects.get(username=login),)
        for work in (my_work(person, DEMO_NOW, only_mine=True),)
    }
    assert found == {
        "af-technician-c": {
            ("AF-FW-2V", "look and listen", "agreed"),
            ("AF-SH-3V", "strip-down", "readied"),
        },
        "sm-crew-1": {("SM-IN-4V", "function test", "readied")},
        "nh-technician-a": {("NH-FW-2V", "look and listen", "agreed")},
    }


def test_the_exchanged_sensors_are_found_and_blame_no_counter(world) -> None:
    doubts = dict(
        SeriesState.objects.filter(series__tag__startswith="NH-BC-")
        .exclude(series__tag="NH-BC-1P.SUCTION_P")
        .values_list("series__tag", "doubtful_code")
    )
    swapped = {tag for tag, code in doubts.items() if code == "swapped"}
    assert swapped == {"NH-BC-1P.POWER", "NH-BC-2P.POWER"}
    assert {code for tag, code in doubts.items() if tag not in swapped} == {""}
