"""What was set at a cover joint, beside its plan: as planned, off it, or for the engineer."""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from valvecare.core.errors import Reason
from valvecare.engineering.bolting import preload_by_k_factor, preload_for_torque
from valvecare.engineering.errors import Refusal
from valvecare.engineering.fasteners import k_factor_band
from valvecare.engineering.joint_records import FastenerState, Friction
from valvecare.work.rules.torque import (
    CoverFacts,
    OwnersTorque,
    TorquePlan,
    WrenchFacts,
    friction_of,
    friction_words,
    joint_record,
    plan_with,
    why_no_torque,
)
from valvecare.work.rules.words import OrderKind


class Agreement(StrEnum):
    """What the comparison of the joint with its plan says."""

    NO_PLAN = "no plan to compare with"
    AS_PLANNED = "as planned"
    RECOMPUTED = "as planned for the lubricant used"
    OF_THE_WRENCH = "within the uncertainty of the wrench"
    OFF_PLAN = "off the plan, the joint still holds"
    NOT_AS_PLANNED = "not as planned"


@dataclass(frozen=True, slots=True)
class JointDone:
    """What was done at the joint. `friction` with its source: of a lubricant not planned."""

    torque_nm: float
    lubricant: str
    wrench: WrenchFacts
    fasteners: FastenerState
    friction: float | None = None
    friction_source: str = ""


@dataclass(frozen=True, slots=True)
class Compared:
    """The joint beside its plan. With `reasons` it needs the engineer; with `off_plan` alone every
    check of bolt and gasket still holds, and it is closed only with words why it stays so."""

    agreement: Agreement
    plan: TorquePlan
    words: str
    reasons: tuple[Reason, ...] = ()
    off_plan: Reason | None = None

    def record(self) -> dict[str, Any]:
        return {"agreement": self.agreement.value, "words": self.words, "plan": self.plan.record()}


_DISAGREE: Final = "or say 'not as planned, because …' to the engineer"


def _same(one: str, other: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())


def _mismatch(cover: CoverFacts, done: JointDone) -> str:
    """What the other lubricant does at the torque that was set, where its friction is known."""
    diameter, pitch = cover.size
    planned = friction_of(cover, cover.lubricant, None, "")
    geometry = {
        "diameter_m": (diameter or 0.0) / 1e3,
        "pitch_m": (pitch or 0.0) / 1e3,
        "bearing_outside_m": (cover.bearing_outside_mm or 0.0) / 1e3,
        "hole_m": (cover.hole_mm or 0.0) / 1e3,
    }

    def preload(friction: Friction) -> float:
        if friction.k_factor is not None:
            return preload_by_k_factor(
                done.torque_nm, diameter_m=geometry["diameter_m"], k_factor=friction.k_factor
            )
        return preload_for_torque(
            done.torque_nm,
            **geometry,
            thread_friction=friction.thread,  # type: ignore[arg-type]
            head_friction=friction.head,  # type: ignore[arg-type]
        )

    try:
        if done.friction is not None:
            used = friction_of(cover, done.lubricant, done.friction, done.friction_source)
        else:
            low, high = k_factor_band(done.lubricant.strip().lower())
            used = replace(
                planned,
                lubricant=done.lubricant,
                thread=None,
                head=None,
                k_factor=(low + high) / 2,
            )
        share = preload(used) / preload(planned)
    except Refusal:
        return "What it does to the preload is not known."
    return (
        f"{done.torque_nm:g} N m with {friction_words(used)} gives {(share - 1) * 100:+.0f} % of "
        f"preload against {friction_words(planned)}."
    )


def _why_not_lubricant(cover: CoverFacts, done: JointDone) -> Reason | None:
    if _same(done.lubricant, cover.lubricant):
        return None
    if done.friction is not None and done.friction_source.strip():
        return None
    return Reason(
        "lubricant_not_planned",
        f"Planned is {cover.lubricant}; used was {done.lubricant}. {_mismatch(cover, done)}",
        f"Clean the threads and tighten again with {cover.lubricant}, give the friction of "
        f"{done.lubricant} with its source, {_DISAGREE}.",
        {"planned": cover.lubricant, "used": done.lubricant},
    )


def compare_joint(
    kind: OrderKind, cover: CoverFacts | None, done: JointDone, *, owner: OwnersTorque
) -> Compared:
    """Compare a tightened joint with its plan, for the wrench and lubricant that were used."""
    why = why_no_torque(kind, cover)
    if cover is None or why:
        return Compared(Agreement.NO_PLAN, TorquePlan(why), f"no computed torque: {why}")
    other = not _same(done.lubricant, cover.lubricant)
    wrong_lubricant = _why_not_lubricant(cover, done)
    recomputed = other and wrong_lubricant is None
    try:
        joint = joint_record(cover)
        friction = friction_of(cover, cover.lubricant, None, "")
        if recomputed:
            friction = friction_of(cover, done.lubricant, done.friction, done.friction_source)
            joint = replace(joint, lubricant=done.lubricant.strip())
        plan = plan_with(cover, joint, friction, done.wrench, owner, done.fasteners)
    except Refusal as refusal:
        plan = TorquePlan(f"No torque: {refusal}")
    return _judged(plan, done, wrong_lubricant, _mismatch(cover, done) if recomputed else "")


def why_not_fasteners(
    kind: OrderKind, cover: CoverFacts | None, state: FastenerState | None
) -> Reason | None:
    """Yielded fasteners are never used again; where a torque is computed their state is said."""
    if state is FastenerState.YIELDED:
        return Reason(
            "fasteners_yielded", "A bolt that has yielded is not used again.", "Fit new ones."
        )
    if state is None and not why_no_torque(kind, cover):
        return Reason(
            "fasteners_not_named",
            "Whether studs and nuts are new or were used before is not said.",
            f"One of: {', '.join(FastenerState)}.",
        )
    return None


def _judged(
    plan: TorquePlan, done: JointDone, wrong_lubricant: Reason | None, mismatch: str
) -> Compared:
    reasons = [wrong_lubricant] if wrong_lubricant is not None else []
    setting, low, high = plan.setting_nm, plan.low_nm, plan.high_nm
    if setting is None or low is None or high is None:
        reasons.append(
            Reason(
                "no_plan_with_this_wrench",
                plan.words,
                f"Take another wrench or have the joint's record corrected, {_DISAGREE}.",
            )
        )
    elif not low - 1e-9 <= done.torque_nm <= high + 1e-9:
        reasons.append(
            Reason(
                "torque_outside_band",
                f"{done.torque_nm:g} N m was set; the plan is {setting:g} N m, and the joint holds "
                f"from {low:.4g} to {high:.4g} N m.",
                f"Tighten to the plan with a new gasket where it was overloaded, {_DISAGREE}.",
                {"set_nm": done.torque_nm, "low_nm": low, "high_nm": high, "plan_nm": setting},
            )
        )
    if reasons or setting is None:
        words = " ".join(reason.words for reason in reasons)
        return Compared(Agreement.NOT_AS_PLANNED, plan, words, tuple(reasons))
    return _beside_setting(plan, setting, done, mismatch)


def _beside_setting(
    plan: TorquePlan, setting_nm: float, done: JointDone, mismatch: str
) -> Compared:
    """A joint that holds, beside the setting that was planned for what was used.

    The wide band is where bolt and gasket hold; it is no leave to set another torque. What the
    wrench itself may be wrong by is as planned, anything further wants its reason.
    """
    wrench, off = done.wrench, done.torque_nm - setting_nm
    lubricant = f" for {done.lubricant}" if mismatch else ""
    said = f"{done.torque_nm:g} N m set with {wrench.code}, plan {setting_nm:g} N m{lubricant}"
    if abs(off) < wrench.step_nm / 2:
        if mismatch:
            return Compared(Agreement.RECOMPUTED, plan, f"{said}: as planned. {mismatch}")
        return Compared(Agreement.AS_PLANNED, plan, f"{said}: as planned.")
    how_far = f"{said}: {off:+.3g} N m ({off / setting_nm * 100:+.1f} %) off the plan"
    within = wrench.band_nm(setting_nm)
    if within is not None and abs(off) <= within:
        words = f"{how_far}, within the ±{within:.3g} N m of {wrench.code}. {mismatch}"
        return Compared(Agreement.OF_THE_WRENCH, plan, words.strip())
    own = (
        f"the uncertainty of {wrench.code} is not recorded"
        if within is None
        else f"{wrench.code} is good for ±{within:.3g} N m"
    )
    words = (
        f"{how_far}; {own}. The joint still holds from {plan.low_nm:.4g} to "
        f"{plan.high_nm:.4g} N m. {mismatch}"
    ).strip()
    return Compared(
        Agreement.OFF_PLAN,
        plan,
        words,
        off_plan=Reason(
            "torque_off_plan",
            words,
            f"Set {setting_nm:g} N m, or say why it stays as it is ('not as planned, because …').",
            {
                "set_nm": done.torque_nm,
                "plan_nm": setting_nm,
                "within_nm": None if within is None else round(within, 2),
            },
        ),
    )
