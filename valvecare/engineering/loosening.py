"""Loosening a cover: small equal turns in reverse cross order, far side first."""

from dataclasses import dataclass
from math import ceil

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import require_between
from valvecare.engineering.plausible_mechanics import require_count
from valvecare.engineering.tightening import tightening_order
from valvecare.engineering.working import Quantity, Reason


@dataclass(frozen=True, slots=True)
class LooseningRound:
    """One round of small equal turns over all nuts."""

    number: int
    turns: float
    positions: tuple[int, ...]
    instruction: str


@dataclass(frozen=True, slots=True)
class LooseningPlan:
    """Rounds that let a cover rise evenly, and everything a page needs to show the working."""

    count: int
    order: tuple[int, ...]
    rounds: tuple[LooseningRound, ...]
    total_turns: float
    inputs: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def loosening_plan(
    count: int,
    *,
    turns_to_free: float,
    turns_per_round: float,
    first_position: int,
) -> LooseningPlan:
    """Rounds of small equal turns that release a cover evenly, far side first.

    Parameters
    ----------
    count : number of fasteners, 2 to 200
    turns_to_free : nut turns until the spring carries nothing, 0 to 500 (0: no spring)
    turns_per_round : turns of each nut in one round, above 0, at most 1
    first_position : position farthest from the person, 1 to count

    Returns
    -------
    LooseningPlan : at least two rounds; the turns add up to `turns_to_free` or more

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Common practice.

    Examples
    --------
    20 turns to free, one turn a round:

    >>> plan = loosening_plan(8, turns_to_free=20.0, turns_per_round=1.0, first_position=5)
    >>> len(plan.rounds), plan.rounds[0].positions
    (20, (5, 1, 3, 7, 4, 8, 2, 6))
    """
    reverse = tuple(reversed(tightening_order(count)))
    n = len(reverse)
    turns = require_between(
        "turns_to_free",
        turns_to_free,
        at_least=0.0,
        at_most=500.0,
        why="nut turns until the spring is free; check spring data and pitch",
    )
    each = require_between(
        "turns_per_round",
        turns_per_round,
        at_least=0.05,
        at_most=1.0,
        why="small equal steps keep the cover level",
    )
    first = require_count(
        "first_position",
        first_position,
        at_least=1,
        at_most=n,
        why="the position farthest from the person",
    )
    shift = first - reverse[0]
    order = tuple((position - 1 + shift) % n + 1 for position in reverse)
    number_of_rounds = max(2, ceil(turns / each - 1e-9))
    rounds = []
    for number in range(1, number_of_rounds + 1):
        words = f"Back each nut off {each:g} turn in this order; keep the gap even."
        if number == 1:
            words += " The seal must break while every nut still holds: watch for leaks and stop."
        if number == number_of_rounds:
            words += " Nuts stay on until the cover moves freely by hand."
        rounds.append(LooseningRound(number, each, order, words))
    return LooseningPlan(
        count=n,
        order=order,
        rounds=tuple(rounds),
        total_turns=number_of_rounds * each,
        inputs=(
            Quantity("fasteners", n, "", "joint record"),
            Quantity("turns to free", turns, "", "spring data and pitch"),
            Quantity("turns per round", each, "", "policy, at most 1"),
            Quantity("far side position", first, "", "where the person stands"),
        ),
        reasons=(
            Reason("far_side_first", "The far side opens first, so a jet points away."),
            Reason("reverse_order", "Reverse of the tightening order, in small equal steps."),
        ),
        assumptions=(
            "Zero pressure proven on both sides of the disc before the first turn.",
            "The release verdict allows these fasteners; otherwise the cover rods do this work.",
        ),
        cautions=cautions_for("loosening_plan"),
    )
