"""Catalogue entries: preload, torque, friction, and the setting of a whole joint."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from valvecare.engineering import bolting, fasteners, gaskets, joint_torque, scatter
from valvecare.engineering.catalogue.forms import Computation, Example, Group, Input
from valvecare.engineering.catalogue.parts import (
    KN,
    MM,
    MM2,
    MPA,
    N_M,
    SHARE,
    choice,
    having,
    number,
    out,
    range_of,
    text,
    whole,
    yes_no,
)
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.joint_records import (
    FastenerKind,
    FastenerState,
    Friction,
    JointRecord,
    Target,
    TorquePolicy,
    Wrench,
)
from valvecare.engineering.plausible import Window

_VDI = "VDI 2230:2001 (formulas seen second-hand, checked on 54 published values)"
_ASME = "ASME VIII-1 appendix 2 (formula from memory; m and y from a public copy, seen)"
CAUTIONS = ("torque-basis", "never-retorque-hot")
DIAMETER = number(
    "thread_diameter_mm", "Thread diameter", "diameter_m", MM, range_of("diameter_m"), 16.0
)
PITCH = number("pitch_mm", "Pitch", "pitch_m", MM, range_of("pitch_m"), 1.5)
YIELD = number(
    "yield_strength_mpa", "Yield (0.2 % proof) strength", "yield_strength_pa", MPA,
    range_of("yield_strength_pa"), 640.0,
)  # fmt: skip
OUTSIDE = number(
    "bearing_outside_mm", "Outside diameter of the bearing face", "bearing_outside_m", MM,
    range_of("bearing_outside_m"), 22.49,
)  # fmt: skip
HOLE = number("hole_mm", "Hole", "hole_m", MM, range_of("hole_m"), 17.5)
PRELOAD = number("preload_kn", "Preload", "preload_n", KN, range_of("preload_n"), 80.0)
TORQUE = number("torque_n_m", "Torque", "torque_nm", N_M, range_of("torque_nm"), 218.0)


def _friction(name: str, label: str, si: str, example: float) -> Input:
    return number(
        name, label, si, None, range_of("friction"), example,
        help="From the lubricant's record; it is not guessed.",
    )  # fmt: skip


def _joint_setting(v: Mapping[str, Any]) -> joint_torque.JointTorque:
    kind = v["target"]
    wanted = {
        Target.YIELD_SHARE: "target_share",
        Target.BOLT_STRESS: "target_stress_pa",
        Target.GASKET_STRESS: "target_stress_pa",
    }[Target(kind)]
    for name in ("target_share", "target_stress_pa"):
        if name != wanted and v[name] is not None:
            raise OutOfRange(name, v[name], f"left out for the target '{kind}'")
    joint = {name: v[name] for name in _names(JointRecord) if name not in ("target_value",)}
    return joint_torque.torque_for_joint(
        JointRecord(**joint, target_value=v[wanted]),
        v["fasteners"],
        friction=Friction(**{name: v[f"friction.{name}"] for name in _names(Friction)}),
        wrench=Wrench(**{name: v[f"wrench.{name}"] for name in _names(Wrench)}),
        policy=TorquePolicy(**{name: v[name] for name in _names(TorquePolicy)}),
    )


def _names(record: Any) -> list[str]:
    return [field.name for field in fields(record)]


_ONE_TARGET = "Only for another target."
_JOINT = (
    text("joint", "Joint", "joint_id", "cover of the example valve"),
    text("joint_revision", "Revision of the joint's record", "revision", "2"),
    DIAMETER,
    having(PITCH, example=2.0),
    text("grade", "Grade of the fasteners", "grade", "8.8"),
    YIELD,
    choice("fastener", "Kind of fastener", "fastener", tuple(FastenerKind), "stud and nut"),
    whole("count", "Number of fasteners", "count", 2, 200, 8),
    yes_no("has_washer", "Washers fitted", "has_washer", True),
    OUTSIDE,
    HOLE,
    choice("target", "What sets the preload", "target", tuple(Target), "share of yield"),
    number("target_share", "Target: share of yield", "target_share", SHARE,
           range_of("utilisation"), 0.6, if_absent=_ONE_TARGET),
    number("target_stress_mpa", "Target: bolt or gasket stress", "target_stress_pa", MPA,
           range_of("bolt_stress_pa"), None, if_absent=_ONE_TARGET),
    text("lubricant_on_record", "Lubricant of the joint's record", "lubricant", "moly paste"),
    number("gasket_area_mm2", "Contact area of the gasket", "gasket_area_m2", MM2,
           range_of("gasket_area_m2"), 4536.0),
    number("gasket_stress_max_mpa", "Largest stress the gasket takes", "gasket_stress_max_pa",
           MPA, range_of("gasket_stress_pa"), 200.0),
    number("seating_load_kn", "Load that seats the gasket, all bolts", "seating_load_n", KN,
           range_of("preload_n"), 156.0),
    number("operating_load_kn", "Load needed in operation, all bolts", "operating_load_n", KN,
           range_of("preload_n"), 114.0),
)  # fmt: skip
_IN_HAND = (
    choice("fasteners", "History of the fasteners", "fasteners", tuple(FastenerState), "new"),
    text("lubricant", "Lubricant in hand", "friction.lubricant", "moly paste"),
    choice("condition", "Condition of the threads", "friction.condition",
           ("lubricated", "dry"), "lubricated"),
    text("friction_source", "Where the friction figures come from", "friction.source",
         "data sheet of the paste"),
    number("thread_friction", "Friction of the thread", "friction.thread", None,
           range_of("friction"), 0.12, if_absent="Give both coefficients, or the nut factor."),
    number("head_friction", "Friction of the head or nut", "friction.head", None,
           range_of("friction"), 0.12, if_absent="Give both coefficients, or the nut factor."),
    number("nut_factor", "Nut factor K", "friction.k_factor", None, range_of("k_factor"), None,
           if_absent="Give both coefficients, or the nut factor."),
    text("wrench", "Torque wrench", "wrench.wrench_id", "W1"),
    text("wrench_kind", "Class of the wrench", "wrench.kind", "click wrench"),
    number("wrench_uncertainty", "Scatter of this way of tightening", "wrench.uncertainty",
           SHARE, range_of("uncertainty"), 0.25, help="A share, for example 0.25."),
    number("wrench_low_n_m", "Wrench: lowest torque", "wrench.low_nm", N_M,
           range_of("wrench_low_nm"), 40.0),
    number("wrench_high_n_m", "Wrench: highest torque", "wrench.high_nm", N_M,
           range_of("wrench_low_nm"), 200.0),
    number("wrench_step_n_m", "Wrench: scale step", "wrench.step_nm", N_M,
           range_of("wrench_step_nm"), 1.0),
    yes_no("wrench_in_calibration", "Wrench in calibration", "wrench.is_in_calibration", True),
    number("bolt_limit_share", "Policy: most of the yield to be used", "bolt_limit_share",
           SHARE, range_of("utilisation"), 0.9),
    number("relaxation", "Policy: preload lost by relaxation", "relaxation", SHARE,
           range_of("relaxation"), 0.1, help="A share; state 0 on purpose."),
    number("hydraulic_advice_above_n_m", "Policy: advise hydraulic tightening above",
           "hydraulic_advice_above_nm", N_M, range_of("torque_nm"), 678.0),
)  # fmt: skip
_WIDTH = number(
    "effective_width_mm", "Effective seating width b", "effective_width_m", MM,
    range_of("gasket_width_m"), 5.25,
)  # fmt: skip
_REACTION = number(
    "reaction_diameter_mm", "Diameter the gasket load acts at, G", "reaction_diameter_m", MM,
    range_of("gasket_diameter_m"), 137.5,
)  # fmt: skip

ENTRIES = (
    Computation(
        name="permissible-preload",
        title="Preload a fastener may be given",
        group=Group.JOINT,
        purpose="Preload at which tension and torsion together use a stated share of the yield.",
        function=bolting.permissible_preload,
        inputs=(
            DIAMETER,
            PITCH,
            YIELD,
            _friction("thread_friction", "Friction of the thread", "thread_friction", 0.12),
            number("utilisation", "Share of the yield to use", "utilisation", SHARE,
                   range_of("utilisation"), 0.9),
        ),
        outputs=(out("preload_kn", "Preload", "", KN),),
        formula="F = ν A_s R_p0.2/√(1 + 3 (1.5 d2/d0 (P/(π d2) + 1.155 μ))²)",
        sources=(_VDI,),
        cautions=CAUTIONS,
        example=Example(
            expected={"preload_kn": 87.6}, tolerance=6e-3,
            source="VDI 2230:2001 fine thread table, M16 × 1.5, 8.8, μ 0.12: 87.6 kN (published)",
        ),
        page="fastener-torque",
    ),
    Computation(
        name="fastener-torque",
        title="Tightening torque for a preload",
        group=Group.JOINT,
        purpose="Torque from the friction of thread and head.",
        function=bolting.torque_for_preload,
        inputs=(
            having(PRELOAD, example=87.6),
            DIAMETER,
            PITCH,
            OUTSIDE,
            HOLE,
            _friction("thread_friction", "Friction of the thread", "thread_friction", 0.12),
            _friction("head_friction", "Friction of the head or nut", "head_friction", 0.12),
        ),
        outputs=(out("torque_n_m", "Torque", "", N_M),),
        formula="T = F (0.159 P + 0.577 d2 μ_G + D_Km/2 μ_K)",
        sources=(_VDI,),
        cautions=CAUTIONS,
        example=Example(
            expected={"torque_n_m": 218.0}, tolerance=1.5e-2,
            source="VDI 2230:2001 fine thread table, M16 × 1.5, 8.8, μ 0.12: 218 N·m (published)",
        ),
        page="fastener-torque",
    ),
    Computation(
        name="torque-by-nut-factor",
        title="Tightening torque by one overall factor",
        group=Group.JOINT,
        purpose="Torque from the nut factor of the lubricant.",
        function=bolting.torque_by_k_factor,
        inputs=(
            having(PRELOAD, example=100.0),
            having(DIAMETER, example=20.0),
            number("nut_factor", "Nut factor K", "k_factor", None, range_of("k_factor"), 0.15),
        ),
        outputs=(out("torque_n_m", "Torque", "", N_M),),
        formula="T = K d F",
        sources=("short form, common practice; stud torque tables (seen)",),
        cautions=CAUTIONS,
        example=Example(
            expected={"torque_n_m": 300.0}, source="T = 0.15 × 0.020 × 100 000", tolerance=1e-9
        ),
        page="fastener-torque",
    ),
    Computation(
        name="friction-mismatch",
        title="What a torque does with another lubricant",
        group=Group.JOINT,
        purpose="Preload and use of the yield when the friction is not the assumed one.",
        function=fasteners.friction_mismatch,
        inputs=(
            having(TORQUE, example=229.93),
            DIAMETER,
            having(PITCH, example=2.0),
            OUTSIDE,
            HOLE,
            YIELD,
            _friction("assumed_friction", "Friction assumed for the torque", "assumed_friction",
                      0.14),
            _friction("actual_friction", "Friction there really is", "actual_friction", 0.10),
        ),
        outputs=(
            out("actual_preload_kn", "Preload there really is", "actual_preload_n", KN),
            out("assumed_preload_kn", "Preload assumed", "assumed_preload_n", KN),
            out("ratio", "Ratio", "ratio"),
            out("utilisation", "Share of the yield used", "utilisation"),
            out("bolt_yields", "Fastener yields", "bolt_yields"),
        ),
        formula="the torque formula solved for F at both frictions",
        sources=(_VDI,),
        aliases={"diameter": "diameter_m"},
        cautions=CAUTIONS,
        example=Example(
            expected={"actual_preload_kn": 105.84}, tolerance=3e-3,
            source="same formula, by hand: 105.84 kN, 34 % more",
        ),
        page="fastener-torque",
    ),
    Computation(
        name="preload-scatter",
        title="Smallest preload left after scatter and relaxation",
        group=Group.JOINT,
        purpose="What a nominal preload may have become.",
        function=scatter.preload_min,
        inputs=(
            PRELOAD,
            number("scatter", "Scatter of the way of tightening", "uncertainty", SHARE,
                   range_of("uncertainty"), 0.25, help="A share, for example 0.25."),
            number("relaxation", "Preload lost by relaxation", "relaxation", SHARE,
                   range_of("relaxation"), 0.0, help="A share; state 0 on purpose."),
        ),
        outputs=(out("smallest_preload_kn", "Smallest preload", "", KN),),
        formula="F_min = F (1 - u)(1 - r)",
        sources=("NASA-STD-5020B table 3: torque wrench, lubricated, 25 % (seen)",),
        cautions=CAUTIONS,
        example=Example(
            expected={"smallest_preload_kn": 60.0}, tolerance=1e-9,
            source="NASA-STD-5020B: 80 kN, 25 %: 60 to 100 kN (published scatter)",
        ),
        page="fastener-torque",
    ),
    Computation(
        name="joint-torque",
        title="Wrench setting for a joint",
        group=Group.JOINT,
        purpose="Setting with scatter, and every check against fastener and gasket.",
        function=joint_torque.torque_for_joint,
        run=_joint_setting,
        inputs=(*_JOINT, *_IN_HAND),
        outputs=(
            out("verdict", "Verdict", "verdict"),
            out("torque_to_set_n_m", "Torque to set", "torque_to_set_nm", N_M),
            out("preload_nominal_kn", "Nominal preload", "preload_nominal_n", KN),
            out("preload_min_kn", "Smallest preload", "preload_min_n", KN, is_uncertainty=True),
            out("preload_max_kn", "Largest preload", "preload_max_n", KN, is_uncertainty=True),
            out("label", "Label for the joint", "label"),
        ),
        formula="T from the preload target, rounded down to the step; F (1 ± u)(1 - r) checked",
        sources=(_VDI, _ASME, "NASA-STD-5020B (seen)"),
        aliases={
            "target_value": "target_share", "thread": "thread_friction",
            "head": "head_friction", "joint.lubricant": "lubricant_on_record",
            "lubricant": "friction.lubricant",
            "k_factor": "nut_factor", "friction": "thread_friction",
        },
        cautions=CAUTIONS,
        example=Example(
            expected={"verdict": "use", "torque_to_set_n_m": 137.0}, tolerance=1e-9,
            source="two thirds of the published-table torque 205.9 N·m at 0.9, rounded down",
        ),
        page="fastener-torque",
    ),
    Computation(
        name="gasket-operating-load",
        title="Bolt load a gasket needs in operation",
        group=Group.JOINT,
        purpose="Pressure end force and gasket load, all bolts together.",
        function=gaskets.operating_load,
        inputs=(
            number("pressure_mpa", "Inside pressure, gauge", "pressure_pa", MPA,
                   range_of("pressure_pa"), 4.0),
            _REACTION,
            _WIDTH,
            number("gasket_factor_m", "Gasket factor m", "factor", None,
                   range_of("gasket_factor"), 3.0, help="0 for a self-energised seal."),
        ),
        outputs=(out("load_kn", "Load of all bolts", "", KN),),
        formula="W_m1 = π/4 G² p + 2 b π G m p",
        sources=(_ASME,),
        example=Example(expected={"load_kn": 113.82}, source="formula by hand"),
        page="gasket-loads",
    ),
    Computation(
        name="gasket-seating-load",
        title="Bolt load that seats a gasket",
        group=Group.JOINT,
        purpose="All bolts together, without pressure.",
        function=gaskets.seating_load,
        inputs=(
            _REACTION,
            _WIDTH,
            number("gasket_factor_y_mpa", "Seating factor y", "yield_pa", MPA,
                   range_of("gasket_yield_pa"), 68.95, help="0 for a self-energised seal."),
        ),
        outputs=(out("load_kn", "Load of all bolts", "", KN),),
        formula="W_m2 = π b G y",
        sources=(_ASME,),
        example=Example(expected={"load_kn": 156.37}, source="formula by hand"),
        page="gasket-loads",
    ),
    Computation(
        name="gasket-stress",
        title="Stress on a gasket",
        group=Group.JOINT,
        purpose="Mean stress from the bolt loads.",
        function=gaskets.gasket_stress,
        inputs=(
            whole("count", "Number of fasteners", "count", 2, 200, 8),
            number("bolt_load_kn", "Load of one fastener", "bolt_load_n", KN,
                   range_of("preload_n"), 54.0),
            number("outside_mm", "Outside diameter of the contact", "outside_m", MM,
                   range_of("gasket_diameter_m"), 148.0),
            number("inside_mm", "Inside diameter of the contact", "inside_m", MM,
                   range_of("gasket_diameter_m"), 127.0),
        ),
        outputs=(out("stress_mpa", "Stress", "", MPA),),
        formula="σ = n F/(π/4 (D² - d²))",
        sources=("mean stress on the contact area",),
        example=Example(expected={"stress_mpa": 95.24}, source="formula by hand"),
        page="gasket-loads",
    ),
    Computation(
        name="pressure-end-force",
        title="Force of a pressure on a cover",
        group=Group.JOINT,
        purpose="One bar left in the body still throws a cover.",
        function=gaskets.pressure_end_force,
        inputs=(
            number("pressure_mpa", "Pressure, gauge", "pressure_pa", MPA,
                   Window("a pressure in pascal; check the unit", at_least=0.0, at_most=5e7),
                   0.1),
            number("diameter_mm", "Diameter it acts on", "diameter_m", MM,
                   range_of("gasket_diameter_m"), 120.0),
        ),
        outputs=(out("force_kn", "Force", "", KN),),
        formula="F = π/4 D² p",
        sources=("definition",),
        cautions=("trapped-pressure", "stored-energy"),
        example=Example(
            expected={"force_kn": 1.131}, source="π/4 × 0.120² × 100 000 Pa, by hand"
        ),
        page="gasket-loads",
    ),
)  # fmt: skip
