"""The one table of unit conversions. Used at the edges only; inside, every name carries its unit.

A conversion belongs to a *kind* of quantity. Gauge, absolute and differential pressure are three
kinds, a temperature and a temperature difference are two: a value never changes kind by accident.
`si = value * factor + offset` for every unit, so a whole column converts with one lookup.

Inside the library every base unit is SI, with two stated exceptions that the names carry:
temperature in degC and run time in hours.
"""

from types import MappingProxyType

from valvecare.engineering.errors import OutOfRange, require_number

STANDARD_ATMOSPHERE_PA_ABS = 101_325.0
"""Standard atmosphere, Pa (ISO 2533, from memory). A reference value, never assumed for a site."""

_FT = 0.3048
_PSI = 6894.757293168361
_GAL_US = 3.785411784e-3
_LB = 0.45359237
_LBF = 4.4482216152605
_HP = 745.6998715822702
_ZERO_DEGF_IN_DEGC = -160.0 / 9.0

# kind -> unit code -> (factor, offset). The first unit of each kind is the base unit.
# Factors: NIST SP 811 (2008) appendix B, exact definitions (from memory).
_TABLE: dict[str, dict[str, tuple[float, float]]] = {
    "volume_flow": {
        "m3/s": (1.0, 0.0),
        "m3/h": (1.0 / 3600.0, 0.0),
        "L/s": (1e-3, 0.0),
        "L/min": (1e-3 / 60.0, 0.0),
        "L/h": (1e-3 / 3600.0, 0.0),
        "mL/min": (1e-6 / 60.0, 0.0),
        "mm3/s": (1e-9, 0.0),
        "gal_us/min": (_GAL_US / 60.0, 0.0),
    },
    "mass_flow": {
        "kg/s": (1.0, 0.0),
        "kg/h": (1.0 / 3600.0, 0.0),
        "t/h": (1000.0 / 3600.0, 0.0),
    },
    "temperature": {
        "degC": (1.0, 0.0),
        "K": (1.0, -273.15),
        "degF": (5.0 / 9.0, _ZERO_DEGF_IN_DEGC),
    },
    "temperature_difference": {"K": (1.0, 0.0), "degC": (1.0, 0.0), "degF": (5.0 / 9.0, 0.0)},
    "temperature_rate": {
        "K/s": (1.0, 0.0),
        "K/min": (1.0 / 60.0, 0.0),
        "degF/min": (5.0 / 540.0, 0.0),
    },
    "temperature_per_pressure": {"K/Pa": (1.0, 0.0), "K/MPa": (1e-6, 0.0)},
    "power": {"W": (1.0, 0.0), "kW": (1000.0, 0.0), "hp": (_HP, 0.0)},
    "energy": {"J": (1.0, 0.0), "kWh": (3.6e6, 0.0), "MWh": (3.6e9, 0.0)},
    "length": {
        "m": (1.0, 0.0),
        "mm": (1e-3, 0.0),
        "um": (1e-6, 0.0),
        "ft": (_FT, 0.0),
        "in": (_FT / 12.0, 0.0),
    },
    "area": {"m2": (1.0, 0.0), "cm2": (1e-4, 0.0), "mm2": (1e-6, 0.0)},
    "volume": {
        "m3": (1.0, 0.0),
        "L": (1e-3, 0.0),
        "mL": (1e-6, 0.0),
        "mm3": (1e-9, 0.0),
        "gal_us": (_GAL_US, 0.0),
    },
    "velocity": {"m/s": (1.0, 0.0), "ft/s": (_FT, 0.0)},
    "force": {"N": (1.0, 0.0), "kN": (1e3, 0.0), "lbf": (_LBF, 0.0)},
    "torque": {"N m": (1.0, 0.0), "lbf ft": (_LBF * _FT, 0.0)},
    "stress": {"Pa": (1.0, 0.0), "MPa": (1e6, 0.0), "GPa": (1e9, 0.0), "psi": (_PSI, 0.0)},
    "spring_rate": {"N/m": (1.0, 0.0), "N/mm": (1e3, 0.0)},
    "duration": {"s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)},
    "heat_loss": {"W/(m K)": (1.0, 0.0)},
    "heat_transfer": {"W/(m2 K)": (1.0, 0.0)},
    "rate": {"1/h": (1.0, 0.0)},
    "wear_rate": {"m/h": (1.0, 0.0), "mm/(1000 h)": (1e-6, 0.0)},
    "angle": {"deg": (1.0, 0.0)},
    "mass": {"kg": (1.0, 0.0), "t": (1000.0, 0.0), "lb": (_LB, 0.0)},
    "run_time": {
        "h": (1.0, 0.0),
        "min": (1.0 / 60.0, 0.0),
        "s": (1.0 / 3600.0, 0.0),
        "d": (24.0, 0.0),
    },
    "count": {"1": (1.0, 0.0)},
    "share": {"1": (1.0, 0.0), "%": (0.01, 0.0)},
    "rotational_speed": {"1/s": (1.0, 0.0), "rpm": (1.0 / 60.0, 0.0)},
    "vibration_velocity": {"m/s": (1.0, 0.0), "mm/s": (1e-3, 0.0)},
    "level": {"m": (1.0, 0.0), "mm": (1e-3, 0.0), "ft": (_FT, 0.0)},
    "current": {"A": (1.0, 0.0)},
    "density": {"kg/m3": (1.0, 0.0), "kg/L": (1000.0, 0.0)},
    "specific_heat": {
        "J/(kg K)": (1.0, 0.0),
        "kJ/(kg K)": (1000.0, 0.0),
        "Btu/(lb degF)": (4186.8, 0.0),
    },
    "specific_energy": {"J/kg": (1.0, 0.0), "kJ/kg": (1000.0, 0.0)},
    "dynamic_viscosity": {"Pa s": (1.0, 0.0), "mPa s": (1e-3, 0.0), "uPa s": (1e-6, 0.0)},
}
_PRESSURE = {
    "Pa": (1.0, 0.0),
    "kPa": (1e3, 0.0),
    "bar": (1e5, 0.0),
    "MPa": (1e6, 0.0),
    "psi": (_PSI, 0.0),
    "mbar": (100.0, 0.0),
}
for _kind in ("pressure_gauge", "pressure_absolute", "pressure_difference"):
    _TABLE[_kind] = dict(_PRESSURE)

# Other spellings of the same unit: UCUM case-sensitive codes and the usual trade writing.
_ALIASES = MappingProxyType(
    {
        "m3.s-1": "m3/s",
        "m3.h-1": "m3/h",
        "m³/h": "m3/h",
        "m³/s": "m3/s",
        "l/s": "L/s",
        "l/min": "L/min",
        "[gal_us]/min": "gal_us/min",
        "Cel": "degC",
        "°C": "degC",
        "[degF]": "degF",
        "°F": "degF",
        "[psi]": "psi",
        "[HP]": "hp",
        "[ft_i]": "ft",
        "/min": "rpm",
        "/s": "1/s",
        "[lb_av]": "lb",
        "l": "L",
        "[gal_us]": "gal_us",
        "{count}": "1",
    }
)
# Pressure words that also say the kind: they pass only with that kind.
_PRESSURE_WORDS = MappingProxyType(
    {
        "bar_g": ("pressure_gauge", "bar"),
        "bar_a": ("pressure_absolute", "bar"),
        "kPa_g": ("pressure_gauge", "kPa"),
        "kPa_a": ("pressure_absolute", "kPa"),
        "MPa_g": ("pressure_gauge", "MPa"),
        "MPa_a": ("pressure_absolute", "MPa"),
        "psig": ("pressure_gauge", "psi"),
        "psia": ("pressure_absolute", "psi"),
    }
)
_REASONS = MappingProxyType(
    {
        "gpm": "gallons differ by country: write gal_us/min for US gallons",
        "gal": "gallons differ by country: write gal_us for US gallons",
        "atm": "write the pressure in bar and say gauge, absolute or difference by the kind",
    }
)

UNITS = MappingProxyType({kind: MappingProxyType(units) for kind, units in _TABLE.items()})
"""The whole table, read-only: kind -> unit code -> (factor, offset)."""


def base_unit(kind: str) -> str:
    """Return the unit that values of this kind have inside the library.

    Parameters
    ----------
    kind : one of the keys of `UNITS`

    Returns
    -------
    Unit code, for example ``m3/s``.

    Raises
    ------
    OutOfRange : the kind is not in the table

    Assumptions
    -----------
    SI, except degC for temperature and h for run time.

    Source
    ------
    The International System of Units (SI brochure), from memory.

    Examples
    --------
    >>> base_unit("volume_flow"), base_unit("temperature"), base_unit("run_time")
    ('m3/s', 'degC', 'h')
    """
    return next(iter(_units_of(kind)))


def factor_offset(kind: str, unit: str) -> tuple[float, float]:
    """Return (factor, offset) such that ``base = value * factor + offset``, for whole columns.

    Parameters
    ----------
    kind : kind of quantity, one of the keys of `UNITS`
    unit : unit code of the table, its UCUM code or a listed other spelling

    Returns
    -------
    Pair of floats; the offset is 0 for every kind but temperature.

    Raises
    ------
    OutOfRange : unknown kind, or a unit that is not known for this kind

    Assumptions
    -----------
    None.

    Source
    ------
    NIST SP 811 (2008) appendix B.8, from memory.

    Examples
    --------
    >>> factor_offset("pressure_gauge", "bar")
    (100000.0, 0.0)
    >>> factor_offset("pressure_gauge", "bar_a")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    valvecare.engineering.errors.OutOfRange: unit is 'bar_a'; it must be a unit of pressure_ga...
    """
    units = _units_of(kind)
    if not isinstance(unit, str):
        raise OutOfRange("unit", unit, f"a unit of {kind}: {', '.join(units)}")
    code = _ALIASES.get(unit, unit)
    why = ""
    if code in _PRESSURE_WORDS:
        word_kind, word_code = _PRESSURE_WORDS[code]
        if word_kind == kind:
            code = word_code
        else:
            why = f"{unit} is a unit of {word_kind}, another kind"
    if code not in units:
        raise OutOfRange(
            "unit", unit, f"a unit of {kind}: {', '.join(units)}", why or _REASONS.get(unit, "")
        )
    return units[code]


def to_si(kind: str, unit: str, value: object) -> float:
    """Convert one value to the base unit of its kind.

    Parameters
    ----------
    kind : kind of quantity, one of the keys of `UNITS`
    unit : unit the value is given in
    value : finite number in that unit

    Returns
    -------
    Value in `base_unit(kind)`.

    Raises
    ------
    OutOfRange : unknown kind or unit; value missing or not finite; absolute pressure or
        temperature below absolute zero

    Assumptions
    -----------
    None.

    Source
    ------
    NIST SP 811 (2008) appendix B.8, from memory.

    Examples
    --------
    140 degF is 60 degC, a rise of 15 degF is 8.33 K (the two must not be mixed):

    >>> round(to_si("temperature", "degF", 140.0), 6)
    60.0
    >>> round(to_si("temperature_difference", "degF", 15.0), 3)
    8.333
    """
    factor, offset = factor_offset(kind, unit)
    number = require_number("value", value)
    base = number * factor + offset
    if kind == "pressure_absolute" and base < 0.0:
        raise OutOfRange("value", number, "at least 0", "absolute pressure cannot be negative")
    if kind == "temperature" and base < -273.15 - 1e-9:
        raise OutOfRange("value", number, "at or above absolute zero")
    return base


def from_si(kind: str, unit: str, value: object) -> float:
    """Convert one value from the base unit of its kind to another unit, for display.

    Parameters
    ----------
    kind : kind of quantity, one of the keys of `UNITS`
    unit : unit wanted
    value : finite number in `base_unit(kind)`

    Returns
    -------
    Value in `unit`.

    Raises
    ------
    OutOfRange : unknown kind or unit; value missing or not finite

    Assumptions
    -----------
    None.

    Source
    ------
    NIST SP 811 (2008) appendix B.8, from memory.

    Examples
    --------
    >>> round(from_si("volume_flow", "m3/h", 0.025), 9)
    90.0
    """
    factor, offset = factor_offset(kind, unit)
    return (require_number("value", value) - offset) / factor


def convert(value: object, *, kind: str, from_unit: str, to_unit: str) -> float:
    """Convert one value between two units of the same kind.

    Parameters
    ----------
    value : finite number in `from_unit`
    kind : kind of quantity, one of the keys of `UNITS`
    from_unit, to_unit : units of that kind

    Returns
    -------
    Value in `to_unit`.

    Raises
    ------
    OutOfRange : unknown kind or unit; value missing or not finite

    Assumptions
    -----------
    None: kinds never mix, so gauge to absolute is `gauge_to_absolute`, never this.

    Source
    ------
    NIST SP 811 (2008) appendix B.8, from memory.

    Examples
    --------
    >>> round(convert(400.0, kind="volume_flow", from_unit="gal_us/min", to_unit="m3/h"), 3)
    90.85
    """
    return from_si(kind, to_unit, to_si(kind, from_unit, value))


def gauge_to_absolute(pressure_pa_gauge: float, *, atmospheric_pa_abs: float) -> float:
    """Return absolute pressure in Pa from gauge pressure and the stated atmospheric pressure.

    Parameters
    ----------
    pressure_pa_gauge : Pa gauge; may be negative (suction below atmosphere)
    atmospheric_pa_abs : Pa absolute, 50 kPa to 110 kPa; stated for the site, never assumed

    Returns
    -------
    Pa absolute.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range; result below 0

    Assumptions
    -----------
    The gauge is vented to the same atmosphere.

    Source
    ------
    Definition.

    Examples
    --------
    >>> gauge_to_absolute(300000.0, atmospheric_pa_abs=101325.0)
    401325.0
    """
    gauge = require_number("pressure_pa_gauge", pressure_pa_gauge)
    absolute = gauge + _atmosphere(atmospheric_pa_abs)
    if absolute < 0.0:
        raise OutOfRange(
            "pressure_pa_gauge", gauge, "above minus the atmospheric pressure", "below vacuum"
        )
    return absolute


def absolute_to_gauge(pressure_pa_abs: float, *, atmospheric_pa_abs: float) -> float:
    """Return gauge pressure in Pa from absolute pressure and the stated atmospheric pressure.

    Parameters
    ----------
    pressure_pa_abs : Pa absolute, at least 0
    atmospheric_pa_abs : Pa absolute, 50 kPa to 110 kPa; stated for the site, never assumed

    Returns
    -------
    Pa gauge.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    The gauge is vented to the same atmosphere.

    Source
    ------
    Definition.

    Examples
    --------
    >>> absolute_to_gauge(401325.0, atmospheric_pa_abs=101325.0)
    300000.0
    """
    absolute = require_number("pressure_pa_abs", pressure_pa_abs)
    if absolute < 0.0:
        raise OutOfRange("pressure_pa_abs", absolute, "at least 0")
    return absolute - _atmosphere(atmospheric_pa_abs)


def _units_of(kind: str) -> dict[str, tuple[float, float]]:
    if not isinstance(kind, str) or kind not in _TABLE:
        why = "say gauge, absolute or difference" if kind == "pressure" else ""
        raise OutOfRange("kind", kind, f"one of {', '.join(sorted(_TABLE))}", why)
    return _TABLE[kind]


def _atmosphere(atmospheric_pa_abs: float) -> float:
    atmosphere = require_number("atmospheric_pa_abs", atmospheric_pa_abs)
    if not 50_000.0 <= atmosphere <= 110_000.0:
        raise OutOfRange(
            "atmospheric_pa_abs",
            atmosphere,
            "at least 50000 and at most 110000",
            "the atmosphere of the site in Pa",
        )
    return atmosphere
