"""Seat leakage: rates and limits, the verdict, what is inconclusive, misprints not followed."""

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.leak_classes import (
    DROP_VOLUME_M3,
    api598_check_valve_limit,
    api598_duration,
    bubbles_per_second,
    drops_per_minute,
    fci_capacity_share,
    fci_class_v_limit,
    fci_class_v_limit_inch,
    fci_class_vi_limit,
    iso5208_limit,
    iso5208_rates,
    leak_rate_from_drops,
    zero_drop_bound,
)
from valvecare.engineering.leak_verdict import (
    LeakAssessment,
    LeakRequirement,
    LeakResult,
    LeakTest,
    best_iso5208_rate,
    leak_assessment,
)

TABLES = Path(__file__).parents[1] / "checks" / "tables" / "mechanical"
MM3 = 1e-9
ML_PER_MIN = 1e-6 / 60
TEST = LeakTest(
    dn=100,
    medium="liquid",
    difference_pa=11e5,
    seconds=300.0,
    temperature_degc=20.0,
    drops=95,
    drop_volume_m3=DROP_VOLUME_M3,
    leak_m3_per_s=None,
)
NEED = LeakRequirement(rate="E", difference_pa=11e5, seconds=60.0, pressure_tolerance=0.05)
with (TABLES / "table_leak_rates.csv").open(newline="", encoding="utf-8") as _handle:
    ISO_ROWS = [
        row
        for row in csv.DictReader(_handle)
        if row["scheme"].startswith("ISO 5208") and row["class"] != "A"
    ]


def assess(need: LeakRequirement = NEED, **test: Any) -> LeakAssessment:
    return leak_assessment(replace(TEST, **test), need)


@pytest.mark.parametrize("row", ISO_ROWS, ids=lambda row: row["class"])
def test_limits_agree_with_the_rate_table(row: dict[str, str]) -> None:
    for medium in ("liquid", "gas"):
        per_dn = float(row[f"{medium}_limit"].split("*")[0])
        limit = iso5208_limit(row["class"], dn=150, medium=medium)
        assert limit == pytest.approx(per_dn * 150 * MM3)


def test_the_rate_table_was_read() -> None:
    assert len(ISO_ROWS) == 9
    assert [row["class"] for row in ISO_ROWS] == list(iso5208_rates()[1:])


@pytest.mark.parametrize("medium", ["liquid", "gas"])
def test_rates_get_looser_in_order(medium: str) -> None:
    limits = [iso5208_limit(rate, dn=100, medium=medium) for rate in iso5208_rates()[1:]]
    assert limits == sorted(limits)


def test_rate_a_has_no_number() -> None:
    with pytest.raises(OutOfRange, match="rate A is 'no visible leak'"):
        iso5208_limit("A", dn=100, medium="liquid")


@pytest.mark.parametrize("rate", iso5208_rates()[1:])
def test_equality_meets_a_rate(rate: str) -> None:
    limit = iso5208_limit(rate, dn=100, medium="liquid")
    assert best_iso5208_rate(limit, dn=100, medium="liquid") == rate


def test_beyond_the_loosest_rate_there_is_none() -> None:
    assert best_iso5208_rate(201 * MM3, dn=100, medium="liquid") is None


def test_the_factor_ten_misprint_of_gas_bubbles_is_not_matched() -> None:
    """A page prints 9.1673 x DN bubbles for rate G; the other rows' ratio gives 91.67 x DN."""
    bubbles = bubbles_per_second(iso5208_limit("G", dn=100, medium="gas"))
    assert bubbles == pytest.approx(9167, rel=0.002)
    assert bubbles / (9.1673 * 100) == pytest.approx(10, rel=0.01)


def test_rate_g_equals_the_check_valve_limit_of_api_598() -> None:
    """2 x DN mm3/s at DN 100 is 12 ml/min, 3 ml/min per inch at NPS 4."""
    api = api598_check_valve_limit(4, seat="metal", medium="liquid")
    assert iso5208_limit("G", dn=100, medium="liquid") == pytest.approx(api)


def test_three_drops_instead_of_three_millilitres_is_not_matched() -> None:
    """One page's text says drops where its table says ml: a factor of 16."""
    api = api598_check_valve_limit(4, seat="metal", medium="liquid")
    in_drops = drops_per_minute(api, drop_volume_m3=DROP_VOLUME_M3)
    assert in_drops == pytest.approx(16 * 3 * 4)


@pytest.mark.parametrize(
    ("nps", "ml_per_min"), [(1, 6.0), (2, 6.0), (2.5, 7.5), (6, 18.0), (24, 72.0)]
)
def test_api_598_metal_check_valves(nps: float, ml_per_min: float) -> None:
    limit = api598_check_valve_limit(nps, seat="metal", medium="liquid")
    assert limit / ML_PER_MIN == pytest.approx(ml_per_min)


def test_api_598_gas_and_resilient_seats() -> None:
    assert api598_check_valve_limit(4, seat="metal", medium="gas") * 3600 == pytest.approx(0.168)
    assert api598_check_valve_limit(4, seat="resilient", medium="liquid") == 0.0
    with pytest.raises(OutOfRange, match="above 24 by agreement only"):
        api598_check_valve_limit(26, seat="metal", medium="liquid")


@pytest.mark.parametrize(("nps", "seconds"), [(2, 15), (2.5, 60), (6, 60), (8, 120), (12, 120)])
def test_api_598_durations(nps: float, seconds: float) -> None:
    assert api598_duration(nps) == seconds


def test_durations_on_which_sources_disagree_are_refused() -> None:
    with pytest.raises(OutOfRange, match="above 12 sources disagree"):
        api598_duration(14)


def test_class_v_forms_differ_by_five_per_cent() -> None:
    si = fci_class_v_limit(0.100, difference_pa=1e6)
    inch = fci_class_v_limit_inch(0.100, difference_pa=1e6)
    assert si / inch == pytest.approx(1.05, abs=0.005)


@pytest.mark.parametrize(
    ("seat_mm", "ml_per_min"),
    [
        (25, 0.15),
        (38, 0.30),
        (51, 0.45),
        (64, 0.60),
        (76, 0.90),
        (102, 1.70),
        (152, 4.00),
        (203, 6.75),
        (250, 11.1),
        (300, 16.0),
    ],
)
def test_class_vi_table(seat_mm: float, ml_per_min: float) -> None:
    """ANSI/FCI 70-2-2006 table 2 as quoted on a public page (seen)."""
    assert fci_class_vi_limit(seat_mm / 1e3) / ML_PER_MIN == pytest.approx(ml_per_min)


def test_class_vi_is_not_read_between_its_rows() -> None:
    with pytest.raises(OutOfRange, match="the table is not read in between"):
        fci_class_vi_limit(0.100)


def test_capacity_classes() -> None:
    assert [fci_capacity_share(c) for c in ("II", "III", "IV")] == [0.005, 0.001, 0.0001]


def test_met() -> None:
    result = assess()
    assert result.result == LeakResult.MET
    assert result.best_rate == "E"
    assert result.leak_m3_per_s == pytest.approx(19.79 * MM3, abs=0.01 * MM3)
    assert result.margin == pytest.approx(1 - 19.79 / 30, abs=1e-3)
    shown = {q.name: q.value for q in result.inputs}
    assert shown["pressure difference"] == 11e5
    assert shown["time"] == 300.0
    assert shown["temperature"] == 20.0
    assert shown["medium"] == "liquid"


def test_not_met() -> None:
    result = assess(replace(NEED, rate="D"))
    assert (result.result, result.best_rate) == (LeakResult.NOT_MET, "E")
    assert result.margin == pytest.approx(1 - 19.79 / 10, abs=1e-3)


def test_not_met_stays_not_met_when_short() -> None:
    result = assess(replace(NEED, rate="D", seconds=600.0))
    assert result.result == LeakResult.NOT_MET


@pytest.mark.parametrize(
    ("case", "need", "test", "result", "code"),
    [
        ("too short", replace(NEED, seconds=600.0), {}, "inconclusive", "test_too_short"),
        (
            "low pressure",
            NEED,
            {"difference_pa": 0.5e5},
            "inconclusive",
            "other_pressure",
        ),
        (
            "low pressure, leaking",
            replace(NEED, rate="D"),
            {"difference_pa": 0.5e5},
            "inconclusive",
            "other_pressure",
        ),
        ("inside the tolerance", NEED, {"difference_pa": 11.5e5}, "met", "compared"),
        # one drop in 300 s is 0.21 mm3/s, below rate B of 1.0 mm3/s
        ("no drop proves B", replace(NEED, rate="B"), {"drops": 0}, "met", "compared"),
        # one drop in 60 s is 1.04 mm3/s, above rate B of 1.0 mm3/s
        (
            "no drop, time too short for B",
            replace(NEED, rate="B"),
            {"drops": 0, "seconds": 60.0},
            "inconclusive",
            "test_too_short",
        ),
        ("rate A, no drop", replace(NEED, rate="A"), {"drops": 0}, "met", "rate_a"),
        (
            "rate A, no drop, too short",
            replace(NEED, rate="A", seconds=600.0),
            {"drops": 0},
            "inconclusive",
            "test_too_short",
        ),
        ("rate A, one drop", replace(NEED, rate="A"), {"drops": 1}, "not met", "rate_a"),
    ],
)
def test_verdicts(
    case: str, need: LeakRequirement, test: dict[str, Any], result: str, code: str
) -> None:
    found = assess(need, **test)
    assert found.result == result, case
    assert found.reasons[-1].code == code


def test_the_needed_time_is_stated() -> None:
    result = assess(replace(NEED, rate="B"), drops=0, seconds=60.0)
    assert "count for at least 62.5 s" in result.reasons[-1].text


def test_no_drop_gives_a_bound_not_a_measurement() -> None:
    result = assess(drops=0, seconds=60.0)
    assert result.is_bound
    assert result.leak_m3_per_s == pytest.approx(1.042 * MM3, abs=0.001 * MM3)
    assert "below" in result.reasons[0].text


@pytest.mark.parametrize(
    ("case", "test", "name", "words"),
    [
        ("both", {"leak_m3_per_s": 1e-8}, "leak_m3_per_s", "give one"),
        ("neither", {"drops": None}, "drops or leak_m3_per_s", "nothing was measured"),
        ("no leak as a rate", {"drops": None, "leak_m3_per_s": 0.0}, "leak_m3_per_s", "0 drops"),
        ("drops of gas", {"medium": "gas"}, "drops", "give a rate for gas"),
        ("half a drop", {"drops": 9.5}, "drops", "a whole number"),
        ("no drop volume", {"drop_volume_m3": None}, "drop_volume_m3", "no value is assumed"),
        ("no temperature", {"temperature_degc": None}, "temperature_degc", "no value is assumed"),
        ("unknown medium", {"medium": "oil"}, "medium", "the limits differ"),
    ],
)
def test_a_refusal_says_what_and_why(
    case: str, test: dict[str, Any], name: str, words: str
) -> None:
    with pytest.raises(OutOfRange) as refusal:
        assess(**test)
    assert refusal.value.name == name, case
    assert words in str(refusal.value)


@given(drops=st.integers(1, 5000), more=st.integers(0, 5000), seconds=st.floats(10.0, 3600.0))
def test_more_drops_never_meet_a_tighter_rate(drops: int, more: int, seconds: float) -> None:
    order = [*iso5208_rates()[1:], None]

    def rate(count: int) -> int:
        leak = leak_rate_from_drops(count, seconds=seconds, drop_volume_m3=DROP_VOLUME_M3)
        return order.index(best_iso5208_rate(min(leak, 1e-2), dn=100, medium="liquid"))

    assert rate(drops + more) >= rate(drops)


@given(seconds=st.floats(5.0, 86_400.0))
def test_one_drop_is_the_bound_of_none(seconds: float) -> None:
    bound = zero_drop_bound(seconds, drop_volume_m3=DROP_VOLUME_M3)
    one = leak_rate_from_drops(1, seconds=seconds, drop_volume_m3=DROP_VOLUME_M3)
    assert bound == pytest.approx(one)


def test_a_rate_measured_by_volume_is_judged_the_same() -> None:
    by_volume = assess(drops=None, drop_volume_m3=None, leak_m3_per_s=19.79 * MM3)
    assert (by_volume.result, by_volume.best_rate) == (LeakResult.MET, "E")
    assert not by_volume.is_bound
    assert by_volume.steps[0].how == "measured"


def test_gas_is_judged_by_the_gas_column() -> None:
    test: dict[str, Any] = {"medium": "gas", "drops": None, "drop_volume_m3": None}
    # rate E for gas at DN 100: 30 000 mm3/s
    assert assess(**test, leak_m3_per_s=30_000 * MM3).result == LeakResult.MET
    assert assess(**test, leak_m3_per_s=30_001 * MM3).result == LeakResult.NOT_MET
