"""Lifting covers and internals: recommended hand limit, lifting index, team limit, verdict."""

from dataclasses import dataclass
from enum import StrEnum
from math import pi
from typing import Final

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import require_between
from valvecare.engineering.plausible_mechanics import (
    require_count,
    require_flag,
    require_plausible,
)
from valvecare.engineering.working import Quantity, Reason

LOAD_CONSTANT_KG: Final = 23.0  # NIOSH 94-110 (rev. 2021), seen
TEAM_SHARE: Final = {1: 1.0, 2: 2 / 3, 3: 1 / 2}  # two public safety pages after HSE (seen)


class LiftingWay(StrEnum):
    """The verdict."""

    ONE_PERSON = "one person"
    TEAM = "two or three people"
    LIFTING_GEAR = "lifting gear"


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftPosture:
    """How a load is lifted by hand: distances in m, twist in degrees, frequency and grip factors.

    `frequency_factor` and `grip_factor` come from the tables of NIOSH 94-110, at most 1.
    """

    horizontal_m: float | None
    vertical_m: float | None
    travel_m: float | None
    twist_deg: float | None
    frequency_factor: float | None
    grip_factor: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftingPolicy:
    """The owner's limits: mass from which gear is used always, largest team, estimate factor."""

    gear_from_kg: float | None
    largest_team: int | None


@dataclass(frozen=True, slots=True)
class LiftingVerdict:
    """How to lift, and everything a page needs to show the working."""

    way: LiftingWay
    people: int
    recommended_kg: float | None
    index_alone: float | None
    inputs: tuple[Quantity, ...]
    steps: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def recommended_weight(posture: LiftPosture) -> float:
    """Recommended weight limit for one person, kg (revised NIOSH equation).

    Parameters
    ----------
    posture : horizontal reach 0.25 to 0.63 m, start height 0 to 1.75 m, travel 0.25 to 1.75 m,
        twist 0 to 135 degrees, frequency factor 0.13 to 1, grip factor 0.5 to 1

    Returns
    -------
    float : 23 kg times the six multipliers

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range; a reach or travel below
        0.25 m is entered as 0.25 m, the equation's own smallest value

    Assumptions
    -----------
    Two hands, smooth lift, stable load, firm floor, fair temperature.

    Source
    ------
    NIOSH 94-110 (rev. 2021), seen; twist multiplier 1 - 0.0032 A from memory.

    Examples
    --------
    >>> recommended_weight(LiftPosture(horizontal_m=0.25, vertical_m=0.75, travel_m=0.25,
    ...     twist_deg=0.0, frequency_factor=1.0, grip_factor=1.0))
    23.0
    """
    nearest = "enter 0.25 m if it is nearer; beyond the range use lifting gear"
    reach = require_between(
        "horizontal_m", posture.horizontal_m, at_least=0.25, at_most=0.63, why=nearest
    )
    height = require_between(
        "vertical_m", posture.vertical_m, at_least=0.0, at_most=1.75, why="metres above the floor"
    )
    travel = require_between("travel_m", posture.travel_m, at_least=0.25, at_most=1.75, why=nearest)
    twist = require_between(
        "twist_deg", posture.twist_deg, at_least=0.0, at_most=135.0, why="beyond it never by hand"
    )
    frequency = require_between(
        "frequency_factor",
        posture.frequency_factor,
        at_least=0.13,
        at_most=1.0,
        why="table value; where the table says 0 it is never lifted by hand",
    )
    grip = require_between(
        "grip_factor", posture.grip_factor, at_least=0.5, at_most=1.0, why="table value"
    )
    return (
        LOAD_CONSTANT_KG
        * (0.25 / reach)
        * (1 - 0.3 * abs(height - 0.75))
        * (0.82 + 0.045 / travel)
        * (1 - 0.0032 * twist)
        * frequency
        * grip
    )


def lifting_index(mass_kg: float, *, recommended_kg: float) -> float:
    """Lifting index: mass over the recommended weight limit; above 1 something must change.

    Parameters
    ----------
    mass_kg : kg, 0.05 to 20 000
    recommended_kg : kg, 0.1 to 60

    Returns
    -------
    float : mass/limit

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    As `recommended_weight`.

    Source
    ------
    NIOSH 94-110 (rev. 2021), seen.

    Examples
    --------
    >>> round(lifting_index(18.0, recommended_kg=14.375), 3)
    1.252
    """
    mass = require_plausible("mass_kg", mass_kg)
    return mass / require_plausible("hand_mass_kg", recommended_kg, "recommended_kg")


def team_limit(single_kg: float, *, people: int) -> float:
    """Mass a team may lift, kg: two thirds of the sum for two, half of it for three.

    Parameters
    ----------
    single_kg : what one person may lift, kg, 0.1 to 60
    people : 1, 2 or 3

    Returns
    -------
    float : kg

    Raises
    ------
    OutOfRange : an input is missing or outside its range; more than three: use lifting gear

    Assumptions
    -----------
    People of like height who can see each other; enough grips.

    Source
    ------
    Two public safety pages after HSE (seen).

    Examples
    --------
    >>> round(team_limit(20.0, people=2), 2)
    26.67
    """
    single = require_plausible("hand_mass_kg", single_kg, "single_kg")
    number = require_count(
        "people", people, at_least=1, at_most=3, why="more than three: use lifting gear"
    )
    return single * number * TEAM_SHARE[number]


def cover_mass_estimate(
    diameter_m: float, *, thickness_m: float, density_kg_per_m3: float, allowance: float
) -> float:
    """Estimated mass of a round cover, kg, on the heavy side. An estimate asks for lifting gear.

    Parameters
    ----------
    diameter_m : outside diameter, m, 0.02 to 5
    thickness_m : mean thickness, m, 0.0001 to 1, at most the diameter
    density_kg_per_m3 : 1000 to 20 000 (steel 7850)
    allowance : factor for bosses, ribs and internals, 1 to 2 (1.2 is common practice)

    Returns
    -------
    float : allowance x density x pi/4 D^2 t, kg

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Solid disc.

    Source
    ------
    Geometry; allowance 1.2 common practice.

    Examples
    --------
    >>> round(cover_mass_estimate(
    ...     0.400, thickness_m=0.040, density_kg_per_m3=7850.0, allowance=1.2), 1)
    47.4
    """
    diameter = require_plausible("cover_m", diameter_m, "diameter_m")
    thickness = require_between(
        "thickness_m", thickness_m, at_least=0.002, at_most=diameter, why="metres; check the unit"
    )
    density = require_plausible("density_kg_per_m3", density_kg_per_m3)
    factor = require_between("allowance", allowance, at_least=1.0, at_most=2.0, why="a factor")
    return factor * density * pi / 4 * diameter**2 * thickness


def lifting_verdict(
    mass_kg: float | None,
    *,
    mass_is_measured: bool,
    load_is_stable_and_cool: bool,
    posture: LiftPosture | None,
    policy: LiftingPolicy,
) -> LiftingVerdict:
    """Say how a part is lifted: by one person, by a team, or with lifting gear.

    Parameters
    ----------
    mass_kg : kg, 0.05 to 20 000; None if nobody knows it
    mass_is_measured : True if weighed or on the maker's plate, False if estimated
    load_is_stable_and_cool : False for hot, slippery or unbalanced loads
    posture : how it would be lifted by hand; None if not assessed
    policy : gear from which mass (kg), largest team (1 to 3)

    Returns
    -------
    LiftingVerdict : gear whenever mass or posture is unknown, the mass is estimated or reaches
        the policy mass, the load is unstable or hot, or the largest team is not enough

    Raises
    ------
    OutOfRange : a given number is not finite or outside its range; policy or a yes/no is missing

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    NIOSH 94-110 (rev. 2021) and team shares after HSE (seen); ISO 11228-1 reference mass 25 kg
    from memory, held as policy.

    Examples
    --------
    >>> policy = LiftingPolicy(gear_from_kg=25.0, largest_team=2)
    >>> lifting_verdict(62.0, mass_is_measured=True, load_is_stable_and_cool=True, posture=None,
    ...                 policy=policy).way.value
    'lifting gear'
    """
    measured = require_flag("mass_is_measured", mass_is_measured, "weighed, or from the plate?")
    stable = require_flag("load_is_stable_and_cool", load_is_stable_and_cool, "look at the load")
    gear_from = require_plausible("hand_mass_kg", policy.gear_from_kg, "gear_from_kg")
    team = require_count("largest_team", policy.largest_team, at_least=1, at_most=3, why="policy")
    mass = None if mass_kg is None else require_plausible("mass_kg", mass_kg)
    limit = None if posture is None else recommended_weight(posture)
    index = None
    if mass is not None and limit is not None:
        index = lifting_index(mass, recommended_kg=limit)

    reasons: list[Reason] = []
    if mass is None:
        reasons.append(Reason("mass_not_known", "The mass is not known: weigh it or use gear."))
    elif not measured:
        reasons.append(
            Reason("mass_estimated", f"The mass of {mass:.3g} kg is an estimate: use gear.")
        )
    if mass is not None and mass >= gear_from:
        reasons.append(
            Reason("policy_mass", f"{mass:.4g} kg reaches the policy limit of {gear_from:.4g} kg.")
        )
    if not stable:
        reasons.append(
            Reason("outside_method", "Hot or unstable loads are outside the hand-lifting method.")
        )
    if limit is None:
        reasons.append(
            Reason("posture_not_assessed", "The way of lifting by hand was not assessed.")
        )
    way, people = LiftingWay.LIFTING_GEAR, 1
    if not reasons and mass is not None and limit is not None and index is not None:
        for people in range(1, team + 1):
            allowed = team_limit(limit, people=people)
            if mass <= allowed:
                way = LiftingWay.ONE_PERSON if people == 1 else LiftingWay.TEAM
                reasons.append(
                    Reason(
                        "within_hand_limit",
                        f"{mass:.4g} kg is within {allowed:.4g} kg for {people} people."
                        if people > 1
                        else f"{mass:.4g} kg is within {allowed:.4g} kg for one person.",
                    )
                )
                break
        else:
            reasons.append(
                Reason(
                    "index_above_one",
                    f"Lifting index {index:.2f} for one person; a team of {team} may lift "
                    f"{team_limit(limit, people=team):.3g} kg. Change the posture or use gear.",
                )
            )
    steps = tuple(
        quantity
        for quantity in (
            Quantity("recommended weight limit", limit, "kg", "23 HM VM DM AM FM CM"),
            Quantity("lifting index alone", index, "", "mass / limit"),
        )
        if quantity.value is not None
    )
    return LiftingVerdict(
        way=way,
        people=people if way == LiftingWay.TEAM else 1,
        recommended_kg=limit,
        index_alone=index,
        inputs=(
            Quantity("mass", mass, "kg", "measured" if measured else "estimated"),
            Quantity("stable and cool", stable, "", "seen on site"),
            Quantity("gear from", gear_from, "kg", "policy"),
            Quantity("largest team", team, "", "policy"),
        ),
        steps=steps,
        reasons=tuple(reasons),
        assumptions=(
            "Lifting by hand with two hands, firm floor, fair temperature; no carrying or ladders.",
        ),
        cautions=cautions_for("lifting_verdict"),
    )
