"""Is a shut bypass really shut? Read from how its return line cools.

A line behind a tight valve cools as exp(-t/tau). A line kept warmer than that is fed by a leak.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import exp, hypot, log, pi, sqrt

from valvecare.engineering import plausible
from valvecare.engineering.errors import OutOfRange, require_between

STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.670374419e-8
"""Stefan-Boltzmann constant, SI 2019 (from memory)."""
SMALLEST_DIFFERENCE_K = 15.0
"""Below this difference between liquid and surroundings a cooling curve is not judged (own rule,
common practice)."""
_ZERO_K = 273.15
_G = 9.80665


class PassingVerdict(StrEnum):
    """What a cooling curve says about a bypass that should be shut."""

    PASSING = "passing"
    SHUT = "shut"
    NOT_JUDGEABLE = "not judgeable"


def shut_line_fraction(hours: float, *, time_constant_h: float) -> float:
    """Remaining share of the starting temperature difference of a line behind a tight valve.

    Parameters
    ----------
    hours : h since the bypass shut, at least 0, at most one year
    time_constant_h : h, from `pipe_time_constant` or a recorded cooling curve

    Returns
    -------
    ``exp(-t/tau)``, 0 to 1.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Constant ambient temperature and heat loss coefficient; no flow; no conduction along the pipe
    (ignore the first 10 diameters, common practice).

    Source
    ------
    Exponential cooling of a lumped mass, heat-transfer textbooks (form from memory).

    Examples
    --------
    >>> round(shut_line_fraction(9.0, time_constant_h=15.6), 2)
    0.56
    """
    time = plausible.Window("h", at_least=0.0, at_most=8_784.0).check("hours", hours)
    tau = plausible.TIME_CONSTANT.check("time_constant_h", time_constant_h)
    return exp(-time / tau)


def pipe_time_constant(
    *,
    bore_m: float,
    wall_m: float,
    liquid_density_kg_per_m3: float,
    liquid_specific_heat_j_per_kg_k: float,
    metal_density_kg_per_m3: float,
    metal_specific_heat_j_per_kg_k: float,
    heat_loss_w_per_m_k: float,
) -> float:
    """Time constant of a full pipe cooling to its surroundings, h.

    Parameters
    ----------
    bore_m, wall_m : m
    liquid_density_kg_per_m3, liquid_specific_heat_j_per_kg_k : of the trapped liquid
    metal_density_kg_per_m3 : 1000 to 20000; steel about 7850 (from memory)
    metal_specific_heat_j_per_kg_k : 100 to 1500; steel about 480 (from memory)
    heat_loss_w_per_m_k : W/(m K) of pipe length, bare or insulated

    Returns
    -------
    h: heat capacity of liquid and metal per metre over the heat loss coefficient.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Liquid and metal at one temperature; heat capacity of the insulation left out.

    Source
    ------
    Lumped heat balance, textbook form; bare DN50 in still air about 1.6 h (own calculation).

    Examples
    --------
    >>> round(pipe_time_constant(bore_m=0.0525, wall_m=0.0039, liquid_density_kg_per_m3=960.0,
    ...     liquid_specific_heat_j_per_kg_k=4210.0, metal_density_kg_per_m3=7850.0,
    ...     metal_specific_heat_j_per_kg_k=480.0, heat_loss_w_per_m_k=1.89), 1)
    1.7
    """
    bore = plausible.BORE.check("bore_m", bore_m)
    wall = require_between("wall_m", wall_m, above=0.0, at_most=0.2, why="m, not mm")
    density = plausible.DENSITY.check("liquid_density_kg_per_m3", liquid_density_kg_per_m3)
    heat = plausible.SPECIFIC_HEAT.check(
        "liquid_specific_heat_j_per_kg_k", liquid_specific_heat_j_per_kg_k
    )
    metal = require_between(
        "metal_density_kg_per_m3", metal_density_kg_per_m3, at_least=1000.0, at_most=20_000.0
    )
    metal_heat = require_between(
        "metal_specific_heat_j_per_kg_k",
        metal_specific_heat_j_per_kg_k,
        at_least=100.0,
        at_most=1500.0,
    )
    loss = plausible.HEAT_LOSS.check("heat_loss_w_per_m_k", heat_loss_w_per_m_k)
    liquid_part = 0.25 * pi * bore**2 * density * heat
    metal_part = pi * (bore + wall) * wall * metal * metal_heat
    return (liquid_part + metal_part) / loss / 3600.0


def insulated_pipe_heat_loss(
    *,
    outside_diameter_m: float,
    insulation_m: float,
    insulation_conductivity_w_per_m_k: float,
    surface_coefficient_w_per_m2_k: float,
) -> float:
    """Heat loss coefficient of a pipe per metre, W/(m K); insulation 0 is a bare pipe.

    Parameters
    ----------
    outside_diameter_m : m of the bare pipe
    insulation_m : m of insulation, at least 0, at most 0.5
    insulation_conductivity_w_per_m_k : W/(m K), 0.01 to 2
    surface_coefficient_w_per_m2_k : W/(m2 K) to the air, radiation included, 1 to 200

    Returns
    -------
    W/(m K) of length between liquid and air.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Pipe wall at liquid temperature; dry insulation; 20 to 30 % uncertainty (common practice).

    Source
    ------
    Radial conduction in a cylinder, textbook form; bare DN50 at 10 W/(m2 K): 1.89 W/(m K) (own
    calculation).

    Examples
    --------
    >>> round(insulated_pipe_heat_loss(outside_diameter_m=0.0603, insulation_m=0.0,
    ...     insulation_conductivity_w_per_m_k=0.04, surface_coefficient_w_per_m2_k=10.0), 2)
    1.89
    """
    diameter = plausible.BORE.check("outside_diameter_m", outside_diameter_m)
    thickness = require_between(
        "insulation_m", insulation_m, at_least=0.0, at_most=0.5, why="m, not mm"
    )
    conductivity = require_between(
        "insulation_conductivity_w_per_m_k",
        insulation_conductivity_w_per_m_k,
        at_least=0.01,
        at_most=2.0,
    )
    surface = require_between(
        "surface_coefficient_w_per_m2_k",
        surface_coefficient_w_per_m2_k,
        at_least=1.0,
        at_most=200.0,
    )
    outer = diameter + 2.0 * thickness
    resistance = log(outer / diameter) / (2.0 * pi * conductivity) + 1.0 / (pi * outer * surface)
    return 1.0 / resistance


def bare_pipe_convection(
    *,
    outside_diameter_m: float,
    length_m: float,
    wall_temperature_degc: float,
    ambient_temperature_degc: float,
    air_kinematic_viscosity_m2_per_s: float,
    air_conductivity_w_per_m_k: float,
    air_prandtl: float,
) -> float:
    """Heat lost by free convection from a horizontal bare pipe, W.

    Parameters
    ----------
    outside_diameter_m, length_m : m
    wall_temperature_degc, ambient_temperature_degc : degC, wall above ambient
    air_kinematic_viscosity_m2_per_s, air_conductivity_w_per_m_k, air_prandtl : of the air at the
        mean of the two temperatures

    Returns
    -------
    W: Nu = 0.53 (Gr Pr)^0.25 on the outside diameter.

    Raises
    ------
    OutOfRange : an input missing or insane; Gr Pr outside 1e4 to 1e9

    Assumptions
    -----------
    Still air, no radiation (see `pipe_radiation`).

    Source
    ------
    msubbu.in, heat loss by convection to air (seen): 100 mm, 4 m, 170 and 30 degC: 1419.8 W.

    Examples
    --------
    >>> round(bare_pipe_convection(outside_diameter_m=0.1, length_m=4.0,
    ...     wall_temperature_degc=170.0, ambient_temperature_degc=30.0,
    ...     air_kinematic_viscosity_m2_per_s=2.313e-5, air_conductivity_w_per_m_k=0.0325,
    ...     air_prandtl=0.7))
    1419
    """
    diameter = plausible.BORE.check("outside_diameter_m", outside_diameter_m)
    length = plausible.LENGTH.check("length_m", length_m)
    ambient = plausible.AMBIENT.check("ambient_temperature_degc", ambient_temperature_degc)
    wall = require_between(
        "wall_temperature_degc", wall_temperature_degc, above=ambient, at_most=600.0
    )
    viscosity = require_between(
        "air_kinematic_viscosity_m2_per_s",
        air_kinematic_viscosity_m2_per_s,
        at_least=1e-6,
        at_most=1e-3,
    )
    conductivity = require_between(
        "air_conductivity_w_per_m_k", air_conductivity_w_per_m_k, at_least=0.01, at_most=0.1
    )
    prandtl = require_between("air_prandtl", air_prandtl, at_least=0.5, at_most=1.0)
    expansion = 1.0 / (0.5 * (wall + ambient) + _ZERO_K)
    grashof = _G * expansion * (wall - ambient) * diameter**3 / viscosity**2
    rayleigh = require_between(
        "Grashof times Prandtl", grashof * prandtl, at_least=1e4, at_most=1e9, why="the correlation"
    )
    coefficient = 0.53 * sqrt(sqrt(rayleigh)) * conductivity / diameter
    return coefficient * pi * diameter * length * (wall - ambient)


def pipe_radiation(
    *,
    outside_diameter_m: float,
    length_m: float,
    emissivity: float,
    surface_temperature_degc: float,
    ambient_temperature_degc: float,
) -> float:
    """Heat lost by radiation from a pipe to large surroundings, W.

    Parameters
    ----------
    outside_diameter_m, length_m : m
    emissivity : above 0, at most 1
    surface_temperature_degc, ambient_temperature_degc : degC, surface not below ambient

    Returns
    -------
    W: ``eps sigma (Ts^4 - Ta^4) pi D L``.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Grey surface, large surroundings at ambient temperature.

    Source
    ------
    Stefan-Boltzmann law; Incropera and DeWitt, horizontal steam pipe example, 0.1 m, 438 and
    296 K, emissivity 0.85: 441 W/m (from memory; 441.6 recomputed, agrees within 1 W/m).

    Examples
    --------
    >>> round(pipe_radiation(outside_diameter_m=0.1, length_m=1.0, emissivity=0.85,
    ...     surface_temperature_degc=164.85, ambient_temperature_degc=22.85), -1)
    440.0
    """
    diameter = plausible.BORE.check("outside_diameter_m", outside_diameter_m)
    length = plausible.LENGTH.check("length_m", length_m)
    share = require_between("emissivity", emissivity, above=0.0, at_most=1.0)
    ambient = plausible.AMBIENT.check("ambient_temperature_degc", ambient_temperature_degc)
    surface = require_between(
        "surface_temperature_degc", surface_temperature_degc, at_least=ambient, at_most=600.0
    )
    difference = (surface + _ZERO_K) ** 4 - (ambient + _ZERO_K) ** 4
    return share * STEFAN_BOLTZMANN_W_PER_M2_K4 * difference * pi * diameter * length


def leak_from_cooling(
    *,
    heat_loss_w_per_m_k: float,
    length_m: float,
    start_temperature_degc: float,
    end_temperature_degc: float,
    ambient_temperature_degc: float,
    specific_heat_j_per_kg_k: float,
) -> float:
    """Steady leak through a shut valve, kg/s, from the cooling along the line behind it.

    Parameters
    ----------
    heat_loss_w_per_m_k : W/(m K) of pipe length
    length_m : m between the two thermometers
    start_temperature_degc, end_temperature_degc : degC of the liquid, start above end
    ambient_temperature_degc : degC, below the end temperature
    specific_heat_j_per_kg_k : J/(kg K)

    Returns
    -------
    kg/s: ``m = U L/(cp ln((T1 - Ta)/(T2 - Ta)))``.

    Raises
    ------
    OutOfRange : an input missing or insane; not T1 > T2 > Ta

    Assumptions
    -----------
    Single phase, steady over hours, ambient constant; 20 to 30 % uncertainty of U (common
    practice).

    Source
    ------
    Exponential cooling along a pipe, textbook form; 59.193 kg/h by formula and by marching.

    Examples
    --------
    >>> round(3600 * leak_from_cooling(heat_loss_w_per_m_k=3.2, length_m=12.0,
    ...     start_temperature_degc=148.0, end_temperature_degc=96.0,
    ...     ambient_temperature_degc=25.0, specific_heat_j_per_kg_k=4250.0), 3)
    59.193
    """
    loss = plausible.HEAT_LOSS.check("heat_loss_w_per_m_k", heat_loss_w_per_m_k)
    length = plausible.LENGTH.check("length_m", length_m)
    ambient = plausible.AMBIENT.check("ambient_temperature_degc", ambient_temperature_degc)
    start = plausible.TEMPERATURE.check("start_temperature_degc", start_temperature_degc)
    end = plausible.TEMPERATURE.check("end_temperature_degc", end_temperature_degc)
    heat = plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    if not ambient < end < start:
        raise OutOfRange(
            "end_temperature_degc",
            end,
            f"above ambient {ambient:g} and below the start {start:g}",
            "a leak cools along the line but never below ambient",
        )
    return loss * length / (heat * log((start - ambient) / (end - ambient)))


@dataclass(frozen=True)
class PassingJudgement:
    """Verdict on a bypass that should be shut, from one temperature of its return line."""

    verdict: PassingVerdict
    observed_fraction: float
    shut_fraction: float
    shut_fraction_slow: float
    threshold_fraction: float
    shut_temperature_degc: float
    shut_temperature_slow_degc: float
    steady_leak_kg_per_s: float | None
    smallest_visible_leak_kg_per_s: float | None
    words: str
    assumptions: tuple[str, ...]


def judge_passing(
    *,
    line_temperature_degc: float,
    source_temperature_degc: float,
    ambient_temperature_degc: float,
    hours_since_shut: float,
    time_constant_h: float,
    time_constant_uncertainty_share: float,
    u_temperature_k: float,
    heat_loss_w_per_m_k: float,
    length_m: float,
    specific_heat_j_per_kg_k: float,
) -> PassingJudgement:
    """Judge whether a shut bypass passes, from the temperature of its line and the time it had.

    Parameters
    ----------
    line_temperature_degc : degC of the line, measured at `length_m` from the valve
    source_temperature_degc : degC of the liquid at the valve; also what the line started from
    ambient_temperature_degc : degC
    hours_since_shut : h since the last low flow, at least 0
    time_constant_h : h, of a tight line
    time_constant_uncertainty_share : relative uncertainty of it, for example 0.3
    u_temperature_k : standard uncertainty of the line temperature, above 0
    heat_loss_w_per_m_k, length_m, specific_heat_j_per_kg_k : see `leak_from_cooling`

    Returns
    -------
    PassingJudgement: passing when the observed fraction lies above the tight line's fraction plus
    three uncertainties; not judgeable below 15 K difference, or while no reading could show it.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    Listed in the result. A passing bypass is a loss, not a loss of protection.

    Source
    ------
    Exponential cooling, textbook form; limits are own rules (common practice).

    Examples
    --------
    >>> answer = judge_passing(line_temperature_degc=139.0, source_temperature_degc=143.0,
    ...     ambient_temperature_degc=22.0, hours_since_shut=9.0, time_constant_h=15.6,
    ...     time_constant_uncertainty_share=0.3, u_temperature_k=1.0, heat_loss_w_per_m_k=0.336,
    ...     length_m=10.0, specific_heat_j_per_kg_k=4290.0)
    >>> answer.verdict, round(answer.shut_fraction, 2), round(answer.shut_fraction_slow, 2)
    (<PassingVerdict.PASSING: 'passing'>, 0.56, 0.64)
    """
    line = plausible.TEMPERATURE.check("line_temperature_degc", line_temperature_degc)
    source = plausible.TEMPERATURE.check("source_temperature_degc", source_temperature_degc)
    ambient = plausible.AMBIENT.check("ambient_temperature_degc", ambient_temperature_degc)
    share = require_between(
        "time_constant_uncertainty_share",
        time_constant_uncertainty_share,
        above=0.0,
        below=1.0,
        why="a share, not per cent",
    )
    u_line = plausible.uncertainty("u_temperature_k", u_temperature_k, of=50.0)
    shut = shut_line_fraction(hours_since_shut, time_constant_h=time_constant_h)
    plausible.HEAT_LOSS.check("heat_loss_w_per_m_k", heat_loss_w_per_m_k)
    plausible.LENGTH.check("length_m", length_m)
    plausible.SPECIFIC_HEAT.check("specific_heat_j_per_kg_k", specific_heat_j_per_kg_k)
    span = source - ambient
    slow = exp(-hours_since_shut / (time_constant_h * (1.0 + share)))
    if span <= 0.0:
        observed, threshold = float(line > ambient), 1.0
    else:
        observed = (line - ambient) / span
        from_time = shut * hours_since_shut / time_constant_h * share
        threshold = shut + 3.0 * hypot(from_time, u_line / span)

    def leak(fraction: float) -> float | None:
        if not 0.0 < fraction < 1.0:
            return None
        return leak_from_cooling(
            heat_loss_w_per_m_k=heat_loss_w_per_m_k,
            length_m=length_m,
            start_temperature_degc=source,
            end_temperature_degc=ambient + fraction * span,
            ambient_temperature_degc=ambient,
            specific_heat_j_per_kg_k=specific_heat_j_per_kg_k,
        )

    steady = None
    if span <= SMALLEST_DIFFERENCE_K:
        verdict = PassingVerdict.NOT_JUDGEABLE
        words = (
            f"the liquid is only {span:.1f} K above ambient, more than "
            f"{SMALLEST_DIFFERENCE_K:g} K is needed"
        )
    elif threshold >= 1.0:
        verdict = PassingVerdict.NOT_JUDGEABLE
        words = (
            f"too early: after {hours_since_shut:g} h a tight line may still be this warm; wait "
            f"for about three time constants, {3.0 * time_constant_h:.0f} h"
        )
    elif observed > threshold:
        verdict = PassingVerdict.PASSING
        steady = leak(observed)
        words = (
            f"the line is at {observed:.2f} of the starting difference; a tight line would be at "
            f"{shut:.2f} and at most {threshold:.2f}"
        )
    else:
        verdict = PassingVerdict.SHUT
        words = (
            f"the line has cooled to {observed:.2f}, as a tight one does (up to {threshold:.2f})"
        )
    judgeable = verdict is not PassingVerdict.NOT_JUDGEABLE
    return PassingJudgement(
        verdict=verdict,
        observed_fraction=observed,
        shut_fraction=shut,
        shut_fraction_slow=slow,
        threshold_fraction=threshold,
        shut_temperature_degc=ambient + shut * span,
        shut_temperature_slow_degc=ambient + slow * span,
        steady_leak_kg_per_s=steady,
        smallest_visible_leak_kg_per_s=leak(threshold) if judgeable else None,
        words=words,
        assumptions=(
            "the line was at the source temperature when the bypass shut",
            "ambient temperature constant since then; probe insulated, beyond 10 diameters",
            "steady leak: single phase, no change for hours",
        ),
    )
