"""Every input of every mechanical function: missing, not a number, zero, negative, a unit slip.

A row gives one sane call. Each numeric input is then spoiled in turn; the function must refuse it
and name it. Where a spoiled value is a legitimate one, the row says so: nothing else may pass.
"""

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from math import inf, nan
from typing import Any

import pytest

from valvecare.engineering import (
    bolting,
    fits,
    flashing,
    gaskets,
    joint_records,
    joint_torque,
    leak_classes,
    leak_verdict,
    lifting,
    loosening,
    release,
    scatter,
    spring_design,
    springs,
    tightening,
    wear,
    wear_trend,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.fasteners import (
    friction_mismatch,
    round_down_to_step,
    yield_strength,
)
from valvecare.engineering.tightening import COMMON_PRACTICE_PASSES

THREAD = {"diameter_m": 0.016, "pitch_m": 0.002}
FACE = {"bearing_outside_m": 0.02249, "hole_m": 0.0175}
MU = {"thread_friction": 0.12, "head_friction": 0.12}
INSTALLED = {"free_m": 0.180, "installed_m": 0.140}
SPRING = {"rate_n_per_m": 30e3, **INSTALLED}
COIL = {"wire_m": 0.006, "coil_m": 0.036}
TREND = wear_trend.wear_trend([0, 4000, 8000], [60e-6, 80e-6, 100e-6], repeatability_m=5e-6)

JOINT = joint_records.JointRecord(
    joint_id="J1",
    revision="2",
    diameter_m=0.016,
    pitch_m=0.002,
    grade="8.8",
    yield_strength_pa=640e6,
    fastener="stud and nut",
    count=8,
    has_washer=True,
    bearing_outside_m=0.02249,
    hole_m=0.0175,
    target="share of yield",
    target_value=0.6,
    lubricant="moly paste",
    gasket_area_m2=4536e-6,
    gasket_stress_max_pa=200e6,
    seating_load_n=156e3,
    operating_load_n=114e3,
)
COEFFICIENTS = joint_records.Friction(
    lubricant="moly paste",
    condition="lubricated",
    source="data sheet",
    thread=0.12,
    head=0.12,
    k_factor=None,
)
WRENCH = joint_records.Wrench(
    wrench_id="W1",
    kind="click wrench",
    uncertainty=0.25,
    low_nm=40.0,
    high_nm=200.0,
    step_nm=1.0,
    is_in_calibration=True,
)
TORQUE_POLICY = joint_records.TorquePolicy(
    bolt_limit_share=0.9, relaxation=0.1, hydraulic_advice_above_nm=678.0
)
CLOSING_SPRING = release.SpringRecord(**SPRING, state=release.SpringState.SOUND)
COVER = release.CoverRecord(
    bolt_count=8, pitch_m=0.002, grip_m=0.040, nut_height_m=0.013, stud_travel_m=0.015
)
POSTURE = lifting.LiftPosture(
    horizontal_m=0.4,
    vertical_m=0.75,
    travel_m=0.5,
    twist_deg=30.0,
    frequency_factor=0.94,
    grip_factor=0.95,
)
LEAK_TEST = leak_verdict.LeakTest(
    dn=100,
    medium="liquid",
    difference_pa=11e5,
    seconds=300.0,
    temperature_degc=20.0,
    drops=95,
    drop_volume_m3=62.5e-9,
    leak_m3_per_s=None,
)
LEAK_NEED = leak_verdict.LeakRequirement(
    rate="E", difference_pa=11e5, seconds=60.0, pressure_tolerance=0.05
)

# function, sane call, and per input the spoilings that are legitimate values of it
CALLS: list[tuple[Callable[..., Any], dict[str, Any], dict[str, set[str]]]] = [
    (bolting.stress_area, THREAD, {}),
    (bolting.bearing_diameter, FACE, {}),
    (
        bolting.permissible_preload,
        {**THREAD, "yield_strength_pa": 640e6, "thread_friction": 0.12, "utilisation": 0.9},
        {},
    ),
    (
        bolting.bolt_utilisation,
        {"preload_n": 80e3, **THREAD, "yield_strength_pa": 640e6, "thread_friction": 0.12},
        {},
    ),
    (bolting.torque_for_preload, {"preload_n": 80e3, **THREAD, **FACE, **MU}, {}),
    (bolting.preload_for_torque, {"torque_nm": 200.0, **THREAD, **FACE, **MU}, {}),
    (
        bolting.torque_by_k_factor,
        {"preload_n": 100e3, "diameter_m": 0.020, "k_factor": 0.15},
        {},
    ),
    (
        bolting.preload_by_k_factor,
        {"torque_nm": 300.0, "diameter_m": 0.020, "k_factor": 0.15},
        {},
    ),
    (scatter.tightening_factor, {"uncertainty": 0.25}, {}),
    (scatter.preload_max, {"preload_n": 80e3, "uncertainty": 0.25}, {}),
    (
        scatter.preload_min,
        {"preload_n": 80e3, "uncertainty": 0.25, "relaxation": 0.1},
        {"relaxation": {"zero", "thousandth"}},
    ),
    (scatter.preload_min_by_factor, {"preload_max_n": 41.9e3, "factor": 1.8}, {}),
    (
        friction_mismatch,
        {
            "torque_nm": 229.93,
            **THREAD,
            **FACE,
            "yield_strength_pa": 640e6,
            "assumed_friction": 0.14,
            "actual_friction": 0.10,
        },
        {},
    ),
    (round_down_to_step, {"torque_nm": 218.0, "step_nm": 1.0}, {}),
    (yield_strength, {"grade": "8.8", "diameter_m": 0.016}, {}),
    (tightening.tightening_order, {"count": 8}, {}),
    (tightening.gap_positions, {"count": 8}, {}),
    (
        tightening.tightening_plan,
        {"count": 8, "torque_nm": 218.0, "policy": COMMON_PRACTICE_PASSES},
        {"dwell_s": {"zero"}},  # no waiting
    ),
    (
        tightening.pass_torques,
        {"torque_nm": 218.0, "policy": COMMON_PRACTICE_PASSES},
        {"dwell_s": {"zero"}},
    ),
    (
        loosening.loosening_plan,
        {"count": 8, "turns_to_free": 20.0, "turns_per_round": 1.0, "first_position": 5},
        {"turns_to_free": {"zero", "thousandth"}},
    ),
    (gaskets.effective_width, {"contact_width_m": 0.0105}, {}),
    (gaskets.reaction_diameter, {"outside_m": 0.148, "contact_width_m": 0.0105}, {}),
    (
        gaskets.operating_load,
        {
            "pressure_pa": 4.0e6,
            "reaction_diameter_m": 0.1375,
            "effective_width_m": 0.00525,
            "factor": 3.0,
        },
        # no pressure, or little, is a state of a plant; m 0 is a self-energised seal
        {"pressure_pa": {"zero", "thousandth"}, "factor": {"zero", "thousandth"}},
    ),
    (
        gaskets.seating_load,
        {"reaction_diameter_m": 0.1375, "effective_width_m": 0.00525, "yield_pa": 68.95e6},
        {"yield_pa": {"zero", "thousandth"}},  # y 0 is a self-energised seal, 0.07 MPa a soft one
    ),
    (gaskets.contact_area, {"outside_m": 0.148, "inside_m": 0.127}, {}),
    (
        gaskets.gasket_stress,
        {"count": 8, "bolt_load_n": 54e3, "outside_m": 0.148, "inside_m": 0.127},
        {},
    ),
    (
        gaskets.pressure_end_force,
        {"pressure_pa": 1e6, "diameter_m": 0.120},
        {"pressure_pa": {"zero", "thousandth"}},
    ),
    (
        spring_design.spring_rate,
        {"shear_modulus_pa": 81370e6, **COIL, "active_coils": 10},
        {},
    ),
    (
        spring_design.active_coils_for_rate,
        {"rate_n_per_m": 28e3, "shear_modulus_pa": 81370e6, **COIL},
        {},
    ),
    (spring_design.wahl_factor, {"index": 6.0}, {}),
    (spring_design.bergstrasser_factor, {"index": 6.0}, {}),
    (
        spring_design.spring_shear_stress,
        {"force_n": 706.0, **COIL},
        {"force_n": {"zero", "thousandth"}},  # an unloaded spring
    ),
    (
        spring_design.solid_length,
        {"total_coils": 12.5, "wire_m": 0.006, "ends_are_ground": True},
        {},
    ),
    (
        spring_design.nested_spring_load,
        {
            "load_n": 1000.0,
            "longer_rate_n_per_m": 28e3,
            "shorter_rate_n_per_m": 29e3,
            "free_length_difference_m": 0.015,
        },
        # unloaded; springs of equal length
        {
            "load_n": {"zero", "thousandth", "thousandfold"},
            "free_length_difference_m": {"zero", "thousandth"},
        },
    ),
    (springs.spring_preload, SPRING, {}),
    (springs.spring_energy, SPRING, {}),
    (
        springs.opening_pressure,
        {"force_n": 567.0, "seat_m": 0.245},
        {"force_n": {"zero", "thousandth"}},
    ),
    (
        springs.residual_force,
        {**SPRING, "travel_m": 0.015},
        {"travel_m": {"zero", "thousandth"}},  # no travel: the whole force is left, the safe side
    ),
    (springs.rod_travel, {**INSTALLED, "margin_m": 0.010}, {}),
    (springs.turns_to_free, {**INSTALLED, "pitch_m": 0.002}, {}),
    (springs.floating_travel, {**SPRING, "cover_mass_kg": 30.0}, {}),
    (
        springs.preload_after_lapping,
        {
            "preload_n": 1200.0,
            "rate_n_per_m": 30e3,
            "removed_disc_m": 0.00012,
            "removed_seat_m": 0.00008,
        },
        {"removed_disc_m": {"zero"}, "removed_seat_m": {"zero"}},  # only one side lapped
    ),
    (
        springs.preload_loss_from_set,
        {"nominal_m": 0.180, "measured_m": 0.176, "installed_m": 0.140},
        {},
    ),
    (
        springs.load_loss_from_set,
        {"rate_n_per_m": 30e3, "nominal_m": 0.180, "measured_m": 0.176, "installed_m": 0.140},
        {},
    ),
    (
        lifting.lifting_index,
        {"mass_kg": 18.0, "recommended_kg": 14.375},
        {"mass_kg": {"thousandfold"}},  # 18 t: an index of 1252 is no danger
    ),
    (lifting.team_limit, {"single_kg": 20.0, "people": 2}, {}),
    (
        lifting.cover_mass_estimate,
        {
            "diameter_m": 0.4,
            "thickness_m": 0.04,
            "density_kg_per_m3": 7850.0,
            "allowance": 1.2,
        },
        {},
    ),
    (fits.fit_clearance, {"size_m": 0.050, "fit": "H7/g6"}, {}),
    (
        wear_trend.hours_to_limit,
        {"trend": TREND, "limit_m": 150e-6, "at_hours": 9000.0},
        {},
    ),
    (leak_classes.iso5208_limit, {"rate": "D", "dn": 100.0, "medium": "liquid"}, {}),
    (
        leak_classes.drops_per_minute,
        {"leak_m3_per_s": 1e-8, "drop_volume_m3": 62.5e-9},
        {"leak_m3_per_s": {"zero", "thousandth", "thousandfold"}},  # leaks span a million
    ),
    (
        leak_classes.bubbles_per_second,
        {"leak_m3_per_s": 1e-8},
        {"leak_m3_per_s": {"zero", "thousandth", "thousandfold"}},
    ),
    (
        leak_classes.volume_of_drops,
        {"drops": 16, "drop_volume_m3": 62.5e-9},
        {"drops": {"zero", "thousandfold"}},
    ),
    (
        leak_classes.leak_rate_from_drops,
        {"drops": 95, "seconds": 300.0, "drop_volume_m3": 62.5e-9},
        {"drops": {"thousandfold"}},  # a stream, counted long: more leak, the safe side
    ),
    (leak_classes.zero_drop_bound, {"seconds": 300.0, "drop_volume_m3": 62.5e-9}, {}),
    (
        leak_classes.api598_check_valve_limit,
        {"nps": 4.0, "seat": "metal", "medium": "liquid"},
        {},
    ),
    (leak_classes.api598_duration, {"nps": 4.0}, {}),
    (
        leak_classes.fci_class_v_limit,
        {"seat_m": 0.100, "difference_pa": 1e6},
        {"difference_pa": {"thousandth"}},  # 10 mbar
    ),
    (
        leak_classes.fci_class_v_limit_inch,
        {"seat_m": 0.100, "difference_pa": 1e6},
        {"difference_pa": {"thousandth"}},
    ),
    (leak_classes.fci_class_vi_limit, {"seat_m": 0.102}, {}),
    (
        leak_verdict.best_iso5208_rate,
        {"leak_m3_per_s": 1e-10, "dn": 100.0, "medium": "liquid"},
        {"leak_m3_per_s": {"thousandth", "thousandfold"}},
    ),
    (
        joint_torque.torque_for_joint,
        {
            "joint": JOINT,
            "fasteners": "new",
            "friction": COEFFICIENTS,
            "wrench": WRENCH,
            "policy": TORQUE_POLICY,
        },
        {"relaxation": {"zero", "thousandth"}},
    ),
    (
        joint_torque.torque_for_joint,
        {
            "joint": replace(JOINT, target="gasket stress", target_value=80e6),
            "fasteners": "new",
            "friction": replace(COEFFICIENTS, thread=None, head=None, k_factor=0.105),
            "wrench": WRENCH,
            "policy": TORQUE_POLICY,
        },
        {"relaxation": {"zero", "thousandth"}},
    ),
    (
        release.release_verdict,
        {
            "spring": CLOSING_SPRING,
            "cover": COVER,
            "policy": release.ReleasePolicy(margin_m=0.010, hand_force_n=0.5),
        },
        {
            # what is not known of the spring has an answer: treat as loaded
            "rate_n_per_m": {"missing"},
            "free_m": {"missing"},
            "installed_m": {"missing"},
            "stud_travel_m": {"zero", "thousandth"},  # no travel: long rods, the safe side
            "hand_force_n": {"zero", "thousandth", "thousandfold"},
        },
    ),
    (
        lifting.recommended_weight,
        {"posture": POSTURE},
        {
            "vertical_m": {"zero", "thousandth"},  # from the floor
            "twist_deg": {"zero", "thousandth"},
        },
    ),
    (
        lifting.lifting_verdict,
        {
            "mass_kg": 18.0,
            "mass_is_measured": True,
            "load_is_stable_and_cool": True,
            "posture": POSTURE,
            "policy": lifting.LiftingPolicy(gear_from_kg=25.0, largest_team=2),
        },
        {
            "mass_kg": {"missing", "thousandfold"},  # unknown or heavy: lifting gear
            "vertical_m": {"zero", "thousandth"},
            "twist_deg": {"zero", "thousandth"},
        },
    ),
    (
        wear.seat_disposition,
        {
            "measured": wear.SeatMeasurement(
                thickness_m=0.008,
                damage_depth_m=0.0001,
                contact_ring_complete=True,
                laps_done=1,
            ),
            "limits": wear.SeatLimits(
                thickness_min_m=0.0075,
                reuse_depth_m=0.00002,
                overcut_m=0.00002,
                max_per_event_m=0.0003,
                max_laps=3,
            ),
            "kinds": [],
        },
        {
            # what was not measured has an answer: cannot decide
            "thickness_m": {"missing"},
            "damage_depth_m": {"missing", "zero"},
            "laps_done": {"missing", "zero"},
            "thickness_min_m": {"missing"},
            "reuse_depth_m": {"missing"},
            "overcut_m": {"missing"},
            "max_per_event_m": {"missing"},
            "max_laps": {"missing", "zero"},
        },
    ),
    (
        leak_verdict.leak_assessment,
        {"test": LEAK_TEST, "requirement": LEAK_NEED},
        {
            "drops": {"zero", "thousandfold"},
            "difference_pa": {"thousandth"},  # another pressure: inconclusive
            "temperature_degc": {"zero", "negative", "thousandth"},
            "pressure_tolerance": {"zero", "thousandth"},
        },
    ),
    (
        flashing.flash_fraction,
        {"temperature_degc": 150.0, "pressure_pa_abs": 101325.0},
        {"temperature_degc": {"thousandth"}},  # ice-cold water
    ),
]

SPOILED: dict[str, Callable[[float], Any]] = {
    "missing": lambda value: None,
    "not a number": lambda value: nan,
    "infinite": lambda value: inf,
    "text": lambda value: "seven",
    "yes": lambda value: True,
    "zero": lambda value: 0 if isinstance(value, int) else 0.0,
    "negative": lambda value: -value,
    "thousandfold": lambda value: value * 1000,
    "thousandth": lambda value: value / 1000,
}


def inputs_of(call: dict[str, Any]) -> list[tuple[str, str, Any]]:
    """(argument, name, value) of every number: an argument, or a field of a record."""
    found = []
    for argument, given in call.items():
        if is_dataclass(given) and argument != "trend":
            names = [(field.name, getattr(given, field.name)) for field in fields(given)]
        else:
            names = [(argument, given)]
        found += [
            (argument, name, value)
            for name, value in names
            if isinstance(value, (int, float)) and not isinstance(value, bool)
        ]
    return found


def refusal_of(function: Callable[..., Any], call: dict[str, Any]) -> OutOfRange | None:
    try:
        function(**call)
    except OutOfRange as refusal:
        return refusal
    return None


ROWS = [
    pytest.param(
        function,
        call,
        argument,
        name,
        legitimate.get(name, set()),
        id=f"{number}-{function.__name__}-{argument}-{name}",
    )
    for number, (function, call, legitimate) in enumerate(CALLS)
    for argument, name, _ in inputs_of(call)
]


@pytest.mark.parametrize(("function", "call", "argument", "name", "legitimate"), ROWS)
def test_every_spoiling_of_an_input_is_refused_by_name(
    function: Callable[..., Any],
    call: dict[str, Any],
    argument: str,
    name: str,
    legitimate: set[str],
) -> None:
    given = call[argument]
    value = given if argument == name else getattr(given, name)
    for how, spoil in SPOILED.items():
        bad = spoil(value)
        spoiled = {**call, argument: bad if argument == name else replace(given, **{name: bad})}
        if how in legitimate:
            assert function(**spoiled) is not None, how
            continue
        refusal = refusal_of(function, spoiled)
        assert refusal is not None, f"{how}: {bad!r} was answered"
        assert name in str(refusal), how
        assert refusal.as_dict()["code"] == "out_of_range", how


def test_no_input_was_left_out() -> None:
    assert len(ROWS) * len(SPOILED) > 2000


@pytest.mark.parametrize(("function", "call", "legitimate"), CALLS)
def test_the_sane_call_answers(
    function: Callable[..., Any], call: dict[str, Any], legitimate: dict[str, set[str]]
) -> None:
    assert function(**call) is not None
    names = set(call) | {
        field.name for value in call.values() if is_dataclass(value) for field in fields(value)
    }
    assert set(legitimate) <= names


@pytest.mark.parametrize(
    ("function", "call", "name"),
    [
        (function, call, name)
        for function, call, _ in CALLS
        for name, value in call.items()
        if isinstance(value, str)
    ],
)
@pytest.mark.parametrize("value", [None, "", "something else", 7])
def test_a_word_that_is_not_listed_is_refused_by_name(
    function: Callable[..., Any], call: dict[str, Any], name: str, value: object
) -> None:
    with pytest.raises(OutOfRange) as refusal:
        function(**{**call, name: value})
    assert refusal.value.name == name
