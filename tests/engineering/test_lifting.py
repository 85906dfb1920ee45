"""Lifting: multipliers, team shares, and the verdict with every way it turns to lifting gear."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.lifting import (
    LiftingPolicy,
    LiftingVerdict,
    LiftingWay,
    LiftPosture,
    cover_mass_estimate,
    lifting_verdict,
    recommended_weight,
    team_limit,
)

IDEAL = LiftPosture(
    horizontal_m=0.25,
    vertical_m=0.75,
    travel_m=0.25,
    twist_deg=0.0,
    frequency_factor=1.0,
    grip_factor=1.0,
)
POLICY = LiftingPolicy(gear_from_kg=25.0, largest_team=2)


def verdict(mass_kg: float | None = 18.0, **changes: Any) -> LiftingVerdict:
    call: dict[str, Any] = {
        "mass_is_measured": True,
        "load_is_stable_and_cool": True,
        "posture": IDEAL,
        "policy": POLICY,
    }
    return lifting_verdict(mass_kg, **{**call, **changes})


@pytest.mark.parametrize(
    ("change", "multiplier"),
    [
        ({"horizontal_m": 0.50}, 0.50),
        ({"vertical_m": 0.0}, 0.775),
        ({"vertical_m": 1.75}, 0.70),
        ({"travel_m": 1.00}, 0.865),
        ({"twist_deg": 90.0}, 0.712),
        ({"frequency_factor": 0.94}, 0.94),
        ({"grip_factor": 0.90}, 0.90),
    ],
)
def test_each_multiplier_alone(change: dict[str, float], multiplier: float) -> None:
    """NIOSH 94-110 tables (seen); twist from memory."""
    assert recommended_weight(replace(IDEAL, **change)) == pytest.approx(23.0 * multiplier)


@given(
    reach=st.floats(0.25, 0.63),
    height=st.floats(0.0, 1.75),
    travel=st.floats(0.25, 1.75),
    twist=st.floats(0.0, 135.0),
)
def test_no_posture_allows_more_than_the_ideal_one(
    reach: float, height: float, travel: float, twist: float
) -> None:
    limit = recommended_weight(
        replace(IDEAL, horizontal_m=reach, vertical_m=height, travel_m=travel, twist_deg=twist)
    )
    assert 0 < limit <= 23.0 + 1e-9


def test_teams() -> None:
    """Two thirds of the sum for two people, half for three: public pages after HSE (seen)."""
    assert team_limit(20.0, people=1) == 20.0
    assert team_limit(20.0, people=2) == pytest.approx(26.67, abs=0.01)
    assert team_limit(20.0, people=3) == pytest.approx(30.0)
    with pytest.raises(OutOfRange, match="more than three: use lifting gear"):
        team_limit(20.0, people=4)


def test_one_person() -> None:
    result = verdict(18.0)
    assert (result.way, result.people) == (LiftingWay.ONE_PERSON, 1)
    assert result.index_alone == pytest.approx(18 / 23)
    assert result.reasons[0].code == "within_hand_limit"


def test_a_team_when_one_is_not_enough() -> None:
    result = verdict(18.0, posture=replace(IDEAL, horizontal_m=0.40))
    assert result.recommended_kg == pytest.approx(14.375)
    assert result.index_alone == pytest.approx(1.252, abs=0.001)
    assert (result.way, result.people) == (LiftingWay.TEAM, 2)


@pytest.mark.parametrize(
    ("case", "mass", "changes", "codes"),
    [
        ("demo cover of 62 kg", 62.0, {}, ["policy_mass"]),
        ("reached counts", 25.0, {}, ["policy_mass"]),
        ("mass unknown", None, {}, ["mass_not_known"]),
        ("mass estimated", 18.0, {"mass_is_measured": False}, ["mass_estimated"]),
        ("hot", 18.0, {"load_is_stable_and_cool": False}, ["outside_method"]),
        ("posture unknown", 18.0, {"posture": None}, ["posture_not_assessed"]),
        (
            "too far out",
            24.0,
            {"posture": replace(IDEAL, horizontal_m=0.60)},
            ["index_above_one"],
        ),
        (
            "several",
            None,
            {"posture": None, "load_is_stable_and_cool": False},
            ["mass_not_known", "outside_method", "posture_not_assessed"],
        ),
    ],
)
def test_lifting_gear(
    case: str, mass: float | None, changes: dict[str, Any], codes: list[str]
) -> None:
    result = verdict(mass, **changes)
    assert result.way == LiftingWay.LIFTING_GEAR, case
    assert [reason.code for reason in result.reasons] == codes
    assert [c.id for c in result.cautions] == ["lifting", "advice-only"]


@given(mass=st.floats(1.0, 24.0), more=st.floats(0.1, 20.0))
def test_heavier_is_never_easier(mass: float, more: float) -> None:
    ease = [LiftingWay.LIFTING_GEAR, LiftingWay.TEAM, LiftingWay.ONE_PERSON]
    posture = replace(IDEAL, horizontal_m=0.40)
    light, heavy = verdict(mass, posture=posture), verdict(mass + more, posture=posture)
    assert ease.index(heavy.way) <= ease.index(light.way)


@pytest.mark.parametrize("name", ["mass_is_measured", "load_is_stable_and_cool"])
def test_a_missing_yes_or_no_is_refused(name: str) -> None:
    with pytest.raises(OutOfRange) as refusal:
        verdict(18.0, **{name: None})
    assert refusal.value.name == name


def test_estimate_is_on_the_heavy_side() -> None:
    estimate = cover_mass_estimate(
        0.400, thickness_m=0.040, density_kg_per_m3=7850.0, allowance=1.2
    )
    assert estimate == pytest.approx(1.2 * 39.46, abs=0.01)


def test_a_cover_thicker_than_wide_is_refused() -> None:
    with pytest.raises(OutOfRange) as refusal:
        cover_mass_estimate(0.1, thickness_m=0.2, density_kg_per_m3=7850.0, allowance=1.2)
    assert refusal.value.name == "thickness_m"
