"""Torque for a joint: all checks reported, rounding down, exact refusals, safe directions."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.joint_records import Friction, JointRecord, TorquePolicy, Wrench
from valvecare.engineering.joint_torque import JointTorque, TorqueVerdict, torque_for_joint

# An invented cover: 8 studs M16, 8.8, spiral wound gasket 148/127 mm, 40 bar.
JOINT = JointRecord(
    joint_id="cover",
    revision="B",
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
    gasket_stress_max_pa=150e6,
    seating_load_n=156.4e3,
    operating_load_n=113.8e3,
)
FRICTION = Friction(
    lubricant="moly paste",
    condition="lubricated",
    source="data sheet of the paste",
    thread=0.12,
    head=0.12,
    k_factor=None,
)
BY_K = replace(FRICTION, thread=None, head=None, k_factor=0.105)
WRENCH = Wrench(
    wrench_id="W1",
    kind="click wrench",
    uncertainty=0.25,
    low_nm=40.0,
    high_nm=200.0,
    step_nm=1.0,
    is_in_calibration=True,
)
POLICY = TorquePolicy(bolt_limit_share=0.9, relaxation=0.1, hydraulic_advice_above_nm=678.0)


def torque(
    joint: JointRecord = JOINT,
    fasteners: Any = "new",
    friction: Friction = FRICTION,
    wrench: Wrench = WRENCH,
    policy: TorquePolicy = POLICY,
) -> JointTorque:
    return torque_for_joint(joint, fasteners, friction=friction, wrench=wrench, policy=policy)


def test_the_setting_is_two_thirds_of_the_table_value_rounded_down() -> None:
    """At 90 % of yield the VDI formulas give 81.0 kN and 205.9 N m; here 60 %."""
    result = torque()
    assert result.verdict == TorqueVerdict.USE
    assert result.torque_exact_nm == pytest.approx(205.9 * 2 / 3, abs=0.1)
    assert result.torque_to_set_nm == 137.0
    assert result.preload_target_n == pytest.approx(81.0e3 * 2 / 3, rel=1e-3)
    assert result.preload_nominal_n < result.preload_target_n
    assert result.preload_min_n == pytest.approx(result.preload_nominal_n * 0.75 * 0.9)
    assert result.preload_max_n == pytest.approx(result.preload_nominal_n * 1.25)
    assert result.label == (
        "137 N m, M16x2 8.8, mu 0.12 thread, 0.12 head (moly paste, lubricated), "
        "click wrench 25 %, joint cover rev B"
    )


def test_every_check_is_reported() -> None:
    checks = torque().checks
    assert [check.name for check in checks] == [
        "bolt",
        "gasket seating",
        "operating load",
        "gasket crushing",
        "wrench range, low end",
        "wrench range, high end",
    ]
    assert all(check.passed for check in checks)
    assert [r.code for r in torque().reasons] == ["all_checks_passed"]


@pytest.mark.parametrize(
    ("case", "changes", "code"),
    [
        ("bolt", {"policy": replace(POLICY, bolt_limit_share=0.7)}, "check_failed.bolt"),
        (
            "seating",
            {"joint": replace(JOINT, seating_load_n=400e3)},
            "check_failed.gasket_seating",
        ),
        (
            "operating",
            {"joint": replace(JOINT, operating_load_n=400e3)},
            "check_failed.operating_load",
        ),
        (
            "crushing",
            {"joint": replace(JOINT, gasket_stress_max_pa=100e6)},
            "check_failed.gasket_crushing",
        ),
        (
            "wrench too large",
            {"wrench": replace(WRENCH, low_nm=150.0)},
            "check_failed.wrench_range_low_end",
        ),
        (
            "wrench too small",
            {"wrench": replace(WRENCH, high_nm=100.0)},
            "check_failed.wrench_range_high_end",
        ),
    ],
)
def test_one_failed_check_leaves_no_setting(case: str, changes: dict[str, Any], code: str) -> None:
    result = torque(**changes)
    assert result.verdict == TorqueVerdict.DO_NOT_USE, case
    assert result.torque_to_set_nm is None
    assert [reason.code for reason in result.reasons] == [code]
    assert len(result.checks) == 6


def test_several_failed_checks_are_all_given() -> None:
    result = torque(
        joint=replace(JOINT, seating_load_n=400e3), policy=replace(POLICY, bolt_limit_share=0.7)
    )
    assert [reason.code for reason in result.reasons] == [
        "check_failed.bolt",
        "check_failed.gasket_seating",
    ]


def test_ninety_per_cent_with_a_wrench_overloads_the_bolt() -> None:
    """The table value is a largest preload; as a middle value with 25 % it passes yield."""
    result = torque(
        joint=replace(JOINT, target_value=0.9, gasket_stress_max_pa=300e6),
        wrench=replace(WRENCH, high_nm=300.0),
    )
    assert [reason.code for reason in result.reasons] == ["check_failed.bolt"]
    assert result.checks[0].value == pytest.approx(1.25 * 0.9, rel=0.01)


@pytest.mark.parametrize(
    ("target", "value", "preload"),
    [
        ("bolt stress", 345e6, 345e6 * 156.67e-6),
        ("gasket stress", 95.24e6, 54.0e3),
    ],
)
def test_other_targets(target: str, value: float, preload: float) -> None:
    result = torque(joint=replace(JOINT, target=target, target_value=value))
    assert result.preload_target_n == pytest.approx(preload, rel=1e-3)


def test_nut_factor_form_leaves_torsion_out_and_says_so() -> None:
    result = torque(friction=BY_K)
    assert result.preload_target_n == pytest.approx(0.6 * 640e6 * 156.67e-6, rel=1e-3)
    assert result.torque_exact_nm == pytest.approx(0.105 * 0.016 * result.preload_target_n)
    assert "Torsion is left out of the bolt check." in result.assumptions
    assert "K 0.105" in result.label


def test_a_large_torque_gets_the_advice_of_a_hydraulic_tool() -> None:
    assert torque().advice == ()
    lower = torque(policy=replace(POLICY, hydraulic_advice_above_nm=100.0))
    assert lower.advice == ("Above 100 N m use a hydraulic tool.",)


def test_a_page_can_show_everything() -> None:
    result = torque()
    assert {c.id for c in result.cautions} == {
        "torque-basis",
        "never-retorque-hot",
        "advice-only",
    }
    assert {q.name for q in result.inputs} >= {"joint", "lubricant", "wrench", "scatter"}
    assert [q.name for q in result.steps][:3] == ["stress area", "target preload", "exact torque"]
    assert result.assumptions


@pytest.mark.parametrize(
    ("case", "changes", "name", "words"),
    [
        ("yielded", {"fasteners": "reused after yield"}, "fasteners", "a yielded bolt is replaced"),
        ("history unknown", {"fasteners": None}, "fasteners", "say whether they are new"),
        (
            "calibration over",
            {"wrench": replace(WRENCH, is_in_calibration=False)},
            "is_in_calibration",
            "take a wrench whose calibration is in date",
        ),
        (
            "calibration unknown",
            {"wrench": replace(WRENCH, is_in_calibration=None)},
            "is_in_calibration",
            "look at its label",
        ),
        (
            "lubricant missing",
            {"friction": replace(FRICTION, lubricant=None)},
            "lubricant",
            "unknown friction can double the preload",
        ),
        (
            "lubricant unknown",
            {
                "friction": replace(FRICTION, lubricant="unknown"),
                "joint": replace(JOINT, lubricant="unknown"),
            },
            "lubricant",
            "unknown friction can double the preload",
        ),
        (
            "other lubricant",
            {"friction": replace(FRICTION, lubricant="copper paste")},
            "lubricant",
            "changing the lubricant changes the preload",
        ),
        (
            "no source",
            {"friction": replace(FRICTION, source=None)},
            "source",
            "take its value from its data sheet",
        ),
        (
            "dry or wet",
            {"friction": replace(FRICTION, condition="damp")},
            "condition",
            "unknown friction",
        ),
        (
            "half a friction",
            {"friction": replace(FRICTION, head=None)},
            "head",
            "no value is assumed for it",
        ),
        (
            "both forms",
            {"friction": replace(FRICTION, k_factor=0.105)},
            "k_factor",
            "the two forms say different things",
        ),
        (
            "factor of another paste",
            {"friction": replace(BY_K, k_factor=0.2)},
            "k_factor",
            "factor and lubricant contradict each other",
        ),
        (
            "strength of another grade",
            {"joint": replace(JOINT, yield_strength_pa=940e6)},
            "yield_strength_pa",
            "grade and strength contradict each other",
        ),
        (
            "seating load in kN",
            {"joint": replace(JOINT, seating_load_n=156.4)},
            "seating_load_n",
            "check the units",
        ),
        (
            "wrench range upside down",
            {"wrench": replace(WRENCH, low_nm=200.0, high_nm=40.0)},
            "high_nm",
            "above low_nm",
        ),
        (
            "washer not stated",
            {"joint": replace(JOINT, has_washer=None)},
            "has_washer",
            "joint's record",
        ),
        ("no revision", {"joint": replace(JOINT, revision=" ")}, "revision", "joint's record"),
        ("no target", {"joint": replace(JOINT, target=None)}, "target", "joint's record"),
        (
            "share given in per cent",
            {"joint": replace(JOINT, target_value=60.0)},
            "target_value",
            "not per cent",
        ),
    ],
)
def test_a_refusal_says_what_and_why(
    case: str, changes: dict[str, Any], name: str, words: str
) -> None:
    with pytest.raises(OutOfRange) as refusal:
        torque(**changes)
    assert refusal.value.name == name, case
    assert words in str(refusal.value)


@given(
    share=st.floats(0.3, 0.9),
    step=st.sampled_from([0.5, 1.0, 2.0, 5.0]),
    scatter=st.floats(0.05, 0.5),
)
def test_the_setting_is_never_above_the_exact_torque(
    share: float, step: float, scatter: float
) -> None:
    result = torque(
        joint=replace(JOINT, target_value=share),
        wrench=replace(WRENCH, step_nm=step, uncertainty=scatter, high_nm=400.0),
    )
    rounded = next(q.value for q in result.steps if q.name == "torque rounded down")
    assert isinstance(rounded, float)
    assert result.torque_exact_nm - step < rounded <= result.torque_exact_nm + 1e-6
    assert (result.torque_to_set_nm is None) == (result.verdict == TorqueVerdict.DO_NOT_USE)


@given(scatter=st.floats(0.05, 0.4), more=st.floats(0.01, 0.19), share=st.floats(0.3, 0.9))
def test_more_scatter_never_makes_a_joint_usable(scatter: float, more: float, share: float) -> None:
    joint = replace(JOINT, target_value=share)
    wide = torque(joint=joint, wrench=replace(WRENCH, uncertainty=scatter + more, high_nm=400.0))
    if wide.verdict == TorqueVerdict.USE:
        narrow = torque(joint=joint, wrench=replace(WRENCH, uncertainty=scatter, high_nm=400.0))
        assert narrow.verdict == TorqueVerdict.USE


def test_own_data_of_an_unlisted_grade_and_lubricant_are_taken() -> None:
    paste = replace(BY_K, lubricant="site paste 7", k_factor=0.13)
    joint = replace(JOINT, lubricant="site paste 7", grade="12.9", yield_strength_pa=1100e6)
    result = torque(joint=replace(joint, target_value=0.35), friction=paste)
    assert result.preload_target_n == pytest.approx(0.35 * 1100e6 * 156.67e-6, rel=1e-3)
    assert "site paste 7" in result.label


def test_checks_read_like_a_workshop_speaks() -> None:
    texts = [check.text for check in torque(policy=replace(POLICY, bolt_limit_share=0.7)).checks]
    assert texts[0].startswith("bolt: 0.748")
    assert "of yield, at most 0.7 of yield: the bolt may be overloaded" in texts[0]
    assert texts[1].endswith("kN, at least 156.4 kN: enough.")
    assert texts[3].endswith("MPa, at most 150 MPa: within the limit.")
