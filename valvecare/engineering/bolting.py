"""Threads, preload and torque of one fastener: the formulas, one function each.

ISO metric threads only. `joint_torque.py` puts them together for a joint.
"""

from math import pi, sqrt
from typing import Final

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible_mechanics import require_below, require_plausible

PITCH_DIAMETER_FACTOR: Final = 0.649519  # ISO 724: d2 = d - 0.649519 P
MINOR_DIAMETER_FACTOR: Final = 1.226869  # ISO 724 / ISO 898-1: d3 = d - 1.226869 P
STRESS_LOW_PA: Final = 5e6
STRESS_HIGH_PA: Final = 1500e6


def _thread(diameter_m: float, pitch_m: float) -> tuple[float, float]:
    """Return pitch diameter and minor diameter, m, of a checked thread."""
    diameter = require_plausible("diameter_m", diameter_m)
    pitch = require_plausible("pitch_m", pitch_m)
    if pitch > diameter / 4:
        raise OutOfRange(
            "pitch_m",
            pitch,
            f"at most a quarter of diameter_m ({diameter:g})",
            "no metric thread is coarser; fine and coarse are part of the thread's name",
        )
    return diameter - PITCH_DIAMETER_FACTOR * pitch, diameter - MINOR_DIAMETER_FACTOR * pitch


def _bolt_load(name: str, preload_n: float, diameter_m: float, value: float) -> None:
    """Refuse a load that no bolt of that size can mean: a unit slip, not a strong bolt."""
    stress = preload_n / (pi / 4 * diameter_m**2)
    if not STRESS_LOW_PA <= stress <= STRESS_HIGH_PA:
        raise OutOfRange(
            name,
            value,
            f"such that the bolt carries {STRESS_LOW_PA / 1e6:g} to {STRESS_HIGH_PA / 1e6:g} MPa",
            f"it would carry {stress / 1e6:.4g} MPa; check the units of load, torque and diameter",
        )


def stress_area(diameter_m: float, *, pitch_m: float) -> float:
    """Stress area of a metric thread, m2.

    Parameters
    ----------
    diameter_m : nominal diameter, m, 0.004 to 0.160
    pitch_m : pitch, m, 0.0004 to 0.008 and at most a quarter of the diameter

    Returns
    -------
    float : pi/4 ((d2 + d3)/2)^2, m2

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    ISO metric profile; plain shank, no reduced shank.

    Source
    ------
    ISO 898-1 formula as tabulated after Bickford, bolted joints, 4th ed. (table seen; agrees to
    0.01 %).

    Examples
    --------
    M16: 156.67 mm2 in the published table, to 0.05 %.

    >>> round(stress_area(0.016, pitch_m=0.002) * 1e6, 1)
    156.7
    """
    pitch_diameter, minor = _thread(diameter_m, pitch_m)
    return pi / 4 * ((pitch_diameter + minor) / 2) ** 2


def bearing_diameter(*, bearing_outside_m: float, hole_m: float) -> float:
    """Mean friction diameter under head or nut, m: the plain mean of the two.

    Parameters
    ----------
    bearing_outside_m : outside diameter of the bearing face, m (not the width across flats)
    hole_m : hole in the clamped part, m, below the bearing face

    Returns
    -------
    float : (dw + dh)/2, m

    Raises
    ------
    OutOfRange : an input is missing, not finite, outside its range, or the hole is not smaller

    Assumptions
    -----------
    Flat, full face. The width across flats gives 2 to 4 % too much torque.

    Source
    ------
    VDI 2230 as set out on a public calculator page (seen). That page halves twice in print; used
    as printed the torque of M16x1.5 comes out 23 % low, so the plain mean is used here.

    Examples
    --------
    >>> round(bearing_diameter(bearing_outside_m=0.02249, hole_m=0.0175), 6)
    0.019995
    """
    outside = require_plausible("bearing_outside_m", bearing_outside_m)
    hole = require_plausible("hole_m", hole_m)
    return (outside + require_below("hole_m", hole, "bearing_outside_m", outside)) / 2


def _combined_factor(pitch_diameter: float, minor: float, pitch: float, mu: float) -> float:
    """Equivalent stress over axial stress while the thread is being turned."""
    stress_diameter = (pitch_diameter + minor) / 2
    shear = 1.5 * pitch_diameter / stress_diameter * (pitch / (pi * pitch_diameter) + 1.155 * mu)
    return sqrt(1 + 3 * shear**2)


def permissible_preload(
    diameter_m: float,
    *,
    pitch_m: float,
    yield_strength_pa: float,
    thread_friction: float,
    utilisation: float,
) -> float:
    """Preload, N, at which tension and torsion together use a stated share of the yield strength.

    Parameters
    ----------
    diameter_m, pitch_m : thread, m
    yield_strength_pa : 0.2 % proof strength, Pa, 150e6 to 1500e6
    thread_friction : coefficient in the thread, 0.04 to 0.60
    utilisation : share of the yield strength, 0.05 to 1

    Returns
    -------
    float : N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Tightened by turning the nut; bending left out.

    Source
    ------
    VDI 2230 formula (public calculator page seen); checked against the fine-thread table of
    VDI 2230:2001 in a public catalogue (seen) to 0.6 %.

    Examples
    --------
    M16x1.5, 8.8, friction 0.12: 87.6 kN in the table, to 0.6 %.

    >>> force = permissible_preload(
    ...     0.016, pitch_m=0.0015, yield_strength_pa=640e6, thread_friction=0.12, utilisation=0.9)
    >>> abs(force / 87.6e3 - 1) < 0.006
    True
    """
    pitch_diameter, minor = _thread(diameter_m, pitch_m)
    strength = require_plausible("yield_strength_pa", yield_strength_pa)
    mu = require_plausible("friction", thread_friction, "thread_friction")
    share = require_plausible("utilisation", utilisation)
    area = stress_area(diameter_m, pitch_m=pitch_m)
    return share * strength * area / _combined_factor(pitch_diameter, minor, float(pitch_m), mu)


def bolt_utilisation(
    preload_n: float,
    *,
    diameter_m: float,
    pitch_m: float,
    yield_strength_pa: float,
    thread_friction: float,
) -> float:
    """Share of the yield strength used by a preload while tightening (1 = yields).

    Parameters
    ----------
    preload_n : N, giving 5 to 1500 MPa in the bolt
    diameter_m, pitch_m : thread, m
    yield_strength_pa : Pa
    thread_friction : coefficient in the thread, 0.04 to 0.60

    Returns
    -------
    float : tension with torsion over yield strength; above 1 the bolt yields

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    As `permissible_preload`, which it inverts.

    Source
    ------
    As `permissible_preload`.

    Examples
    --------
    >>> used = bolt_utilisation(87.6e3, diameter_m=0.016, pitch_m=0.0015,
    ...                         yield_strength_pa=640e6, thread_friction=0.12)
    >>> abs(used - 0.9) < 0.006
    True
    """
    force = require_plausible("preload_n", preload_n)
    at_yield = permissible_preload(
        diameter_m,
        pitch_m=pitch_m,
        yield_strength_pa=yield_strength_pa,
        thread_friction=thread_friction,
        utilisation=1.0,
    )
    _bolt_load("preload_n", force, float(diameter_m), force)
    return force / at_yield


def _torque_per_newton(
    diameter_m: float,
    pitch_m: float,
    bearing_outside_m: float,
    hole_m: float,
    thread_friction: float,
    head_friction: float,
) -> float:
    pitch_diameter, _ = _thread(diameter_m, pitch_m)
    mu_thread = require_plausible("friction", thread_friction, "thread_friction")
    mu_head = require_plausible("friction", head_friction, "head_friction")
    mean = bearing_diameter(bearing_outside_m=bearing_outside_m, hole_m=hole_m)
    if float(hole_m) < float(diameter_m):
        raise OutOfRange("hole_m", hole_m, f"at least diameter_m ({diameter_m:g})")
    return 0.16 * float(pitch_m) + 0.58 * pitch_diameter * mu_thread + mean / 2 * mu_head


def torque_for_preload(
    preload_n: float,
    *,
    diameter_m: float,
    pitch_m: float,
    bearing_outside_m: float,
    hole_m: float,
    thread_friction: float,
    head_friction: float,
) -> float:
    """Tightening torque for a preload, N m, from the friction of thread and head.

    Parameters
    ----------
    preload_n : N, giving 5 to 1500 MPa in the bolt
    diameter_m, pitch_m : thread, m
    bearing_outside_m, hole_m : bearing face and hole, m
    thread_friction, head_friction : coefficients, 0.04 to 0.60

    Returns
    -------
    float : N m

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    60 degree thread; turned at the side the bearing face belongs to; no prevailing torque.

    Source
    ------
    VDI 2230: M = F [0.16 P + 0.58 d2 mu_thread + D_mean/2 mu_head] (public calculator page seen,
    its double half corrected); VDI 2230:2001 fine-thread table (catalogue seen) to 1.5 %.

    Examples
    --------
    M16x1.5, 8.8, friction 0.12, 87.6 kN: 218 N m in the table, to 1.5 %.

    >>> torque = torque_for_preload(
    ...     87.6e3, diameter_m=0.016, pitch_m=0.0015, bearing_outside_m=0.02249, hole_m=0.0175,
    ...     thread_friction=0.12, head_friction=0.12)
    >>> abs(torque / 218 - 1) < 0.015
    True
    """
    force = require_plausible("preload_n", preload_n)
    arm = _torque_per_newton(
        diameter_m, pitch_m, bearing_outside_m, hole_m, thread_friction, head_friction
    )
    _bolt_load("preload_n", force, float(diameter_m), force)
    return force * arm


def preload_for_torque(
    torque_nm: float,
    *,
    diameter_m: float,
    pitch_m: float,
    bearing_outside_m: float,
    hole_m: float,
    thread_friction: float,
    head_friction: float,
) -> float:
    """Preload, N, that a torque gives at a stated friction.

    Parameters
    ----------
    torque_nm : N m, 0.5 to 50 000, giving 5 to 1500 MPa in the bolt
    diameter_m, pitch_m : thread, m
    bearing_outside_m, hole_m : bearing face and hole, m
    thread_friction, head_friction : coefficients really present, 0.04 to 0.60

    Returns
    -------
    float : N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    As `torque_for_preload`, which it inverts; elastic, so a value past yield says only that the
    bolt yields.

    Source
    ------
    As `torque_for_preload`.

    Examples
    --------
    229.93 N m set for friction 0.14, but 0.10 is present: 105.84 kN (derived value).

    >>> force = preload_for_torque(
    ...     229.93, diameter_m=0.016, pitch_m=0.002, bearing_outside_m=0.02249, hole_m=0.0175,
    ...     thread_friction=0.10, head_friction=0.10)
    >>> round(force / 1e3, 1)
    105.8
    """
    torque = require_plausible("torque_nm", torque_nm)
    arm = _torque_per_newton(
        diameter_m, pitch_m, bearing_outside_m, hole_m, thread_friction, head_friction
    )
    _bolt_load("torque_nm", torque / arm, float(diameter_m), torque)
    return torque / arm


def torque_by_k_factor(preload_n: float, *, diameter_m: float, k_factor: float) -> float:
    """Tightening torque for a preload, N m, by one overall factor: T = K d F.

    Parameters
    ----------
    preload_n : N, giving 5 to 1500 MPa in the bolt
    diameter_m : nominal diameter, m (any thread standard)
    k_factor : nut factor of the lubricant, 0.05 to 0.50

    Returns
    -------
    float : N m

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Everything about friction is inside K; K belongs to one lubricant and surface.

    Source
    ------
    Short form used by public ASTM A193 B7 stud torque tables (seen).

    Examples
    --------
    1 inch B7 stud, K 0.167, 44 550 lbf: 620 ft lbf in the table.

    >>> torque = torque_by_k_factor(44550 * 4.4482216, diameter_m=0.0254, k_factor=0.167)
    >>> round(torque / 1.3558179)
    620
    """
    force = require_plausible("preload_n", preload_n)
    diameter = require_plausible("diameter_m", diameter_m)
    factor = require_plausible("k_factor", k_factor)
    _bolt_load("preload_n", force, diameter, force)
    return factor * diameter * force


def preload_by_k_factor(torque_nm: float, *, diameter_m: float, k_factor: float) -> float:
    """Preload, N, that a torque gives by one overall factor: F = T/(K d).

    Parameters
    ----------
    torque_nm : N m, 0.5 to 50 000, giving 5 to 1500 MPa in the bolt
    diameter_m : nominal diameter, m
    k_factor : nut factor really present, 0.05 to 0.50

    Returns
    -------
    float : N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    As `torque_by_k_factor`, which it inverts.

    Source
    ------
    As `torque_by_k_factor`.

    Examples
    --------
    >>> round(preload_by_k_factor(300.0, diameter_m=0.020, k_factor=0.15))
    100000
    """
    torque = require_plausible("torque_nm", torque_nm)
    diameter = require_plausible("diameter_m", diameter_m)
    factor = require_plausible("k_factor", k_factor)
    force = torque / (factor * diameter)
    _bolt_load("torque_nm", force, diameter, torque)
    return force
