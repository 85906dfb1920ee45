"""Springs and the release of the cover: published examples, invented designs, refusals, limits."""

from collections.abc import Callable
from dataclasses import replace
from math import pi
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.release import (
    CoverRecord,
    ReleasePolicy,
    ReleaseVerdict,
    ReleaseWay,
    SpringRecord,
    SpringState,
    release_need,
    release_verdict,
    rod_positions,
)
from valvecare.engineering.spring_design import (
    active_coils_for_rate,
    bergstrasser_factor,
    nested_spring_load,
    spring_rate,
    spring_shear_stress,
    wahl_factor,
)
from valvecare.engineering.springs import (
    floating_travel,
    load_loss_from_set,
    opening_pressure,
    preload_after_lapping,
    preload_loss_from_set,
    residual_force,
    spring_energy,
    spring_preload,
)

POLICY = ReleasePolicy(margin_m=0.010, hand_force_n=0.0)

# Invented valve designs: seat mm, rate N/mm, free, installed, lift, preload N, energy J,
# opening and full-lift difference bar, usable stud travel mm, verdict, cover bolts.
DESIGNS = [
    ("ALD-16 DN250", 245, 9.0, 330, 267, 62, 567, 17.9, 0.12, 0.24, 26, "long rods", 12),
    ("ALD-16 DN300", 295, 11.0, 390, 315, 74, 825, 30.9, 0.12, 0.24, 28, "long rods", 12),
    ("ALD-16 DN350 S", 340, 10.5, 430, 344, 85, 903, 38.8, 0.10, 0.20, 30, "long rods", 16),
    ("BIR-40 DN65", 62, 2.4, 95, 70, 16, 60, 0.8, 0.20, 0.33, 24, "long rods", 8),
    ("BIR-40 DN100", 95, 3.6, 140, 104, 24, 130, 2.3, 0.18, 0.30, 27, "long rods", 8),
    ("BIR-40 DN200", 195, 8.0, 250, 194, 49, 448, 12.5, 0.15, 0.28, 32, "long rods", 12),
    ("CED-100 DN100", 90, 5.3, 130, 100, 23, 159, 2.4, 0.25, 0.44, 45, "standard studs", 8),
    ("ELM-160 DN125", 110, 7.0, 150, 116, 28, 238, 4.0, 0.25, 0.46, 50, "standard studs", 8),
    ("FIR-100S DN200", 185, 11.0, 230, 181, 46, 539, 13.2, 0.20, 0.39, 40, "long rods", 12),
]


def spring(
    rate: float | None = 30.0,
    free: float | None = 180.0,
    installed: float | None = 140.0,
    state: SpringState = SpringState.SOUND,
) -> SpringRecord:
    return SpringRecord(
        rate_n_per_m=None if rate is None else rate * 1e3,
        free_m=None if free is None else free / 1e3,
        installed_m=None if installed is None else installed / 1e3,
        state=state,
    )


def cover(travel: float = 15.0, bolts: int = 8) -> CoverRecord:
    return CoverRecord(
        bolt_count=bolts,
        pitch_m=0.002,
        grip_m=0.040,
        nut_height_m=0.013,
        stud_travel_m=travel / 1e3,
    )


def verdict(of: SpringRecord, on: CoverRecord | None = None) -> ReleaseVerdict:
    return release_verdict(of, on or cover(), policy=POLICY)


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design[0])
def test_invented_designs(design: tuple[Any, ...]) -> None:
    _, seat, rate, free, installed, lift, preload, energy, opens, full, travel, way, bolts = design
    result = verdict(spring(rate, free, installed), cover(travel, bolts))
    assert result.preload_n is not None
    assert result.preload_n == pytest.approx(preload, abs=0.5)
    assert result.energy_j == pytest.approx(energy, abs=0.051)
    assert result.way == way
    assert result.clamp_needed is False
    closed = opening_pressure(result.preload_n, seat_m=seat / 1e3) / 1e5
    lifted = opening_pressure(result.preload_n + rate * lift, seat_m=seat / 1e3) / 1e5
    assert closed == pytest.approx(opens, abs=0.0051)
    assert lifted == pytest.approx(full, abs=0.0051)


def test_long_rods_of_the_worked_case() -> None:
    """30 N/mm, 180 to 140 mm, studs of 15 mm: 1200 N, 24 J, 750 N left, 50 mm, 20 turns of M16."""
    result = verdict(spring())
    assert result.way == ReleaseWay.LONG_RODS
    assert result.preload_n == pytest.approx(1200)
    assert result.energy_j == pytest.approx(24)
    assert result.residual_n == pytest.approx(750)
    assert result.rod_travel_m == pytest.approx(0.050)
    assert result.rod_thread_m == pytest.approx(0.040 + 0.050 + 0.013)
    assert result.turns_to_free == pytest.approx(20)
    assert (result.rods_at_least, result.rods_better) == (2, 4)
    assert result.rod_positions == (1, 3, 5, 7)
    assert result.reasons[0].code == "studs_too_short"
    assert any("at least 2, better 4, cover rods" in line for line in result.instructions)
    assert any("never pull the cover down" in line for line in result.instructions)


def test_studs_exactly_long_enough_are_enough() -> None:
    assert verdict(spring(), cover(50.0)).way == ReleaseWay.STANDARD_STUDS
    assert verdict(spring(), cover(49.99)).way == ReleaseWay.LONG_RODS


@pytest.mark.parametrize(
    ("case", "of", "codes", "thread_m"),
    [
        ("no rate", spring(rate=None), ["rate_n_per_m_not_known"], 0.040 + 0.180 + 0.010 + 0.013),
        ("no free length", spring(free=None), ["free_m_not_known"], 0.040 + 0.140 + 0.023),
        ("no installed length", spring(installed=None), ["installed_m_not_known"], 0.243),
        (
            "nothing known",
            spring(None, None, None, SpringState.NOT_KNOWN),
            [
                "rate_n_per_m_not_known",
                "free_m_not_known",
                "installed_m_not_known",
                "spring_not_known",
            ],
            None,
        ),
        ("broken", spring(state=SpringState.BROKEN), ["spring_broken"], 0.243),
        ("jammed", spring(state=SpringState.JAMMED), ["spring_jammed"], 0.243),
        ("state unknown", spring(state=SpringState.NOT_KNOWN), ["spring_not_known"], 0.243),
    ],
)
def test_an_unknown_or_damaged_spring_counts_as_loaded(
    case: str, of: SpringRecord, codes: list[str], thread_m: float | None
) -> None:
    result = verdict(of, cover(60.0))
    assert result.way == ReleaseWay.TREAT_AS_LOADED, case
    assert result.clamp_needed
    assert [reason.code for reason in result.reasons] == codes
    assert result.rod_thread_m == (None if thread_m is None else pytest.approx(thread_m))
    assert (result.preload_n, result.residual_n, result.turns_to_free) == (None, None, None)
    assert result.rods_at_least == 4
    assert "Do not release the cover with its studs" in result.instructions[0]


def test_dangers_are_shown_first() -> None:
    result = verdict(spring())
    assert result.cautions[0].signal == "DANGER"
    assert {c.id for c in result.cautions} >= {"stored-energy", "spring-cover", "trapped-pressure"}


@pytest.mark.parametrize(
    ("bolts", "rods", "positions"),
    [(8, 2, (1, 5)), (8, 4, (1, 3, 5, 7)), (10, 4, (1, 3, 6, 8)), (7, 3, (1, 3, 5))],
)
def test_rod_positions(bolts: int, rods: int, positions: tuple[int, ...]) -> None:
    assert rod_positions(bolts, rods=rods) == positions


@given(bolts=st.integers(2, 60).map(lambda n: 2 * n))
def test_rods_of_an_even_circle_are_opposite(bolts: int) -> None:
    for rods in (2, 4):
        places = rod_positions(bolts, rods=rods)
        assert len(set(places)) == rods
        assert {(p - 1 + bolts // 2) % bolts + 1 for p in places} == set(places)


def test_an_odd_circle_gets_three_rods() -> None:
    result = verdict(spring(), cover(15.0, bolts=7))
    assert (result.rods_at_least, len(result.rod_positions)) == (3, 3)


def test_a_free_length_below_the_installed_one_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"installed_m is 0\.14; it must be below free_m"):
        verdict(spring(free=139.0))


def test_a_spring_state_nobody_stated_is_refused() -> None:
    with pytest.raises(OutOfRange) as refusal:
        verdict(replace(spring(), state="fine"))
    assert refusal.value.name == "state"


@given(
    rate=st.floats(1.0, 100.0),
    free=st.floats(50.0, 500.0),
    share=st.floats(0.2, 0.95),
    travel=st.floats(0.0, 200.0),
)
def test_standard_studs_only_when_nothing_is_left(
    rate: float, free: float, share: float, travel: float
) -> None:
    result = verdict(spring(rate, free, share * free), cover(travel))
    if result.way == ReleaseWay.STANDARD_STUDS:
        assert result.residual_n == 0.0
        assert travel / 1e3 >= free / 1e3 * (1 - share) + 0.010 - 1e-8


@given(rate=st.floats(1e3, 1e5), squeeze=st.floats(0.005, 0.15))
def test_energy_is_the_area_under_the_force(rate: float, squeeze: float) -> None:
    free = 0.200
    where = {"rate_n_per_m": rate, "free_m": free, "installed_m": free - squeeze}
    slices = 200
    forces = [residual_force(**where, travel_m=(i + 0.5) / slices * squeeze) for i in range(slices)]
    area = sum(forces) * squeeze / slices
    assert spring_energy(**where) == pytest.approx(area, rel=1e-6)
    assert residual_force(**where, travel_m=0.0) == pytest.approx(spring_preload(**where))


@given(travel=st.floats(0.0, 0.2), more=st.floats(0.0, 0.1))
def test_more_travel_never_leaves_more_force(travel: float, more: float) -> None:
    where = {"rate_n_per_m": 30e3, "free_m": 0.18, "installed_m": 0.14}
    assert residual_force(**where, travel_m=travel + more) <= residual_force(
        **where, travel_m=travel
    )


def test_rate_and_coils_invert_each_other() -> None:
    """Textbook companion, examples 10.2 and 10.3 (seen)."""
    coils = active_coils_for_rate(75e3, shear_modulus_pa=81370e6, wire_m=0.021, coil_m=0.15)
    assert coils == pytest.approx(7.8148, rel=5e-4)
    back = spring_rate(shear_modulus_pa=81370e6, wire_m=0.021, coil_m=0.15, active_coils=coils)
    assert back == pytest.approx(75e3)


def test_shear_stress_agrees_with_torsion_of_a_bar() -> None:
    """Second formulation: torque F D/2 on a round bar, polar section modulus pi d^3/16."""
    stress = spring_shear_stress(706.0, wire_m=0.006, coil_m=0.036)
    bar = (706.0 * 0.036 / 2) / (pi * 0.006**3 / 16)
    assert stress == pytest.approx(wahl_factor(6.0) * bar)


def test_stress_factors_agree_within_three_per_cent() -> None:
    for index in (4.0, 5.0, 8.0, 12.0):
        assert bergstrasser_factor(index) == pytest.approx(wahl_factor(index), rel=0.03)
        en13906 = (index + 0.5) / (index - 0.75)
        assert bergstrasser_factor(index) == pytest.approx(en13906)


def test_the_shorter_nested_spring_carries_nothing_at_first() -> None:
    light = nested_spring_load(
        400.0,
        longer_rate_n_per_m=28.25e3,
        shorter_rate_n_per_m=29.43e3,
        free_length_difference_m=0.015,
    )
    assert (light.longer_n, light.shorter_n) == (400.0, 0.0)


@given(load=st.floats(1.0, 5000.0), difference=st.floats(0.0, 0.05))
def test_nested_springs_carry_the_whole_load(load: float, difference: float) -> None:
    share = nested_spring_load(
        load,
        longer_rate_n_per_m=28e3,
        shorter_rate_n_per_m=29e3,
        free_length_difference_m=difference,
    )
    assert share.longer_n + share.shorter_n == pytest.approx(load)
    assert share.shorter_n >= 0.0


def test_set_shows_in_preload_not_in_length() -> None:
    """4 mm of 180 mm is 2.2 % of length and 10 % of preload."""
    lengths = {"nominal_m": 0.180, "measured_m": 0.176, "installed_m": 0.140}
    assert preload_loss_from_set(**lengths) == pytest.approx(0.10)
    assert load_loss_from_set(rate_n_per_m=30e3, **lengths) == pytest.approx(120.0)


def test_a_spring_from_the_history_of_the_demo() -> None:
    """Free length 387 of 390 mm, installed at 315: 4.0 % preload loss."""
    loss = preload_loss_from_set(nominal_m=0.390, measured_m=0.387, installed_m=0.315)
    assert loss == pytest.approx(0.040)


def test_another_spring_is_refused() -> None:
    with pytest.raises(OutOfRange, match="another spring"):
        preload_loss_from_set(nominal_m=0.180, measured_m=0.195, installed_m=0.140)


def test_lapping_that_leaves_no_preload_is_refused() -> None:
    with pytest.raises(OutOfRange, match="nothing would be left to close the disc"):
        preload_after_lapping(300.0, rate_n_per_m=30e3, removed_disc_m=0.006, removed_seat_m=0.004)


def test_a_heavy_cover_floats_at_once() -> None:
    where = {"rate_n_per_m": 30e3, "free_m": 0.180, "installed_m": 0.140}
    assert floating_travel(**where, cover_mass_kg=200.0) == 0.0
    assert floating_travel(**where, cover_mass_kg=62.0) == pytest.approx(
        0.040 - 62 * 9.80665 / 30e3
    )


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: spring_shear_stress(100.0, wire_m=0.006, coil_m=0.009), "coil_m"),
        (lambda: spring_shear_stress(100.0, wire_m=0.001, coil_m=0.050), "coil_m"),
        (lambda: spring_shear_stress(1e5, wire_m=0.006, coil_m=0.036), "force_n"),
        (
            lambda: active_coils_for_rate(
                4e6, shear_modulus_pa=81370e6, wire_m=0.006, coil_m=0.036
            ),
            "rate_n_per_m",
        ),
        (
            lambda: spring_preload(rate_n_per_m=30e3, free_m=0.5, installed_m=0.04),
            "installed_m",
        ),
        (lambda: opening_pressure(1e5, seat_m=0.02), "force_n"),
    ],
)
def test_combinations_no_spring_has_are_refused(call: Callable[[], float], name: str) -> None:
    with pytest.raises(OutOfRange) as refusal:
        call()
    assert refusal.value.name == name


@pytest.mark.parametrize("row", DESIGNS, ids=lambda row: row[0])
@pytest.mark.parametrize("state", [SpringState.SOUND, SpringState.NOT_KNOWN])
def test_the_way_needs_no_rods_and_agrees_with_the_whole_verdict(row, state):
    _, _, rate, free, fitted, *_ = row
    travel, count = row[10] / 1e3, row[12]
    record = SpringRecord(
        rate_n_per_m=rate * 1e3, free_m=free / 1e3, installed_m=fitted / 1e3, state=state
    )
    cover = CoverRecord(
        bolt_count=count, pitch_m=0.003, grip_m=0.06, nut_height_m=0.024, stud_travel_m=travel
    )
    need = release_need(record, stud_travel_m=travel, policy=POLICY)
    whole = release_verdict(record, cover, policy=POLICY)
    assert (need.way, need.reasons) == (whole.way, whole.reasons)
    assert (need.preload_n, need.energy_j, need.residual_n) == (
        whole.preload_n,
        whole.energy_j,
        whole.residual_n,
    )
    assert (need.way is ReleaseWay.TREAT_AS_LOADED) == (state is SpringState.NOT_KNOWN)


@pytest.mark.parametrize(
    ("case", "travel", "policy", "name"),
    [
        ("stud travel in mm", 45.0, POLICY, "stud_travel_m"),
        ("no margin", 0.045, ReleasePolicy(margin_m=None, hand_force_n=0.0), "margin_m"),
        ("no hand force", 0.045, ReleasePolicy(margin_m=0.01, hand_force_n=None), "hand_force_n"),
    ],
)
def test_the_way_is_refused_by_name(case, travel, policy, name):
    record = SpringRecord(rate_n_per_m=5.3e3, free_m=0.13, installed_m=0.1, state=SpringState.SOUND)
    with pytest.raises(OutOfRange) as refusal:
        release_need(record, stud_travel_m=travel, policy=policy)
    assert refusal.value.name == name


def test_a_stud_travel_that_nobody_knows_counts_as_loaded():
    record = SpringRecord(rate_n_per_m=5.3e3, free_m=0.13, installed_m=0.1, state=SpringState.SOUND)
    need = release_need(record, stud_travel_m=None, policy=POLICY)
    assert need.way is ReleaseWay.TREAT_AS_LOADED
    assert (need.missing, need.preload_n) == (("stud_travel_m",), None)
