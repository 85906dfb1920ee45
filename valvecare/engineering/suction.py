"""The suction side: head from pressure, NPSH available, and the rise a pump may be allowed."""

from dataclasses import dataclass

from valvecare.engineering import plausible
from valvecare.engineering.curves import G_M_PER_S2
from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.liquids import Liquid


def head_from_pressure(pressure_pa: float, *, density_kg_per_m3: float) -> float:
    """Height of a column of liquid, m, that gives this pressure.

    Parameters
    ----------
    pressure_pa : Pa, absolute or difference as the caller means it, at least 0
    density_kg_per_m3 : kg/m3

    Returns
    -------
    m.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    Standard gravity, constant density.

    Source
    ------
    The Practical Pumping Handbook, section 4.4.2.5 (seen): 14.7 psi of liquid of specific gravity
    0.985 is 34.474 ft.

    Examples
    --------
    >>> round(head_from_pressure(14.7 * 6894.757, density_kg_per_m3=985.0) / 0.3048, 1)
    34.4
    """
    pressure = plausible.PRESSURE_DIFFERENCE.check("pressure_pa", pressure_pa)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    return pressure / (density * G_M_PER_S2)


def npsh_available(
    surface_pa_abs: float,
    *,
    vapour_pressure_pa_abs: float,
    static_head_m: float,
    friction_head_m: float,
    density_kg_per_m3: float,
) -> float:
    """Net positive suction head available, m, from the surface of the suction vessel.

    Parameters
    ----------
    surface_pa_abs : Pa absolute on the liquid surface
    vapour_pressure_pa_abs : Pa absolute at the pumping temperature
    static_head_m : m of the surface above the pump datum, negative for suction lift
    friction_head_m : m lost between surface and pump, at least 0
    density_kg_per_m3 : kg/m3 at the pumping temperature

    Returns
    -------
    m; may be negative, which means the pump cavitates.

    Raises
    ------
    OutOfRange : an input missing or insane; surface pressure below the vapour pressure

    Assumptions
    -----------
    Liquid at rest in the vessel, one temperature.

    Source
    ------
    Ludwig, Applied Process Design, vol. 1, 3rd ed., Example 3-9, p. 192: 13.07 ft (seen; the book
    uses 2.3 where 2.31 is exact).

    Examples
    --------
    >>> npsh_m = npsh_available(13.2 * 6894.757, vapour_pressure_pa_abs=11.5 * 6894.757,
    ...     static_head_m=3.048, friction_head_m=0.3048, density_kg_per_m3=963.0)
    >>> round(npsh_m / 0.3048, 1)
    13.1
    """
    surface = plausible.PRESSURE_ABS.check("surface_pa_abs", surface_pa_abs)
    boiling = plausible.VAPOUR_PRESSURE.check("vapour_pressure_pa_abs", vapour_pressure_pa_abs)
    static = plausible.STATIC_HEAD.check("static_head_m", static_head_m)
    friction = plausible.HEAD_OR_ZERO.check("friction_head_m", friction_head_m)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    if surface < boiling * (1.0 - 1e-3):
        raise OutOfRange(
            "surface_pa_abs",
            surface,
            f"at least the vapour pressure {boiling:g} Pa",
            "the vessel would boil; check gauge against absolute",
        )
    return (surface - boiling) / (density * G_M_PER_S2) + static - friction


def allowed_rise_to_vaporisation(
    liquid: Liquid, *, inlet_temperature_degc: float, inlet_pa_abs: float, margin_pa: float
) -> float:
    """Rise, K, that brings the liquid at the impeller inlet to boiling, less a margin.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet
    margin_pa : Pa kept above the vapour pressure, at least 0; a policy value, stated

    Returns
    -------
    K: ``Tsat(p_inlet - margin) - T1``.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the inlet is at or beyond boiling already, no rise is allowed

    Assumptions
    -----------
    Leakage from wear rings and balance device heats the inlet by at most this rise.

    Source
    ------
    Ludwig, Applied Process Design, vol. 1, 3rd ed., p. 208, method (seen; the book says its
    validity is not completely established); IAPWS R7-97(2012).

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(allowed_rise_to_vaporisation(WATER, inlet_temperature_degc=105.0,
    ...     inlet_pa_abs=0.16e6, margin_pa=0.0), 3)
    8.298
    """
    temperature = plausible.TEMPERATURE.check("inlet_temperature_degc", inlet_temperature_degc)
    pressure = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    margin = plausible.Window("Pa", at_least=0.0, at_most=1e7).check("margin_pa", margin_pa)
    if pressure - margin <= liquid.vapour_pressure(temperature):
        raise NoSolution(
            f"no rise is allowed: {pressure:.0f} Pa at the inlet less the margin {margin:.0f} Pa "
            f"is not above the vapour pressure {liquid.vapour_pressure(temperature):.0f} Pa"
        )
    return liquid.saturation_temperature(pressure - margin) - temperature


def npsh_at_rise(
    liquid: Liquid,
    *,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    rise_k: float,
    inlet_velocity_m_per_s: float,
) -> float:
    """NPSH left at the impeller inlet, m, after the liquid there has warmed by a rise.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet
    rise_k : K, at least 0
    inlet_velocity_m_per_s : m/s in the suction nozzle, at least 0

    Returns
    -------
    m: ``(p - pv(T1 + dT))/(rho g) + v^2/2g``, density at the raised temperature. Negative past
    boiling, where the density of the saturated liquid is used.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    The full rise is taken at the impeller inlet (safe side when leakage is not known).

    Source
    ------
    Definition of NPSH, ISO 17769-1 (from memory); IAPWS R7-97(2012).

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(npsh_at_rise(WATER, inlet_temperature_degc=105.0, inlet_pa_abs=0.22e6,
    ...     rise_k=10.792, inlet_velocity_m_per_s=0.0), 3)
    5.0
    """
    temperature = plausible.TEMPERATURE.check("inlet_temperature_degc", inlet_temperature_degc)
    pressure = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    hot = temperature + plausible.RISE_OR_ZERO.check("rise_k", rise_k)
    velocity = plausible.VELOCITY.check("inlet_velocity_m_per_s", inlet_velocity_m_per_s)
    boiling = liquid.vapour_pressure(hot)
    density = liquid.density(hot, max(pressure, boiling))
    return (pressure - boiling) / (density * G_M_PER_S2) + velocity**2 / (2.0 * G_M_PER_S2)


def allowed_rise_npsh(
    liquid: Liquid,
    *,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    inlet_velocity_m_per_s: float,
    npsh_required_m: float,
    margin_m: float,
) -> float:
    """Rise, K, at which NPSH at the impeller inlet has fallen to NPSH required plus a margin.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet
    inlet_velocity_m_per_s : m/s in the suction nozzle, at least 0
    npsh_required_m : m at the flow in question, above 0
    margin_m : m, at least 0; a policy value, stated

    Returns
    -------
    K.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : NPSH is too small already without any rise

    Assumptions
    -----------
    As `npsh_at_rise`.

    Source
    ------
    IAPWS R7-97(2012); 10.792 K is computed by marching, no publication.

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> round(allowed_rise_npsh(WATER, inlet_temperature_degc=105.0, inlet_pa_abs=0.22e6,
    ...     inlet_velocity_m_per_s=0.0, npsh_required_m=4.0, margin_m=1.0), 3)
    10.792
    """
    required = plausible.HEAD.check("npsh_required_m", npsh_required_m)
    margin = plausible.HEAD_OR_ZERO.check("margin_m", margin_m)

    def spare(rise_k: float) -> float:
        left = npsh_at_rise(
            liquid,
            inlet_temperature_degc=inlet_temperature_degc,
            inlet_pa_abs=inlet_pa_abs,
            rise_k=rise_k,
            inlet_velocity_m_per_s=inlet_velocity_m_per_s,
        )
        return left - required - margin

    if spare(0.0) <= 0.0:
        raise NoSolution(
            f"no rise is allowed: NPSH available is {spare(0.0) + required + margin:.2f} m, "
            f"required with margin {required + margin:.2f} m"
        )
    low, high = (
        0.0,
        allowed_rise_to_vaporisation(
            liquid,
            inlet_temperature_degc=inlet_temperature_degc,
            inlet_pa_abs=inlet_pa_abs,
            margin_pa=0.0,
        ),
    )
    if spare(high) > 0.0:
        return high
    while high - low > 1e-7:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if spare(middle) > 0.0 else (low, middle)
    return low


@dataclass(frozen=True)
class AllowedRise:
    """The smallest of the limits on the rise, all of them, and which one governs."""

    rise_k: float
    governs: str
    limits_k: tuple[tuple[str, float], ...]
    assumptions: tuple[str, ...]


def allowed_rise(
    liquid: Liquid,
    *,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    stated_rise_k: float | None,
    vapour_margin_pa: float,
    inlet_velocity_m_per_s: float | None,
    npsh_required_m: float | None,
    npsh_margin_m: float | None,
) -> AllowedRise:
    """Return the smallest of the stated, vapour and NPSH limits, and its name.

    Parameters
    ----------
    liquid : `WATER` or a `TableLiquid`
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet
    stated_rise_k : K from the pump record or policy, or None when none is stated
    vapour_margin_pa : Pa kept above the vapour pressure, at least 0
    inlet_velocity_m_per_s, npsh_required_m, npsh_margin_m : all three given, or all None when the
        record has no NPSH required: the result then says so

    Returns
    -------
    AllowedRise; `governs` is ``stated``, ``vapour`` or ``npsh``.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no rise is allowed at all

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Ludwig p. 208 (seen); 8.3 K (15 degF) is the handbook value for boiler feed, not a law.

    Examples
    --------
    >>> from valvecare.engineering.liquids import WATER
    >>> answer = allowed_rise(WATER, inlet_temperature_degc=105.0, inlet_pa_abs=0.16e6,
    ...     stated_rise_k=8.33, vapour_margin_pa=0.0, inlet_velocity_m_per_s=None,
    ...     npsh_required_m=None, npsh_margin_m=None)
    >>> answer.governs, round(answer.rise_k, 3)
    ('vapour', 8.298)
    """
    limits: list[tuple[str, float]] = []
    notes = ["the rise at the impeller inlet is taken as the full rise at the outlet"]
    if stated_rise_k is not None:
        limits.append(("stated", plausible.RISE.check("stated_rise_k", stated_rise_k)))
    else:
        notes.append("no stated limit")
    limits.append(
        (
            "vapour",
            allowed_rise_to_vaporisation(
                liquid,
                inlet_temperature_degc=inlet_temperature_degc,
                inlet_pa_abs=inlet_pa_abs,
                margin_pa=vapour_margin_pa,
            ),
        )
    )
    npsh = (inlet_velocity_m_per_s, npsh_required_m, npsh_margin_m)
    if any(value is not None for value in npsh):
        limits.append(
            (
                "npsh",
                allowed_rise_npsh(
                    liquid,
                    inlet_temperature_degc=inlet_temperature_degc,
                    inlet_pa_abs=inlet_pa_abs,
                    inlet_velocity_m_per_s=inlet_velocity_m_per_s,  # type: ignore[arg-type]
                    npsh_required_m=npsh_required_m,  # type: ignore[arg-type]
                    margin_m=npsh_margin_m,  # type: ignore[arg-type]
                ),
            )
        )
    else:
        notes.append("NPSH required is not known and not checked")
    governs, rise = min(limits, key=lambda limit: limit[1])
    return AllowedRise(rise, governs, tuple(limits), tuple(notes))
