"""How much of hot water turns to steam when it is let out."""

from valvecare.engineering.errors import require_between
from valvecare.engineering.liquids import WATER


def flash_fraction(temperature_degc: float, *, pressure_pa_abs: float) -> float:
    """Share of saturated hot water, by mass, that becomes steam when let down to a pressure.

    Parameters
    ----------
    temperature_degc : temperature of the water, degC, 0.01 to 350
    pressure_pa_abs : pressure it is let out to, Pa absolute, 50e3 to 16.5e6

    Returns
    -------
    float : (h - h_liquid)/h_evaporation, 0 if the water stays below boiling

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Constant enthalpy; the water stood at its vapour pressure.

    Source
    ------
    IAPWS-IF97: (632.25 - 419.1)/2256.5 for 150 degC to 1.01325 bar.

    Examples
    --------
    >>> round(flash_fraction(150.0, pressure_pa_abs=101325.0), 4)
    0.0945
    """
    outside = require_between(
        "pressure_pa_abs", pressure_pa_abs, at_least=50e3, at_most=16.5e6, why="absolute, Pa"
    )
    inside = WATER.vapour_pressure(temperature_degc)
    if inside <= outside:
        return 0.0
    boiling = WATER.saturation_temperature(outside)
    spare = WATER.enthalpy(temperature_degc, inside) - WATER.enthalpy(boiling, outside)
    return spare / WATER.heat_of_vaporisation(outside)
