"""Liquids: IF97 against a second library, guards where the package has none, user tables."""

from dataclasses import replace
from math import nan

import pytest

from tests.engineering.demo_pumps import SEA_WATER
from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.liquids import WATER, TableLiquid

GRID = [
    (temperature, pressure)
    for temperature in (0.5, 5.0, 20.0, 60.0, 105.0, 150.0, 200.0, 300.0, 349.0)
    for pressure in (0.2e6, 1e6, 5e6, 20e6, 60e6, 99e6)
]


def liquid(temperature: float, pressure: float) -> bool:
    return pressure > WATER.vapour_pressure(temperature)


@pytest.mark.parametrize(("temperature", "pressure"), GRID)
def test_water_agrees_with_coolprop_if97(temperature: float, pressure: float) -> None:
    """Oracle: CoolProp's IF97 backend, another implementation of the same release."""
    coolprop = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is a test extra")
    if not liquid(temperature, pressure):
        with pytest.raises(OutOfRange, match="not liquid"):
            WATER.density(temperature, pressure)
        return
    kelvin = temperature + 273.15

    def oracle(what: str) -> float:
        return float(coolprop.PropsSI(what, "T", kelvin, "P", pressure, "IF97::Water"))

    assert WATER.density(temperature, pressure) == pytest.approx(oracle("D"), rel=1e-8)
    assert WATER.specific_heat(temperature, pressure) == pytest.approx(oracle("C"), rel=1e-8)
    assert WATER.enthalpy(temperature, pressure) == pytest.approx(oracle("H"), rel=1e-7, abs=1e-2)
    assert WATER.viscosity(temperature, pressure) == pytest.approx(oracle("V"), rel=1e-3)


@pytest.mark.parametrize("temperature", [1.0, 20.0, 100.0, 143.0, 200.0, 300.0, 349.9])
def test_saturation_agrees_with_coolprop_and_inverts(temperature: float) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is a test extra")
    pressure = WATER.vapour_pressure(temperature)
    oracle = float(coolprop.PropsSI("P", "T", temperature + 273.15, "Q", 0, "IF97::Water"))
    assert pressure == pytest.approx(oracle, rel=1e-8)
    assert WATER.saturation_temperature(pressure) == pytest.approx(temperature, abs=1e-6)


@pytest.mark.parametrize(("temperature", "pressure"), GRID)
def test_temperature_from_enthalpy_inverts_exactly(temperature: float, pressure: float) -> None:
    """Backward equations of IF97 carry up to 0.025 K; the inverse here must not."""
    if liquid(temperature, pressure) and temperature < 349.0:
        enthalpy = WATER.enthalpy(temperature, pressure)
        assert WATER.temperature_at_enthalpy(enthalpy, pressure) == pytest.approx(
            temperature, abs=1e-6
        )
        back = WATER.isentropic_temperature(
            WATER.isentropic_temperature(temperature, pressure, 99e6), 99e6, pressure
        )
        assert back == pytest.approx(temperature, abs=1e-6)


def test_saturated_liquid_itself_is_liquid() -> None:
    """Saturated liquid at 100 degC: 958.35 kg/m3 (steam tables, from memory)."""
    assert WATER.density(100.0, WATER.vapour_pressure(100.0)) == pytest.approx(958.35, abs=0.01)


@pytest.mark.parametrize(
    ("temperature", "pressure", "name"),
    [
        (160.0, 0.2e6, "pressure_pa_abs"),
        (0.0, 1e5, "temperature_degc"),
        (350.1, 90e6, "temperature_degc"),
        (20.0, 1.001e8, "pressure_pa_abs"),
        (20.0, 3.0, "pressure_pa_abs"),
        (20.0, -1e5, "pressure_pa_abs"),
        (nan, 1e5, "temperature_degc"),
        (20.0, nan, "pressure_pa_abs"),
        (None, 1e5, "temperature_degc"),
        (20.0, None, "pressure_pa_abs"),
        ("20", 1e5, "temperature_degc"),
    ],
)
@pytest.mark.parametrize("what", ["density", "specific_heat", "enthalpy", "viscosity"])
def test_no_state_outside_liquid_water_is_answered(
    what: str, temperature: float, pressure: float, name: str
) -> None:
    with pytest.raises(OutOfRange) as caught:
        getattr(WATER, what)(temperature, pressure)
    assert caught.value.name == name


def test_flashing_and_freezing_enthalpies_are_refused() -> None:
    with pytest.raises(OutOfRange, match="flash"):
        WATER.temperature_at_enthalpy(WATER.enthalpy(150.0, 1e6), 1e5)
    with pytest.raises(OutOfRange, match="ice"):
        WATER.temperature_at_enthalpy(-5e3, 1e5)
    with pytest.raises(OutOfRange):
        WATER.temperature_at_enthalpy(nan, 1e5)


def test_compression_beyond_the_formulation_is_refused() -> None:
    with pytest.raises(OutOfRange, match="end of the formulation"):
        WATER.isentropic_temperature(349.0, 20e6, 99e6)


def brine(**changes: object) -> TableLiquid:
    table = {
        "name": "brine",
        "source": "invented",
        "temperatures_degc": (0.0, 20.0, 60.0),
        "densities_kg_per_m3": (1110.0, 1100.0, 1070.0),
        "specific_heats_j_per_kg_k": (3500.0, 3520.0, 3560.0),
        "vapour_pressures_pa_abs": (500.0, 2000.0, 17000.0),
        "viscosities_pa_s": (0.002, 0.0014, 0.0008),
        "critical_pressure_pa_abs": None,
    }
    return TableLiquid(**{**table, **changes})  # type: ignore[arg-type]


def test_a_table_is_linear_between_its_points() -> None:
    liquid = brine()
    assert liquid.density(40.0, 1e6) == pytest.approx(1085.0)
    assert liquid.specific_heat(10.0, 1e6) == pytest.approx(3510.0)
    assert liquid.viscosity(20.0, 1e6) == pytest.approx(0.0014)
    assert liquid.vapour_pressure(40.0) == pytest.approx(9500.0)
    assert liquid.saturation_temperature(9500.0) == pytest.approx(40.0)


@pytest.mark.parametrize("temperature", [0.0, 7.0, 20.0, 41.0, 60.0])
@pytest.mark.parametrize("pressure", [1e5, 2e7])
def test_a_table_inverts_its_enthalpy(temperature: float, pressure: float) -> None:
    liquid = brine()
    enthalpy = liquid.enthalpy(temperature, pressure)
    assert liquid.temperature_at_enthalpy(enthalpy, pressure) == pytest.approx(
        temperature, abs=1e-6
    )


def test_a_table_of_water_behaves_like_water() -> None:
    """Compression and throttling of a table made from IF97 follow IF97 within 3 %."""
    points = tuple(float(t) for t in range(10, 91, 5))
    table = TableLiquid(
        "water as a table",
        "IF97",
        points,
        tuple(WATER.density(t, 1e6) for t in points),
        tuple(WATER.specific_heat(t, 1e6) for t in points),
        tuple(WATER.vapour_pressure(t) for t in points),
        None,
        WATER.critical_pressure_pa_abs,
    )
    assert table.isentropic_temperature(60.0, 1e6, 11e6) - 60.0 == pytest.approx(
        WATER.isentropic_temperature(60.0, 1e6, 11e6) - 60.0, rel=0.03
    )
    throttled = table.temperature_at_enthalpy(table.enthalpy(60.0, 11e6), 1e6) - 60.0
    exact = WATER.temperature_at_enthalpy(WATER.enthalpy(60.0, 11e6), 1e6) - 60.0
    assert throttled == pytest.approx(exact, rel=0.03)
    with pytest.raises(OutOfRange, match="viscosities_pa_s"):
        table.viscosity(60.0, 1e6)


def test_vapour_pressure_on_the_chord_is_on_the_safe_side() -> None:
    for temperature in (10.0, 33.0, 50.0, 75.0):
        assert SEA_WATER.vapour_pressure(temperature) >= 0.999 * WATER.vapour_pressure(temperature)


@pytest.mark.parametrize(
    ("temperature", "pressure", "words"),
    [(-1.0, 1e6, "extend"), (61.0, 1e6, "extend"), (60.0, 16e3, "not liquid"), (20.0, None, "giv")],
)
def test_a_table_is_refused_outside_itself(temperature: float, pressure: float, words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        brine().density(temperature, pressure)


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"source": ""}, OutOfRange),
        ({"name": None}, OutOfRange),
        ({"temperatures_degc": (0.0, 20.0, 20.0)}, OutOfRange),
        ({"temperatures_degc": None}, OutOfRange),
        ({"temperatures_degc": 20.0}, OutOfRange),
        ({"densities_kg_per_m3": (1110.0, 1100.0)}, NotEnoughData),
        ({"densities_kg_per_m3": (1.11, 1.1, 1.07)}, OutOfRange),
        ({"specific_heats_j_per_kg_k": (3.5, 3.52, 3.56)}, OutOfRange),
        ({"specific_heats_j_per_kg_k": (3500.0, nan, 3560.0)}, OutOfRange),
        ({"vapour_pressures_pa_abs": (2000.0, 500.0, 17000.0)}, OutOfRange),
        ({"viscosities_pa_s": (2.0, 1.4, None)}, OutOfRange),
        ({"critical_pressure_pa_abs": 22.0}, OutOfRange),
    ],
)
def test_an_insane_table_is_refused(changes: dict[str, object], error: type[Exception]) -> None:
    with pytest.raises(error):
        brine(**changes)


def test_one_point_is_no_table() -> None:
    with pytest.raises(NotEnoughData):
        brine(
            temperatures_degc=(0.0,),
            densities_kg_per_m3=(1000.0,),
            specific_heats_j_per_kg_k=(4200.0,),
            vapour_pressures_pa_abs=(600.0,),
            viscosities_pa_s=None,
        )


def test_a_table_is_frozen_and_comparable() -> None:
    assert brine() == brine()
    assert replace(brine(), source="another") != brine()
