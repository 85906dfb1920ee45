"""Threads, torque, scatter: published tables, a second formulation, properties, known misprints."""

import csv
from math import atan, cos, pi, radians, sqrt, tan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valvecare.engineering.bolting import (
    bearing_diameter,
    bolt_utilisation,
    permissible_preload,
    preload_by_k_factor,
    preload_for_torque,
    stress_area,
    torque_by_k_factor,
    torque_for_preload,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.fasteners import (
    friction_mismatch,
    k_factor_band,
    round_down_to_step,
    yield_strength,
)
from valvecare.engineering.scatter import preload_max, preload_min, tightening_factor

TABLES = Path(__file__).parents[1] / "checks" / "tables" / "mechanical"
# bearing face: ISO 4014 minimum; hole: ISO 273 medium (both from memory), mm
FACES = {
    "M10": (14.63, 11.0),
    "M12": (16.63, 13.5),
    "M14": (19.64, 15.5),
    "M16": (22.49, 17.5),
    "M18": (25.34, 20.0),
    "M20": (28.19, 22.0),
    "M22": (31.71, 24.0),
    "M24": (33.61, 26.0),
    "M27": (38.0, 30.0),
    "M30": (42.75, 33.0),
    "M33": (46.55, 36.0),
    "M36": (51.11, 39.0),
}
with (TABLES / "table_bolt_torque.csv").open(newline="", encoding="utf-8") as _handle:
    TORQUE_ROWS = list(csv.DictReader(_handle))

# Sizes and pitches of ISO 261 (from memory), mm: coarse, then fine.
THREADS = st.sampled_from(
    [(10, 1.5), (12, 1.75), (16, 2), (20, 2.5), (24, 3), (30, 3.5), (36, 4), (16, 1.5), (24, 2)]
)
FRICTIONS = st.floats(min_value=0.06, max_value=0.35)


def face(diameter_m: float) -> dict[str, float]:
    return {"bearing_outside_m": 1.45 * diameter_m, "hole_m": 1.1 * diameter_m}


@pytest.mark.parametrize(
    "row", TORQUE_ROWS, ids=lambda row: f"{row['thread']}-{row['class']}-{row['mu_G=mu_K']}"
)
def test_preload_and_torque_agree_with_the_table(row: dict[str, str]) -> None:
    diameter = float(row["thread"][1:]) / 1e3
    pitch, friction = float(row["pitch_mm"]) / 1e3, float(row["mu_G=mu_K"])
    outside, hole = (size / 1e3 for size in FACES[row["thread"]])
    strength = yield_strength(row["class"], diameter_m=diameter)
    assert strength == float(row["Rp02_min_MPa"]) * 1e6
    assert stress_area(diameter, pitch_m=pitch) * 1e6 == pytest.approx(
        float(row["As_mm2"]), abs=0.05
    )
    force = permissible_preload(
        diameter,
        pitch_m=pitch,
        yield_strength_pa=strength,
        thread_friction=friction,
        utilisation=0.9,
    )
    assert force / 1e3 == pytest.approx(float(row["F_M_max_kN_at_90pct"]), abs=0.06)
    torque = torque_for_preload(
        force,
        diameter_m=diameter,
        pitch_m=pitch,
        bearing_outside_m=outside,
        hole_m=hole,
        thread_friction=friction,
        head_friction=friction,
    )
    assert torque == pytest.approx(float(row["M_A_max_Nm"]), abs=0.06)


def test_the_table_was_read() -> None:
    assert len(TORQUE_ROWS) == 72


@given(thread=THREADS, friction=FRICTIONS, stress=st.floats(100e6, 700e6))
def test_torque_agrees_with_the_wedge_formula(
    thread: tuple[float, float], friction: float, stress: float
) -> None:
    """Second formulation: a wedge of angle phi with friction angle rho' (textbook)."""
    diameter, pitch = thread[0] / 1e3, thread[1] / 1e3
    force = stress * pi / 4 * diameter**2
    pitch_diameter = diameter - 0.649519 * pitch
    wedge = tan(atan(pitch / (pi * pitch_diameter)) + atan(friction / cos(radians(30))))
    mean = (1.45 + 1.1) / 2 * diameter
    expected = force * (pitch_diameter / 2 * wedge + mean / 2 * friction)
    torque = torque_for_preload(
        force,
        diameter_m=diameter,
        pitch_m=pitch,
        **face(diameter),
        thread_friction=friction,
        head_friction=friction,
    )
    assert torque == pytest.approx(expected, rel=0.02)


@given(thread=THREADS, friction=FRICTIONS)
def test_permissible_preload_agrees_with_stresses_added(
    thread: tuple[float, float], friction: float
) -> None:
    """Second formulation: tension and torsion worked out one by one (textbook)."""
    diameter, pitch = thread[0] / 1e3, thread[1] / 1e3
    force = permissible_preload(
        diameter,
        pitch_m=pitch,
        yield_strength_pa=640e6,
        thread_friction=friction,
        utilisation=0.9,
    )
    pitch_diameter = diameter - 0.649519 * pitch
    core = (pitch_diameter + diameter - 1.226869 * pitch) / 2
    thread_torque = force * pitch_diameter / 2 * (pitch / (pi * pitch_diameter) + 1.155 * friction)
    tension = force / (pi / 4 * core**2)
    torsion = thread_torque / (pi / 12 * core**3)  # fully plastic round section, as VDI 2230
    assert sqrt(tension**2 + 3 * torsion**2) == pytest.approx(0.9 * 640e6, rel=1e-6)


@given(thread=THREADS, friction=FRICTIONS, stress=st.floats(50e6, 1000e6))
def test_torque_and_preload_invert_each_other(
    thread: tuple[float, float], friction: float, stress: float
) -> None:
    diameter, pitch = thread[0] / 1e3, thread[1] / 1e3
    force = stress * pi / 4 * diameter**2
    rest = {
        "diameter_m": diameter,
        "pitch_m": pitch,
        **face(diameter),
        "thread_friction": friction,
        "head_friction": friction,
    }
    assert preload_for_torque(torque_for_preload(force, **rest), **rest) == pytest.approx(force)
    by_k = torque_by_k_factor(force, diameter_m=diameter, k_factor=0.2)
    assert preload_by_k_factor(by_k, diameter_m=diameter, k_factor=0.2) == pytest.approx(force)


@given(thread=THREADS, low=FRICTIONS, more=st.floats(0.001, 0.2))
def test_more_friction_means_more_torque_and_less_preload_allowed(
    thread: tuple[float, float], low: float, more: float
) -> None:
    diameter, pitch = thread[0] / 1e3, thread[1] / 1e3

    def allowed(friction: float) -> float:
        return permissible_preload(
            diameter,
            pitch_m=pitch,
            yield_strength_pa=640e6,
            thread_friction=friction,
            utilisation=0.9,
        )

    def torque(friction: float) -> float:
        return torque_for_preload(
            30e3,
            diameter_m=diameter,
            pitch_m=pitch,
            **face(diameter),
            thread_friction=friction,
            head_friction=friction,
        )

    assert allowed(low + more) < allowed(low)
    assert torque(low + more) > torque(low)


@given(thread=THREADS)
def test_area_scales_with_the_square(thread: tuple[float, float]) -> None:
    diameter, pitch = thread[0] / 1e3, thread[1] / 1e3
    double = stress_area(2 * diameter, pitch_m=2 * pitch)
    assert double == pytest.approx(4 * stress_area(diameter, pitch_m=pitch))


def test_fine_and_coarse_threads_are_different_fasteners() -> None:
    assert stress_area(0.016, pitch_m=0.0015) > 1.06 * stress_area(0.016, pitch_m=0.002)


def test_the_double_half_in_print_is_not_followed() -> None:
    """A public calculator page halves the mean friction diameter twice: 23 % too little torque."""
    force = permissible_preload(
        0.016, pitch_m=0.0015, yield_strength_pa=640e6, thread_friction=0.12, utilisation=0.9
    )
    torque = torque_for_preload(
        force,
        diameter_m=0.016,
        pitch_m=0.0015,
        bearing_outside_m=0.02249,
        hole_m=0.0175,
        thread_friction=0.12,
        head_friction=0.12,
    )
    assert torque == pytest.approx(217.9, abs=0.2)
    mean = bearing_diameter(bearing_outside_m=0.02249, hole_m=0.0175)
    as_printed = torque - force * mean / 4 * 0.12
    assert 0.22 < 1 - as_printed / torque < 0.25


def test_older_table_editions_are_not_matched() -> None:
    """M16, 8.8, friction 0.14: 230 N m by the 2001 edition, 210 in older public tables."""
    torque = torque_for_preload(
        permissible_preload(
            0.016, pitch_m=0.002, yield_strength_pa=640e6, thread_friction=0.14, utilisation=0.9
        ),
        diameter_m=0.016,
        pitch_m=0.002,
        bearing_outside_m=0.02249,
        hole_m=0.0175,
        thread_friction=0.14,
        head_friction=0.14,
    )
    assert torque == pytest.approx(229.9, abs=0.2)
    assert abs(torque / 210 - 1) > 0.08


def test_width_across_flats_is_not_the_bearing_face() -> None:
    """M16x1.5: 24 mm across flats gives about 3 % more torque than the 22.49 mm face."""
    rest = {"diameter_m": 0.016, "pitch_m": 0.0015, "hole_m": 0.0175}
    mu = {"thread_friction": 0.12, "head_friction": 0.12}
    flats = torque_for_preload(87.6e3, bearing_outside_m=0.024, **rest, **mu)
    true_face = torque_for_preload(87.6e3, bearing_outside_m=0.02249, **rest, **mu)
    assert 1.015 < flats / true_face < 1.04


def test_10_9_uses_940_not_the_nominal_900() -> None:
    assert yield_strength("10.9", diameter_m=0.012) == 940e6


@pytest.mark.parametrize(
    ("diameter_m", "strength"), [(0.016, 640e6), (0.0161, 660e6), (0.018, 660e6)]
)
def test_8_8_changes_above_16_mm(diameter_m: float, strength: float) -> None:
    assert yield_strength("8.8", diameter_m=diameter_m) == strength


def test_a_grade_stops_at_its_largest_diameter() -> None:
    assert yield_strength("A193 B7", diameter_m=0.0635) == 724e6
    with pytest.raises(OutOfRange, match=r"at most 0\.0635 for grade A193 B7"):
        yield_strength("A193 B7", diameter_m=0.064)


def test_an_unknown_grade_is_refused() -> None:
    with pytest.raises(OutOfRange, match="certificate"):
        yield_strength("4.6", diameter_m=0.016)


def test_a_slippery_paste_on_a_dry_torque_yields_the_bolt() -> None:
    case = friction_mismatch(
        229.93,
        diameter_m=0.016,
        pitch_m=0.002,
        bearing_outside_m=0.02249,
        hole_m=0.0175,
        yield_strength_pa=640e6,
        assumed_friction=0.14,
        actual_friction=0.10,
    )
    assert case.ratio == pytest.approx(1.34, abs=0.005)
    assert case.bolt_yields
    assert [reason.code for reason in case.reasons] == ["preload_changed", "bolt_yields"]
    assert {c.id for c in case.cautions} == {"torque-basis", "advice-only"}


def test_the_same_friction_changes_nothing() -> None:
    case = friction_mismatch(
        150.0,
        diameter_m=0.016,
        pitch_m=0.002,
        bearing_outside_m=0.02249,
        hole_m=0.0175,
        yield_strength_pa=640e6,
        assumed_friction=0.12,
        actual_friction=0.12,
    )
    assert case.ratio == 1.0
    assert not case.bolt_yields


def test_nominal_preload_at_the_table_value_uses_ninety_per_cent() -> None:
    used = bolt_utilisation(
        81.0e3, diameter_m=0.016, pitch_m=0.002, yield_strength_pa=640e6, thread_friction=0.12
    )
    assert used == pytest.approx(0.9, abs=0.001)


@pytest.mark.parametrize("lubricant", ["unknown", "Moly paste", "moly", "", None])
def test_only_listed_lubricants_have_a_nut_factor(lubricant: str | None) -> None:
    with pytest.raises(OutOfRange, match="name the lubricant"):
        k_factor_band(lubricant)  # type: ignore[arg-type]


@given(uncertainty=st.floats(0.01, 0.6), force=st.floats(1e3, 1e6))
def test_scatter_band_and_factor_agree(uncertainty: float, force: float) -> None:
    low = preload_min(force, uncertainty=uncertainty, relaxation=0.0)
    high = preload_max(force, uncertainty=uncertainty)
    assert low < force < high
    assert high / low == pytest.approx(tightening_factor(uncertainty))


@given(torque=st.floats(1.0, 5000.0), step=st.sampled_from([0.1, 0.5, 1.0, 2.0, 5.0, 10.0]))
def test_rounding_goes_down_by_less_than_a_step(torque: float, step: float) -> None:
    rounded = round_down_to_step(torque, step_nm=step)
    assert rounded <= torque + 1e-6
    assert torque - rounded < step + 1e-6
    assert rounded / step == pytest.approx(round(rounded / step), abs=1e-6)


@pytest.mark.parametrize(("torque", "step", "rounded"), [(0.3, 0.1, 0.3), (150.0, 0.1, 150.0)])
def test_a_value_on_the_step_stays(torque: float, step: float, rounded: float) -> None:
    assert round_down_to_step(max(torque, 0.5), step_nm=step) == max(rounded, 0.5)


def test_a_hole_smaller_than_the_bolt_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"hole_m is 0\.0155"):
        torque_for_preload(
            80e3,
            diameter_m=0.016,
            pitch_m=0.002,
            bearing_outside_m=0.02249,
            hole_m=0.0155,
            thread_friction=0.12,
            head_friction=0.12,
        )


def test_a_load_no_bolt_can_mean_is_refused_with_the_stress() -> None:
    with pytest.raises(OutOfRange, match="it would carry 0.3183 MPa; check the units"):
        torque_by_k_factor(100.0, diameter_m=0.020, k_factor=0.15)


def test_a_pitch_no_thread_has_is_refused() -> None:
    with pytest.raises(OutOfRange, match="no metric thread is coarser"):
        stress_area(0.010, pitch_m=0.003)
