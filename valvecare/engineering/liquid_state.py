"""The state of a liquid at one temperature and pressure, in one record."""

from dataclasses import dataclass

from valvecare.engineering.liquids import Liquid


@dataclass(frozen=True)
class LiquidState:
    """Properties of a liquid at one state; each field carries its unit."""

    density_kg_per_m3: float
    specific_heat_j_per_kg_k: float
    enthalpy_j_per_kg: float
    viscosity_pa_s: float
    vapour_pressure_pa_abs: float
    boiling_temperature_degc: float
    liquid: str
    source: str


def liquid_state(liquid: Liquid, *, temperature_degc: float, pressure_pa_abs: float) -> LiquidState:
    """Return the properties of a liquid at one temperature and pressure.

    Parameters
    ----------
    liquid : water or a table liquid
    temperature_degc : degC, inside the range of the liquid
    pressure_pa_abs : Pa absolute, at or above the vapour pressure at that temperature

    Returns
    -------
    LiquidState

    Raises
    ------
    OutOfRange : an input missing, not finite or outside the liquid's range; not a liquid there

    Assumptions
    -----------
    Those of the liquid's own formulation.

    Source
    ------
    The liquid's source; water: IAPWS R7-97(2012) and R12-08.

    Examples
    --------
    IAPWS R7-97(2012) table 5: specific volume 0.00100215168 m3/kg at 300 K and 3 MPa:

    >>> from valvecare.engineering.liquids import WATER
    >>> state = liquid_state(WATER, temperature_degc=26.85, pressure_pa_abs=3e6)
    >>> round(1 / state.density_kg_per_m3, 11), round(state.specific_heat_j_per_kg_k, 2)
    (0.00100215168, 4173.01)
    """
    return LiquidState(
        density_kg_per_m3=liquid.density(temperature_degc, pressure_pa_abs),
        specific_heat_j_per_kg_k=liquid.specific_heat(temperature_degc, pressure_pa_abs),
        enthalpy_j_per_kg=liquid.enthalpy(temperature_degc, pressure_pa_abs),
        viscosity_pa_s=liquid.viscosity(temperature_degc, pressure_pa_abs),
        vapour_pressure_pa_abs=liquid.vapour_pressure(temperature_degc),
        boiling_temperature_degc=liquid.saturation_temperature(pressure_pa_abs),
        liquid=liquid.name,
        source=liquid.source,
    )
