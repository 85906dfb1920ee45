"""Tightening and loosening plans: invariants of the order, passes, gap checks."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.loosening import loosening_plan
from valvecare.engineering.tightening import (
    COMMON_PRACTICE_PASSES,
    gap_check,
    gap_positions,
    pass_torques,
    tightening_order,
    tightening_plan,
)

COUNTS = range(2, 201)


def distance(a: int, b: int, count: int) -> int:
    return min((a - b) % count, (b - a) % count)


@pytest.mark.parametrize("count", COUNTS)
def test_order_is_a_permutation(count: int) -> None:
    assert sorted(tightening_order(count)) == list(range(1, count + 1))


@pytest.mark.parametrize("count", [n for n in COUNTS if n % 2 == 0])
def test_pairs_are_exactly_opposite(count: int) -> None:
    order = tightening_order(count)
    for first, second in zip(order[::2], order[1::2], strict=True):
        assert distance(first, second, count) == count // 2


@pytest.mark.parametrize("count", [n for n in COUNTS if n >= 8])
def test_no_two_successive_positions_are_neighbours(count: int) -> None:
    order = tightening_order(count)
    assert all(distance(a, b, count) > 1 for a, b in zip(order, order[1:], strict=False))


@pytest.mark.parametrize(
    ("count", "order"),
    [
        (4, (1, 3, 2, 4)),
        (5, (1, 3, 5, 2, 4)),
        (6, (1, 4, 2, 5, 3, 6)),
        (8, (1, 5, 3, 7, 2, 6, 4, 8)),  # public gasket FAQ (seen): 12, 6, 3, 9 o'clock, halved
        (12, (1, 7, 4, 10, 2, 8, 5, 11, 3, 9, 6, 12)),
        (16, (1, 9, 5, 13, 3, 11, 7, 15, 2, 10, 6, 14, 4, 12, 8, 16)),
    ],
)
def test_known_patterns(count: int, order: tuple[int, ...]) -> None:
    """ASME PCC-1 legacy pattern for multiples of four, from memory; 5 and 6: own."""
    assert tightening_order(count) == order


def test_plan_of_an_eight_bolt_joint() -> None:
    plan = tightening_plan(8, 218.0, policy=COMMON_PRACTICE_PASSES)
    assert [(s.name, round(s.torque_nm, 1)) for s in plan.steps] == [
        ("hand tight", 30.0),
        ("cross pass 30 %", 65.4),
        ("cross pass 60 %", 130.8),
        ("cross pass 100 %", 218.0),
        ("circular pass", 218.0),
        ("circular pass after waiting", 218.0),
    ]
    assert [s.number for s in plan.steps] == [1, 2, 3, 4, 5, 6]
    assert plan.steps[3].positions == (1, 5, 3, 7, 2, 6, 4, 8)
    assert plan.steps[4].positions == (1, 2, 3, 4, 5, 6, 7, 8)
    assert all(len(s.gap_positions) >= 4 for s in plan.steps[:5])
    assert plan.steps[5].wait_before_s == 4 * 3600
    assert "without pressure" in plan.steps[5].instruction
    assert {c.id for c in plan.cautions} >= {"never-retorque-hot", "compress-evenly"}


def test_without_a_dwell_there_is_no_second_circular_pass() -> None:
    plan = tightening_plan(8, 218.0, policy=replace(COMMON_PRACTICE_PASSES, dwell_s=0.0))
    assert [s.name for s in plan.steps][-1] == "circular pass"


def test_snug_is_at_most_a_fifth_of_a_small_torque() -> None:
    assert pass_torques(100.0, policy=COMMON_PRACTICE_PASSES).snug_nm == 20.0


@pytest.mark.parametrize(
    "shares",
    [(0.6, 0.3, 1.0), (0.3, 0.6), (0.3, 0.3, 1.0), (1.0,), (), (0.3, 0.6, 1.2), (0.0, 1.0)],
)
def test_pass_shares_must_climb_to_one(shares: tuple[float, ...]) -> None:
    with pytest.raises(OutOfRange) as refusal:
        pass_torques(218.0, policy=replace(COMMON_PRACTICE_PASSES, shares=shares))
    assert refusal.value.name == "shares"


@pytest.mark.parametrize("count", [1, 0, -8, 201, 8.5, None, True, "8"])
def test_a_count_that_is_none_is_refused(count: object) -> None:
    with pytest.raises(OutOfRange) as refusal:
        tightening_order(count)  # type: ignore[arg-type]
    assert refusal.value.name == "count"


@pytest.mark.parametrize(
    ("count", "positions"), [(2, (1, 2)), (3, (1, 2, 3)), (4, (1, 2, 3, 4)), (12, (1, 4, 7, 10))]
)
def test_gap_positions(count: int, positions: tuple[int, ...]) -> None:
    assert gap_positions(count) == positions


@pytest.mark.parametrize(
    ("case", "gaps", "passed", "widest"),
    [
        ("even", [2.1e-3, 2.2e-3, 2.4e-3, 2.2e-3], True, 3),
        ("equal to the limit passes", [2.0e-3, 2.5e-3, 2.2e-3, 2.2e-3], True, 2),
        ("uneven", [2.0e-3, 2.2e-3, 2.2e-3, 2.6e-3], False, 4),
    ],
)
def test_gap_check(case: str, gaps: list[float], passed: bool, widest: int) -> None:
    result = gap_check(gaps, limit_m=0.0005)
    assert (result.passed, result.widest_position) == (passed, widest), case
    assert result.reasons[0].code == ("even" if passed else "uneven")


def test_three_gaps_are_not_enough() -> None:
    with pytest.raises(NotEnoughData, match="have 3 gap readings, need 4"):
        gap_check([2e-3, 2e-3, 2e-3], limit_m=0.0005)


@pytest.mark.parametrize("bad", [None, float("nan"), -0.001, 2.1])
def test_a_spoiled_gap_is_refused_by_its_place(bad: object) -> None:
    with pytest.raises(OutOfRange) as refusal:
        gap_check([2e-3, bad, 2e-3, 2e-3], limit_m=0.0005)  # type: ignore[list-item]
    assert refusal.value.name == "gaps_m[1]"


@given(
    count=st.integers(2, 60),
    turns=st.floats(0.0, 60.0),
    each=st.floats(0.1, 1.0),
    data=st.data(),
)
def test_loosening_is_even_and_reaches_the_free_travel(
    count: int, turns: float, each: float, data: st.DataObject
) -> None:
    first = data.draw(st.integers(1, count))
    plan = loosening_plan(count, turns_to_free=turns, turns_per_round=each, first_position=first)
    assert plan.order[0] == first
    assert sorted(plan.order) == list(range(1, count + 1))
    assert plan.total_turns >= turns - 1e-6
    assert len(plan.rounds) >= 2
    assert {r.turns for r in plan.rounds} == {each}
    assert {r.positions for r in plan.rounds} == {plan.order}


@given(count=st.integers(8, 60), data=st.data())
def test_loosening_goes_crosswise(count: int, data: st.DataObject) -> None:
    first = data.draw(st.integers(1, count))
    order = loosening_plan(
        count, turns_to_free=10.0, turns_per_round=1.0, first_position=first
    ).order
    assert all(distance(a, b, count) > 1 for a, b in zip(order, order[1:], strict=False))


def test_loosening_is_the_reverse_of_tightening_turned_to_the_far_side() -> None:
    plan = loosening_plan(8, turns_to_free=20.0, turns_per_round=1.0, first_position=8)
    assert plan.order == tuple(reversed(tightening_order(8)))
    assert len(plan.rounds) == 20
    assert "break" in plan.rounds[0].instruction
    assert "freely by hand" in plan.rounds[-1].instruction


def test_more_than_one_turn_a_round_is_refused() -> None:
    with pytest.raises(OutOfRange, match="small equal steps keep the cover level"):
        loosening_plan(8, turns_to_free=20.0, turns_per_round=2.0, first_position=1)
