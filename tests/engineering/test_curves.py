"""Pump curves: no extrapolation, affinity, every root, and insane points refused."""

from typing import Any

import pytest

from valvecare.engineering.curves import PumpCurve, curve_from_efficiencies
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange

Q = (0.0, 20.0, 40.0, 80.0, 120.0, 160.0, 200.0)
H = (1250.0, 1255.0, 1250.0, 1215.0, 1140.0, 1020.0, 850.0)
P = (310.0, 340.0, 372.0, 440.0, 512.0, 580.0, 640.0)


def sample(**changes: Any) -> PumpCurve:
    values: dict[str, Any] = {
        "flows_m3_per_s": tuple(q / 3600.0 for q in Q),
        "heads_m": H,
        "powers_w": tuple(1e3 * p for p in P),
        "density_kg_per_m3": 955.0,
        "speed_per_s": 49.5,
        "best_efficiency_flow_m3_per_s": 160.0 / 3600.0,
        "source": "case table, invented",
    }
    return PumpCurve(**{**values, **changes})


def test_between_points_head_and_power_are_linear() -> None:
    curve = sample()
    assert curve.head(100.0 / 3600.0) == pytest.approx(1177.5)
    assert curve.power(100.0 / 3600.0) == pytest.approx(476e3)
    assert curve.head(Q[-1] / 3600.0) == 850.0
    assert curve.head_slope(Q[-1] / 3600.0) == pytest.approx(-170.0 / (40.0 / 3600.0))


def test_efficiency_comes_from_head_and_power_never_from_interpolation() -> None:
    curve = sample()
    at_ten = curve.efficiency(10.0 / 3600.0)
    assert at_ten == pytest.approx(955.0 * 9.80665 * 10.0 / 3600.0 * 1252.5 / 325e3)
    with pytest.raises(OutOfRange, match="flow_m3_per_s"):
        curve.efficiency(0.0)


@pytest.mark.parametrize("flow", [-1e-9, 200.001 / 3600.0, 160.0])
def test_a_curve_is_not_extrapolated(flow: float) -> None:
    with pytest.raises(OutOfRange, match="not extrapolated"):
        sample().head(flow)


@pytest.mark.parametrize(
    ("head", "flows"),
    [
        (1252.0, [8.0, 32.0]),
        (1250.0, [0.0, 40.0]),
        (1255.0, [20.0]),
        (1140.0, [120.0]),
        (850.0, [200.0]),
        (1256.0, []),
        (849.0, []),
    ],
)
def test_every_flow_of_a_head_is_found(head: float, flows: list[float]) -> None:
    assert [q * 3600.0 for q in sample().flows_at_head(head)] == pytest.approx(flows)


def test_affinity_scales_flow_head_and_power_and_keeps_efficiency() -> None:
    curve = sample()
    slow = curve.running(speed_per_s=49.5 / 2.0, density_kg_per_m3=477.5)
    assert slow.flows_m3_per_s[3] == pytest.approx(curve.flows_m3_per_s[3] / 2.0)
    assert slow.heads_m[3] == pytest.approx(1215.0 / 4.0)
    assert slow.powers_w[3] == pytest.approx(440e3 / 8.0 / 2.0)
    assert slow.best_efficiency_flow_m3_per_s == pytest.approx(80.0 / 3600.0)
    assert slow.efficiency(40.0 / 3600.0) == pytest.approx(curve.efficiency(80.0 / 3600.0))
    with pytest.raises(OutOfRange, match="speed_ratio"):
        curve.running(speed_per_s=5.0, density_kg_per_m3=955.0)


def test_shut_off_needs_a_point_at_zero_flow() -> None:
    assert sample().shutoff_head() == 1250.0
    assert sample().shutoff_power() == 310e3
    cut = sample(
        flows_m3_per_s=tuple(q / 3600.0 for q in Q[1:]),
        heads_m=H[1:],
        powers_w=tuple(1e3 * p for p in P[1:]),
    )
    with pytest.raises(NoSolution, match="no point at zero flow"):
        cut.shutoff_power()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"source": " "}, "source"),
        ({"flows_m3_per_s": Q}, "m3/h"),
        ({"flows_m3_per_s": None}, "flows_m3_per_s"),
        ({"heads_m": (*H[:-1], None)}, "heads_m"),
        ({"heads_m": (*H[:-1], -850.0)}, "heads_m"),
        ({"powers_w": P}, "efficiency would be 1 or more"),
        ({"density_kg_per_m3": 0.955}, "density_kg_per_m3"),
        ({"speed_per_s": 2970.0}, "rpm"),
        ({"best_efficiency_flow_m3_per_s": 160.0}, "best_efficiency_flow"),
        ({"best_efficiency_flow_m3_per_s": 0.0}, "best_efficiency_flow"),
        ({"flows_m3_per_s": tuple(reversed([q / 3600.0 for q in Q]))}, "ascending"),
    ],
)
def test_an_insane_curve_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        sample(**changes)


def test_points_must_match() -> None:
    with pytest.raises(NotEnoughData):
        sample(heads_m=H[:-1])
    with pytest.raises(NotEnoughData):
        sample(flows_m3_per_s=(0.0,), heads_m=(1250.0,), powers_w=(310e3,))


def from_efficiencies(**changes: Any) -> PumpCurve:
    values: dict[str, Any] = {
        "flows_m3_per_s": [0.0, 0.02, 0.04],
        "heads_m": [110.0, 100.0, 80.0],
        "efficiencies": [None, 0.6, 0.75],
        "shutoff_power_w": 14e3,
        "density_kg_per_m3": 998.0,
        "speed_per_s": 49.0,
        "best_efficiency_flow_m3_per_s": 0.04,
        "source": "invented",
    }
    return curve_from_efficiencies(**{**values, **changes})


def test_power_is_derived_from_efficiency_above_zero_flow() -> None:
    curve = from_efficiencies()
    assert curve.powers_w[0] == 14e3
    assert curve.powers_w[1] == pytest.approx(998.0 * 9.80665 * 0.02 * 100.0 / 0.6)
    assert curve.efficiency(0.04) == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"shutoff_power_w": None}, "shutoff_power_w"),
        ({"efficiencies": [None, 60.0, 75.0]}, "not per cent"),
        ({"efficiencies": [0.0, None, 0.75]}, "efficiencies"),
        ({"efficiencies": [None, 1.0, 0.75]}, "efficiencies"),
    ],
)
def test_efficiency_points_are_checked(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        from_efficiencies(**changes)
    with pytest.raises(NotEnoughData):
        from_efficiencies(efficiencies=[0.6, 0.75])
    with pytest.raises(NotEnoughData):
        from_efficiencies(efficiencies=None)


@pytest.mark.parametrize(
    ("case", "changes", "name"),
    [
        ("a head in kilometres", {"heads_m": (*H[:2], 1.25, *H[3:])}, "heads_m"),
        ("a best flow in another unit", {"best_efficiency_flow_m3_per_s": 0.16 / 3600.0},
         "best_efficiency_flow_m3_per_s"),
    ],
)  # fmt: skip
def test_a_point_that_cannot_belong_to_the_curve_is_refused(
    case: str, changes: dict[str, Any], name: str
) -> None:
    with pytest.raises(OutOfRange) as refusal:
        sample(**changes)
    assert refusal.value.name == name, case
