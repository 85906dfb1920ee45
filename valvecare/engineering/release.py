"""How a spring-loaded cover may be released: standard studs, long rods, or rods and a clamp."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import require_between
from valvecare.engineering.plausible_mechanics import (
    require_count,
    require_member,
    require_plausible,
)
from valvecare.engineering.springs import (
    residual_force,
    rod_travel,
    spring_energy,
    spring_preload,
    turns_to_free,
)
from valvecare.engineering.working import Quantity, Reason

LEAST_RODS: Final = 2
BETTER_RODS: Final = 4
_NEEDED: Final = ("rate_n_per_m", "free_m", "installed_m", "stud_travel_m")
_PLAUSIBLE: Final = {"rate_n_per_m": "rate_n_per_m", "stud_travel_m": "travel_m"}
LEAST_RODS_ODD: Final = 3  # an odd bolt circle has no opposite positions: three, evenly spread


class ReleaseWay(StrEnum):
    """The verdict."""

    STANDARD_STUDS = "standard studs"
    LONG_RODS = "long rods"
    TREAT_AS_LOADED = "treat as loaded"


class SpringState(StrEnum):
    """What is known of the spring before opening."""

    SOUND = "no sign of damage"
    BROKEN = "suspected broken"
    JAMMED = "suspected jammed"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class SpringRecord:
    """Register data of the closing spring. None means not known: then it counts as loaded."""

    rate_n_per_m: float | None
    free_m: float | None
    installed_m: float | None
    state: SpringState | str


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverRecord:
    """Register data of the cover joint: thread, bolt count, clamped length, nut, stud travel.

    `stud_travel_m` is the thread left while the nut is still fully engaged.
    """

    bolt_count: int | None
    pitch_m: float | None
    grip_m: float | None
    nut_height_m: float | None
    stud_travel_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleasePolicy:
    """The owner's limits: margin beyond free travel, and force that may be let go by hand."""

    margin_m: float | None
    hand_force_n: float | None


@dataclass(frozen=True, slots=True)
class ReleaseNeed:
    """Which way the cover may be released, and the numbers that decide it.

    With 'treat as loaded' the numbers are None.
    """

    way: ReleaseWay
    preload_n: float | None
    energy_j: float | None
    free_travel_m: float | None
    residual_n: float | None
    rod_travel_m: float | None
    missing: tuple[str, ...]
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class ReleaseVerdict:
    """How to release the cover, and everything a page needs to show the working.

    With 'treat as loaded' the numbers of an unknown spring are None and a clamp is needed.
    """

    way: ReleaseWay
    preload_n: float | None
    energy_j: float | None
    free_travel_m: float | None
    residual_n: float | None
    rod_travel_m: float | None
    rod_thread_m: float | None
    rods_at_least: int
    rods_better: int
    rod_positions: tuple[int, ...]
    turns_to_free: float | None
    clamp_needed: bool
    inputs: tuple[Quantity, ...]
    steps: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    instructions: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def rod_positions(bolt_count: int, *, rods: int) -> tuple[int, ...]:
    """Positions of the cover rods: evenly spread, opposite each other when the count is even.

    Parameters
    ----------
    bolt_count : fasteners of the cover, 2 to 200
    rods : number of rods, 2 to the bolt count

    Returns
    -------
    tuple of int : positions, clockwise from 1

    Raises
    ------
    OutOfRange : an input is missing, not a whole number or outside its range

    Assumptions
    -----------
    Fasteners evenly spaced on one circle.

    Source
    ------
    Common practice.

    Examples
    --------
    >>> rod_positions(12, rods=4)
    (1, 4, 7, 10)
    """
    count = require_count(
        "bolt_count", bolt_count, at_least=2, at_most=200, why="count the bolts of the cover"
    )
    number = require_count(
        "rods", rods, at_least=LEAST_RODS, at_most=count, why="one rod takes one bolt's place"
    )
    if count % 2 == 0 and number % 2 == 0:
        half = tuple(1 + i * (count // 2) // (number // 2) for i in range(number // 2))
        return half + tuple(position + count // 2 for position in half)
    return tuple(1 + i * count // number for i in range(number))


def rod_counts(bolt_count: int) -> tuple[int, int]:
    """How many cover rods: at least, and better.

    Parameters
    ----------
    bolt_count : fasteners of the cover, 2 to 200

    Returns
    -------
    tuple of int : least and better number of rods; three on an odd circle, which has no opposites

    Raises
    ------
    OutOfRange : not a whole number from 2 to 200

    Assumptions
    -----------
    Fasteners evenly spaced on one circle.

    Source
    ------
    Common practice.

    Examples
    --------
    >>> rod_counts(8), rod_counts(9), rod_counts(2)
    ((2, 4), (3, 3), (2, 2))
    """
    count = require_count(
        "bolt_count", bolt_count, at_least=2, at_most=200, why="count the bolts of the cover"
    )
    if count % 2:
        least = min(LEAST_RODS_ODD, count)
        return least, least
    return LEAST_RODS, BETTER_RODS if count >= BETTER_RODS else LEAST_RODS


def release_need(
    spring: SpringRecord, *, stud_travel_m: float | None, policy: ReleasePolicy
) -> ReleaseNeed:
    """Say which way the cover may be released: needs no data of rods, bolts or clamped length.

    Parameters
    ----------
    spring : rate (N/m), free and installed length (m), state; None where not known
    stud_travel_m : thread left while the nut is still fully engaged, m; None where not known
    policy : margin (m) and hand force (N)

    Returns
    -------
    ReleaseNeed : preload and residual in N, energy in J, travels in m; None when loaded, which
        any missing number makes it

    Raises
    ------
    OutOfRange : a given number is not finite or outside its range; policy missing

    Assumptions
    -----------
    Linear spring; no pressure on either side of the disc.

    Source
    ------
    Common practice; margin and hand force are policy.

    Examples
    --------
    >>> need = release_need(
    ...     SpringRecord(rate_n_per_m=5.3e3, free_m=0.130, installed_m=0.100,
    ...                  state=SpringState.SOUND),
    ...     stud_travel_m=0.045, policy=ReleasePolicy(margin_m=0.010, hand_force_n=0.0))
    >>> need.way.value, round(need.preload_n), round(need.energy_j, 1)
    ('standard studs', 159, 2.4)
    """
    state = SpringState(
        require_member("state", spring.state, tuple(SpringState), "say what is known of it")
    )
    margin = require_plausible("margin_m", policy.margin_m)
    hand_force = require_between(
        "hand_force_n", policy.hand_force_n, at_least=0.0, at_most=500.0, why="policy, N"
    )
    given = {
        name: value
        for name, value in (
            ("rate_n_per_m", spring.rate_n_per_m),
            ("free_m", spring.free_m),
            ("installed_m", spring.installed_m),
            ("stud_travel_m", stud_travel_m),
        )
        if value is not None
    }
    for name, value in given.items():
        require_plausible(_PLAUSIBLE.get(name, "spring_length_m"), value, name)
    missing = tuple(name for name in _NEEDED if name not in given)
    if missing or state != SpringState.SOUND:
        return ReleaseNeed(
            ReleaseWay.TREAT_AS_LOADED,
            None,
            None,
            None,
            None,
            None,
            missing,
            _loaded_reasons(missing, state),
        )
    rate, free, installed, travel = (given[name] for name in _NEEDED)
    left = residual_force(rate_n_per_m=rate, free_m=free, installed_m=installed, travel_m=travel)
    needed = rod_travel(free_m=free, installed_m=installed, margin_m=margin)
    if travel >= needed - 1e-9 and left <= hand_force:
        way = ReleaseWay.STANDARD_STUDS
        reason = Reason(
            "studs_reach",
            f"The studs give {travel * 1e3:.4g} mm; the spring needs "
            f"{(free - installed) * 1e3:.4g} mm and the margin {margin * 1e3:.4g} mm.",
        )
    else:
        way = ReleaseWay.LONG_RODS
        reason = Reason(
            "studs_too_short",
            f"The studs give {travel * 1e3:.4g} mm; needed are {needed * 1e3:.4g} mm. "
            f"At their end the spring would still push with {left:.4g} N.",
        )
    return ReleaseNeed(
        way,
        spring_preload(rate_n_per_m=rate, free_m=free, installed_m=installed),
        spring_energy(rate_n_per_m=rate, free_m=free, installed_m=installed),
        free - installed,
        left,
        needed,
        (),
        (reason,),
    )


def _loaded_reasons(missing: tuple[str, ...], state: SpringState) -> tuple[Reason, ...]:
    reasons = [
        Reason(
            f"{name}_not_known",
            f"{name} is not known: the spring cannot be called free. Take it from the maker, or "
            "measure it after a clamped release.",
        )
        for name in missing
    ]
    if state != SpringState.SOUND:
        reasons.append(
            Reason(
                "spring_" + state.name.lower(),
                f"The spring is {state.value}: it may let go at any travel and counts as fully "
                "loaded.",
            )
        )
    return tuple(reasons)


def release_verdict(
    spring: SpringRecord, cover: CoverRecord, *, policy: ReleasePolicy
) -> ReleaseVerdict:
    """Say how the cover of a spring-loaded valve may be released.

    Parameters
    ----------
    spring : rate (N/m), free and installed length (m), state; None where not known
    cover : bolt count, pitch, clamped length, nut height and usable stud travel (m)
    policy : margin (m) and hand force (N)

    Returns
    -------
    ReleaseVerdict : standard studs only if their travel reaches free travel + margin and what is
        left is at most the hand force; long rods otherwise; treat as loaded when spring data is
        missing or the spring is suspected broken or jammed

    Raises
    ------
    OutOfRange : a given number is not finite or outside its range; cover or policy data missing

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Common practice; margin and hand force are policy.

    Examples
    --------
    30 N/mm, 180 to 140 mm, studs of 15 mm travel:

    >>> verdict = release_verdict(
    ...     SpringRecord(rate_n_per_m=30e3, free_m=0.180, installed_m=0.140,
    ...                  state=SpringState.SOUND),
    ...     CoverRecord(bolt_count=8, pitch_m=0.002, grip_m=0.040, nut_height_m=0.013,
    ...                 stud_travel_m=0.015),
    ...     policy=ReleasePolicy(margin_m=0.010, hand_force_n=0.0))
    >>> verdict.way.value, round(verdict.residual_n), round(verdict.rod_travel_m * 1e3)
    ('long rods', 750, 50)
    """
    state = SpringState(
        require_member("state", spring.state, tuple(SpringState), "say what is known of it")
    )
    count = require_count(
        "bolt_count", cover.bolt_count, at_least=2, at_most=200, why="count the cover bolts"
    )
    pitch = require_plausible("pitch_m", cover.pitch_m)
    grip = require_plausible("spring_length_m", cover.grip_m, "grip_m")
    nut = require_plausible("diameter_m", cover.nut_height_m, "nut_height_m")
    stud_travel = require_plausible("travel_m", cover.stud_travel_m, "stud_travel_m")
    margin = require_plausible("margin_m", policy.margin_m)
    hand_force = require_between(
        "hand_force_n", policy.hand_force_n, at_least=0.0, at_most=500.0, why="policy, N"
    )
    need = release_need(spring, stud_travel_m=stud_travel, policy=policy)
    rods_at_least, rods_better = rod_counts(count)
    positions = rod_positions(count, rods=rods_better)
    inputs = (
        Quantity("spring rate", spring.rate_n_per_m, "N/m", "register"),
        Quantity("free length", spring.free_m, "m", "register"),
        Quantity("installed length", spring.installed_m, "m", "register"),
        Quantity("spring state", state.value, "", "before opening"),
        Quantity("cover bolts", count, "", "register"),
        Quantity("pitch", pitch, "m", "register"),
        Quantity("clamped length", grip, "m", "register"),
        Quantity("nut height", nut, "m", "register"),
        Quantity("usable stud travel", stud_travel, "m", "thread left with the nut fully engaged"),
        Quantity("margin", margin, "m", "policy"),
        Quantity("hand force", hand_force, "N", "policy"),
    )
    assumptions = (
        "Linear spring; the cover follows the nuts.",
        "Zero pressure on both sides of the disc: trapped pressure acts with the spring.",
    )
    free, installed, needed = spring.free_m, spring.installed_m, need.rod_travel_m
    if free is None or installed is None or needed is None:
        return _treat_as_loaded(
            spring,
            need,
            grip,
            nut,
            margin,
            rods_at_least,
            rods_better,
            positions,
            inputs,
            assumptions,
        )
    turns = turns_to_free(free_m=free, installed_m=installed, pitch_m=pitch)
    thread = grip + needed + nut
    steps = (
        Quantity("preload", need.preload_n, "N", "R (L0 - L1)"),
        Quantity("stored energy", need.energy_j, "J", "R (L0 - L1)^2/2"),
        Quantity("free travel", need.free_travel_m, "m", "L0 - L1"),
        Quantity(
            "force left at the end of the studs",
            need.residual_n,
            "N",
            "max(0, R (L0 - L1 - travel))",
        ),
        Quantity("travel needed", needed, "m", "L0 - L1 + margin"),
        Quantity("threaded length of rods", thread, "m", "clamped length + travel + one nut"),
        Quantity("turns to free", turns, "", "(L0 - L1)/pitch"),
    )
    if need.way is ReleaseWay.STANDARD_STUDS:
        instructions: tuple[str, ...] = (
            "Back all nuts off evenly, in small equal turns, far side first.",
            f"Nuts stay on for at least {turns:.1f} turns, until the cover is free by hand.",
        )
    else:
        instructions = (
            f"Fit at least {rods_at_least}, better {rods_better}, cover rods in opposite "
            f"positions, threaded over at least {thread * 1e3:.4g} mm.",
            "Remove the other nuts first, then back the rods off evenly, in small equal turns.",
            f"Nuts stay on the rods for at least {turns:.1f} turns, until the cover is free by "
            "hand.",
            "On assembly compress the spring with the rods; never pull the cover down with the "
            "short studs.",
        )
    return ReleaseVerdict(
        way=need.way,
        preload_n=need.preload_n,
        energy_j=need.energy_j,
        free_travel_m=need.free_travel_m,
        residual_n=need.residual_n,
        rod_travel_m=needed,
        rod_thread_m=thread,
        rods_at_least=rods_at_least,
        rods_better=rods_better,
        rod_positions=positions,
        turns_to_free=turns,
        clamp_needed=False,
        inputs=inputs,
        steps=steps,
        reasons=need.reasons,
        instructions=instructions,
        assumptions=assumptions,
        cautions=cautions_for("release_verdict"),
    )


def _treat_as_loaded(
    spring: SpringRecord,
    need: ReleaseNeed,
    grip: float,
    nut: float,
    margin: float,
    rods_at_least: int,
    rods_better: int,
    positions: tuple[int, ...],
    inputs: tuple[Quantity, ...],
    assumptions: tuple[str, ...],
) -> ReleaseVerdict:
    """Rods for the full assembled length and a clamp: nothing is assumed about the spring."""
    longest = max((v for v in (spring.free_m, spring.installed_m) if v is not None), default=None)
    thread = None if longest is None else grip + longest + margin + nut
    length_words = (
        "threaded over at least the clamped length, the full assembled spring length, the margin "
        "and one nut" + ("" if thread is None else f" ({thread * 1e3:.4g} mm)")
    )
    steps: tuple[Quantity, ...] = ()
    if thread is not None:
        steps = (
            Quantity(
                "threaded length of rods",
                thread,
                "m",
                "clamped length + full spring length + margin + one nut",
            ),
        )
    return ReleaseVerdict(
        way=ReleaseWay.TREAT_AS_LOADED,
        preload_n=None,
        energy_j=None,
        free_travel_m=None,
        residual_n=None,
        rod_travel_m=None if longest is None else longest + margin,
        rod_thread_m=thread,
        rods_at_least=rods_better,
        rods_better=rods_better,
        rod_positions=positions,
        turns_to_free=None,
        clamp_needed=True,
        inputs=inputs,
        steps=steps,
        reasons=need.reasons,
        instructions=(
            "Do not release the cover with its studs, whatever their travel.",
            f"Fit {rods_better} cover rods in opposite positions, {length_words}.",
            "Hold the cover with a clamp that can take the full spring force before the first nut "
            "is loosened.",
            "Let an authorised person release this step; back off evenly, clear of the cover.",
        ),
        assumptions=assumptions,
        cautions=cautions_for("release_verdict"),
    )
