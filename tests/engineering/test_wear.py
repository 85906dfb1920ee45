"""Worn parts: order of the questions, boundaries, severe kinds, trends and hours to the limit."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.fits import fit_clearance
from valvecare.engineering.trend import theil_sen
from valvecare.engineering.wear import (
    SEVERE,
    SEVERE_ON_GUIDE,
    SEVERE_ON_SPRING,
    Damage,
    Decision,
    Disposition,
    SeatLimits,
    SeatMeasurement,
    WorseWhen,
    limit_disposition,
    seal_disposition,
    seat_disposition,
)
from valvecare.engineering.wear_trend import TrendState, hours_to_limit, wear_trend

MEASURED = SeatMeasurement(
    thickness_m=8.0e-3, damage_depth_m=0.10e-3, contact_ring_complete=True, laps_done=0
)
LIMITS = SeatLimits(
    thickness_min_m=7.5e-3,
    reuse_depth_m=0.02e-3,
    overcut_m=0.02e-3,
    max_per_event_m=0.3e-3,
    max_laps=3,
)


def seat(kinds: Any = (), limits: SeatLimits = LIMITS, **measured: Any) -> Disposition:
    return seat_disposition(replace(MEASURED, **measured), limits, kinds=kinds)


@pytest.mark.parametrize(
    ("case", "measured", "decision", "left_mm", "code"),
    [
        ("shallow", {"damage_depth_m": 0.015e-3}, "reuse", 0.5, "within_reuse_depth"),
        ("equal to reuse depth", {"damage_depth_m": 0.02e-3}, "reuse", 0.5, "within_reuse_depth"),
        ("no damage at all", {"damage_depth_m": 0.0}, "reuse", 0.5, "within_reuse_depth"),
        ("lap", {}, "lap", 0.38, "can_be_lapped"),
        ("equal to the event limit", {"damage_depth_m": 0.28e-3}, "lap", 0.2, "can_be_lapped"),
        ("above the event limit", {"damage_depth_m": 0.281e-3}, "replace", 0.5, "too_deep"),
        (
            "ring broken, shallow",
            {"damage_depth_m": 0.01e-3, "contact_ring_complete": False},
            "lap",
            0.47,
            "can_be_lapped",
        ),
        (
            "at minimum, no damage",
            {"thickness_m": 7.5e-3, "damage_depth_m": 0.0},
            "reuse",
            0.0,
            "within_reuse_depth",
        ),
        (
            "just enough metal",
            {"thickness_m": 7.62e-3},
            "lap",
            0.0,
            "can_be_lapped",
        ),
        ("too thin to lap", {"thickness_m": 7.61e-3}, "replace", 0.11, "too_thin"),
        (
            "below minimum",
            {"thickness_m": 7.49e-3, "damage_depth_m": 0.0},
            "replace",
            -0.01,
            "below_minimum",
        ),
        ("laps used up", {"laps_done": 3}, "replace", 0.5, "laps_used"),
        ("last lap", {"laps_done": 2}, "lap", 0.38, "can_be_lapped"),
    ],
)
def test_seat(
    case: str, measured: dict[str, Any], decision: str, left_mm: float, code: str
) -> None:
    result = seat(**measured)
    assert result.decision == decision, case
    assert result.remaining == pytest.approx(left_mm / 1e3, abs=1e-9)
    assert result.reasons[0].code == code
    assert result.is_provisional == (decision == "lap")
    assert not result.blocks_close_up


@pytest.mark.parametrize("kind", sorted(SEVERE))
def test_severe_damage_goes_before_everything(kind: str) -> None:
    nothing_measured = seat(
        [kind], thickness_m=None, damage_depth_m=None, contact_ring_complete=None, laps_done=None
    )
    assert nothing_measured.decision == Decision.REPLACE
    assert nothing_measured.reasons[0].code == "severe_damage"
    assert seat([kind], damage_depth_m=0.0).decision == Decision.REPLACE


def test_a_missing_piece_must_be_found() -> None:
    assert "Find the missing piece" in seat([Damage.MISSING_PIECE]).reasons[0].text


@pytest.mark.parametrize(
    ("name", "where"),
    [
        ("thickness_m", "measured"),
        ("damage_depth_m", "measured"),
        ("contact_ring_complete", "measured"),
        ("laps_done", "measured"),
        ("thickness_min_m", "limits"),
        ("reuse_depth_m", "limits"),
        ("overcut_m", "limits"),
        ("max_per_event_m", "limits"),
        ("max_laps", "limits"),
    ],
)
def test_one_missing_value_means_cannot_decide(name: str, where: str) -> None:
    nothing: dict[str, Any] = {name: None}
    result = seat(**nothing) if where == "measured" else seat(limits=replace(LIMITS, **nothing))
    assert result.decision == Decision.CANNOT_DECIDE
    assert result.blocks_close_up
    assert result.remaining is None
    assert [reason.code for reason in result.reasons] == [f"{name}_missing"]


@pytest.mark.parametrize("kinds", [None, "crack", ["rusty"], [None]])
def test_kinds_nobody_knows_are_refused(kinds: Any) -> None:
    with pytest.raises(OutOfRange) as refusal:
        seat(kinds)
    assert refusal.value.name == "kinds"


@given(depth=st.floats(1e-6, 0.5e-3), more=st.floats(0.0, 0.2e-3), laps=st.integers(0, 4))
def test_deeper_damage_never_gets_a_better_decision(depth: float, more: float, laps: int) -> None:
    rank = [Decision.REPLACE, Decision.LAP, Decision.REUSE]
    shallow = seat(damage_depth_m=depth, laps_done=laps)
    deep = seat(damage_depth_m=depth + more, laps_done=laps)
    assert rank.index(deep.decision) <= rank.index(shallow.decision)


@given(thickness=st.floats(7.0e-3, 9.0e-3), depth=st.floats(1e-6, 0.4e-3))
def test_lapping_never_goes_below_the_minimum(thickness: float, depth: float) -> None:
    result = seat(thickness_m=thickness, damage_depth_m=depth)
    if result.decision == Decision.LAP:
        assert result.remaining is not None
        assert result.remaining >= -1e-9


@pytest.mark.parametrize(
    ("case", "measured", "limit", "worse", "unit", "decision", "left"),
    [
        ("guide clearance", 0.31e-3, 0.45e-3, "higher", "m", "reuse", 0.14e-3),
        ("at its limit", 0.45e-3, 0.45e-3, "higher", "m", "reuse", 0.0),
        ("over it", 0.46e-3, 0.45e-3, "higher", "m", "replace", -0.01e-3),
        ("lost motion of the demo", 1.4e-3, 1.0e-3, "higher", "m", "replace", -0.4e-3),
        ("no lost motion", 0.0, 1.0e-3, "higher", "m", "reuse", 1.0e-3),
        ("preload loss", 0.04, 0.10, "higher", "", "reuse", 0.06),
        ("preload loss at limit", 0.10, 0.10, "higher", "", "reuse", 0.0),
        ("spring longer than nominal", -0.01, 0.10, "higher", "", "reuse", 0.11),
        ("holes open", 0.88, 0.95, "lower", "", "replace", -0.07),
        ("wall", 12.0e-3, 9.5e-3, "lower", "m", "reuse", 2.5e-3),
    ],
)
def test_one_value_one_limit(
    case: str,
    measured: float,
    limit: float,
    worse: str,
    unit: str,
    decision: str,
    left: float,
) -> None:
    result = limit_disposition(
        measured, limit=limit, worse_when=WorseWhen(worse), unit=unit, kinds=[], severe=SEVERE
    )
    assert result.decision == decision, case
    assert result.remaining == pytest.approx(left, abs=1e-9)


@pytest.mark.parametrize(
    ("severe", "kind"),
    [
        (SEVERE_ON_SPRING, Damage.CORROSION_PIT),
        (SEVERE_ON_SPRING, Damage.HEAT_COLOUR),
        (SEVERE_ON_SPRING, Damage.COIL_CLASH),
        (SEVERE_ON_GUIDE, Damage.GALLING),
    ],
)
def test_some_kinds_are_severe_on_some_parts(severe: frozenset[Damage], kind: Damage) -> None:
    call: dict[str, Any] = {"limit": 0.1, "worse_when": WorseWhen.HIGHER, "unit": ""}
    assert limit_disposition(0.0, **call, kinds=[kind], severe=severe).decision == Decision.REPLACE
    assert limit_disposition(0.0, **call, kinds=[kind], severe=SEVERE).decision == Decision.REUSE


@pytest.mark.parametrize(
    ("measured", "limit", "codes"),
    [
        (None, 0.45e-3, ["measured_missing"]),
        (0.3e-3, None, ["limit_missing"]),
        (None, None, ["measured_missing", "limit_missing"]),
    ],
)
def test_a_missing_value_or_limit_cannot_decide(
    measured: float | None, limit: float | None, codes: list[str]
) -> None:
    result = limit_disposition(
        measured, limit=limit, worse_when=WorseWhen.HIGHER, unit="m", kinds=[], severe=SEVERE
    )
    assert result.decision == Decision.CANNOT_DECIDE
    assert [reason.code for reason in result.reasons] == codes


@pytest.mark.parametrize(
    ("case", "name", "measured", "limit", "worse", "unit"),
    [
        ("mm", "measured", 0.31, 0.45e-3, "higher", "m"),
        ("limit in mm", "limit", 0.31e-3, 0.45, "higher", "m"),
        ("thousandth", "measured", 0.31e-6, 0.45e-3, "higher", "m"),
        ("wall in mm", "measured", 12.0, 9.5e-3, "lower", "m"),
        ("wall limit a thousandth", "limit", 12e-3, 9.5e-6, "lower", "m"),
        ("per cent", "measured", 4.0, 0.10, "higher", ""),
        ("limit in per cent", "limit", 0.04, 10.0, "higher", ""),
        ("not a number", "measured", float("nan"), 0.45e-3, "higher", "m"),
        ("negative length", "measured", -0.1e-3, 0.45e-3, "higher", "m"),
        ("zero limit", "limit", 0.1e-3, 0.0, "higher", "m"),
        ("unknown unit", "unit", 0.1, 0.2, "higher", "mm"),
    ],
)
def test_a_spoiled_value_or_limit_is_refused(
    case: str, name: str, measured: float, limit: float, worse: str, unit: str
) -> None:
    with pytest.raises(OutOfRange) as refusal:
        limit_disposition(
            measured, limit=limit, worse_when=WorseWhen(worse), unit=unit, kinds=[], severe=SEVERE
        )
    assert refusal.value.name == name, case


def test_seals_are_always_new() -> None:
    assert seal_disposition().decision == Decision.REPLACE
    assert seal_disposition().reasons[0].code == "always_new"


HOURS = [0.0, 4000.0, 8000.0, 12000.0]
CLEARANCES = [60e-6, 78e-6, 101e-6, 119e-6]


def test_growth_and_life() -> None:
    trend = wear_trend(HOURS, CLEARANCES, repeatability_m=5e-6)
    assert trend.state == TrendState.TREND
    assert trend.method == "least squares"
    assert trend.slope_m_per_h == pytest.approx(5e-9)
    life = hours_to_limit(trend, limit_m=150e-6, at_hours=12000)
    assert life.hours_left == pytest.approx(6100)
    assert life.next_check_in_h == pytest.approx(3050)
    assert not life.at_limit


def test_an_outlier_turns_to_the_median_of_slopes() -> None:
    hours = [0.0, 2000.0, 4000.0, 6000.0, 8000.0, 10000.0]
    clearances = [60e-6, 70e-6, 80e-6, 190e-6, 100e-6, 110e-6]
    trend = wear_trend(hours, clearances, repeatability_m=3e-6)
    assert trend.method == "median of slopes"
    assert trend.slope_m_per_h == pytest.approx(5e-9, rel=0.1)
    assert "Reading 4 lies off the line" in trend.reasons[0].text


@settings(deadline=None)  # the trend library imports scipy on its first call
@given(
    noise=st.lists(st.floats(-40e-6, 40e-6), min_size=5, max_size=9),
    slope=st.floats(3e-9, 2e-8),
)
def test_the_robust_line_agrees_with_the_trend_library(noise: list[float], slope: float) -> None:
    hours = [1000.0 * i for i in range(len(noise))]
    clearances = [100e-6 + slope * h + n for h, n in zip(hours, noise, strict=True)]
    trend = wear_trend(hours, clearances, repeatability_m=1e-7)
    assume(trend.method == "median of slopes")
    found = theil_sen(hours, clearances, confidence=0.9)
    assert trend.slope_m_per_h == pytest.approx(found.per_day, rel=1e-9)


@pytest.mark.parametrize(
    ("case", "hours", "clearances", "code"),
    [
        ("none", [], [], "too_few_readings"),
        ("two, falling", [0, 4000], [80e-6, 70e-6], "too_few_readings"),
        ("two, growing", [0, 4000], [70e-6, 80e-6], "too_few_readings"),
        ("falling", [0, 4000, 8000], [90e-6, 80e-6, 70e-6], "not_growing"),
        ("flat", [0, 4000, 8000], [90e-6, 90e-6, 90e-6], "not_growing"),
        ("within the gauge", [0, 4000, 8000], [90e-6, 91e-6, 92e-6], "below_repeatability"),
    ],
)
def test_no_trend(case: str, hours: list[float], clearances: list[float], code: str) -> None:
    trend = wear_trend(hours, clearances, repeatability_m=5e-6)
    assert trend.state == TrendState.NO_TREND, case
    assert [reason.code for reason in trend.reasons] == [code]
    with pytest.raises(NoSolution, match="There is no trend"):
        hours_to_limit(trend, limit_m=150e-6, at_hours=12000)


def test_a_limit_that_is_reached_is_due_now() -> None:
    trend = wear_trend(HOURS, CLEARANCES, repeatability_m=5e-6)
    life = hours_to_limit(trend, limit_m=150e-6, at_hours=20000)
    assert (life.hours_left, life.next_check_in_h, life.at_limit) == (0.0, 0.0, True)


def test_hours_before_the_last_reading_are_refused() -> None:
    trend = wear_trend(HOURS, CLEARANCES, repeatability_m=5e-6)
    with pytest.raises(OutOfRange, match="at least 12000, the hours of the last reading"):
        hours_to_limit(trend, limit_m=150e-6, at_hours=11999)


@given(now=st.floats(12000, 20000), later=st.floats(0, 5000))
def test_more_hours_never_leave_more_life(now: float, later: float) -> None:
    trend = wear_trend(HOURS, CLEARANCES, repeatability_m=5e-6)
    first = hours_to_limit(trend, limit_m=150e-6, at_hours=now)
    second = hours_to_limit(trend, limit_m=150e-6, at_hours=now + later)
    assert second.hours_left <= first.hours_left


@pytest.mark.parametrize(
    ("case", "hours", "clearances", "repeatability", "name"),
    [
        ("lengths", [0, 1, 2], [1e-4, 1e-4], 5e-6, "clearances_m"),
        ("not ascending", [0, 4000, 4000], [6e-5, 7e-5, 8e-5], 5e-6, "hours[2]"),
        ("mm", [0, 4000, 8000], [0.06, 0.078, 0.1], 5e-6, "clearances_m[0]"),
        ("missing", [0, None, 8000], [6e-5, 7e-5, 8e-5], 5e-6, "hours[1]"),
        ("not a number", [0, 1, 2], [6e-5, float("nan"), 8e-5], 5e-6, "clearances_m[1]"),
        ("no repeatability", [0, 1, 2], [6e-5, 7e-5, 8e-5], 0.0, "repeatability_m"),
    ],
)
def test_spoiled_readings_are_refused_by_place(
    case: str, hours: Any, clearances: Any, repeatability: float, name: str
) -> None:
    with pytest.raises(OutOfRange) as refusal:
        wear_trend(hours, clearances, repeatability_m=repeatability)
    assert refusal.value.name == name, case


ISO_SIZES = [(3, 6), (6, 10), (10, 18), (18, 30), (30, 50), (50, 80), (80, 120), (120, 180)]


@pytest.mark.parametrize(("over", "up_to"), ISO_SIZES)
def test_fits_agree_with_the_formulas_of_iso_286(over: float, up_to: float) -> None:
    """ISO 286-1 (from memory): i = 0.45 D^(1/3) + 0.001 D um; IT6 10 i, IT7 16 i, IT8 25 i;
    f = 5.5 D^0.41, g = 2.5 D^0.34; D the geometric mean of the range; then rounded."""
    mean = (over * up_to) ** 0.5
    i = 0.45 * mean ** (1 / 3) + 0.001 * mean
    g6 = fit_clearance(up_to / 1e3, fit="H7/g6")
    f7 = fit_clearance(up_to / 1e3, fit="H8/f7")
    assert g6.smallest_m * 1e6 == pytest.approx(2.5 * mean**0.34, abs=1.0)
    assert f7.smallest_m * 1e6 == pytest.approx(5.5 * mean**0.41, abs=1.0)
    assert (g6.largest_m - g6.smallest_m) * 1e6 == pytest.approx(26 * i, abs=1.6)
    assert (f7.largest_m - f7.smallest_m) * 1e6 == pytest.approx(41 * i, abs=2.0)


@pytest.mark.parametrize(
    ("size_mm", "hole_um", "printed_um"),
    [(10, 15, 14), (30, 21, 25)],
)
def test_public_misprints_of_h7_at_range_edges_are_not_matched(
    size_mm: float, hole_um: float, printed_um: float
) -> None:
    """One page gives 10 mm H7 as 14 um, another 30 mm as 25 um; the edge is in the lower range."""
    limits = fit_clearance(size_mm / 1e3, fit="H7/g6")
    shaft = {10: 9, 30: 13}[int(size_mm)]
    hole = (limits.largest_m - limits.smallest_m) * 1e6 - shaft
    assert hole == pytest.approx(hole_um)
    assert hole != pytest.approx(printed_um)


def test_a_contact_ring_that_is_neither_yes_nor_no_is_refused() -> None:
    with pytest.raises(OutOfRange, match="yes, no or not looked at"):
        seat(contact_ring_complete="mostly")


def test_reasons_speak_millimetres() -> None:
    result = limit_disposition(
        0.46e-3, limit=0.45e-3, worse_when=WorseWhen.HIGHER, unit="m", kinds=[], severe=SEVERE
    )
    assert result.reasons[0].text == ("Measured 0.46 mm, limit 0.45 mm: beyond the limit, replace.")
