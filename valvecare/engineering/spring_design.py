"""Helical compression springs as made: rate, stress, solid length, nested pairs."""

from dataclasses import dataclass
from math import pi

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible_mechanics import require_flag, require_plausible


@dataclass(frozen=True, slots=True)
class SharedLoad:
    """Forces of two nested springs, N."""

    longer_n: float
    shorter_n: float


def _wire_and_coil(wire_m: float, coil_m: float) -> tuple[float, float]:
    wire = require_plausible("wire_m", wire_m)
    coil = require_plausible("coil_m", coil_m)
    if not 2.0 <= coil / wire <= 40.0:
        raise OutOfRange(
            "coil_m", coil, f"2 to 40 times wire_m ({wire:g})", "the mean diameter of the coils"
        )
    return wire, coil


def spring_rate(
    *, shear_modulus_pa: float, wire_m: float, coil_m: float, active_coils: float
) -> float:
    """Rate of a helical spring, N/m.

    Parameters
    ----------
    shear_modulus_pa : G, Pa, 20e9 to 100e9
    wire_m : wire diameter d, m
    coil_m : mean coil diameter D, m, 2 to 40 times the wire
    active_coils : 0.5 to 200

    Returns
    -------
    float : G d^4/(8 D^3 n), N/m

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Round wire, small pitch angle, linear.

    Source
    ------
    EN 13906-1 form (from memory); values of a textbook companion, example 10.2 (seen).

    Examples
    --------
    179.014 N/mm in the example, to 0.05 %.

    >>> rate = spring_rate(shear_modulus_pa=81370e6, wire_m=0.011, coil_m=0.055, active_coils=5)
    >>> round(rate / 1e3, 3)
    179.014
    """
    modulus = require_plausible("shear_modulus_pa", shear_modulus_pa)
    wire, coil = _wire_and_coil(wire_m, coil_m)
    coils = require_plausible("coils", active_coils, "active_coils")
    return modulus * wire**4 / (8 * coil**3 * coils)


def active_coils_for_rate(
    rate_n_per_m: float, *, shear_modulus_pa: float, wire_m: float, coil_m: float
) -> float:
    """Number of active coils that gives a rate.

    Parameters
    ----------
    rate_n_per_m : N/m, 100 to 5e6
    shear_modulus_pa, wire_m, coil_m : as `spring_rate`

    Returns
    -------
    float : coils

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range; or the answer is not 0.5 to
        200 coils

    Assumptions
    -----------
    As `spring_rate`, which it inverts.

    Source
    ------
    Textbook companion, example 10.3 (seen).

    Examples
    --------
    >>> round(active_coils_for_rate(
    ...     75e3, shear_modulus_pa=81370e6, wire_m=0.021, coil_m=0.150), 4)
    7.8148
    """
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    modulus = require_plausible("shear_modulus_pa", shear_modulus_pa)
    wire, coil = _wire_and_coil(wire_m, coil_m)
    coils = modulus * wire**4 / (8 * coil**3 * rate)
    if not 0.5 <= coils <= 200:
        raise OutOfRange(
            "rate_n_per_m", rate, "such that 0.5 to 200 coils give it", f"it needs {coils:.3g}"
        )
    return coils


def wahl_factor(index: float) -> float:
    """Stress factor of a spring after Wahl: curvature and direct shear.

    Parameters
    ----------
    index : mean coil diameter over wire diameter, 2 to 40

    Returns
    -------
    float : (4C - 1)/(4C - 4) + 0.615/C

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Round wire.

    Source
    ------
    Textbook companion, example 10.3 table (seen).

    Examples
    --------
    >>> round(wahl_factor(5.0), 4)
    1.3105
    """
    c = require_plausible("spring_index", index, "index")
    return (4 * c - 1) / (4 * c - 4) + 0.615 / c


def bergstrasser_factor(index: float) -> float:
    """Stress factor of a spring after Bergstrasser; the EN 13906-1 factor (C+0.5)/(C-0.75).

    Parameters
    ----------
    index : mean coil diameter over wire diameter, 2 to 40

    Returns
    -------
    float : (4C + 2)/(4C - 3)

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Round wire.

    Source
    ------
    Shigley, example 10-1, from memory.

    Examples
    --------
    >>> round(bergstrasser_factor(10.811), 3)
    1.124
    """
    c = require_plausible("spring_index", index, "index")
    return (4 * c + 2) / (4 * c - 3)


def spring_shear_stress(force_n: float, *, wire_m: float, coil_m: float) -> float:
    """Shear stress of a spring under a force, Pa, with the Wahl factor.

    Parameters
    ----------
    force_n : N, 0 to 1e6
    wire_m, coil_m : wire and mean coil diameter, m

    Returns
    -------
    float : K 8 F D/(pi d^3), Pa

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range, or the stress is above
        5000 MPa: a unit slip

    Assumptions
    -----------
    Round wire, force along the axis.

    Source
    ------
    Textbook companion, example 10.19 (seen).

    Examples
    --------
    >>> round(spring_shear_stress(706.0215, wire_m=0.006, coil_m=0.036) / 1e6, 2)
    375.31
    """
    force = require_plausible("spring_force_n", force_n, "force_n")
    wire, coil = _wire_and_coil(wire_m, coil_m)
    stress = wahl_factor(coil / wire) * 8 * force * coil / (pi * wire**3)
    if stress > 5000e6:
        raise OutOfRange(
            "force_n", force, "such that the wire carries at most 5000 MPa", "check the units"
        )
    return stress


def solid_length(total_coils: float, *, wire_m: float, ends_are_ground: bool) -> float:
    """Length of a spring with all coils touching, m.

    Parameters
    ----------
    total_coils : all coils, 0.5 to 200
    wire_m : wire diameter, m
    ends_are_ground : True for ground ends

    Returns
    -------
    float : Nt d if ground, (Nt + 1) d if not, m

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Squared ends.

    Source
    ------
    Shigley, example 10-1, from memory.

    Examples
    --------
    12.5 coils of 0.037 in, not ground: 0.4995 in.

    >>> round(solid_length(12.5, wire_m=0.037 * 0.0254, ends_are_ground=False) / 0.0254, 4)
    0.4995
    """
    coils = require_plausible("coils", total_coils, "total_coils")
    wire = require_plausible("wire_m", wire_m)
    ground = require_flag("ends_are_ground", ends_are_ground, "look at the ends")
    return (coils if ground else coils + 1) * wire


def nested_spring_load(
    load_n: float,
    *,
    longer_rate_n_per_m: float,
    shorter_rate_n_per_m: float,
    free_length_difference_m: float,
) -> SharedLoad:
    """How two nested springs of different free length share a load.

    Parameters
    ----------
    load_n : total load, N, 0 to 1e6
    longer_rate_n_per_m, shorter_rate_n_per_m : rates, N/m
    free_length_difference_m : longer minus shorter free length, m, 0 to 2

    Returns
    -------
    SharedLoad : N; the shorter carries nothing until the longer is compressed by the difference

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Same seats, no friction.

    Source
    ------
    Textbook companion, example 10.19 (seen).

    Examples
    --------
    >>> outer = spring_rate(
    ...     shear_modulus_pa=81370e6, wire_m=0.006, coil_m=0.036, active_coils=10)
    >>> inner = spring_rate(
    ...     shear_modulus_pa=81370e6, wire_m=0.005, coil_m=0.030, active_coils=8)
    >>> share = nested_spring_load(1000.0, longer_rate_n_per_m=outer, shorter_rate_n_per_m=inner,
    ...                            free_length_difference_m=0.015)
    >>> round(share.longer_n, 2)
    706.02
    """
    load = require_plausible("spring_force_n", load_n, "load_n")
    longer = require_plausible("rate_n_per_m", longer_rate_n_per_m, "longer_rate_n_per_m")
    shorter = require_plausible("rate_n_per_m", shorter_rate_n_per_m, "shorter_rate_n_per_m")
    difference = require_plausible("travel_m", free_length_difference_m, "free_length_difference_m")
    if load <= longer * difference:
        return SharedLoad(load, 0.0)
    travel = (load + shorter * difference) / (longer + shorter)
    return SharedLoad(longer * travel, shorter * (travel - difference))
