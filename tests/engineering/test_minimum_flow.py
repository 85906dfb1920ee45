"""Thermal minimum flow: closed form against brute force, each governing limit, lumpy curves."""

from dataclasses import replace

import pytest

from tests.engineering.demo_pumps import DEMO_PUMPS
from tests.engineering.test_curves import sample
from valvecare.engineering.curves import PumpCurve
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange
from valvecare.engineering.liquids import WATER
from valvecare.engineering.minimum_flow import (
    NpshRequired,
    ThermalMinimum,
    handbook_minimum_flow,
    minimum_flow_for_rise,
    required_minimum_flow,
    thermal_minimum_flow,
)
from valvecare.engineering.suction import npsh_at_rise
from valvecare.engineering.thermal import (
    isentropic_temperature_rise,
    pump_temperature_rise,
    temperature_rise_from_power,
    temperature_rises,
)

HEAT = 4225.0
NONE = [0.0] * 7


def flow_m3_h(allowed_rise_k: float, curve: PumpCurve | None = None) -> float:
    answer = minimum_flow_for_rise(
        curve or sample(),
        specific_heat_j_per_kg_k=HEAT,
        allowed_rise_k=allowed_rise_k,
        compression_rises_k=NONE,
    )
    return answer.flow_m3_per_s * 3600.0


def rise_at(curve: PumpCurve, flow: float) -> float:
    return temperature_rise_from_power(
        curve.power(flow),
        flow_m3_per_s=flow,
        head_m=curve.head(flow),
        density_kg_per_m3=955.0,
        specific_heat_j_per_kg_k=HEAT,
    )


@pytest.mark.parametrize("allowed", [2.0, 3.3, 5.0, 8.33, 12.0, 20.0, 60.0, 149.0])
def test_closed_form_agrees_with_a_fine_march(allowed: float) -> None:
    curve = sample()
    flow, step = 160.0, 0.02
    while flow - step > 0.0 and rise_at(curve, (flow - step) / 3600.0) <= allowed:
        flow -= step
    assert flow_m3_h(allowed) == pytest.approx(flow, abs=1.01 * step)


def test_limit_never_met_is_a_refusal() -> None:
    with pytest.raises(NoSolution, match="not met anywhere up to the best efficiency flow"):
        flow_m3_h(0.05)


def test_lumpy_curve_takes_the_upper_root() -> None:
    """A hump of power at 80 m3/h breaks the limit again: the answer lies above the hump."""
    smooth = sample()
    flows = tuple(q / 3600.0 for q in (0, 20, 40, 70, 80, 90, 120, 160, 200))
    powers = [smooth.power(q) for q in flows]
    powers[4] = 600e3
    humped = sample(
        flows_m3_per_s=flows,
        heads_m=tuple(smooth.head(q) for q in flows),
        powers_w=tuple(powers),
    )
    allowed = 3.2
    assert flow_m3_h(allowed) == pytest.approx(59.6, abs=0.5)
    assert rise_at(humped, 65.0 / 3600.0) < allowed < rise_at(humped, 80.0 / 3600.0)
    answer = minimum_flow_for_rise(
        humped, specific_heat_j_per_kg_k=HEAT, allowed_rise_k=allowed, compression_rises_k=[0.0] * 9
    )
    assert 80.0 < answer.flow_m3_per_s * 3600.0 < 90.0
    assert rise_at(humped, answer.flow_m3_per_s) == pytest.approx(allowed, rel=1e-9)


def test_met_at_the_lowest_point_says_at_or_below_not_zero() -> None:
    cut = sample(
        flows_m3_per_s=tuple(q / 3600.0 for q in (80.0, 120.0, 160.0, 200.0)),
        heads_m=(1215.0, 1140.0, 1020.0, 850.0),
        powers_w=(440e3, 512e3, 580e3, 640e3),
    )
    answer = minimum_flow_for_rise(
        cut, specific_heat_j_per_kg_k=HEAT, allowed_rise_k=8.33, compression_rises_k=[0.0] * 4
    )
    assert answer.at_or_below_lowest_point
    assert answer.flow_m3_per_s == 80.0 / 3600.0


def test_limit_exactly_at_a_point_is_found_there() -> None:
    allowed = rise_at(sample(), 40.0 / 3600.0)
    assert flow_m3_h(allowed) == pytest.approx(40.0, rel=1e-9)


def test_compression_values_must_match_the_points() -> None:
    with pytest.raises(NotEnoughData):
        minimum_flow_for_rise(
            sample(),
            specific_heat_j_per_kg_k=HEAT,
            allowed_rise_k=8.0,
            compression_rises_k=[0.0],
        )


def thermal(**changes: object) -> ThermalMinimum:
    values: dict[str, object] = {
        "inlet_temperature_degc": 105.0,
        "inlet_pa_abs": 0.25e6,
        "stated_rise_k": 8.33,
        "vapour_margin_pa": 0.0,
        "npsh_required": None,
    }
    return thermal_minimum_flow(sample(), WATER, **{**values, **changes})  # type: ignore[arg-type]


def test_rise_at_the_answer_is_the_limit_and_matches_the_exact_enthalpy_form() -> None:
    answer = thermal()
    assert answer.rise_k == pytest.approx(8.33, abs=1e-6)
    exact = temperature_rises(
        sample(),
        WATER,
        flow_m3_per_s=answer.flow_m3_per_s,
        inlet_temperature_degc=105.0,
        inlet_pa_abs=0.25e6,
    )
    assert exact.outlet_rise_k == pytest.approx(8.33, abs=0.02)


def test_vapour_limit_governs_when_suction_is_tight() -> None:
    answer = thermal(inlet_pa_abs=0.16e6)
    assert answer.governs == "vapour"
    assert dict(answer.limits_k)["vapour"] == pytest.approx(8.298, abs=1e-3)
    assert thermal(inlet_pa_abs=0.16e6, vapour_margin_pa=1e4).flow_m3_per_s > answer.flow_m3_per_s


def test_npsh_limit_is_nested_in_the_search() -> None:
    needs = NpshRequired((0.0, 0.06), (2.0, 4.0), margin_m=1.0, inlet_bore_m=0.2, source="inv.")
    answer = thermal(inlet_pa_abs=0.19e6, npsh_required=needs)
    assert answer.governs == "npsh"
    flow = answer.flow_m3_per_s
    left = npsh_at_rise(
        WATER,
        inlet_temperature_degc=105.0,
        inlet_pa_abs=0.19e6,
        rise_k=answer.rise_k,
        inlet_velocity_m_per_s=flow / (3.141592653589793 * 0.01),
    )
    assert left == pytest.approx(needs.at(flow) + 1.0, abs=1e-4)
    easy = NpshRequired((0.0, 0.06), (1.0, 2.0), margin_m=0.0, inlet_bore_m=0.2, source="inv.")
    assert thermal(npsh_required=easy).governs == "stated"


def test_npsh_too_small_at_best_flow_is_a_refusal() -> None:
    needs = NpshRequired((0.0, 0.06), (4.0, 30.0), margin_m=1.0, inlet_bore_m=0.2, source="inv.")
    with pytest.raises(NoSolution, match="best efficiency flow"):
        thermal(inlet_pa_abs=0.16e6, npsh_required=needs)


def test_boiling_suction_is_a_refusal_not_a_flow() -> None:
    with pytest.raises(NoSolution, match="no rise is allowed"):
        thermal(inlet_pa_abs=WATER.vapour_pressure(105.0) + 1.0, vapour_margin_pa=1e3)


def test_no_stated_limit_still_has_the_vapour_limit() -> None:
    assert thermal(stated_rise_k=None).governs == "vapour"


def test_npsh_record_is_checked() -> None:
    with pytest.raises(OutOfRange, match="source"):
        NpshRequired((0.0, 0.06), (4.0, 8.0), margin_m=1.0, inlet_bore_m=0.2, source="")
    with pytest.raises(NotEnoughData):
        NpshRequired((0.0,), (4.0,), margin_m=1.0, inlet_bore_m=0.2, source="inv.")
    with pytest.raises(OutOfRange, match="ascending"):
        NpshRequired((0.06, 0.0), (4.0, 8.0), margin_m=1.0, inlet_bore_m=0.2, source="inv.")
    needs = NpshRequired((0.01, 0.06), (4.0, 8.0), margin_m=1.0, inlet_bore_m=0.2, source="inv.")
    with pytest.raises(OutOfRange, match="not extrapolated"):
        needs.at(0.005)


def test_handbook_figure_is_an_upper_bound() -> None:
    """The whole shaft power over the allowed rise, against the losses-only answer at that flow."""
    for allowed in (3.0, 8.33, 20.0):
        flow = flow_m3_h(allowed) / 3600.0
        bound = handbook_minimum_flow(
            sample().power(flow),
            density_kg_per_m3=955.0,
            specific_heat_j_per_kg_k=HEAT,
            allowed_rise_k=allowed,
        )
        efficiency = sample().efficiency(flow)
        assert bound == pytest.approx(flow / (1.0 - efficiency), rel=1e-9)


def test_two_forms_of_the_loss_rise_agree() -> None:
    curve = sample()
    for flow in (0.005, 0.02, 0.04):
        assert rise_at(curve, flow) == pytest.approx(
            pump_temperature_rise(
                curve.head(flow),
                curve.efficiency(flow),
                specific_heat_j_per_kg_k=HEAT,
                compression_rise_k=0.0,
            ),
            rel=1e-12,
        )


def test_compression_adds_to_the_loss_rise() -> None:
    simple, full = (
        pump_temperature_rise(
            848.0, 0.55, specific_heat_j_per_kg_k=4265.0, compression_rise_k=compression
        )
        for compression in (0.0, 0.72)
    )
    assert full - simple == pytest.approx(0.72)


def test_rising_head_segment_with_two_roots_takes_the_upper_one() -> None:
    """Head that rises steeply with flow: the rise falls, climbs above the limit and falls again."""
    flows = (0.0, 20.0, 60.0, 100.0, 160.0)
    curve = sample(
        flows_m3_per_s=tuple(q / 3600.0 for q in flows),
        heads_m=(1250.0, 700.0, 700.0, 1215.0, 1020.0),
        powers_w=(310e3, 340e3, 300e3, 640e3, 580e3),
    )
    allowed = 3.0
    answer = minimum_flow_for_rise(
        curve, specific_heat_j_per_kg_k=HEAT, allowed_rise_k=allowed, compression_rises_k=[0.0] * 5
    )
    flow, step = 160.0, 0.002
    while rise_at(curve, (flow - step) / 3600.0) <= allowed:
        flow -= step
    assert answer.flow_m3_per_s * 3600.0 == pytest.approx(flow, abs=2 * step)


def test_required_minimum_is_the_larger_limit() -> None:
    limit = thermal()
    known = required_minimum_flow(limit, stable_flow_m3_per_s=0.02, other_limits_m3_per_s={})
    assert (known.governs, known.flow_m3_per_s, known.can_prove_protection) == (
        "stable",
        0.02,
        True,
    )
    hot = required_minimum_flow(limit, stable_flow_m3_per_s=0.001, other_limits_m3_per_s={})
    assert (hot.governs, hot.can_prove_protection) == ("thermal", True)
    seal = required_minimum_flow(
        limit, stable_flow_m3_per_s=0.02, other_limits_m3_per_s={"seal": 0.025}
    )
    assert (seal.governs, seal.flow_m3_per_s) == ("seal", 0.025)


def test_unknown_stable_flow_never_proves_protection() -> None:
    answer = required_minimum_flow(thermal(), stable_flow_m3_per_s=None, other_limits_m3_per_s={})
    assert not answer.can_prove_protection
    assert answer.words == "thermal only, stable flow unknown"


@pytest.mark.parametrize("bad", [0.0, -0.01, 46.5, float("nan")])
def test_an_insane_limit_is_refused(bad: float) -> None:
    with pytest.raises(OutOfRange, match="stable_flow_m3_per_s"):
        required_minimum_flow(thermal(), stable_flow_m3_per_s=bad, other_limits_m3_per_s={})
    with pytest.raises(OutOfRange, match="seal"):
        required_minimum_flow(
            thermal(), stable_flow_m3_per_s=0.02, other_limits_m3_per_s={"seal": bad}
        )
    with pytest.raises(OutOfRange, match="thermal"):
        required_minimum_flow(
            replace(thermal(), flow_m3_per_s=-1.0 if bad == 0.0 else bad),
            stable_flow_m3_per_s=0.02,
            other_limits_m3_per_s={},
        )


@pytest.mark.parametrize(
    ("temperature", "per_mpa"), [(20.0, 0.015), (60.0, 0.042), (105.0, 0.072), (150.0, 0.108)]
)
def test_compression_heating_over_ten_megapascals(temperature: float, per_mpa: float) -> None:
    """IF97 figures K/MPa over a 10 MPa rise, computed with three libraries."""
    rise = isentropic_temperature_rise(
        WATER, inlet_temperature_degc=temperature, inlet_pa_abs=0.6e6, outlet_pa_abs=10.6e6
    )
    assert rise / 10.0 == pytest.approx(per_mpa, abs=6e-4)


def test_leaving_compression_out_would_be_unsafe_on_a_feed_pump() -> None:
    pump = DEMO_PUMPS["AF-FW"]
    curve = pump.curve()
    simple = minimum_flow_for_rise(
        curve,
        specific_heat_j_per_kg_k=WATER.specific_heat(143.0, pump.inlet_pa_abs),
        allowed_rise_k=8.0,
        compression_rises_k=[0.0] * len(curve.flows_m3_per_s),
    )
    full = thermal_minimum_flow(
        curve,
        WATER,
        inlet_temperature_degc=143.0,
        inlet_pa_abs=pump.inlet_pa_abs,
        stated_rise_k=8.0,
        vapour_margin_pa=0.0,
        npsh_required=None,
    )
    assert full.flow_m3_per_s > 1.1 * simple.flow_m3_per_s
