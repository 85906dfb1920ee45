"""Torque for a bolted joint: from the joint's record to a wrench setting, every check reported."""

from dataclasses import dataclass
from enum import StrEnum

from valvecare.engineering.bolting import (
    bolt_utilisation,
    permissible_preload,
    preload_by_k_factor,
    preload_for_torque,
    torque_by_k_factor,
    torque_for_preload,
)
from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.engineering.fasteners import round_down_to_step
from valvecare.engineering.joint_records import (
    RECORD,
    Fastener,
    FastenerState,
    Friction,
    JointRecord,
    Target,
    TorquePolicy,
    Wrench,
    checked_fastener,
    checked_friction,
    checked_load,
)
from valvecare.engineering.plausible_mechanics import (
    require_flag,
    require_member,
    require_plausible,
    require_text,
)
from valvecare.engineering.scatter import preload_max, preload_min
from valvecare.engineering.working import Check, Quantity, Reason, at_least, at_most


class TorqueVerdict(StrEnum):
    """Whether the torque may be set."""

    USE = "use"
    DO_NOT_USE = "do not use"


@dataclass(frozen=True, slots=True)
class JointTorque:
    """The answer and everything a page needs to show the working.

    `torque_to_set_nm` is None when any check fails: then there is no setting to use.
    """

    verdict: TorqueVerdict
    torque_to_set_nm: float | None
    torque_exact_nm: float
    preload_target_n: float
    preload_nominal_n: float
    preload_min_n: float
    preload_max_n: float
    label: str
    inputs: tuple[Quantity, ...]
    steps: tuple[Quantity, ...]
    checks: tuple[Check, ...]
    reasons: tuple[Reason, ...]
    advice: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def _target_preload(
    joint: JointRecord, bolt: Fastener, friction: tuple[float, float] | float
) -> tuple[float, str]:
    kind = require_member("target", joint.target, tuple(Target), RECORD)
    if kind == Target.YIELD_SHARE:
        share = require_plausible("utilisation", joint.target_value, "target_value")
        if isinstance(friction, tuple):
            force = permissible_preload(
                bolt.diameter,
                pitch_m=bolt.pitch,
                yield_strength_pa=bolt.strength,
                thread_friction=friction[0],
                utilisation=share,
            )
            return force, "share of yield, tension with torsion"
        return share * bolt.strength * bolt.area, "share of yield x strength x stress area"
    if kind == Target.BOLT_STRESS:
        stress = require_plausible("bolt_stress_pa", joint.target_value, "target_value")
        return stress * bolt.area, "bolt stress x stress area"
    stress = require_plausible("gasket_stress_pa", joint.target_value, "target_value")
    return stress * bolt.gasket_area / bolt.count, "gasket stress x gasket area / count"


def torque_for_joint(
    joint: JointRecord,
    fasteners: str,
    *,
    friction: Friction,
    wrench: Wrench,
    policy: TorquePolicy,
) -> JointTorque:
    """Wrench setting for a joint, N m, with scatter, and every check against bolt and gasket.

    Parameters
    ----------
    joint : the joint's record, complete; loads in N, stresses in Pa
    fasteners : a `FastenerState`: new, reused, or reused after yield
    friction : of the lubricant really used, which must be the one of the record
    wrench : the tool, in calibration
    policy : the owner's limits

    Returns
    -------
    JointTorque : verdict, setting rounded down to the wrench step, preloads, checks, working

    Raises
    ------
    OutOfRange : an input is missing, not finite, outside its range or contradicts another;
        fasteners have yielded; the wrench is not in calibration; the lubricant is unknown or not
        the one of the record

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    VDI 2230 (public calculator page and catalogue table seen) or T = K d F (public stud tables
    seen); scatter NASA-STD-5020B table 3 (seen as quoted); relaxation as policy.

    Examples
    --------
    See docs/methods/fastener-torque.md, whose example is run as a test.
    """
    state = require_member(
        "fasteners", fasteners, tuple(FastenerState), "say whether they are new or used before"
    )
    if state == FastenerState.YIELDED:
        raise OutOfRange(
            "fasteners", fasteners, "new, or never yielded", "a yielded bolt is replaced"
        )
    bolt = checked_fastener(joint)
    mu_or_k = checked_friction(friction, joint)
    seating = checked_load("seating_load_n", joint.seating_load_n, bolt.gasket_area)
    operating = checked_load("operating_load_n", joint.operating_load_n, bolt.gasket_area)
    crush = require_plausible(
        "gasket_stress_pa", joint.gasket_stress_max_pa, "gasket_stress_max_pa"
    )
    require_text("wrench_id", wrench.wrench_id, "the wrench is part of the joint's record")
    require_text("kind", wrench.kind, "the class of the wrench gives its scatter")
    scatter = require_plausible("uncertainty", wrench.uncertainty)
    low = require_plausible("wrench_low_nm", wrench.low_nm, "low_nm")
    high = require_plausible("wrench_low_nm", wrench.high_nm, "high_nm")
    if high <= low:
        raise OutOfRange("high_nm", high, f"above low_nm ({low:g})")
    step = require_plausible("wrench_step_nm", wrench.step_nm, "step_nm")
    if not require_flag("is_in_calibration", wrench.is_in_calibration, "look at its label"):
        raise OutOfRange(
            "is_in_calibration", False, "yes", "take a wrench whose calibration is in date"
        )
    limit_share = require_plausible("utilisation", policy.bolt_limit_share, "bolt_limit_share")
    relaxation = require_plausible("relaxation", policy.relaxation)
    advise_above = require_between(
        "hydraulic_advice_above_nm",
        policy.hydraulic_advice_above_nm,
        at_least=20.0,
        at_most=50_000.0,
        why="policy, in newton metres",
    )

    target, how = _target_preload(joint, bolt, mu_or_k)
    if isinstance(mu_or_k, tuple):
        geometry = {
            "diameter_m": bolt.diameter,
            "pitch_m": bolt.pitch,
            "bearing_outside_m": bolt.outside,
            "hole_m": bolt.hole,
            "thread_friction": mu_or_k[0],
            "head_friction": mu_or_k[1],
        }
        exact = torque_for_preload(target, **geometry)
        setting = round_down_to_step(exact, step_nm=step)
        nominal = preload_for_torque(setting or exact, **geometry)
        friction_label = f"mu {mu_or_k[0]:g} thread, {mu_or_k[1]:g} head"
        formula = "F [0.16 P + 0.58 d2 mu_thread + D_mean/2 mu_head]"
    else:
        exact = torque_by_k_factor(target, diameter_m=bolt.diameter, k_factor=mu_or_k)
        setting = round_down_to_step(exact, step_nm=step)
        nominal = preload_by_k_factor(setting or exact, diameter_m=bolt.diameter, k_factor=mu_or_k)
        friction_label = f"K {mu_or_k:g}"
        formula = "K d F"
    most = preload_max(nominal, uncertainty=scatter)
    least = preload_min(nominal, uncertainty=scatter, relaxation=relaxation)
    if isinstance(mu_or_k, tuple):
        used = bolt_utilisation(
            most,
            diameter_m=bolt.diameter,
            pitch_m=bolt.pitch,
            yield_strength_pa=bolt.strength,
            thread_friction=mu_or_k[0],
        )
        used_how = "largest preload, tension with torsion, over yield"
    else:
        used = most / (bolt.area * bolt.strength)
        used_how = "largest preload, tension only, over yield"

    checks = (
        at_most(
            "bolt",
            used,
            limit_share,
            "of yield",
            "the bolt may be overloaded: lower the target, or use a method with less scatter",
        ),
        at_least(
            "gasket seating",
            bolt.count * least,
            seating,
            "N",
            "the gasket may not seat: raise the target, or use a method with less scatter",
        ),
        at_least(
            "operating load",
            bolt.count * least,
            operating,
            "N",
            "the joint may leak in service: raise the target, or use a method with less scatter",
        ),
        at_most(
            "gasket crushing",
            bolt.count * most / bolt.gasket_area,
            crush,
            "Pa",
            "the gasket may be crushed: lower the target",
        ),
        at_least("wrench range, low end", setting, low, "N m", "take a smaller wrench"),
        at_most("wrench range, high end", setting, high, "N m", "take a larger wrench"),
    )
    failed = tuple(check for check in checks if not check.passed)
    verdict = TorqueVerdict.DO_NOT_USE if failed else TorqueVerdict.USE
    reasons = tuple(
        Reason("check_failed." + check.name.replace(",", "").replace(" ", "_"), check.text)
        for check in failed
    ) or (Reason("all_checks_passed", "Every check of bolt, gasket and wrench passed."),)
    advice: tuple[str, ...] = ()
    if setting > advise_above:
        advice = (f"Above {advise_above:g} N m use a hydraulic tool.",)
    thread = f"M{bolt.diameter * 1e3:g}x{bolt.pitch * 1e3:g} {joint.grade}"
    label = (
        f"{setting:g} N m, {thread}, {friction_label} ({friction.lubricant}, {friction.condition})"
        f", {wrench.kind} {scatter * 100:g} %, joint {joint.joint_id} rev {joint.revision}"
    )
    return JointTorque(
        verdict=verdict,
        torque_to_set_nm=None if failed else setting,
        torque_exact_nm=exact,
        preload_target_n=target,
        preload_nominal_n=nominal,
        preload_min_n=least,
        preload_max_n=most,
        label=label,
        inputs=_shown_inputs(joint, state, friction, wrench, policy),
        steps=(
            Quantity("stress area", bolt.area, "m2", "pi/4 ((d2 + d3)/2)^2"),
            Quantity("target preload", target, "N", how),
            Quantity("exact torque", exact, "N m", formula),
            Quantity("torque rounded down", setting, "N m", f"to the step of {step:g} N m"),
            Quantity("nominal preload", nominal, "N", "at the rounded torque"),
            Quantity("smallest preload", least, "N", "F (1 - u)(1 - r)"),
            Quantity("largest preload", most, "N", "F (1 + u)"),
            Quantity("bolt use at largest preload", used, "", used_how),
            Quantity(
                "smallest gasket stress",
                bolt.count * least / bolt.gasket_area,
                "Pa",
                "count x smallest preload / gasket area",
            ),
        ),
        checks=checks,
        reasons=reasons,
        advice=advice,
        assumptions=(
            "ISO metric thread, turned at the nut or head the bearing face belongs to.",
            "Scatter is the same up and down and is that of the wrench class with this friction.",
            "Relaxation takes the same share of every bolt.",
            "Torsion is left out of the bolt check."
            if not isinstance(mu_or_k, tuple)
            else "The bolt check counts tension and torsion; bending is left out.",
            "Cold joint, new gasket, no pressure while tightening.",
        ),
        cautions=cautions_for("torque_for_joint"),
    )


def _shown_inputs(
    joint: JointRecord, state: str, friction: Friction, wrench: Wrench, policy: TorquePolicy
) -> tuple[Quantity, ...]:
    return (
        Quantity("joint", joint.joint_id, "", f"revision {joint.revision}"),
        Quantity("diameter", joint.diameter_m, "m", "joint record"),
        Quantity("pitch", joint.pitch_m, "m", "joint record"),
        Quantity("grade", joint.grade, "", "joint record"),
        Quantity("yield strength", joint.yield_strength_pa, "Pa", "joint record"),
        Quantity("fastener", joint.fastener, "", "joint record"),
        Quantity("fasteners are", state, "", "as fitted"),
        Quantity("count", joint.count, "", "joint record"),
        Quantity("washer", joint.has_washer, "", "joint record"),
        Quantity("bearing face diameter", joint.bearing_outside_m, "m", "joint record"),
        Quantity("hole", joint.hole_m, "m", "joint record"),
        Quantity("target", joint.target_value, "", f"joint record: {joint.target}"),
        Quantity("gasket area", joint.gasket_area_m2, "m2", "joint record"),
        Quantity("largest gasket stress", joint.gasket_stress_max_pa, "Pa", "joint record"),
        Quantity("seating load", joint.seating_load_n, "N", "joint record"),
        Quantity("operating load", joint.operating_load_n, "N", "joint record"),
        Quantity("lubricant", friction.lubricant, "", f"{friction.condition}; {friction.source}"),
        Quantity("friction in thread", friction.thread, "", friction.source or ""),
        Quantity("friction under head", friction.head, "", friction.source or ""),
        Quantity("nut factor K", friction.k_factor, "", friction.source or ""),
        Quantity("wrench", wrench.wrench_id, "", wrench.kind or ""),
        Quantity("scatter", wrench.uncertainty, "", "wrench record"),
        Quantity("wrench range low", wrench.low_nm, "N m", "wrench record"),
        Quantity("wrench range high", wrench.high_nm, "N m", "wrench record"),
        Quantity("wrench step", wrench.step_nm, "N m", "wrench record"),
        Quantity("bolt limit", policy.bolt_limit_share, "of yield", "policy"),
        Quantity("relaxation", policy.relaxation, "", "policy"),
    )
