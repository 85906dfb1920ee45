"""Suction side, heating at shut-off, throttling and pairs of pumps: limits and second forms."""

import pytest

from tests.engineering.demo_pumps import DEMO_PUMPS
from tests.engineering.test_curves import sample
from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.heating import (
    shutoff_heating_rate,
    suction_return_inlet_rise,
    time_to_boil,
)
from valvecare.engineering.liquids import WATER
from valvecare.engineering.parallel_pumps import pump_pair_interaction
from valvecare.engineering.pump_energy import pump_efficiency_from_pressures
from valvecare.engineering.suction import (
    allowed_rise,
    allowed_rise_npsh,
    allowed_rise_to_vaporisation,
    npsh_at_rise,
    npsh_available,
)
from valvecare.engineering.thermal import (
    isentropic_temperature_rise,
    outlet_temperature,
    return_line_rise,
    temperature_rise_from_power,
    temperature_rises,
    throttle_outlet_temperature,
)

STATE = {"inlet_temperature_degc": 105.0, "inlet_pa_abs": 0.22e6}


def test_npsh_route_and_saturation_route_agree() -> None:
    """Vapour pressure raised by the NPSH available, read back as temperature."""
    rise = allowed_rise_to_vaporisation(
        WATER, inlet_temperature_degc=105.0, inlet_pa_abs=0.16e6, margin_pa=0.0
    )
    assert npsh_at_rise(
        WATER,
        inlet_temperature_degc=105.0,
        inlet_pa_abs=0.16e6,
        rise_k=rise,
        inlet_velocity_m_per_s=0.0,
    ) == pytest.approx(0.0, abs=1e-6)


def test_velocity_head_alone_never_lifts_the_limit_above_boiling() -> None:
    assert allowed_rise_npsh(
        WATER, **STATE, inlet_velocity_m_per_s=15.0, npsh_required_m=4.0, margin_m=1.0
    ) == pytest.approx(allowed_rise_to_vaporisation(WATER, **STATE, margin_pa=0.0))


def test_the_smallest_limit_governs_and_all_are_shown() -> None:
    answer = allowed_rise(
        WATER,
        **STATE,
        stated_rise_k=12.0,
        vapour_margin_pa=0.0,
        inlet_velocity_m_per_s=0.0,
        npsh_required_m=4.0,
        npsh_margin_m=1.0,
    )
    assert answer.governs == "npsh"
    assert answer.rise_k == pytest.approx(10.792, abs=0.001)
    assert [name for name, _ in answer.limits_k] == ["stated", "vapour", "npsh"]


def test_half_an_npsh_record_is_refused() -> None:
    with pytest.raises(OutOfRange, match="given"):
        allowed_rise(
            WATER,
            **STATE,
            stated_rise_k=8.0,
            vapour_margin_pa=0.0,
            inlet_velocity_m_per_s=None,
            npsh_required_m=4.0,
            npsh_margin_m=1.0,
        )


def test_no_rise_at_all_is_a_refusal() -> None:
    with pytest.raises(NoSolution, match="no rise is allowed"):
        allowed_rise_npsh(
            WATER, **STATE, inlet_velocity_m_per_s=0.0, npsh_required_m=15.0, margin_m=1.0
        )
    with pytest.raises(OutOfRange, match="would boil"):
        npsh_available(
            1.2e5,
            vapour_pressure_pa_abs=1.3e5,
            static_head_m=9.0,
            friction_head_m=0.8,
            density_kg_per_m3=955.0,
        )


def test_all_flow_back_to_the_suction_has_no_steady_state() -> None:
    with pytest.raises(NoSolution, match="no steady state"):
        suction_return_inlet_rise(3.0, 1.0)
    assert suction_return_inlet_rise(3.0, 0.75) == pytest.approx(9.0)
    with pytest.raises(OutOfRange, match="bypass_share"):
        suction_return_inlet_rise(3.0, 0.999)
    with pytest.raises(OutOfRange, match="bypass_share"):
        suction_return_inlet_rise(3.0, 1.01)


@pytest.mark.parametrize(
    ("code", "volume_m3", "metal_kg", "water_min", "metal_min"),
    [
        ("NH-DH", 0.1891, 1116.1, 8.0, 13.5),
        ("NH-BC", 0.0841, 505.9, 8.3, 14.3),
        ("NH-FW", 0.0762, 885.7, 0.5, 1.2),
        ("NH-MU", 0.0145, 166.0, 10.7, 24.8),
        ("SM-PR", 0.1050, 626.8, 8.0, 13.5),
        ("AF-FW", 0.1169, 1609.0, 0.3, 0.8),
        ("AF-CR", 0.0215, 229.7, 1.5, 3.4),
        ("AF-SH", 0.0484, 518.3, 3.7, 8.3),
        ("AF-PW", 0.1401, 783.7, 12.0, 19.7),
    ],
)
def test_time_to_boil_of_the_demo_pumps(
    code: str, volume_m3: float, metal_kg: float, water_min: float, metal_min: float
) -> None:
    """Volumes and masses are those of the invented register; the minutes from rounded kW."""
    pump = DEMO_PUMPS[code]
    answer = time_to_boil(
        WATER,
        shaft_power_w=pump.curve().shutoff_power(),
        liquid_mass_kg=volume_m3 * WATER.density(pump.inlet_degc, pump.inlet_pa_abs),
        metal_mass_kg=metal_kg,
        metal_specific_heat_j_per_kg_k=480.0,
        start_temperature_degc=pump.inlet_degc,
        inlet_pa_abs=pump.inlet_pa_abs,
    )
    assert answer.liquid_only_s / 60.0 == pytest.approx(water_min, rel=0.04, abs=0.06)
    assert answer.with_metal_s / 60.0 == pytest.approx(metal_min, rel=0.04, abs=0.06)
    rate = shutoff_heating_rate(
        pump.curve().shutoff_power(),
        liquid_mass_kg=answer.liquid_mass_kg,
        specific_heat_j_per_kg_k=WATER.specific_heat(pump.inlet_degc, pump.inlet_pa_abs),
    )
    simple = (answer.boiling_temperature_degc - pump.inlet_degc) / rate
    assert answer.liquid_only_s == pytest.approx(simple, rel=0.03)


def test_exact_enthalpy_form_agrees_with_losses_plus_compression() -> None:
    """150 degC, 0.8 to 20 MPa, efficiency 0.78: 3.44 K of which 2.06 K is compression."""
    compression = isentropic_temperature_rise(
        WATER, inlet_temperature_degc=150.0, inlet_pa_abs=0.8e6, outlet_pa_abs=20e6
    )
    exact = outlet_temperature(
        WATER,
        inlet_temperature_degc=150.0,
        inlet_pa_abs=0.8e6,
        outlet_pa_abs=20e6,
        efficiency=0.78,
    )
    assert compression == pytest.approx(2.06, abs=0.005)
    assert exact - 150.0 == pytest.approx(3.44, abs=0.005)


def test_throttled_back_to_suction_the_whole_power_is_heat() -> None:
    """Outlet rise plus throttle rise equals g H/(eta cp) within 2 % (properties vary a little)."""
    rises = temperature_rises(
        sample(), WATER, flow_m3_per_s=0.01, inlet_temperature_degc=60.0, inlet_pa_abs=0.3e6
    )
    back = throttle_outlet_temperature(
        WATER,
        inlet_temperature_degc=60.0 + rises.outlet_rise_k,
        inlet_pa_abs=rises.outlet_pa_abs,
        outlet_pa_abs=0.3e6,
    )
    assert back - 60.0 == pytest.approx(rises.return_rise_k, rel=0.02)
    assert rises.return_rise_k == pytest.approx(
        return_line_rise(
            rises.head_m, rises.efficiency, specific_heat_j_per_kg_k=rises.specific_heat_j_per_kg_k
        )
    )


def test_flashing_behind_the_throttle_is_refused() -> None:
    with pytest.raises(OutOfRange, match="flash"):
        throttle_outlet_temperature(
            WATER, inlet_temperature_degc=150.0, inlet_pa_abs=5e6, outlet_pa_abs=0.2e6
        )
    with pytest.raises(OutOfRange, match="outlet_pa_abs"):
        throttle_outlet_temperature(
            WATER, inlet_temperature_degc=20.0, inlet_pa_abs=1e5, outlet_pa_abs=2e5
        )


def test_a_pass_that_would_boil_is_no_number() -> None:
    with pytest.raises(NoSolution, match="beyond what can be computed as liquid"):
        temperature_rises(
            sample(), WATER, flow_m3_per_s=1e-4, inlet_temperature_degc=60.0, inlet_pa_abs=0.3e6
        )


def test_a_pump_cannot_give_more_than_it_gets() -> None:
    with pytest.raises(OutOfRange, match="cannot give more"):
        temperature_rise_from_power(
            100e3,
            flow_m3_per_s=0.05,
            head_m=300.0,
            density_kg_per_m3=998.0,
            specific_heat_j_per_kg_k=4180.0,
        )
    with pytest.raises(OutOfRange, match="1 or more"):
        pump_efficiency_from_pressures(1e3, flow_m3_per_s=0.05, inlet_pa_abs=1e5, outlet_pa_abs=3e5)


def test_pair_of_pumps_the_other_way_round_is_refused() -> None:
    pump = DEMO_PUMPS["NH-DH"]
    strong, weak = pump.curve(), pump.curve(head_share=0.98)
    with pytest.raises(NoSolution, match="exchange them"):
        pump_pair_interaction(weak, strong, weaker_bypass_flow_m3_per_s=0.0)


def test_drooping_curve_takes_the_larger_flow() -> None:
    """The sample curve gives 1252 m at 8 and at 32 m3/h: pushed shut up to 32."""
    flat = sample(heads_m=(1252.0, 1240.0, 1220.0, 1190.0, 1110.0, 990.0, 820.0))
    with_droop = sample(heads_m=(1251.0, 1255.0, 1250.0, 1215.0, 1140.0, 1020.0, 850.0))
    answer = pump_pair_interaction(with_droop, flat, weaker_bypass_flow_m3_per_s=0.0)
    assert answer.limit_flow_m3_per_s * 3600.0 == pytest.approx(32.0)


def test_weaker_pump_on_its_bypass_is_pushed_shut_longer() -> None:
    pump = DEMO_PUMPS["NH-DH"]
    strong, weak = pump.curve(), pump.curve(head_share=0.98)
    shut = pump_pair_interaction(strong, weak, weaker_bypass_flow_m3_per_s=0.0)
    flowing = pump_pair_interaction(strong, weak, weaker_bypass_flow_m3_per_s=237.0 / 3600.0)
    assert flowing.limit_flow_m3_per_s > shut.limit_flow_m3_per_s
    hopeless = pump_pair_interaction(
        strong, pump.curve(head_share=0.5), weaker_bypass_flow_m3_per_s=0.0
    )
    assert hopeless.whole_curve
