"""Trim flow against the fluids library, and the closed forms against each other."""

import pytest

from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange
from valvecare.engineering.fittings import (
    kv_required_with_fittings,
    piping_geometry_factor,
    recovery_factor_with_fittings,
)
from valvecare.engineering.valve_flow import (
    cavitation_index,
    choking_pressure_drop,
    critical_pressure_ratio,
    flow_through_kv,
    is_choked,
    kv_in_series,
    kv_required,
)

CRITICAL = 22.064e6
CASES = [
    (flow, p1, p2, rho, pv, fl)
    for flow in (5.0, 60.0, 300.0)
    for p1, p2 in ((0.7e6, 0.2e6), (3e6, 1.2e6), (12e6, 0.6e6), (8e6, 7.5e6))
    for rho, pv in ((998.0, 2339.0), (920.0, 0.15e6))
    for fl in (0.6, 0.9, 0.99)
]


@pytest.mark.parametrize(("flow", "p1", "p2", "rho", "pv", "fl"), CASES)
def test_kv_agrees_with_fluids(
    flow: float, p1: float, p2: float, rho: float, pv: float, fl: float
) -> None:
    """Oracle: fluids.control_valve, IEC 60534-2-1."""
    control_valve = pytest.importorskip("fluids.control_valve")
    oracle = control_valve.size_control_valve_l(
        rho=rho, Psat=pv, Pc=CRITICAL, mu=3e-4, P1=p1, P2=p2, Q=flow / 3600.0, FL=fl, Fd=1.0,
        full_output=True,
    )  # fmt: skip
    state = {
        "inlet_pa_abs": p1,
        "outlet_pa_abs": p2,
        "vapour_pressure_pa_abs": pv,
        "critical_pressure_pa_abs": CRITICAL,
        "recovery_factor": fl,
    }
    kv = kv_required(flow / 3600.0, density_kg_per_m3=rho, **state)
    assert kv == pytest.approx(oracle["Kv"], rel=1e-4)
    assert is_choked(**state) == oracle["choked"]
    assert flow_through_kv(kv, density_kg_per_m3=rho, **state) * 3600.0 == pytest.approx(
        flow, rel=1e-12
    )


@pytest.mark.parametrize(
    ("d", "big"), [(0.15, 0.15), (0.1, 0.15), (0.08, 0.1)], ids=["equal", "reduced", "small"]
)
def test_fittings_agree_with_fluids_within_its_own_tolerance(d: float, big: float) -> None:
    """fluids converges FP only to 1 %."""
    control_valve = pytest.importorskip("fluids.control_valve")
    oracle = control_valve.size_control_valve_l(
        rho=965.4, Psat=70.1e3, Pc=22120e3, mu=3.1472e-4, P1=680e3, P2=600e3, Q=60.0 / 3600.0,
        D1=big, D2=big, d=d, FL=0.9, Fd=0.46, full_output=True,
    )  # fmt: skip
    ratio = (d / big) ** 2
    loss = 0.5 * (1 - ratio) ** 2 + 1.0 * (1 - ratio) ** 2
    kv = kv_required_with_fittings(
        60.0 / 3600.0,
        pressure_drop_pa=80e3,
        density_kg_per_m3=965.4,
        fittings_loss_coefficient=loss,
        valve_bore_m=d,
    )
    assert kv == pytest.approx(oracle["Kv"], rel=0.011)


def test_fittings_close_on_themselves() -> None:
    """Kv with fittings times FP is the Kv the flow needs without them."""
    bare = kv_required_with_fittings(
        0.1,
        pressure_drop_pa=460e3,
        density_kg_per_m3=965.4,
        fittings_loss_coefficient=0.0,
        valve_bore_m=0.15,
    )
    fitted = kv_required_with_fittings(
        0.1,
        pressure_drop_pa=460e3,
        density_kg_per_m3=965.4,
        fittings_loss_coefficient=1.5,
        valve_bore_m=0.15,
    )
    factor = piping_geometry_factor(fitted, fittings_loss_coefficient=1.5, valve_bore_m=0.15)
    assert fitted * factor == pytest.approx(bare, rel=1e-12)
    assert fitted > bare


def test_a_bore_that_can_never_pass_the_flow_is_refused() -> None:
    with pytest.raises(NoSolution, match="no valve of bore"):
        kv_required_with_fittings(
            0.1,
            pressure_drop_pa=460e3,
            density_kg_per_m3=965.4,
            fittings_loss_coefficient=5.0,
            valve_bore_m=0.05,
        )
    with pytest.raises(NoSolution, match="recover"):
        piping_geometry_factor(500.0, fittings_loss_coefficient=-2.0, valve_bore_m=0.05)
    with pytest.raises(NoSolution, match="recover"):
        recovery_factor_with_fittings(
            500.0, recovery_factor=0.9, inlet_loss_coefficient=-2.0, valve_bore_m=0.05
        )


def test_combined_recovery_factor_agrees_with_fluids() -> None:
    control_valve = pytest.importorskip("fluids.control_valve")
    oracle = control_valve.loss_coefficient_piping(0.05, 0.08, 0.08)
    assert oracle > 0.0
    ours = recovery_factor_with_fittings(
        50.0, recovery_factor=0.9, inlet_loss_coefficient=1.2, valve_bore_m=0.08
    )
    other = 0.9 / (1.0 + 0.81 / 0.0016 * 1.2 * (50.0 / 80.0**2) ** 2) ** 0.5
    assert ours == pytest.approx(other, rel=1e-12)


def flow_at(p2: float, **changes: float) -> float:
    values = {
        "inlet_pa_abs": 12e6,
        "outlet_pa_abs": p2,
        "density_kg_per_m3": 920.0,
        "vapour_pressure_pa_abs": 0.4e6,
        "critical_pressure_pa_abs": CRITICAL,
        "recovery_factor": 0.9,
    }
    return flow_through_kv(6.0, **{**values, **changes})


def test_choked_flow_does_not_depend_on_back_pressure() -> None:
    drop = choking_pressure_drop(
        12e6,
        vapour_pressure_pa_abs=0.4e6,
        critical_pressure_pa_abs=CRITICAL,
        recovery_factor=0.9,
    )
    assert flow_at(0.6e6) == flow_at(2e6) == flow_at(12e6 - drop)
    assert flow_at(12e6 - 0.9 * drop) < flow_at(12e6 - drop)


@pytest.mark.parametrize("back", [12e6, 12.1e6])
def test_no_driving_pressure_is_a_refusal(back: float) -> None:
    with pytest.raises(NoSolution, match="no driving pressure"):
        flow_at(back)


def test_steam_before_the_valve_is_a_refusal() -> None:
    with pytest.raises(OutOfRange, match="not liquid"):
        flow_at(0.2e6, inlet_pa_abs=0.39e6)
    with pytest.raises(OutOfRange, match="critical"):
        critical_pressure_ratio(2e7, critical_pressure_pa_abs=1e7)
    with pytest.raises(OutOfRange, match="inlet_pa_abs"):
        cavitation_index(inlet_pa_abs=1e5, outlet_pa_abs=5e4, vapour_pressure_pa_abs=1e5)


def test_series_of_kv_needs_numbers() -> None:
    assert kv_in_series([5.0]) == pytest.approx(5.0)
    with pytest.raises(NotEnoughData):
        kv_in_series([])
    with pytest.raises(OutOfRange):
        kv_in_series([5.0, 0.0])
    with pytest.raises(OutOfRange):
        kv_in_series(None)  # type: ignore[arg-type]
