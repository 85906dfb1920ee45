"""Known misprints and popular slips: our answers must not match them.

Each row of the first test is a figure some public page prints, or a common wrong formula gives.
"""

import pytest

from valvecare.engineering.liquids import WATER
from valvecare.engineering.minimum_flow import handbook_minimum_flow
from valvecare.engineering.thermal import (
    outlet_temperature,
    pump_temperature_rise,
    return_line_rise,
    throttle_outlet_temperature,
)
from valvecare.engineering.units import from_si, to_si
from valvecare.engineering.valve_flow import flow_through_kv, kv_required


def handbook_gpm(power_hp: float, specific_heat: float, gravity: float) -> float:
    return from_si(
        "volume_flow",
        "gal_us/min",
        handbook_minimum_flow(
            to_si("power", "hp", power_hp),
            density_kg_per_m3=1000.0 * gravity,
            specific_heat_j_per_kg_k=to_si("specific_heat", "Btu/(lb degF)", specific_heat),
            allowed_rise_k=to_si("temperature_difference", "degF", 15.0),
        ),
    )


def test_product_instead_of_quotient_is_wrong() -> None:
    """A powder-process calculator page prints q = cp P sg / 2.95: more power-dense liquids would
    need more flow. The quotient falls with cp and sg."""
    ours = handbook_gpm(100.0, 0.5, 0.8)
    assert ours == pytest.approx(100.0 / (2.95 * 0.5 * 0.8), rel=2e-3)
    assert ours != pytest.approx(0.5 * 100.0 * 0.8 / 2.95, rel=0.5)


def test_american_constant_with_si_units_is_wrong() -> None:
    """The same page: 2.95 with kW and m3/h."""
    flow = handbook_minimum_flow(
        100e3, density_kg_per_m3=1000.0, specific_heat_j_per_kg_k=4186.8, allowed_rise_k=25.0 / 3.0
    )
    assert flow * 3600.0 == pytest.approx(10.3, abs=0.05)
    assert flow * 3600.0 != pytest.approx(100.0 / 2.95, rel=0.5)


def test_three_hundred_gpm_per_hundred_horsepower_is_a_misprint() -> None:
    """centrifugal-pump.org prints 300; the Pump Handbook (1976) figure is 30, within 13 %."""
    ours = handbook_gpm(100.0, 1.0, 1.0)
    assert ours == pytest.approx(30.0, rel=0.14)
    assert ours < 40.0


def test_rise_multiplies_where_one_page_divides() -> None:
    """centrifugal-pump.org prints H/(778 cp (1/eta - 1)); its own example needs the product."""
    ours = from_si(
        "temperature_difference",
        "degF",
        pump_temperature_rise(
            to_si("length", "ft", 5000.0),
            0.8,
            specific_heat_j_per_kg_k=4186.8,
            compression_rise_k=0.0,
        ),
    )
    assert ours == pytest.approx(1.6, abs=0.05)
    assert ours != pytest.approx(5000.0 / (778.0 * (1.0 / 0.8 - 1.0)), rel=0.5)


def test_water_at_seventy_fahrenheit_is_not_six_tenths_of_a_psi() -> None:
    """A pump book's water table prints 0.6331 psi; its own feet column (0.839 ft) means 0.363."""
    ours = from_si(
        "pressure_absolute", "psi", WATER.vapour_pressure(to_si("temperature", "degF", 70.0))
    )
    assert ours == pytest.approx(0.363, abs=0.001)
    assert ours != pytest.approx(0.6331, rel=0.3)


def test_return_line_uses_the_whole_power() -> None:
    """(1 - eta)/eta for liquid throttled back to suction pressure is a third too little at 0.25."""
    ours = return_line_rise(1200.0, 0.25, specific_heat_j_per_kg_k=4200.0)
    wrong = pump_temperature_rise(
        1200.0, 0.25, specific_heat_j_per_kg_k=4200.0, compression_rise_k=0.0
    )
    assert ours - wrong == pytest.approx(9.80665 * 1200.0 / 4200.0)
    assert ours > 1.3 * wrong


def test_compression_is_not_left_out_at_high_head() -> None:
    ours = (
        outlet_temperature(
            WATER,
            inlet_temperature_degc=150.0,
            inlet_pa_abs=0.8e6,
            outlet_pa_abs=20e6,
            efficiency=0.78,
        )
        - 150.0
    )
    head = 19.2e6 / (WATER.density(150.0, 0.8e6) * 9.80665)
    simple = pump_temperature_rise(
        head,
        0.78,
        specific_heat_j_per_kg_k=WATER.specific_heat(150.0, 0.8e6),
        compression_rise_k=0.0,
    )
    assert simple < 0.45 * ours


def test_throttled_cold_water_warms() -> None:
    assert (
        throttle_outlet_temperature(
            WATER, inlet_temperature_degc=20.0, inlet_pa_abs=10.1e6, outlet_pa_abs=0.1e6
        )
        > 22.0
    )


STATE = {
    "inlet_pa_abs": 12e6,
    "outlet_pa_abs": 0.6e6,
    "density_kg_per_m3": 920.0,
    "vapour_pressure_pa_abs": 0.4e6,
    "critical_pressure_pa_abs": 22.064e6,
    "recovery_factor": 0.9,
}


def test_choked_bypass_does_not_use_the_full_drop() -> None:
    full = 6.0 * (114.0 * 999.1 / 920.0) ** 0.5
    ours = flow_through_kv(6.0, **STATE) * 3600.0
    assert ours == pytest.approx(60.69, abs=0.01)
    assert ours < 0.95 * full


def test_kv_does_not_take_kilopascals_for_bar() -> None:
    kv = kv_required(60.69 / 3600.0, **STATE)
    assert kv == pytest.approx(6.0, rel=1e-3)
    assert kv != pytest.approx(0.6, rel=0.5)


@pytest.mark.parametrize(
    ("printed", "rise_degf"), [(3.93, 20.0), (2.95, 15.0), (1.96, 10.0), (1.00, 5.0)]
)
def test_handbook_constants_are_linear_in_the_rise(printed: float, rise_degf: float) -> None:
    """A pump handbook page prints 3.93, 2.95, 1.96, 1.00 for 20, 15, 10, 5 degF; linear would be
    0.98 for the last, which is 2 % off."""
    flow = handbook_minimum_flow(
        to_si("power", "hp", 100.0),
        density_kg_per_m3=1000.0,
        specific_heat_j_per_kg_k=4186.8,
        allowed_rise_k=to_si("temperature_difference", "degF", rise_degf),
    )
    gpm = from_si("volume_flow", "gal_us/min", flow)
    assert gpm == pytest.approx(100.0 / printed, rel=0.025)


def test_steam_is_never_called_liquid() -> None:
    """Three libraries answer 1.016 kg/m3 or 907.2 kg/m3 for 160 degC and 0.2 MPa."""
    with pytest.raises(ValueError, match="not liquid: pressure below vapour pressure"):
        WATER.density(160.0, 0.2e6)
