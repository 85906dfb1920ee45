"""Order, passes and checks of tightening a bolted cover.

Positions are places around the circle, numbered clockwise from 1 as seen from the nut side. The
order is a list of positions: the two ways of numbering are never mixed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import NotEnoughData, OutOfRange, require_between
from valvecare.engineering.plausible_mechanics import (
    require_count,
    require_plausible,
)
from valvecare.engineering.working import Quantity, Reason

LEAST_BOLTS: Final = 2
MOST_BOLTS: Final = 200
LEAST_DWELL_S: Final = 600.0  # a shorter wait is hours entered as seconds
GAP_POINTS: Final = 4  # common practice: the gap is read at four points or more
_COUNT = "count the fasteners of the joint"

# Order of the groups of four for counts of 4, 8, 12, 16, 20 and 24: ASME PCC-1 legacy pattern,
# from memory; 4 and 8 confirmed by a public gasket FAQ (seen).
_QUADS: Final = {
    1: (1,),
    2: (1, 2),
    3: (1, 2, 3),
    4: (1, 3, 2, 4),
    5: (1, 3, 5, 2, 4),
    6: (1, 4, 2, 5, 3, 6),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PassPolicy:
    """How the torque is built up: the owner's data, with its source.

    `snug_cap_nm` and `snug_share`: hand-tight is the smaller of the cap and that share of the
    torque. `shares`: ascending shares of the torque in cross order, the last one 1.
    `gap_limit_m`: largest difference between gap readings. `dwell_s`: wait before the last round.
    """

    snug_cap_nm: float | None
    snug_share: float | None
    shares: tuple[float, ...]
    gap_limit_m: float | None
    dwell_s: float | None
    source: str


COMMON_PRACTICE_PASSES: Final = PassPolicy(
    snug_cap_nm=30.0,
    snug_share=0.2,
    shares=(0.3, 0.6, 1.0),
    gap_limit_m=0.0005,
    dwell_s=4 * 3600.0,
    source=(
        "30/60/100 % and a last pass around the circle: public gasket FAQ and stud charts (seen); "
        "4 h: PVP abstracts on ASME PCC-1-2019 (seen); snug and gap limit: from memory, policy"
    ),
)


@dataclass(frozen=True, slots=True)
class PassTorques:
    """Torques of the passes, N m: hand-tight, the cross passes, and the circular pass."""

    snug_nm: float
    cross_nm: tuple[float, ...]
    circular_nm: float


@dataclass(frozen=True, slots=True)
class TighteningStep:
    """One pass: at which torque, over which positions in which order, and what to check after."""

    number: int
    name: str
    torque_nm: float
    positions: tuple[int, ...]
    instruction: str
    gap_positions: tuple[int, ...]
    wait_before_s: float = 0.0


@dataclass(frozen=True, slots=True)
class TighteningPlan:
    """All passes of a joint, and everything a page needs to show the working."""

    count: int
    torque_nm: float
    order: tuple[int, ...]
    steps: tuple[TighteningStep, ...]
    inputs: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class GapCheck:
    """Whether the flange faces close evenly."""

    passed: bool
    spread_m: float
    limit_m: float
    widest_position: int
    reasons: tuple[Reason, ...]


def _spread_order(size: int) -> tuple[int, ...]:
    """1..size, each next one farthest (around the circle) from those already taken."""
    left = set(range(2, size + 1))
    order = [1]
    while left:
        order.append(
            max(
                left,
                key=lambda k: (min(min(abs(k - o), size - abs(k - o)) for o in order), -k),
            )
        )
        left.remove(order[-1])
    return tuple(order)


def tightening_order(count: int) -> tuple[int, ...]:
    """Cross order of tightening: positions, numbered clockwise, in the order they are turned.

    Parameters
    ----------
    count : number of fasteners, 2 to 200

    Returns
    -------
    tuple of int : a permutation of 1..count; with an even count each pair is exactly opposite

    Raises
    ------
    OutOfRange : not a whole number from 2 to 200

    Assumptions
    -----------
    Fasteners evenly spaced on one circle.

    Source
    ------
    ASME PCC-1 legacy pattern, from memory; 4 and 8 bolts agree with a public gasket FAQ after the
    Fluid Sealing Association (seen). Counts above 24 and odd counts: own extension.

    Examples
    --------
    >>> tightening_order(8)
    (1, 5, 3, 7, 2, 6, 4, 8)
    """
    n = require_count("count", count, at_least=LEAST_BOLTS, at_most=MOST_BOLTS, why=_COUNT)
    if n % 2:
        step = (n - 1) // 2
        return tuple(1 + (i * step) % n for i in range(n))
    half = n // 2
    if n % 4:
        return tuple(p for k in _spread_order(half) for p in (k, k + half))
    quarter = n // 4
    groups = _QUADS.get(quarter) or _spread_order(quarter)
    return tuple(p for k in groups for p in (k, k + half, k + quarter, k + half + quarter))


def gap_positions(count: int) -> tuple[int, ...]:
    """Positions at which the gap between the faces is read: at least four, evenly spread.

    Parameters
    ----------
    count : number of fasteners, 2 to 200

    Returns
    -------
    tuple of int : 4 positions; with fewer than 4 fasteners all of them (read also in between)

    Raises
    ------
    OutOfRange : not a whole number from 2 to 200

    Assumptions
    -----------
    The gap is read beside the named fasteners.

    Source
    ------
    Common practice.

    Examples
    --------
    >>> gap_positions(12)
    (1, 4, 7, 10)
    """
    n = require_count("count", count, at_least=LEAST_BOLTS, at_most=MOST_BOLTS, why=_COUNT)
    if n < GAP_POINTS:
        return tuple(range(1, n + 1))
    return tuple(1 + i * n // GAP_POINTS for i in range(GAP_POINTS))


def _checked_policy(
    policy: PassPolicy,
) -> tuple[float, float, tuple[float, ...], float, float]:
    """Return snug cap, snug share, pass shares, gap limit and dwell, all checked."""
    cap = require_between("snug_cap_nm", policy.snug_cap_nm, at_least=1.0, at_most=200.0)
    share = require_between("snug_share", policy.snug_share, at_least=0.05, at_most=0.5)
    shares = tuple(require_between("shares", s, above=0.0, at_most=1.0) for s in policy.shares)
    if len(shares) < 2 or list(shares) != sorted(set(shares)) or shares[-1] != 1.0:
        raise OutOfRange(
            "shares", policy.shares, "two or more, ascending, the last one 1", "the pass policy"
        )
    gap_limit = require_between(
        "gap_limit_m", policy.gap_limit_m, at_least=1e-5, at_most=0.01, why="metres, not mm"
    )
    dwell = require_between(
        "dwell_s", policy.dwell_s, at_least=0.0, at_most=7 * 86_400.0, why="seconds, not hours"
    )
    if 0.0 < dwell < LEAST_DWELL_S:
        raise OutOfRange("dwell_s", dwell, f"0 or at least {LEAST_DWELL_S:g}", "seconds, not hours")
    return cap, share, shares, gap_limit, dwell


def pass_torques(torque_nm: float, *, policy: PassPolicy) -> PassTorques:
    """Torques of each pass, N m.

    Parameters
    ----------
    torque_nm : final torque, N m, 0.5 to 50 000
    policy : shares and snug torque, data of the owner

    Returns
    -------
    PassTorques : N m

    Raises
    ------
    OutOfRange : torque outside its range; shares not ascending, or the last one not 1

    Assumptions
    -----------
    None beyond the policy.

    Source
    ------
    30/60/100 % then circular: public gasket FAQ and stud charts (seen); snug cap 30 N m and at
    most 20 %: from memory.

    Examples
    --------
    >>> torques = pass_torques(218.0, policy=COMMON_PRACTICE_PASSES)
    >>> torques.snug_nm, [round(t, 1) for t in torques.cross_nm], torques.circular_nm
    (30.0, [65.4, 130.8, 218.0], 218.0)
    """
    torque = require_plausible("torque_nm", torque_nm)
    cap, share, shares, _, _ = _checked_policy(policy)
    return PassTorques(min(cap, share * torque), tuple(s * torque for s in shares), torque)


def tightening_plan(count: int, torque_nm: float, *, policy: PassPolicy) -> TighteningPlan:
    """Every pass of tightening a joint: torque, positions in order, gap checks, waiting time.

    Parameters
    ----------
    count : number of fasteners, 2 to 200
    torque_nm : final torque, N m
    policy : pass shares, snug torque, gap limit, dwell; data of the owner

    Returns
    -------
    TighteningPlan : steps in order

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    As `tightening_order` and `pass_torques`; dwell of 4 h: abstracts on ASME PCC-1-2019 (seen).

    Examples
    --------
    >>> plan = tightening_plan(8, 218.0, policy=COMMON_PRACTICE_PASSES)
    >>> [(step.name, round(step.torque_nm, 1)) for step in plan.steps][:3]
    [('hand tight', 30.0), ('cross pass 30 %', 65.4), ('cross pass 60 %', 130.8)]
    >>> plan.steps[1].positions
    (1, 5, 3, 7, 2, 6, 4, 8)
    """
    order = tightening_order(count)
    torques = pass_torques(torque_nm, policy=policy)
    _, _, shares, gap_limit, dwell = _checked_policy(policy)
    gaps = gap_positions(count)
    around = tuple(range(1, len(order) + 1))
    gap_words = (
        f"then read the gap at {len(gaps)} places; difference at most {gap_limit * 1e3:g} mm"
    )
    steps = [
        TighteningStep(
            1,
            "hand tight",
            torques.snug_nm,
            order,
            f"Snug all nuts in cross order; {gap_words}.",
            gaps,
        )
    ]
    for share, torque in zip(shares, torques.cross_nm, strict=True):
        steps.append(
            TighteningStep(
                len(steps) + 1,
                f"cross pass {share * 100:g} %",
                torque,
                order,
                f"Turn each nut once to {torque:.4g} N m in cross order; {gap_words}.",
                gaps,
            )
        )
    steps.append(
        TighteningStep(
            len(steps) + 1,
            "circular pass",
            torques.circular_nm,
            around,
            f"Go round clockwise at {torques.circular_nm:.4g} N m, again and again, until no nut "
            "turns.",
            gaps,
        )
    )
    if dwell > 0:
        steps.append(
            TighteningStep(
                len(steps) + 1,
                "circular pass after waiting",
                torques.circular_nm,
                around,
                f"Wait at least {dwell / 3600:g} h, then once more around at "
                f"{torques.circular_nm:.4g} N m. Only cold and without pressure.",
                (),
                dwell,
            )
        )
    return TighteningPlan(
        count=len(order),
        torque_nm=torques.circular_nm,
        order=order,
        steps=tuple(steps),
        inputs=(
            Quantity("fasteners", len(order), "", "joint record"),
            Quantity("torque", torques.circular_nm, "N m", "torque for the joint"),
            Quantity("shares", ", ".join(f"{s:g}" for s in shares), "", policy.source),
            Quantity("gap limit", gap_limit, "m", policy.source),
            Quantity("waiting time", dwell, "s", policy.source),
        ),
        reasons=(Reason("cross_order", "Opposite positions in turn: the faces close level."),),
        assumptions=(
            "Positions are numbered clockwise seen from the nut side; mark position 1.",
            "Fasteners evenly spaced on one circle; new gasket; threads lubricated as named.",
            "No tightening again after heat on elastomer-bonded fibre gaskets.",
        ),
        cautions=cautions_for("tightening_plan"),
    )


def gap_check(gaps_m: Sequence[float], *, limit_m: float) -> GapCheck:
    """Judge gap readings between the flange faces, taken in order around the circle.

    Parameters
    ----------
    gaps_m : n readings, m, n >= 4, in the order of `gap_positions`
    limit_m : largest allowed difference, m, 1e-5 to 0.01

    Returns
    -------
    GapCheck : passed, spread in m, which reading (from 1) is the widest; equality passes

    Raises
    ------
    OutOfRange : a reading or the limit is missing, not finite or outside its range
    NotEnoughData : fewer than 4 readings

    Assumptions
    -----------
    Readings taken with one gauge after one pass.

    Source
    ------
    Common practice; the limit is policy.

    Examples
    --------
    >>> gap_check([0.0021, 0.0022, 0.0024, 0.0022], limit_m=0.0005).passed
    True
    """
    if len(gaps_m) < GAP_POINTS:
        raise NotEnoughData(f"{len(gaps_m)} gap readings", f"{GAP_POINTS} around the circle")
    gaps = [
        require_between(f"gaps_m[{i}]", gap, at_least=0.0, at_most=0.05, why="metres, not mm")
        for i, gap in enumerate(gaps_m)
    ]
    limit = require_between("limit_m", limit_m, at_least=1e-5, at_most=0.01)
    spread = max(gaps) - min(gaps)
    passed = spread <= limit + 1e-12
    widest = gaps.index(max(gaps)) + 1
    code, words = (
        ("even", "the faces close evenly")
        if passed
        else (
            "uneven",
            f"tighten at reading {widest} and its neighbours, at the torque of this pass",
        )
    )
    text = f"Readings differ by {spread * 1e3:.3g} mm, limit {limit * 1e3:.3g} mm: {words}."
    return GapCheck(passed, spread, limit, widest, (Reason(code, text),))
