"""The demo world's stated hydraulics, reproduced by the library. All of it is invented."""

import pytest

from tests.engineering.demo_pumps import ATMOSPHERE_PA, DEMO_PUMPS, DemoPump
from valvecare.engineering.bypass import (
    BypassWorkingPoint,
    ReturnLine,
    bypass_working_point,
    capacity_margin,
)
from valvecare.engineering.cooling import (
    PassingVerdict,
    insulated_pipe_heat_loss,
    judge_passing,
    pipe_time_constant,
)
from valvecare.engineering.errors import NoSolution
from valvecare.engineering.flow_choice import Instruments, choose_flow_method, judge_flow_methods
from valvecare.engineering.leakage import leak_from_excess_power, leak_loss
from valvecare.engineering.liquids import WATER
from valvecare.engineering.minimum_flow import (
    minimum_flow_for_rise,
    required_minimum_flow,
    thermal_minimum_flow,
)
from valvecare.engineering.parallel_pumps import pump_pair_interaction
from valvecare.engineering.thermal import TemperatureRises, temperature_rises
from valvecare.engineering.uncertainty import Verdict, decide_at_least
from valvecare.engineering.valve_flow import is_choked, kv_required

M3_H = 3600.0
PUMPS = pytest.mark.parametrize("pump", DEMO_PUMPS.values(), ids=DEMO_PUMPS)
CRITICAL = WATER.critical_pressure_pa_abs


def rises(pump: DemoPump, flow_m3_h: float) -> TemperatureRises:
    return temperature_rises(
        pump.curve(),
        pump.liquid,
        flow_m3_per_s=flow_m3_h / M3_H,
        inlet_temperature_degc=pump.inlet_degc,
        inlet_pa_abs=pump.inlet_pa_abs,
    )


@PUMPS
def test_power_at_zero_flow(pump: DemoPump) -> None:
    assert pump.curve().shutoff_power() / 1e3 == pytest.approx(pump.shutoff_kw, abs=0.55)


@PUMPS
def test_rise_at_design_bypass_flow(pump: DemoPump) -> None:
    answer = rises(pump, pump.design_m3_h)
    assert answer.losses_rise_k == pytest.approx(pump.outlet_rise_k, abs=0.006)
    assert answer.return_rise_k == pytest.approx(pump.return_rise_k, abs=0.011)


@PUMPS
def test_discharge_pressure_at_design_bypass_flow(pump: DemoPump) -> None:
    discharge_bar_g = (rises(pump, pump.design_m3_h).outlet_pa_abs - ATMOSPHERE_PA) / 1e5
    assert discharge_bar_g == pytest.approx(pump.discharge_bar_g, abs=0.06)


@PUMPS
def test_heat_minimum_by_the_simple_formula(pump: DemoPump) -> None:
    curve = pump.curve()
    answer = minimum_flow_for_rise(
        curve,
        specific_heat_j_per_kg_k=pump.liquid.specific_heat(pump.inlet_degc, pump.inlet_pa_abs),
        allowed_rise_k=8.0,
        compression_rises_k=[0.0] * len(curve.flows_m3_per_s),
    )
    assert answer.flow_m3_per_s * M3_H == pytest.approx(pump.heat_minimum_m3_h, abs=0.06)


@PUMPS
def test_stable_minimum_governs_in_every_group(pump: DemoPump) -> None:
    thermal = thermal_minimum_flow(
        pump.curve(),
        pump.liquid,
        inlet_temperature_degc=pump.inlet_degc,
        inlet_pa_abs=pump.inlet_pa_abs,
        stated_rise_k=8.0,
        vapour_margin_pa=0.0,
        npsh_required=None,
    )
    required = required_minimum_flow(
        thermal, stable_flow_m3_per_s=pump.stable_m3_h / M3_H, other_limits_m3_per_s={}
    )
    assert (required.governs, required.can_prove_protection) == ("stable", True)
    assert required.flow_m3_per_s * M3_H == pytest.approx(pump.stable_m3_h)


@PUMPS
def test_kv_of_the_design_bypass(pump: DemoPump) -> None:
    """The stated Kv uses the gauge pressures as printed; FL near 1 for multi-stage trim."""
    answer = rises(pump, pump.design_m3_h)
    kv = kv_required(
        pump.design_m3_h / M3_H,
        inlet_pa_abs=answer.outlet_pa_abs,
        outlet_pa_abs=pump.back_bar_g * 1e5 + ATMOSPHERE_PA,
        density_kg_per_m3=answer.density_kg_per_m3,
        vapour_pressure_pa_abs=pump.liquid.vapour_pressure(pump.inlet_degc),
        critical_pressure_pa_abs=CRITICAL,
        recovery_factor=1.0,
    )
    assert kv == pytest.approx(pump.kv, rel=0.013)


def test_heat_minimum_of_the_feed_pump_rises_with_steam_tables() -> None:
    """At 14 m3/h the full calculation gives 8.46 K where the simple one gives 7.74 K."""
    answer = rises(DEMO_PUMPS["NH-FW"], 14.0)
    assert answer.losses_rise_k == pytest.approx(7.74, abs=0.01)
    assert answer.outlet_rise_k == pytest.approx(8.46, abs=0.01)


@pytest.mark.parametrize(
    ("code", "simple_k", "full_k"), [("NH-FW", 2.99, 3.71), ("AF-FW", 4.22, 5.41)]
)
def test_compression_counts_on_hot_feed_pumps(code: str, simple_k: float, full_k: float) -> None:
    pump = DEMO_PUMPS[code]
    answer = rises(pump, pump.design_m3_h)
    assert answer.losses_rise_k == pytest.approx(simple_k, abs=0.006)
    assert answer.outlet_rise_k == pytest.approx(full_k, abs=0.006)


def test_nh_fw_3v_bypass_is_down_to_seventy_per_cent_and_safe_from_heat() -> None:
    pump = DEMO_PUMPS["NH-FW"]
    answer = rises(pump, 21.0)
    back = pump.back_bar_g * 1e5 + ATMOSPHERE_PA
    kv = kv_required(
        21.0 / M3_H,
        inlet_pa_abs=answer.outlet_pa_abs,
        outlet_pa_abs=back,
        density_kg_per_m3=answer.density_kg_per_m3,
        vapour_pressure_pa_abs=WATER.vapour_pressure(pump.inlet_degc),
        critical_pressure_pa_abs=CRITICAL,
        recovery_factor=1.0,
    )
    assert kv == pytest.approx(2.30, abs=0.005)
    assert kv / 3.30 == pytest.approx(0.70, abs=0.005)
    assert answer.outlet_rise_k == pytest.approx(5.48, abs=0.005)
    assert answer.return_rise_k == pytest.approx(6.73, abs=0.005)
    boiling_bar_g = (answer.return_vapour_pressure_pa_abs - ATMOSPHERE_PA) / 1e5
    assert boiling_bar_g == pytest.approx(2.28, abs=0.005)
    assert boiling_bar_g < pump.back_bar_g
    decision = decide_at_least(
        21.0, standard_uncertainty=0.05 * 21.0 / 2.0, required=27.0, probability=0.95
    )
    assert decision.verdict is Verdict.FAIL
    assert 21.0 > 1.05 * 13.6


def test_nh_fw_working_point_meets_the_design_flow() -> None:
    pump = DEMO_PUMPS["NH-FW"]
    line = ReturnLine(0.0, 0.05, 0.0, 0.1, 3, 0.0, pump.back_bar_g * 1e5 + ATMOSPHERE_PA)
    point = bypass_working_point(
        pump.curve(),
        WATER,
        line,
        kv=3.30,
        recovery_factor=1.0,
        main_flow_m3_per_s=0.0,
        inlet_temperature_degc=pump.inlet_degc,
        inlet_pa_abs=pump.inlet_pa_abs,
    )
    assert point.bypass_flow_m3_per_s * M3_H == pytest.approx(30.1, abs=0.2)
    assert not point.choked
    assert point.flashing_margin_pa > 0.0


def test_af_fw_return_line_would_flash_at_the_first_back_pressure_thought_of() -> None:
    """3.4 bar g would flash (3.76 needed); 4.7 bar g was chosen."""
    pump = DEMO_PUMPS["AF-FW"]

    def point(back_bar_g: float) -> BypassWorkingPoint:
        return bypass_working_point(
            pump.curve(),
            WATER,
            ReturnLine(0.0, 0.05, 0.0, 0.1, 3, 0.0, back_bar_g * 1e5 + ATMOSPHERE_PA),
            kv=4.6,
            recovery_factor=1.0,
            main_flow_m3_per_s=0.0,
            inlet_temperature_degc=pump.inlet_degc,
            inlet_pa_abs=pump.inlet_pa_abs,
        )

    with pytest.raises(NoSolution, match="would flash"):
        point(3.4)
    boiling_bar_g = (point(4.7).rises.return_vapour_pressure_pa_abs - ATMOSPHERE_PA) / 1e5
    assert boiling_bar_g == pytest.approx(3.76, abs=0.05)


def test_af_fw_2v_passes_by_its_cooling_curve() -> None:
    answer = judge_passing(
        line_temperature_degc=139.0,
        source_temperature_degc=143.0,
        ambient_temperature_degc=22.0,
        hours_since_shut=9.0,
        time_constant_h=15.6,
        time_constant_uncertainty_share=0.3,
        u_temperature_k=1.0,
        heat_loss_w_per_m_k=0.337,
        length_m=10.0,
        specific_heat_j_per_kg_k=4290.0,
    )
    assert answer.verdict is PassingVerdict.PASSING
    assert answer.shut_fraction == pytest.approx(0.56, abs=0.005)
    assert answer.shut_fraction_slow == pytest.approx(0.64, abs=0.005)
    assert answer.observed_fraction == pytest.approx(0.97, abs=0.005)
    assert answer.shut_temperature_degc == pytest.approx(90.0, abs=0.5)
    assert answer.shut_temperature_slow_degc == pytest.approx(99.0, abs=0.8)
    assert answer.steady_leak_kg_per_s is not None
    assert answer.steady_leak_kg_per_s * 3600.0 == pytest.approx(84.0, abs=0.5)


def test_time_constants_of_bare_and_lagged_lines() -> None:
    """Bare DN50 in still air 1.89 W/(m K), 1.6 h; DN65 with 50 mm lagging 15.6 h."""
    bare = insulated_pipe_heat_loss(
        outside_diameter_m=0.0603,
        insulation_m=0.0,
        insulation_conductivity_w_per_m_k=0.045,
        surface_coefficient_w_per_m2_k=10.0,
    )
    assert bare == pytest.approx(1.89, abs=0.005)
    steel = {"metal_density_kg_per_m3": 7850.0, "metal_specific_heat_j_per_kg_k": 480.0}
    water = {
        "liquid_density_kg_per_m3": 926.0,
        "liquid_specific_heat_j_per_kg_k": 4290.0,
    }
    assert pipe_time_constant(
        bore_m=0.0525, wall_m=0.0039, heat_loss_w_per_m_k=bare, **water, **steel
    ) == pytest.approx(1.6, abs=0.1)
    lagged = insulated_pipe_heat_loss(
        outside_diameter_m=0.0761,
        insulation_m=0.05,
        insulation_conductivity_w_per_m_k=0.046,
        surface_coefficient_w_per_m2_k=10.0,
    )
    assert pipe_time_constant(
        bore_m=0.0703, wall_m=0.0029, heat_loss_w_per_m_k=lagged, **water, **steel
    ) == pytest.approx(15.6, rel=0.03)


def test_af_fw_2v_leak_from_power_and_its_energy() -> None:
    """11 kW above the curve at 147 m3/h: about 3 m3/h by the whole power of a cubic metre, 3.7 kW
    each; by the slope of the power curve the same excess means more. 8400 h of 11 kW: 92 MWh."""
    curve = DEMO_PUMPS["AF-FW"].curve()
    answer = leak_from_excess_power(
        curve,
        net_flow_m3_per_s=147.0 / M3_H,
        shaft_power_w=curve.power(147.0 / M3_H) + 11e3,
        u_shaft_power_w=3e3,
    )
    assert answer.proven
    assert answer.attributable_power_per_flow_j_per_m3 / 3.6e6 == pytest.approx(3.7, abs=0.05)
    assert answer.leak_attributable_m3_per_s * M3_H == pytest.approx(3.0, abs=0.05)
    assert answer.leak_marginal_m3_per_s is not None
    assert answer.leak_marginal_m3_per_s > 1.9 * answer.leak_attributable_m3_per_s
    loss = leak_loss(
        curve,
        net_flow_m3_per_s=147.0 / M3_H,
        leak_m3_per_s=answer.leak_attributable_m3_per_s,
        motor_efficiency=0.999,
        hours=8400.0,
        price_per_kwh=0.10,
    )
    assert loss.attributable_energy_kwh / 1e3 == pytest.approx(92.0, abs=1.0)
    assert loss.marginal_energy_kwh < loss.attributable_energy_kwh


def test_af_fw_2v_still_protects_with_six_per_cent_to_spare() -> None:
    margin = capacity_margin(
        50.3 / M3_H, expanded_uncertainty_m3_per_s=0.02 * 50.3 / M3_H, required_m3_per_s=46.5 / M3_H
    )
    assert margin == pytest.approx(0.06, abs=0.001)


def test_sm_pr_2v_margin_after_the_impeller_was_trimmed() -> None:
    margin = 133.1 / 121.3 - 1.0
    assert capacity_margin(
        133.1 / M3_H, expanded_uncertainty_m3_per_s=1e-9, required_m3_per_s=121.3 / M3_H
    ) == pytest.approx(margin, abs=1e-6)
    assert margin == pytest.approx(0.098, abs=0.001)


def test_nh_dh_pair_pushes_the_weaker_pump_shut_below_311_m3_h() -> None:
    pump = DEMO_PUMPS["NH-DH"]
    answer = pump_pair_interaction(
        pump.curve(points=400),
        pump.curve(points=400, head_share=0.98),
        weaker_bypass_flow_m3_per_s=0.0,
    )
    assert answer.limit_flow_m3_per_s * M3_H == pytest.approx(311.0, abs=1.0)
    assert answer.share_of_best_flow == pytest.approx(0.36, abs=0.005)
    assert answer.head_difference_share == pytest.approx(0.02)


@pytest.mark.parametrize(("difference", "low", "high"), [(0.02, 0.33, 0.365), (0.04, 0.465, 0.515)])
@pytest.mark.parametrize("k0", [1.18, 1.22])
def test_strong_and_weak_pair_shares(difference: float, low: float, high: float, k0: float) -> None:
    code = {1.18: "NH-DH", 1.22: "AF-FW"}[k0]
    pump = DEMO_PUMPS[code]
    answer = pump_pair_interaction(
        pump.curve(points=400),
        pump.curve(points=400, head_share=1.0 - difference),
        weaker_bypass_flow_m3_per_s=0.0,
    )
    assert low <= answer.share_of_best_flow <= high


def instruments(**there: float | None) -> Instruments:
    nothing: dict[str, float | None] = {
        "u_meter_share": None,
        "u_clamp_on_share": None,
        "u_vessel_level_share": None,
        "u_kv_share": None,
        "u_pressure_drop_share": None,
        "u_density_share": None,
        "u_shaft_power_share": None,
        "u_rise_k": None,
        "u_head_share": None,
    }
    return Instruments(**{**nothing, **there}, kv_is_under_test=True)


def test_nh_dh_bypass_flow_from_temperatures_is_refused() -> None:
    pump = DEMO_PUMPS["NH-DH"]
    with pytest.raises(NoSolution, match=r"0\.39 K, and 0\.2 K error is 52 %"):
        choose_flow_method(
            pump.curve(),
            WATER,
            flow_m3_per_s=pump.design_m3_h / M3_H,
            inlet_temperature_degc=pump.inlet_degc,
            inlet_pa_abs=pump.inlet_pa_abs,
            instruments=instruments(u_shaft_power_share=0.02, u_rise_k=0.2, u_head_share=0.01),
        )


def test_only_three_groups_allow_a_heat_balance() -> None:
    able = []
    for code, pump in DEMO_PUMPS.items():
        judged = judge_flow_methods(
            pump.curve(),
            pump.liquid,
            flow_m3_per_s=pump.design_m3_h / M3_H,
            inlet_temperature_degc=pump.inlet_degc,
            inlet_pa_abs=pump.inlet_pa_abs,
            instruments=instruments(u_shaft_power_share=0.02, u_rise_k=0.2, u_head_share=0.01),
        )
        if any(method.method == "energy balance" and method.able for method in judged):
            able.append(code)
    assert able == ["NH-FW", "SM-HP", "AF-FW"]


def test_head_never_gives_the_bypass_flow_of_any_group() -> None:
    """1 % of head is 19 to 54 % of flow near shut-off, so the method is refused everywhere."""
    for pump in DEMO_PUMPS.values():
        judged = judge_flow_methods(
            pump.curve(),
            pump.liquid,
            flow_m3_per_s=pump.design_m3_h / M3_H,
            inlet_temperature_degc=pump.inlet_degc,
            inlet_pa_abs=pump.inlet_pa_abs,
            instruments=instruments(u_head_share=0.01),
        )
        head = next(method for method in judged if method.method == "head on the curve")
        assert not head.able


def test_scenario_bypasses_are_not_choked_at_full_recovery() -> None:
    """FL 0.9 would call the feed pump bypass choked, FL near 1 of six stages does not."""
    answer = rises(DEMO_PUMPS["AF-FW"], 51.0)
    state = {
        "inlet_pa_abs": answer.outlet_pa_abs,
        "outlet_pa_abs": 4.7e5 + ATMOSPHERE_PA,
        "vapour_pressure_pa_abs": WATER.vapour_pressure(143.0),
        "critical_pressure_pa_abs": CRITICAL,
    }
    assert is_choked(**state, recovery_factor=0.9)
    assert not is_choked(**state, recovery_factor=1.0)
