"""Flow through an orifice plate by ISO 5167-2, as the fluids library computes it."""

from math import pi

from valvecare.engineering import plausible
from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.engineering.flow_methods import FlowEstimate
from valvecare.engineering.uncertainty import combined_uncertainty

_SMALLEST_PIPE_M = 0.05
_LOWEST_REYNOLDS = 5000.0
TAPS = ("corner", "flange", "D and D/2")


def orifice_expansibility(
    *,
    pipe_bore_m: float,
    orifice_bore_m: float,
    upstream_pa_abs: float,
    downstream_pa_abs: float,
    isentropic_exponent: float,
) -> float:
    """Expansibility factor of an orifice plate in a gas, dimensionless; 1 for a liquid.

    Parameters
    ----------
    pipe_bore_m, orifice_bore_m : m; ratio 0.10 to 0.75, pipe at least 0.05 m
    upstream_pa_abs, downstream_pa_abs : Pa absolute; ratio at least 0.75
    isentropic_exponent : above 1, at most 2

    Returns
    -------
    Dimensionless, at most 1.

    Raises
    ------
    OutOfRange : an input missing or outside the standard

    Assumptions
    -----------
    Gas. Kept to check the library against the published figure.

    Source
    ------
    ISO 5167-2, as carried by the fluids library's tests (a library test): 0.9974739.

    Examples
    --------
    >>> round(orifice_expansibility(pipe_bore_m=0.0739, orifice_bore_m=0.0222,
    ...     upstream_pa_abs=100e3, downstream_pa_abs=99e3, isentropic_exponent=1.4), 6)
    0.997474
    """
    from fluids.flow_meter import orifice_expansibility as expansibility

    pipe, bore = _bores(pipe_bore_m, orifice_bore_m)
    before = plausible.PRESSURE_ABS.check("upstream_pa_abs", upstream_pa_abs)
    after = require_between(
        "downstream_pa_abs", downstream_pa_abs, at_least=0.75 * before, at_most=before
    )
    exponent = require_between("isentropic_exponent", isentropic_exponent, above=1.0, at_most=2.0)
    return float(expansibility(D=pipe, Do=bore, P1=before, P2=after, k=exponent))


def orifice_mass_flow(
    pressure_difference_pa: float,
    *,
    pipe_bore_m: float,
    orifice_bore_m: float,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
    taps: str,
) -> float:
    """Mass flow of a liquid through an orifice plate, kg/s.

    Parameters
    ----------
    pressure_difference_pa : Pa between the taps, above 0
    pipe_bore_m, orifice_bore_m : m; ratio 0.10 to 0.75, pipe at least 0.05 m
    density_kg_per_m3, viscosity_pa_s : of the liquid
    taps : ``corner``, ``flange`` or ``D and D/2``

    Returns
    -------
    kg/s.

    Raises
    ------
    OutOfRange : an input missing or outside ISO 5167-2, Reynolds number below 5000 included

    Assumptions
    -----------
    Installation as the standard asks: straight lengths, sharp edge, full pipe.

    Source
    ------
    ISO 5167-2, Reader-Harris/Gallagher equation, by the fluids library; 7.2703 kg/s checked by
    writing the equation out.

    Examples
    --------
    >>> round(orifice_mass_flow(25e3, pipe_bore_m=0.0779, orifice_bore_m=0.045,
    ...     density_kg_per_m3=998.2, viscosity_pa_s=0.001002, taps="D and D/2"), 3)
    7.27
    """
    from fluids.flow_meter import differential_pressure_meter_solver

    difference = plausible.Window("Pa, not mbar", above=0.0, at_most=1e6).check(
        "pressure_difference_pa", pressure_difference_pa
    )
    pipe, bore = _bores(pipe_bore_m, orifice_bore_m)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    viscosity = plausible.VISCOSITY.check("viscosity_pa_s", viscosity_pa_s)
    if taps not in TAPS:
        raise OutOfRange("taps", taps, f"one of {', '.join(TAPS)}")
    base = 1e7 + difference  # a liquid: only the difference matters, the factor is 1
    flow = float(
        differential_pressure_meter_solver(
            D=pipe,
            D2=bore,
            P1=base,
            P2=base - difference,
            rho=density,
            mu=viscosity,
            k=1e9,
            meter_type="ISO 5167 orifice",
            taps=taps,
        )
    )
    reynolds = 4.0 * flow / (pi * pipe * viscosity)
    if reynolds < _LOWEST_REYNOLDS:
        raise OutOfRange(
            "pressure_difference_pa",
            difference,
            f"such that the Reynolds number reaches {_LOWEST_REYNOLDS:g}",
            f"it is {reynolds:.0f}, outside ISO 5167-2",
        )
    return flow


def flow_from_orifice(
    pressure_difference_pa: float,
    *,
    pipe_bore_m: float,
    orifice_bore_m: float,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
    taps: str,
    u_pressure_difference_pa: float,
    u_pipe_bore_m: float,
    u_orifice_bore_m: float,
    u_density_kg_per_m3: float,
) -> FlowEstimate:
    """Volume flow of a liquid through an orifice plate, with its uncertainty.

    Parameters
    ----------
    pressure_difference_pa, pipe_bore_m, orifice_bore_m, density_kg_per_m3, viscosity_pa_s, taps :
        see `orifice_mass_flow`
    u_pressure_difference_pa, u_pipe_bore_m, u_orifice_bore_m, u_density_kg_per_m3 : standard
        uncertainties, above 0

    Returns
    -------
    FlowEstimate; the discharge coefficient carries the uncertainty the standard states.

    Raises
    ------
    OutOfRange : an input missing or outside ISO 5167-2

    Assumptions
    -----------
    Installation as the standard asks.

    Source
    ------
    ISO 5167-1 uncertainty equation and ISO 5167-2 uncertainty of the coefficient: 0.7 - beta,
    0.5, 1.667 beta - 0.5 per cent, k = 2 (from memory).

    Examples
    --------
    >>> answer = flow_from_orifice(25e3, pipe_bore_m=0.0779, orifice_bore_m=0.045,
    ...     density_kg_per_m3=998.2, viscosity_pa_s=0.001002, taps="D and D/2",
    ...     u_pressure_difference_pa=125.0, u_pipe_bore_m=1.5e-4, u_orifice_bore_m=1.5e-5,
    ...     u_density_kg_per_m3=1.0)
    >>> round(3600 * answer.flow_m3_per_s, 2), round(100 * answer.relative_uncertainty, 2)
    (26.22, 0.37)
    """
    mass = orifice_mass_flow(
        pressure_difference_pa,
        pipe_bore_m=pipe_bore_m,
        orifice_bore_m=orifice_bore_m,
        density_kg_per_m3=density_kg_per_m3,
        viscosity_pa_s=viscosity_pa_s,
        taps=taps,
    )
    flow = mass / density_kg_per_m3
    beta = orifice_bore_m / pipe_bore_m
    if beta < 0.2:
        percent = 0.7 - beta
    elif beta <= 0.6:
        percent = 0.5
    else:
        percent = 1.667 * beta - 0.5
    factor = 2.0 / (1.0 - beta**4)
    shares = (
        ("discharge coefficient", percent / 200.0),
        (
            "pressure difference",
            plausible.uncertainty(
                "u_pressure_difference_pa", u_pressure_difference_pa, of=pressure_difference_pa
            )
            / (2.0 * pressure_difference_pa),
        ),
        (
            "pipe bore",
            factor
            * beta**4
            * plausible.uncertainty("u_pipe_bore_m", u_pipe_bore_m, of=pipe_bore_m)
            / pipe_bore_m,
        ),
        (
            "orifice bore",
            factor
            * plausible.uncertainty("u_orifice_bore_m", u_orifice_bore_m, of=orifice_bore_m)
            / orifice_bore_m,
        ),
        (
            "density",
            plausible.uncertainty("u_density_kg_per_m3", u_density_kg_per_m3, of=density_kg_per_m3)
            / (2.0 * density_kg_per_m3),
        ),
    )
    return FlowEstimate(
        "orifice",
        flow,
        flow * combined_uncertainty([share for _, share in shares]),
        tuple((name, flow * share) for name, share in shares),
        True,
        (f"diameter ratio {beta:.3f}",),
    )


def _bores(pipe_bore_m: float, orifice_bore_m: float) -> tuple[float, float]:
    pipe = require_between(
        "pipe_bore_m", pipe_bore_m, at_least=_SMALLEST_PIPE_M, at_most=1.0, why="ISO 5167-2, m"
    )
    bore = require_between(
        "orifice_bore_m",
        orifice_bore_m,
        at_least=max(0.0125, 0.10 * pipe),
        at_most=0.75 * pipe,
        why="ISO 5167-2: at least 12.5 mm, diameter ratio 0.10 to 0.75",
    )
    return pipe, bore
