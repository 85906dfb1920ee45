"""The torque of a cover joint as it is planned; what was set is compared in `torque_set`."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

from valvecare.engineering.bolting import stress_area
from valvecare.engineering.errors import Refusal
from valvecare.engineering.fasteners import yield_strength
from valvecare.engineering.joint_records import (
    FastenerState,
    Friction,
    JointRecord,
    Target,
    TorquePolicy,
    Wrench,
)
from valvecare.engineering.joint_torque import JointTorque, TorqueVerdict, torque_for_joint
from valvecare.engineering.tightening import (
    COMMON_PRACTICE_PASSES,
    TighteningStep,
    tightening_plan,
)
from valvecare.register.rules import CoverClosure
from valvecare.work.rules.gauges import gauge_uncertainty
from valvecare.work.rules.steps import CLOSES_THE_COVER
from valvecare.work.rules.words import OrderKind

_THREAD: Final = re.compile(r"M(\d{1,3}(?:\.\d)?)(?:x(\d(?:\.\d{1,2})?))?", re.ASCII)
_NOT_KNOWN: Final = (None, "", "not known")
_TIGHTER: Final = {"gasket seating", "operating load"}
"""Checks that a larger torque would pass; the others of bolt and gasket want a smaller one."""
_LOOSER: Final = {"bolt", "gasket crushing"}


@dataclass(frozen=True, slots=True)
class CoverFacts:
    """What the register says of a cover joint, in the register's units; None is not known."""

    name: str
    revision: str
    closure: str
    thread: str
    grade: str
    count: int | None
    pitch_mm: float | None
    yield_mpa: float | None
    fastener: str
    washers: str
    bearing_outside_mm: float | None
    hole_mm: float | None
    preload_share: float | None
    preload_kn: float | None
    lubricant: str
    friction_thread: float | None
    friction_head: float | None
    nut_factor: float | None
    friction_source: str
    gasket: str
    gasket_area_mm2: float | None
    gasket_max_mpa: float | None
    seating_kn: float | None
    operating_kn: float | None
    source: str

    @property
    def size(self) -> tuple[float | None, float | None]:
        """Diameter and pitch in mm: the pitch of the record, else the one in the thread's name."""
        found = _THREAD.fullmatch(self.thread.strip())
        if found is None:
            return None, self.pitch_mm
        named = float(found[2]) if found[2] else None
        return float(found[1]), self.pitch_mm if self.pitch_mm is not None else named

    @property
    def lacking(self) -> tuple[str, ...]:
        """What a torque depends on and nobody has entered, in words."""
        diameter, pitch = self.size
        has_friction = self.nut_factor is not None or None not in (
            self.friction_thread,
            self.friction_head,
        )
        preload = self.preload_share if self.preload_share is not None else self.preload_kn
        asked: Mapping[str, Any] = {
            "thread": diameter,
            "pitch": pitch,
            "number of bolts": self.count,
            "grade of the bolts": self.grade,
            "bolt or stud": self.fastener,
            "washers": self.washers,
            "bearing face": self.bearing_outside_mm,
            "hole": self.hole_mm,
            "wanted preload": preload,
            "lubricant": self.lubricant,
            "friction of the lubricant": has_friction or None,
            "source of the friction": self.friction_source,
            "kind of gasket": self.gasket,
            "area of the gasket": self.gasket_area_mm2,
            "largest stress of the gasket": self.gasket_max_mpa,
            "load that seats the gasket": self.seating_kn,
            "load in service": self.operating_kn,
            "source of the joint data": self.source,
        }
        return tuple(name for name, value in asked.items() if value in _NOT_KNOWN)


@dataclass(frozen=True, slots=True)
class WrenchFacts:
    """A torque wrench of the site as its label and record say, N m.

    `uncertainty_nm` and `uncertainty_share` (of the setting) are of its certificate, expanded with
    k = 2; None is not stated.
    """

    code: str
    low_nm: float
    high_nm: float
    step_nm: float
    calibrated_until: date
    uncertainty_nm: float | None
    uncertainty_share: float | None

    def band_nm(self, setting_nm: float) -> float | None:
        """Expanded uncertainty (k = 2) of what it sets; None where no certificate says."""
        found = gauge_uncertainty(
            setting_nm,
            expanded=self.uncertainty_nm,
            expanded_share=self.uncertainty_share,
            step=self.step_nm,
        )
        return None if found is None else 2.0 * found


@dataclass(frozen=True, slots=True)
class OwnersTorque:
    """The owner's limits for joints: scatter of a torque wrench, relaxation, bolts."""

    scatter_lubricated: float
    scatter_dry: float
    relaxation: float
    bolt_limit_share: float
    hydraulic_above_nm: float


@dataclass(frozen=True, slots=True)
class TorquePlan:
    """What is to be set, and why; or in `words` why no torque is given.

    The torques are in N m. Between `low_nm` and `high_nm` every check of bolt and gasket holds,
    with scatter and relaxation.
    """

    words: str
    setting_nm: float | None = None
    low_nm: float | None = None
    high_nm: float | None = None
    exact_nm: float | None = None
    preload_min_kn: float | None = None
    preload_max_kn: float | None = None
    lubricant: str = ""
    friction: str = ""
    gasket: str = ""
    wrench: str = ""
    wrench_step_nm: float | None = None
    wrench_until: date | None = None
    source: str = ""
    steps: tuple[TighteningStep, ...] = ()
    checks: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    query: Mapping[str, Any] = field(default_factory=dict)
    """Inputs of the calculation 'joint-torque', to work it out again."""

    @property
    def is_given(self) -> bool:
        return self.setting_nm is not None

    def record(self) -> dict[str, Any]:
        """The plan as it is kept with the joint's record and signed with it."""
        if not self.is_given:
            return {"words": self.words}
        return {
            "torque_nm": self.setting_nm,
            "low_nm": self.low_nm,
            "high_nm": self.high_nm,
            "lubricant": self.lubricant,
            "friction": self.friction,
            "gasket": self.gasket,
            "wrench": self.wrench,
            "wrench_step_nm": self.wrench_step_nm,
            "source": self.source,
            "words": self.words,
        }


def friction_of(cover: CoverFacts, lubricant: str, mu: float | None, source: str) -> Friction:
    """Friction of the record's lubricant, or `mu` on thread and face for another one."""
    condition = "dry" if lubricant.strip().casefold() == "dry" else "lubricated"
    if mu is not None:
        return Friction(
            lubricant=lubricant,
            condition=condition,
            source=source,
            thread=mu,
            head=mu,
            k_factor=None,
        )
    return Friction(
        lubricant=lubricant,
        condition=condition,
        source=cover.friction_source,
        thread=cover.friction_thread,
        head=cover.friction_head,
        k_factor=cover.nut_factor,
    )


def joint_record(cover: CoverFacts) -> JointRecord:
    """The joint's record in SI; raises `Refusal` where grade and thread give no strength."""
    diameter, pitch = cover.size
    diameter_m, pitch_m = _si(diameter, 1e-3), _si(pitch, 1e-3)
    strength = _si(cover.yield_mpa, 1e6)
    if strength is None:
        strength = yield_strength(cover.grade, diameter_m=diameter_m)  # type: ignore[arg-type]
    target, value = Target.YIELD_SHARE, cover.preload_share
    if value is None and cover.preload_kn is not None:
        # a preload in kN is the same as a stress of the stress area
        area = stress_area(diameter_m, pitch_m=pitch_m)  # type: ignore[arg-type]
        target, value = Target.BOLT_STRESS, cover.preload_kn * 1e3 / area
    return JointRecord(
        joint_id=f"cover of {cover.name}",
        revision=cover.revision,
        diameter_m=diameter_m,
        pitch_m=pitch_m,
        grade=cover.grade,
        yield_strength_pa=strength,
        fastener=cover.fastener,
        count=cover.count,
        has_washer=cover.washers == "with washers",
        bearing_outside_m=_si(cover.bearing_outside_mm, 1e-3),
        hole_m=_si(cover.hole_mm, 1e-3),
        target=target,
        target_value=value,
        lubricant=cover.lubricant,
        gasket_area_m2=_si(cover.gasket_area_mm2, 1e-6),
        gasket_stress_max_pa=_si(cover.gasket_max_mpa, 1e6),
        seating_load_n=_si(cover.seating_kn, 1e3),
        operating_load_n=_si(cover.operating_kn, 1e3),
    )


def _si(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _torque(
    joint: JointRecord,
    friction: Friction,
    wrench: WrenchFacts,
    owner: OwnersTorque,
    state: FastenerState,
) -> JointTorque:
    dry = friction.condition == "dry"
    return torque_for_joint(
        joint,
        state,
        friction=friction,
        wrench=Wrench(
            wrench_id=wrench.code,
            kind="torque wrench",
            uncertainty=owner.scatter_dry if dry else owner.scatter_lubricated,
            low_nm=wrench.low_nm,
            high_nm=wrench.high_nm,
            step_nm=wrench.step_nm,
            is_in_calibration=True,
        ),
        policy=TorquePolicy(
            bolt_limit_share=owner.bolt_limit_share,
            relaxation=owner.relaxation,
            hydraulic_advice_above_nm=owner.hydraulic_above_nm,
        ),
    )


def _band(found: JointTorque, setting_nm: float) -> tuple[float, float]:
    """Smallest and largest torque with which every check of bolt and gasket holds, N m.

    Preload grows in proportion to torque, so each check's limit over its value scales it.
    """
    scaled = {check.name: setting_nm * check.limit / check.value for check in found.checks}
    return max(scaled[name] for name in _TIGHTER), min(scaled[name] for name in _LOOSER)


def friction_words(friction: Friction) -> str:
    if friction.k_factor is not None:
        return f"K {friction.k_factor:g}"
    if friction.thread == friction.head:
        return f"μ {friction.thread:g}"
    return f"μ {friction.thread:g} in the thread, {friction.head:g} under the nut"


def _query(
    joint: JointRecord, friction: Friction, wrench: WrenchFacts, owner: OwnersTorque, state: str
) -> dict[str, Any]:
    """Names and units of the calculation 'joint-torque'."""
    by_share = joint.target == Target.YIELD_SHARE
    dry = friction.condition == "dry"
    si: dict[str, tuple[float | None, float]] = {
        "thread_diameter_mm": (joint.diameter_m, 1e3),
        "pitch_mm": (joint.pitch_m, 1e3),
        "yield_strength_mpa": (joint.yield_strength_pa, 1e-6),
        "bearing_outside_mm": (joint.bearing_outside_m, 1e3),
        "hole_mm": (joint.hole_m, 1e3),
        "gasket_area_mm2": (joint.gasket_area_m2, 1e6),
        "gasket_stress_max_mpa": (joint.gasket_stress_max_pa, 1e-6),
        "seating_load_kn": (joint.seating_load_n, 1e-3),
        "operating_load_kn": (joint.operating_load_n, 1e-3),
        "target_share" if by_share else "target_stress_mpa": (
            joint.target_value,
            1.0 if by_share else 1e-6,
        ),
        "thread_friction": (friction.thread, 1.0),
        "head_friction": (friction.head, 1.0),
        "nut_factor": (friction.k_factor, 1.0),
        "wrench_low_n_m": (wrench.low_nm, 1.0),
        "wrench_high_n_m": (wrench.high_nm, 1.0),
        "wrench_step_n_m": (wrench.step_nm, 1.0),
        "wrench_uncertainty": (owner.scatter_dry if dry else owner.scatter_lubricated, 1.0),
        "bolt_limit_share": (owner.bolt_limit_share, 1.0),
        "relaxation": (owner.relaxation, 1.0),
        "hydraulic_advice_above_n_m": (owner.hydraulic_above_nm, 1.0),
    }
    numbers = {name: f"{v * factor:.10g}" for name, (v, factor) in si.items() if v is not None}
    return {
        "joint": joint.joint_id,
        "joint_revision": joint.revision,
        "grade": joint.grade,
        "fastener": joint.fastener,
        "count": joint.count,
        "has_washer": "yes" if joint.has_washer else "no",
        "target": str(joint.target),
        "lubricant_on_record": joint.lubricant,
        "fasteners": state,
        "lubricant": friction.lubricant,
        "condition": friction.condition,
        "friction_source": friction.source,
        "wrench": wrench.code,
        "wrench_kind": "torque wrench",
        "wrench_in_calibration": "yes",
        **numbers,
    }


NO_TORQUE: Final = (
    "A torque without them can overload a bolt or leave the joint loose. Take it from the maker, "
    "or have the joint's record completed in the register."
)


def plan_with(
    cover: CoverFacts,
    joint: JointRecord,
    friction: Friction,
    wrench: WrenchFacts,
    owner: OwnersTorque,
    state: FastenerState,
) -> TorquePlan:
    """The plan with one wrench. Raises `Refusal` as the calculation does."""
    found = _torque(joint, friction, wrench, owner, state)
    setting = found.torque_to_set_nm
    if found.verdict is not TorqueVerdict.USE or setting is None:
        failed = " ".join(reason.text for reason in found.reasons)
        words = f"No torque is given for {wrench.code}: {failed}"
        return TorquePlan(words, exact_nm=found.torque_exact_nm)
    low, high = _band(found, setting)
    low, high = max(low, wrench.low_nm), min(high, wrench.high_nm)
    plan = tightening_plan(joint.count or 0, setting, policy=COMMON_PRACTICE_PASSES)
    how = friction_words(friction)
    return TorquePlan(
        words=f"Set {setting:g} N m with {wrench.code}; the joint holds from {low:.4g} to "
        f"{high:.4g} N m. {friction.lubricant}, {how}.",
        setting_nm=setting,
        low_nm=low,
        high_nm=high,
        exact_nm=found.torque_exact_nm,
        preload_min_kn=found.preload_min_n / 1e3,
        preload_max_kn=found.preload_max_n / 1e3,
        lubricant=str(friction.lubricant),
        friction=f"{how} ({friction.source})",
        gasket=cover.gasket,
        wrench=wrench.code,
        wrench_step_nm=wrench.step_nm,
        wrench_until=wrench.calibrated_until,
        source=cover.source,
        steps=plan.steps,
        checks=tuple(check.text for check in found.checks),
        advice=found.advice,
        query=_query(joint, friction, wrench, owner, state),
    )


OTHER_JOINT: Final = (
    "No torque: the register holds the joint of the cover only. Take it from the maker or from "
    "the plant's list of joints."
)


PRESSURE_SEAL: Final = (
    "No torque: pressure tightens a pressure-seal ring. Set the pull-up bolts as the maker says."
)


def why_no_torque(kind: OrderKind, cover: CoverFacts | None) -> str:
    """Why this kind of order has no torque: another joint, or what is not known; empty: it has."""
    if kind not in CLOSES_THE_COVER:
        return OTHER_JOINT
    if cover is None:
        return f"No torque: the design of the valve is not known. {NO_TORQUE}"
    if cover.closure == CoverClosure.PRESSURE_SEAL:
        return PRESSURE_SEAL
    if cover.lacking:
        return f"No torque: not known is {', '.join(cover.lacking)}. {NO_TORQUE}"
    return ""


def plan_torque(
    kind: OrderKind,
    cover: CoverFacts | None,
    wrenches: Sequence[WrenchFacts],
    *,
    on: date,
    owner: OwnersTorque,
) -> TorquePlan:
    """The torque of a cover joint with the smallest wrench that reaches it, in calibration `on`.

    For fasteners that are new or never yielded. Missing data is named and gives no torque, nor is
    there one for an order that closes another joint. A wrench that is refused is passed over.
    """
    why = why_no_torque(kind, cover)
    if cover is None or why:
        return TorquePlan(why)
    usable = [one for one in wrenches if on <= one.calibrated_until]
    if not usable:
        return TorquePlan(
            f"No torque: no torque wrench of this site is in calibration on {on.isoformat()}."
        )
    tried = []
    for wrench in sorted(usable, key=lambda one: (one.high_nm, one.code)):
        try:
            joint = joint_record(cover)
            friction = friction_of(cover, cover.lubricant, None, "")
            plan = plan_with(cover, joint, friction, wrench, owner, FastenerState.REUSED)
        except Refusal as refusal:
            plan = TorquePlan(f"No torque: {refusal}")
        if plan.is_given:
            return plan
        tried.append(plan)
    return tried[-1]
