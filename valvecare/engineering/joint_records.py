"""Records a joint's torque is calculated from, and the checks that make them usable.

The records hold what the register knows; None means 'not known' and is refused by name when it is
needed. Nothing has a default.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.engineering.bolting import stress_area
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.fasteners import UNKNOWN_FRICTION, k_factor_band, yield_strength
from valvecare.engineering.plausible_mechanics import (
    require_count,
    require_flag,
    require_member,
    require_plausible,
    require_text,
)
from valvecare.engineering.tables import table

LOAD_STRESS_LOW_PA: Final = 0.1e6  # a needed load below this gasket stress is a unit slip
LOAD_STRESS_HIGH_PA: Final = 600e6
RECORD: Final = "it belongs to the joint's record; take it from the drawing or the maker"


class Target(StrEnum):
    """What the nominal preload is set by."""

    YIELD_SHARE = "share of yield"
    BOLT_STRESS = "bolt stress"
    GASKET_STRESS = "gasket stress"


class FastenerKind(StrEnum):
    """Bolt with head, or stud with nut."""

    BOLT = "bolt"
    STUD_AND_NUT = "stud and nut"


class FastenerState(StrEnum):
    """History of the fasteners to be fitted."""

    NEW = "new"
    REUSED = "reused, never yielded"
    YIELDED = "reused after yield"


@dataclass(frozen=True, slots=True, kw_only=True)
class Friction:
    """Friction of one lubricant. Give either both coefficients, or the nut factor; never all."""

    lubricant: str | None
    condition: str | None
    source: str | None
    thread: float | None
    head: float | None
    k_factor: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JointRecord:
    """Register data of a bolted joint. Nothing here has a default."""

    joint_id: str | None
    revision: str | None
    diameter_m: float | None
    pitch_m: float | None
    grade: str | None
    yield_strength_pa: float | None
    fastener: str | None
    count: int | None
    has_washer: bool | None
    bearing_outside_m: float | None
    hole_m: float | None
    target: str | None
    target_value: float | None
    lubricant: str | None
    gasket_area_m2: float | None
    gasket_stress_max_pa: float | None
    seating_load_n: float | None
    operating_load_n: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrench:
    """The torque wrench in hand: its class, range, scale step and calibration state."""

    wrench_id: str | None
    kind: str | None
    uncertainty: float | None
    low_nm: float | None
    high_nm: float | None
    step_nm: float | None
    is_in_calibration: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TorquePolicy:
    """The owner's limits: data with a source, not constants."""

    bolt_limit_share: float | None
    relaxation: float | None
    hydraulic_advice_above_nm: float | None


@dataclass(frozen=True, slots=True)
class Fastener:
    """Checked numbers of a joint, so that the formulas below need no more checking."""

    diameter: float
    pitch: float
    strength: float
    count: int
    outside: float
    hole: float
    area: float
    gasket_area: float


def checked_fastener(joint: JointRecord) -> Fastener:
    require_text("joint_id", joint.joint_id, RECORD)
    require_text("revision", joint.revision, RECORD)
    require_text("grade", joint.grade, RECORD)
    require_member("fastener", joint.fastener, tuple(FastenerKind), RECORD)
    require_flag("has_washer", joint.has_washer, RECORD)
    diameter = require_plausible("diameter_m", joint.diameter_m)
    pitch = require_plausible("pitch_m", joint.pitch_m)
    strength = require_plausible("yield_strength_pa", joint.yield_strength_pa)
    grades = {row["grade"] for row in table("bolt_grades")}
    if joint.grade in grades:
        listed = yield_strength(str(joint.grade), diameter_m=diameter)
        if abs(strength / listed - 1) > 0.15:
            raise OutOfRange(
                "yield_strength_pa",
                strength,
                f"within 15 % of {listed:g}, the table value of grade {joint.grade}",
                "grade and strength contradict each other; correct one",
            )
    return Fastener(
        diameter,
        pitch,
        strength,
        require_count("count", joint.count, at_least=2, at_most=200, why=RECORD),
        require_plausible("bearing_outside_m", joint.bearing_outside_m),
        require_plausible("hole_m", joint.hole_m),
        stress_area(diameter, pitch_m=pitch),
        require_plausible("gasket_area_m2", joint.gasket_area_m2),
    )


def checked_load(name: str, value: object, gasket_area: float) -> float:
    load = require_plausible("preload_n", value, name)
    stress = load / gasket_area
    if not LOAD_STRESS_LOW_PA <= stress <= LOAD_STRESS_HIGH_PA:
        raise OutOfRange(
            name,
            load,
            f"such that the gasket carries {LOAD_STRESS_LOW_PA / 1e6:g} to "
            f"{LOAD_STRESS_HIGH_PA / 1e6:g} MPa",
            f"it would carry {stress / 1e6:.3g} MPa; check the units",
        )
    return load


def checked_friction(friction: Friction, joint: JointRecord) -> tuple[float, float] | float:
    """Return (thread, head) coefficients, or the nut factor, of the lubricant of the record."""
    lubricant = require_text("lubricant", friction.lubricant, UNKNOWN_FRICTION)
    require_text("condition", friction.condition, "say 'lubricated' or 'dry'; " + UNKNOWN_FRICTION)
    require_member("condition", friction.condition, ("lubricated", "dry"), UNKNOWN_FRICTION)
    require_text("source", friction.source, UNKNOWN_FRICTION)
    if lubricant.lower() == "unknown":
        raise OutOfRange("lubricant", lubricant, "a named lubricant", UNKNOWN_FRICTION)
    on_record = require_text("joint.lubricant", joint.lubricant, RECORD)
    if lubricant != on_record:
        raise OutOfRange(
            "lubricant",
            lubricant,
            f"'{on_record}', the lubricant of the joint's record",
            "changing the lubricant changes the preload; change the record first",
        )
    if friction.k_factor is not None:
        if friction.thread is not None or friction.head is not None:
            raise OutOfRange(
                "k_factor",
                friction.k_factor,
                "given without friction coefficients",
                "the two forms say different things; give one",
            )
        factor = require_plausible("k_factor", friction.k_factor)
        listed = {row["lubricant"] for row in table("thread_lubricants")}
        if lubricant in listed:
            low, high = k_factor_band(lubricant)
            if not 0.8 * low <= factor <= 1.2 * high:
                raise OutOfRange(
                    "k_factor",
                    factor,
                    f"within 20 % of the {low:g} to {high:g} seen for {lubricant}",
                    "factor and lubricant contradict each other; correct one",
                )
        return factor
    if friction.thread is None and friction.head is None:
        raise OutOfRange(
            "thread, head or k_factor", None, "two coefficients or a nut factor", UNKNOWN_FRICTION
        )
    return (
        require_plausible("friction", friction.thread, "thread"),
        require_plausible("friction", friction.head, "head"),
    )
