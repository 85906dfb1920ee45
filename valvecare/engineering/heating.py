"""What happens without through-flow: heating at shut-off, time to boil, return to the suction."""

from dataclasses import dataclass

from valvecare.engineering import plausible
from valvecare.engineering.errors import NoSolution, OutOfRange, require_between
from valvecare.engineering.liquids import Liquid


def shutoff_heating_rate(
    shaft_power_w: float, *, liquid_mass_kg: float, specific_heat_j_per_kg_k: float
) -> float:
    """Heating rate of the trapped liquid, K/s, when a pump turns with no flow.

    Parameters
    ----------
    shaft_power_w : W at the shaft at zero flow
    liquid_mass_kg : kg of liquid in the casing
    specific_heat_j_per_kg_k : J/(kg K)

    Returns
    -------
    K/s: ``P(0)/(m cp)``.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    All the power heats the liquid; metal and heat loss left out (fastest, safe side).

    Source
    ------
    Ludwig, Applied Process Design, vol. 1, 3rd ed., p. 208: 42.4 BHP/(W cp) degF/min (seen);
    100 hp on 500 lb of water: 8.48 degF/min (inputs ours).

    Examples
    --------
    >>> rate = shutoff_heating_rate(74570.0, liquid_mass_kg=226.796,
    ...     specific_heat_j_per_kg_k=4186.8)
    >>> round(rate * 60.0 * 1.8, 2)
    8.48
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    mass = plausible.MASS.check("liquid_mass_kg", liquid_mass_kg)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    return power / (mass * heat)


@dataclass(frozen=True)
class TimeToBoil:
    """How long a pump may turn with no flow before its liquid boils, in seconds."""

    liquid_only_s: float
    with_metal_s: float
    heating_rate_k_per_s: float
    start_temperature_degc: float
    boiling_temperature_degc: float
    shaft_power_w: float
    liquid_mass_kg: float
    metal_mass_kg: float
    assumptions: tuple[str, ...]


def time_to_boil(
    liquid: Liquid,
    *,
    shaft_power_w: float,
    liquid_mass_kg: float,
    metal_mass_kg: float,
    metal_specific_heat_j_per_kg_k: float,
    start_temperature_degc: float,
    inlet_pa_abs: float,
) -> TimeToBoil:
    """Time from start to boiling at zero flow, without and with the metal taking its share.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    shaft_power_w : W at the shaft at zero flow, for this liquid
    liquid_mass_kg : kg of liquid in the casing
    metal_mass_kg : kg of metal heated with it, at least 0
    metal_specific_heat_j_per_kg_k : J/(kg K), 100 to 1500; steel about 480 (from memory)
    start_temperature_degc, inlet_pa_abs : degC and Pa absolute at the inlet before the start

    Returns
    -------
    TimeToBoil; the time without metal is the one to act on.

    Raises
    ------
    OutOfRange : an input missing or insane; the liquid is not liquid at the start

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    First law; property data as the liquid states.

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> answer = time_to_boil(WATER, shaft_power_w=74570.0, liquid_mass_kg=226.796,
    ...     metal_mass_kg=0.0, metal_specific_heat_j_per_kg_k=480.0,
    ...     start_temperature_degc=20.0, inlet_pa_abs=101325.0)
    >>> round(answer.liquid_only_s / 60.0, 1)
    17.0
    """
    power = plausible.POWER.check("shaft_power_w", shaft_power_w)
    mass = plausible.MASS.check("liquid_mass_kg", liquid_mass_kg)
    metal = plausible.MASS_OR_ZERO.check("metal_mass_kg", metal_mass_kg)
    metal_heat = require_between(
        "metal_specific_heat_j_per_kg_k",
        metal_specific_heat_j_per_kg_k,
        at_least=100.0,
        at_most=1500.0,
        why="J/(kg K) of a metal",
    )
    start = plausible.TEMPERATURE.check("start_temperature_degc", start_temperature_degc)
    pressure = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    before = liquid.enthalpy(start, pressure)
    boiling = liquid.saturation_temperature(pressure)
    needed = mass * (liquid.enthalpy(boiling, pressure) - before)
    return TimeToBoil(
        liquid_only_s=needed / power,
        with_metal_s=(needed + metal * metal_heat * (boiling - start)) / power,
        heating_rate_k_per_s=power / (mass * liquid.specific_heat(start, pressure)),
        start_temperature_degc=start,
        boiling_temperature_degc=boiling,
        shaft_power_w=power,
        liquid_mass_kg=mass,
        metal_mass_kg=metal,
        assumptions=(
            "no flow at all, no leakage through the pump",
            "boiling at the inlet pressure",
            "power stays at its value at zero flow",
            "liquid and metal each at one temperature, no heat lost",
        ),
    )


def suction_return_inlet_rise(rise_per_pass_k: float, bypass_share: float) -> float:
    """Steady rise of the pump inlet, K, when the bypass returns to the suction pipe.

    Parameters
    ----------
    rise_per_pass_k : K of one whole pass, pump and throttle, above 0
    bypass_share : bypass flow over pump flow, at least 0 and below 1

    Returns
    -------
    K above the temperature of the fresh suction flow: ``dT r/(1 - r)``.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : all the flow returns to the suction: there is no steady state

    Assumptions
    -----------
    Perfect mixing before the impeller; no heat lost.

    Source
    ------
    Steady mixing balance (computed, no publication).

    Examples
    --------
    >>> suction_return_inlet_rise(3.0, 0.5)
    3.0
    """
    rise = plausible.RISE.check("rise_per_pass_k", rise_per_pass_k)
    share = require_between("bypass_share", bypass_share, at_least=0.0, at_most=1.0)
    if share == 1.0:
        raise NoSolution(
            "no steady state when all flow returns to the suction: the loop heats at the rate of "
            "shaft power over its heat capacity; lead the bypass to a vessel or limit the time"
        )
    answer = rise * share / (1.0 - share)
    if answer > 150.0:
        raise OutOfRange("bypass_share", share, "small enough for a rise below 150 K")
    return answer
