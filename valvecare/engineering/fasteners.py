"""Data of fasteners and lubricants, and what a wrong lubricant does to a set torque."""

from dataclasses import dataclass
from math import floor
from typing import Final

from valvecare.engineering.bolting import bolt_utilisation, preload_for_torque
from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible_mechanics import require_member, require_plausible
from valvecare.engineering.tables import table
from valvecare.engineering.working import Reason

UNKNOWN_FRICTION: Final = (
    "unknown friction can double the preload or halve it; name the lubricant and take its value "
    "from its data sheet"
)


@dataclass(frozen=True, slots=True)
class FrictionMismatch:
    """What a torque does when the friction is not the assumed one."""

    assumed_preload_n: float
    actual_preload_n: float
    ratio: float
    utilisation: float
    bolt_yields: bool
    reasons: tuple[Reason, ...]
    cautions: tuple[Caution, ...]


def yield_strength(grade: str, *, diameter_m: float) -> float:
    """Smallest yield (0.2 % proof) strength of a bolt grade, Pa.

    Parameters
    ----------
    grade : "8.8", "10.9", "A193 B7" or "A193 B16"
    diameter_m : nominal diameter, m

    Returns
    -------
    float : Pa

    Raises
    ------
    OutOfRange : grade not listed, or diameter outside what is listed for it

    Assumptions
    -----------
    Room temperature.

    Source
    ------
    Table `data/bolt_grades.csv`, a source beside each row (ISO 898-1 from memory; ASTM A193 chart
    seen).

    Examples
    --------
    8.8 changes between M16 and M18:

    >>> yield_strength("8.8", diameter_m=0.016) / 1e6, yield_strength("8.8", diameter_m=0.018) / 1e6
    (640.0, 660.0)
    """
    rows = table("bolt_grades")
    grades = tuple(dict.fromkeys(row["grade"] for row in rows))
    require_member("grade", grade, grades, "give the yield strength from the certificate instead")
    diameter_mm = require_plausible("diameter_m", diameter_m) * 1e3
    for row in rows:
        if row["grade"] == grade and float(row["over_mm"]) < diameter_mm <= float(row["up_to_mm"]):
            return float(row["yield_mpa"]) * 1e6
    top = max(float(row["up_to_mm"]) for row in rows if row["grade"] == grade)
    raise OutOfRange("diameter_m", diameter_m, f"at most {top / 1e3:g} for grade {grade}")


def k_factor_band(lubricant: str) -> tuple[float, float]:
    """Lowest and highest nut factor seen for a lubricant.

    Parameters
    ----------
    lubricant : a name of `data/thread_lubricants.csv`, exactly

    Returns
    -------
    tuple of two floats : low, high

    Raises
    ------
    OutOfRange : the lubricant is not listed; there is no nearest one

    Assumptions
    -----------
    Steel on steel, unplated.

    Source
    ------
    Public ASTM A193 B7 stud torque charts (seen), a source beside each row.

    Examples
    --------
    >>> k_factor_band("moly paste")
    (0.1, 0.11)
    """
    rows = {row["lubricant"]: row for row in table("thread_lubricants")}
    row = rows[require_member("lubricant", lubricant, tuple(rows), UNKNOWN_FRICTION)]
    return float(row["k_low"]), float(row["k_high"])


def friction_mismatch(
    torque_nm: float,
    *,
    diameter_m: float,
    pitch_m: float,
    bearing_outside_m: float,
    hole_m: float,
    yield_strength_pa: float,
    assumed_friction: float,
    actual_friction: float,
) -> FrictionMismatch:
    """What a set torque really does when the lubricant is not the assumed one.

    Parameters
    ----------
    torque_nm : torque set, N m
    diameter_m, pitch_m, bearing_outside_m, hole_m : fastener, m
    yield_strength_pa : Pa
    assumed_friction, actual_friction : coefficient of thread and head alike, 0.04 to 0.60

    Returns
    -------
    FrictionMismatch : both preloads (N), their ratio, share of yield used, whether the bolt yields

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    One coefficient for thread and head; elastic formula, so past yield the force is a lower
    bound of the damage, not a prediction.

    Source
    ------
    VDI 2230 formula (public calculator page seen).

    Examples
    --------
    >>> case = friction_mismatch(
    ...     229.93, diameter_m=0.016, pitch_m=0.002, bearing_outside_m=0.02249, hole_m=0.0175,
    ...     yield_strength_pa=640e6, assumed_friction=0.14, actual_friction=0.10)
    >>> round(case.actual_preload_n / 1e3, 1), round(case.ratio, 2), case.bolt_yields
    (105.8, 1.34, True)
    """
    geometry = {
        "diameter_m": diameter_m,
        "pitch_m": pitch_m,
        "bearing_outside_m": bearing_outside_m,
        "hole_m": hole_m,
    }
    mu_assumed = require_plausible("friction", assumed_friction, "assumed_friction")
    mu_actual = require_plausible("friction", actual_friction, "actual_friction")
    assumed = preload_for_torque(
        torque_nm, **geometry, thread_friction=mu_assumed, head_friction=mu_assumed
    )
    actual = preload_for_torque(
        torque_nm, **geometry, thread_friction=mu_actual, head_friction=mu_actual
    )
    used = bolt_utilisation(
        actual,
        diameter_m=diameter_m,
        pitch_m=pitch_m,
        yield_strength_pa=yield_strength_pa,
        thread_friction=mu_actual,
    )
    ratio = actual / assumed
    reasons = [
        Reason(
            "preload_changed",
            f"The same torque gives {actual / 1e3:.1f} kN instead of {assumed / 1e3:.1f} kN "
            f"({(ratio - 1) * 100:+.0f} %).",
        )
    ]
    if used > 1:
        reasons.append(
            Reason(
                "bolt_yields",
                f"The bolt would be used to {used * 100:.0f} % of its yield strength: it yields. "
                "Replace it; do not reuse it.",
            )
        )
    return FrictionMismatch(
        assumed, actual, ratio, used, used > 1, tuple(reasons), cautions_for("friction_mismatch")
    )


def round_down_to_step(torque_nm: float, *, step_nm: float) -> float:
    """Torque rounded down to the wrench's scale step, N m. Never up.

    Parameters
    ----------
    torque_nm : N m, 0.5 to 50 000
    step_nm : scale step, N m, 0.01 to 100

    Returns
    -------
    float : N m, at most `torque_nm`; 0 if the torque is smaller than one step

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    A value within a billionth of a step counts as on the step.

    Source
    ------
    Common practice.

    Examples
    --------
    >>> round_down_to_step(218.9, step_nm=5.0)
    215.0
    """
    torque = require_plausible("torque_nm", torque_nm)
    step = require_plausible("wrench_step_nm", step_nm, "step_nm")
    return round(floor(torque / step + 1e-9) * step, 9)
