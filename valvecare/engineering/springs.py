"""The spring in the valve: preload, energy, free travel, what set and lapping take away."""

from math import pi
from typing import Final

from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.engineering.plausible_mechanics import (
    require_below,
    require_length,
    require_plausible,
)

GRAVITY_M_PER_S2: Final = 9.80665  # standard gravity, CGPM 1901


def _compression(
    free_m: float, installed_m: float, free_name: str = "free_m"
) -> tuple[float, float]:
    """Return checked free length and free travel L0 - L1, m."""
    free = require_plausible("spring_length_m", free_m, free_name)
    installed = require_plausible("spring_length_m", installed_m, "installed_m")
    require_below("installed_m", installed, free_name, free)
    if installed < 0.1 * free:
        raise OutOfRange(
            "installed_m",
            installed,
            f"at least a tenth of {free_name} ({free:g})",
            "check the units",
        )
    return free, free - installed


def spring_preload(*, rate_n_per_m: float, free_m: float, installed_m: float) -> float:
    """Force of the installed spring, N.

    Parameters
    ----------
    rate_n_per_m : N/m, 100 to 5e6
    free_m, installed_m : free and installed length, m; installed shorter

    Returns
    -------
    float : R (L0 - L1), N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Linear spring.

    Source
    ------
    Hooke's law.

    Examples
    --------
    >>> round(spring_preload(rate_n_per_m=30e3, free_m=0.180, installed_m=0.140), 6)
    1200.0
    """
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    _, travel = _compression(free_m, installed_m)
    return rate * travel


def spring_energy(*, rate_n_per_m: float, free_m: float, installed_m: float) -> float:
    """Energy stored in the installed spring, J.

    Parameters
    ----------
    rate_n_per_m : N/m
    free_m, installed_m : m; installed shorter

    Returns
    -------
    float : R s^2/2, J

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Linear spring.

    Source
    ------
    Hooke's law.

    Examples
    --------
    >>> round(spring_energy(rate_n_per_m=30e3, free_m=0.180, installed_m=0.140), 6)
    24.0
    """
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    _, travel = _compression(free_m, installed_m)
    return rate * travel**2 / 2


def opening_pressure(force_n: float, *, seat_m: float) -> float:
    """Pressure difference at which a spring force is balanced on the disc, Pa.

    Parameters
    ----------
    force_n : spring force at that lift, N, 0 to 1e6
    seat_m : seat diameter, m, 0.005 to 2

    Returns
    -------
    float : 4 F/(pi D^2), Pa

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range, or the answer is above
        100 bar: a unit slip

    Assumptions
    -----------
    Weight of the disc and flow forces left out.

    Source
    ------
    Statics.

    Examples
    --------
    >>> round(opening_pressure(567.0, seat_m=0.245) / 1e5, 2)
    0.12
    """
    force = require_plausible("spring_force_n", force_n, "force_n")
    seat = require_plausible("seat_m", seat_m)
    pressure = 4 * force / (pi * seat**2)
    if pressure > 1e7:
        raise OutOfRange(
            "force_n", force, "such that it balances at most 1e7 Pa on seat_m", "check the units"
        )
    return pressure


def residual_force(
    *, rate_n_per_m: float, free_m: float, installed_m: float, travel_m: float
) -> float:
    """Force left in the spring after the nuts have moved by a travel, N.

    Parameters
    ----------
    rate_n_per_m : N/m
    free_m, installed_m : m; installed shorter
    travel_m : nut travel while the nuts are still fully engaged, m, 0 to 2

    Returns
    -------
    float : max(0, R (L0 - L1 - travel)), N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Linear spring, cover follows the nuts.

    Source
    ------
    Hooke's law.

    Examples
    --------
    >>> round(residual_force(rate_n_per_m=30e3, free_m=0.180, installed_m=0.140, travel_m=0.015), 6)
    750.0
    """
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    _, travel = _compression(free_m, installed_m)
    return max(0.0, rate * (travel - require_plausible("travel_m", travel_m)))


def rod_travel(*, free_m: float, installed_m: float, margin_m: float) -> float:
    """Travel the cover rods must give, m: until the spring is free, and a margin.

    Parameters
    ----------
    free_m, installed_m : m; installed shorter
    margin_m : policy, m, 0.001 to 0.200

    Returns
    -------
    float : L0 - L1 + margin, m

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    None.

    Source
    ------
    Geometry; the margin is policy.

    Examples
    --------
    >>> round(rod_travel(free_m=0.180, installed_m=0.140, margin_m=0.010), 6)
    0.05
    """
    _, travel = _compression(free_m, installed_m)
    return travel + require_plausible("margin_m", margin_m)


def turns_to_free(*, free_m: float, installed_m: float, pitch_m: float) -> float:
    """Turns of a nut until the spring is free.

    Parameters
    ----------
    free_m, installed_m : m; installed shorter
    pitch_m : pitch of the thread, m

    Returns
    -------
    float : (L0 - L1)/P

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Cover follows the nuts.

    Source
    ------
    Geometry.

    Examples
    --------
    >>> round(turns_to_free(free_m=0.180, installed_m=0.140, pitch_m=0.002), 6)
    20.0
    """
    _, travel = _compression(free_m, installed_m)
    return travel / require_plausible("pitch_m", pitch_m)


def floating_travel(
    *, rate_n_per_m: float, free_m: float, installed_m: float, cover_mass_kg: float
) -> float:
    """Travel at which a cover lying on its spring floats free of the nuts, m.

    Parameters
    ----------
    rate_n_per_m : N/m
    free_m, installed_m : m; installed shorter
    cover_mass_kg : kg, 0.05 to 20 000

    Returns
    -------
    float : max(0, L0 - L1 - m g/R), m; 0 if the cover is heavier than the preload

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Cover above the spring, no friction.

    Source
    ------
    Statics.

    Examples
    --------
    >>> round(floating_travel(
    ...     rate_n_per_m=30e3, free_m=0.180, installed_m=0.140, cover_mass_kg=30.0) * 1e3, 1)
    30.2
    """
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    _, travel = _compression(free_m, installed_m)
    mass = require_plausible("mass_kg", cover_mass_kg, "cover_mass_kg")
    return max(0.0, travel - mass * GRAVITY_M_PER_S2 / rate)


def preload_after_lapping(
    preload_n: float, *, rate_n_per_m: float, removed_disc_m: float, removed_seat_m: float
) -> float:
    """Preload left after metal was taken off disc and seat, N.

    Parameters
    ----------
    preload_n : before, N, 0 to 1e6
    rate_n_per_m : N/m
    removed_disc_m, removed_seat_m : metal removed, m: 0, or 1e-6 to 0.02

    Returns
    -------
    float : F1 - R (a + b), N, never below 0

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range, or so much is removed that
        no preload is left

    Assumptions
    -----------
    The spring lengthens by what is removed.

    Source
    ------
    Hooke's law.

    Examples
    --------
    >>> round(preload_after_lapping(
    ...     1200.0, rate_n_per_m=30e3, removed_disc_m=0.00012, removed_seat_m=0.00008), 6)
    1194.0
    """
    preload = require_plausible("spring_force_n", preload_n, "preload_n")
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    disc = require_length("removed_disc_m", removed_disc_m, at_most=0.02)
    seat = require_length("removed_seat_m", removed_seat_m, at_most=0.02)
    left = preload - rate * (disc + seat)
    if left <= 0:
        raise OutOfRange(
            "preload_n",
            preload,
            f"above {rate * (disc + seat):g}, what lapping takes",
            "nothing would be left to close the disc; check the data or replace the parts",
        )
    return left


def preload_loss_from_set(*, nominal_m: float, measured_m: float, installed_m: float) -> float:
    """Share of the preload lost because the spring has become shorter.

    Parameters
    ----------
    nominal_m : free length as new, m
    measured_m : free length measured, m, longer than the installed one
    installed_m : installed length, m

    Returns
    -------
    float : (L0 nominal - L0 measured)/(L0 nominal - L1); negative if measured longer

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range, or the measured length is
        more than 5 % above the nominal one: another spring

    Assumptions
    -----------
    Same rate as new.

    Source
    ------
    Hooke's law. More telling than per cent of length: 4 mm of 180 is 2.2 % of length.

    Examples
    --------
    >>> round(preload_loss_from_set(nominal_m=0.180, measured_m=0.176, installed_m=0.140), 6)
    0.1
    """
    nominal, travel = _compression(nominal_m, installed_m, "nominal_m")
    measured = require_between(
        "measured_m",
        measured_m,
        above=float(installed_m),
        at_most=1.05 * nominal,
        why="longer than installed; more than 5 % above nominal means another spring",
    )
    return (nominal - measured) / travel


def load_loss_from_set(
    *, rate_n_per_m: float, nominal_m: float, measured_m: float, installed_m: float
) -> float:
    """Force lost because the spring has become shorter, N.

    Parameters
    ----------
    rate_n_per_m : N/m
    nominal_m, measured_m, installed_m : lengths as in `preload_loss_from_set`, m

    Returns
    -------
    float : R (L0 nominal - L0 measured), N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Same rate as new.

    Source
    ------
    Hooke's law.

    Examples
    --------
    >>> round(load_loss_from_set(
    ...     rate_n_per_m=30e3, nominal_m=0.180, measured_m=0.178, installed_m=0.140), 6)
    60.0
    """
    share = preload_loss_from_set(
        nominal_m=nominal_m, measured_m=measured_m, installed_m=installed_m
    )
    rate = require_plausible("rate_n_per_m", rate_n_per_m)
    return share * rate * (nominal_m - installed_m)
