"""Units: exact published factors, kinds that never mix, and refusals."""

import math
import subprocess
import sys

import pint
import pytest

from valvecare.engineering import units
from valvecare.engineering.errors import OutOfRange

_REGISTRY = pint.UnitRegistry()
_PINT_NAMES = {
    "m3/s": "m**3/s",
    "m3/h": "m**3/hour",
    "L/s": "liter/s",
    "L/min": "liter/min",
    "gal_us/min": "gallon/min",
    "rpm": "1/min",
    "1/s": "1/s",
    "psi": "psi",
    "hp": "horsepower",
    "Btu/(lb degF)": "Btu_it/lb/delta_degF",
    "J/(kg K)": "J/kg/K",
    "kJ/(kg K)": "kJ/kg/K",
    "Pa s": "Pa*s",
    "mPa s": "mPa*s",
    "uPa s": "uPa*s",
    "d": "day",
    "1": "",
    "%": "percent",
    "t": "metric_ton",
    "t/h": "metric_ton/hour",
    "kg/h": "kg/hour",
    "h": "hour",
    "K/min": "K/min",
    "degF/min": "delta_degF/min",
    "kg/m3": "kg/m**3",
    "kg/L": "kg/liter",
    "m3": "m**3",
    "mm3": "mm**3",
    "mm3/s": "mm**3/s",
    "mL": "milliliter",
    "mL/min": "milliliter/min",
    "L/h": "liter/hour",
    "m2": "m**2",
    "cm2": "cm**2",
    "mm2": "mm**2",
    "in": "inch",
    "N m": "N*m",
    "lbf ft": "lbf*ft",
    "W/(m K)": "W/m/K",
    "W/(m2 K)": "W/m**2/K",
    "1/h": "1/hour",
    "m/h": "m/hour",
    "mm/(1000 h)": "mm/kilohour",
    "L": "liter",
    "gal_us": "gallon",
}


@pytest.mark.parametrize(
    ("kind", "unit"), [(kind, unit) for kind, table in units.UNITS.items() for unit in table]
)
def test_every_factor_agrees_with_pint(kind: str, unit: str) -> None:
    """Oracle: pint's unit registry, a general-purpose library."""
    base = units.base_unit(kind)
    if kind == "temperature":
        expected = _REGISTRY.Quantity(37.0, unit).to("degC").magnitude
    elif kind == "temperature_difference":
        names = {"K": "K", "degC": "delta_degC", "degF": "delta_degF"}
        expected = _REGISTRY.Quantity(37.0, names[unit]).to("delta_degC").magnitude
    else:
        source = _REGISTRY.Quantity(37.0, _REGISTRY.parse_units(_PINT_NAMES.get(unit, unit)))
        expected = source.to(_REGISTRY.parse_units(_PINT_NAMES.get(base, base))).magnitude
    assert units.to_si(kind, unit, 37.0) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("kind", "unit"), [(kind, unit) for kind, table in units.UNITS.items() for unit in table]
)
def test_there_and_back_is_the_same_value(kind: str, unit: str) -> None:
    assert units.from_si(kind, unit, units.to_si(kind, unit, 12.5)) == pytest.approx(
        12.5, rel=1e-12
    )


@pytest.mark.parametrize(
    ("kind", "unit", "code"),
    [
        ("volume_flow", "[gal_us]/min", "gal_us/min"),
        ("temperature", "Cel", "degC"),
        ("rotational_speed", "/min", "rpm"),
        ("pressure_gauge", "bar_g", "bar"),
        ("pressure_absolute", "psia", "psi"),
    ],
)
def test_other_spellings_mean_the_same_unit(kind: str, unit: str, code: str) -> None:
    assert units.factor_offset(kind, unit) == units.factor_offset(kind, code)


@pytest.mark.parametrize(
    ("kind", "unit", "words"),
    [
        ("pressure", "bar", "say gauge, absolute or difference"),
        ("pressure_gauge", "bar_a", "pressure_absolute, another kind"),
        ("pressure_absolute", "psig", "pressure_gauge, another kind"),
        ("volume_flow", "gpm", "gal_us/min"),
        ("volume_flow", "kg/s", "a unit of volume_flow"),
        ("temperature", "", "a unit of temperature"),
        ("temperature_difference", "Cel/h", "a unit of temperature_difference"),
        ("speed", "rpm", "one of"),
    ],
)
def test_unknown_kind_or_unit_is_refused(kind: str, unit: str, words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        units.factor_offset(kind, unit)


@pytest.mark.parametrize("unit", [None, 3, ["bar"]])
def test_unit_that_is_no_text_is_refused(unit: object) -> None:
    with pytest.raises(OutOfRange, match="unit is"):
        units.factor_offset("pressure_gauge", unit)  # type: ignore[arg-type]


@pytest.mark.parametrize("value", [None, math.nan, math.inf, True, "7"])
def test_value_that_is_no_finite_number_is_refused(value: object) -> None:
    with pytest.raises(OutOfRange, match="value is"):
        units.to_si("power", "kW", value)


def test_temperature_difference_has_no_offset() -> None:
    assert units.to_si("temperature_difference", "degF", 18.0) == pytest.approx(10.0)
    assert units.to_si("temperature", "degF", 18.0) == pytest.approx(-70.0 / 9.0)


def test_nothing_lies_below_absolute_zero_or_vacuum() -> None:
    assert units.to_si("temperature", "K", 0.0) == pytest.approx(-273.15)
    with pytest.raises(OutOfRange, match="absolute zero"):
        units.to_si("temperature", "K", -1.0)
    with pytest.raises(OutOfRange, match="negative"):
        units.to_si("pressure_absolute", "bar", -0.1)
    assert units.to_si("pressure_gauge", "bar", -0.1) == -10_000.0


@pytest.mark.parametrize("atmosphere", [None, math.nan, 0.0, 1.013, 101.325, -101_325.0])
def test_atmospheric_pressure_is_never_assumed(atmosphere: float) -> None:
    with pytest.raises(OutOfRange, match="atmospheric_pa_abs"):
        units.gauge_to_absolute(3e5, atmospheric_pa_abs=atmosphere)
    with pytest.raises(OutOfRange, match="atmospheric_pa_abs"):
        units.absolute_to_gauge(3e5, atmospheric_pa_abs=atmosphere)


def test_gauge_and_absolute_keep_their_floor() -> None:
    with pytest.raises(OutOfRange, match="vacuum"):
        units.gauge_to_absolute(-1.2e5, atmospheric_pa_abs=101_325.0)
    with pytest.raises(OutOfRange, match="at least 0"):
        units.absolute_to_gauge(-1.0, atmospheric_pa_abs=101_325.0)


def test_the_table_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        units.UNITS["power"]["kW"] = (1.0, 0.0)  # type: ignore[index]


def test_import_loads_neither_django_nor_numpy_nor_scipy() -> None:
    code = (
        "import sys, valvecare.engineering.units;"
        "print([m for m in ('django', 'numpy', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
