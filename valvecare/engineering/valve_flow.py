"""Flow through the bypass trim: flow coefficient, choking, fittings (IEC 60534-2-1, liquids).

Kv is the flow in m3/h of water of 999.1 kg/m3 at a pressure drop of 1 bar.
"""

from collections.abc import Sequence
from math import sqrt

from valvecare.engineering import plausible
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange

REFERENCE_DENSITY_KG_PER_M3 = 999.1
"""Density of water at 15 degC used by the definition of Kv (IEC 60534-2-1, as carried by the
fluids library)."""
_M3_PER_H = 3600.0
_BAR = 1e5
_PSI_PA = 6894.757293168361
_GAL_US_PER_MIN_M3_PER_S = 3.785411784e-3 / 60.0


def critical_pressure_ratio(
    vapour_pressure_pa_abs: float, *, critical_pressure_pa_abs: float
) -> float:
    """Liquid critical pressure ratio factor FF, dimensionless.

    Parameters
    ----------
    vapour_pressure_pa_abs : Pa absolute at the valve inlet, at least 0, below critical
    critical_pressure_pa_abs : Pa absolute, of this liquid

    Returns
    -------
    ``0.96 - 0.28 sqrt(pv/pc)``.

    Raises
    ------
    OutOfRange : an input missing or insane; vapour pressure above critical

    Assumptions
    -----------
    Pure liquid in thermodynamic equilibrium.

    Source
    ------
    IEC 60534-2-1 examples 1 and 2, as carried by the fluids library: 0.944.

    Examples
    --------
    >>> round(critical_pressure_ratio(70.1e3, critical_pressure_pa_abs=22120e3), 3)
    0.944
    """
    boiling = plausible.VAPOUR_PRESSURE.check("vapour_pressure_pa_abs", vapour_pressure_pa_abs)
    critical = plausible.CRITICAL_PRESSURE.check(
        "critical_pressure_pa_abs", critical_pressure_pa_abs
    )
    if boiling > critical:
        raise OutOfRange("vapour_pressure_pa_abs", boiling, f"at most {critical:g}", "critical")
    return 0.96 - 0.28 * sqrt(boiling / critical)


def choking_pressure_drop(
    inlet_pa_abs: float,
    *,
    vapour_pressure_pa_abs: float,
    critical_pressure_pa_abs: float,
    recovery_factor: float,
) -> float:
    """Pressure drop, Pa, beyond which the flow of the liquid no longer grows.

    Parameters
    ----------
    inlet_pa_abs : Pa absolute before the trim, above the vapour pressure
    vapour_pressure_pa_abs, critical_pressure_pa_abs : Pa absolute
    recovery_factor : FL of the trim (or FLP/FP with fittings), 0.3 to 1; from its record

    Returns
    -------
    Pa: ``FL^2 (p1 - FF pv)``.

    Raises
    ------
    OutOfRange : an input missing or insane; the inlet is not liquid

    Assumptions
    -----------
    One throttling stage; for several stages FL is that of the whole trim.

    Source
    ------
    IEC 60534-2-1, equation for choked liquid flow, as carried by the fluids library.

    Examples
    --------
    >>> round(choking_pressure_drop(12e6, vapour_pressure_pa_abs=0.4e6,
    ...     critical_pressure_pa_abs=22.064e6, recovery_factor=0.9) / 1e6, 1)
    9.4
    """
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    factor = plausible.RECOVERY_FACTOR.check("recovery_factor", recovery_factor)
    ratio = critical_pressure_ratio(
        vapour_pressure_pa_abs, critical_pressure_pa_abs=critical_pressure_pa_abs
    )
    if inlet <= vapour_pressure_pa_abs:
        raise OutOfRange(
            "inlet_pa_abs",
            inlet,
            f"above the vapour pressure {vapour_pressure_pa_abs:g} Pa",
            "not liquid before the valve",
        )
    return factor**2 * (inlet - ratio * vapour_pressure_pa_abs)


def is_choked(
    *,
    inlet_pa_abs: float,
    outlet_pa_abs: float,
    vapour_pressure_pa_abs: float,
    critical_pressure_pa_abs: float,
    recovery_factor: float,
) -> bool:
    """Whether the trim is choked: its flow no longer depends on the outlet pressure.

    Parameters
    ----------
    inlet_pa_abs, outlet_pa_abs : Pa absolute before and after the trim
    vapour_pressure_pa_abs, critical_pressure_pa_abs, recovery_factor : see `choking_pressure_drop`

    Returns
    -------
    True when the pressure drop is at least the choking one.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no driving pressure

    Assumptions
    -----------
    As `choking_pressure_drop`.

    Source
    ------
    IEC 60534-2-1 example 2 (FL 0.6: choked), as carried by the fluids library.

    Examples
    --------
    >>> is_choked(inlet_pa_abs=680e3, outlet_pa_abs=220e3, vapour_pressure_pa_abs=70.1e3,
    ...     critical_pressure_pa_abs=22120e3, recovery_factor=0.6)
    True
    """
    drop = _driving(inlet_pa_abs, outlet_pa_abs)
    return drop >= choking_pressure_drop(
        inlet_pa_abs,
        vapour_pressure_pa_abs=vapour_pressure_pa_abs,
        critical_pressure_pa_abs=critical_pressure_pa_abs,
        recovery_factor=recovery_factor,
    )


def kv_required(
    flow_m3_per_s: float,
    *,
    inlet_pa_abs: float,
    outlet_pa_abs: float,
    density_kg_per_m3: float,
    vapour_pressure_pa_abs: float,
    critical_pressure_pa_abs: float,
    recovery_factor: float,
) -> float:
    """Flow coefficient Kv that passes a flow, choking allowed for.

    Parameters
    ----------
    flow_m3_per_s : m3/s, above 0
    inlet_pa_abs, outlet_pa_abs : Pa absolute before and after the trim
    density_kg_per_m3 : kg/m3 before the trim
    vapour_pressure_pa_abs, critical_pressure_pa_abs, recovery_factor : see `choking_pressure_drop`

    Returns
    -------
    Kv, m3/h at 1 bar: ``Q sqrt((rho/rho0)/dp)`` with dp limited to the choking drop.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no driving pressure

    Assumptions
    -----------
    Turbulent flow, no reducers (see `kv_required_with_fittings`).

    Source
    ------
    IEC 60534-2-1 example 1, as carried by the fluids library: Kv 165.

    Examples
    --------
    >>> round(kv_required(360 / 3600, inlet_pa_abs=680e3, outlet_pa_abs=220e3,
    ...     density_kg_per_m3=965.4, vapour_pressure_pa_abs=70.1e3,
    ...     critical_pressure_pa_abs=22120e3, recovery_factor=0.9))
    165
    """
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    return (
        flow
        * _M3_PER_H
        / _flow_per_kv(
            inlet_pa_abs,
            outlet_pa_abs,
            density_kg_per_m3,
            vapour_pressure_pa_abs,
            critical_pressure_pa_abs,
            recovery_factor,
        )
    )


def flow_through_kv(
    kv: float,
    *,
    inlet_pa_abs: float,
    outlet_pa_abs: float,
    density_kg_per_m3: float,
    vapour_pressure_pa_abs: float,
    critical_pressure_pa_abs: float,
    recovery_factor: float,
) -> float:
    """Flow, m3/s, that a trim of this Kv passes, choking allowed for.

    Parameters
    ----------
    kv : m3/h at 1 bar, at closed main disc
    inlet_pa_abs, outlet_pa_abs : Pa absolute before and after the trim
    density_kg_per_m3 : kg/m3 before the trim
    vapour_pressure_pa_abs, critical_pressure_pa_abs, recovery_factor : see `choking_pressure_drop`

    Returns
    -------
    m3/s.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no driving pressure

    Assumptions
    -----------
    Turbulent flow, no reducers.

    Source
    ------
    IEC 60534-2-1 equations 1 and 3, inverted; 60.69 m3/h checked by a round trip through fluids.

    Examples
    --------
    >>> round(3600 * flow_through_kv(6.0, inlet_pa_abs=12e6, outlet_pa_abs=0.6e6,
    ...     density_kg_per_m3=920.0, vapour_pressure_pa_abs=0.4e6,
    ...     critical_pressure_pa_abs=22.064e6, recovery_factor=0.9), 2)
    60.69
    """
    coefficient = plausible.KV.check("kv", kv)
    return (
        coefficient
        / _M3_PER_H
        * _flow_per_kv(
            inlet_pa_abs,
            outlet_pa_abs,
            density_kg_per_m3,
            vapour_pressure_pa_abs,
            critical_pressure_pa_abs,
            recovery_factor,
        )
    )


def kv_in_series(kvs: Sequence[float]) -> float:
    """Kv of several resistances one behind the other, unchoked.

    Parameters
    ----------
    kvs : n values, m3/h at 1 bar, n >= 1

    Returns
    -------
    Kv: ``1/sqrt(sum 1/Kv_i^2)``.

    Raises
    ------
    OutOfRange : a value missing or insane
    NotEnoughData : no value

    Assumptions
    -----------
    Equal flow, pressure drops add, none choked.

    Source
    ------
    Addition of pressure drops at equal flow (computed, no publication).

    Examples
    --------
    >>> round(kv_in_series([6.0, 10.0, 40.0]), 4)
    5.1029
    """
    if kvs is None or isinstance(kvs, (int, float, str)):
        raise OutOfRange("kvs", kvs, "a list of numbers")
    if not len(kvs):
        raise NotEnoughData("no Kv", "1 or more")
    return 1.0 / sqrt(sum(1.0 / plausible.KV.check("kvs", kv) ** 2 for kv in kvs))


def kv_to_cv(kv: float) -> float:
    """Flow coefficient Cv, US gal/min at 1 psi, from Kv.

    Parameters
    ----------
    kv : m3/h at 1 bar

    Returns
    -------
    Cv, US gal/min per sqrt(psi).

    Raises
    ------
    OutOfRange : missing or insane

    Assumptions
    -----------
    Water of the same density in both definitions.

    Source
    ------
    fluids library (seen): 1.156.

    Examples
    --------
    >>> round(kv_to_cv(1.0), 3)
    1.156
    """
    per_s = plausible.KV.check("kv", kv) / _M3_PER_H
    return per_s / _GAL_US_PER_MIN_M3_PER_S * sqrt(_PSI_PA / _BAR)


def kv_to_flow_area(kv: float) -> float:
    """Equivalent flow area Av, m2, of a Kv.

    Parameters
    ----------
    kv : m3/h at 1 bar

    Returns
    -------
    m2: ``Kv/3600 sqrt(rho0/1e5)``, Q = Av sqrt(dp/rho) in SI.

    Raises
    ------
    OutOfRange : missing or insane

    Assumptions
    -----------
    Av is a coefficient in m2, not a drilled area.

    Source
    ------
    Valve documentation of an open simulation library (seen): 27.7e-6 m2 per Kv.

    Examples
    --------
    >>> round(kv_to_flow_area(1.0) * 1e6, 1)
    27.8
    """
    coefficient = plausible.KV.check("kv", kv)
    return coefficient / _M3_PER_H * sqrt(REFERENCE_DENSITY_KG_PER_M3 / _BAR)


def cavitation_index(
    *, inlet_pa_abs: float, outlet_pa_abs: float, vapour_pressure_pa_abs: float
) -> float:
    """Cavitation index sigma, dimensionless; compared only with a limit from the record.

    Parameters
    ----------
    inlet_pa_abs, outlet_pa_abs : Pa absolute before and after the trim
    vapour_pressure_pa_abs : Pa absolute before the trim

    Returns
    -------
    ``(p1 - pv)/(p1 - p2)``.

    Raises
    ------
    OutOfRange : an input missing or insane; the inlet is not liquid
    NoSolution : no driving pressure

    Assumptions
    -----------
    None.

    Source
    ------
    fluids library test (seen): 4.

    Examples
    --------
    >>> round(cavitation_index(inlet_pa_abs=1e6, outlet_pa_abs=0.8e6,
    ...     vapour_pressure_pa_abs=0.2e6), 6)
    4.0
    """
    drop = _driving(inlet_pa_abs, outlet_pa_abs)
    boiling = plausible.VAPOUR_PRESSURE.check("vapour_pressure_pa_abs", vapour_pressure_pa_abs)
    if inlet_pa_abs <= boiling:
        raise OutOfRange("inlet_pa_abs", inlet_pa_abs, f"above the vapour pressure {boiling:g} Pa")
    return (inlet_pa_abs - boiling) / drop


def _driving(inlet_pa_abs: float, outlet_pa_abs: float) -> float:
    inlet = plausible.PRESSURE_ABS.check("inlet_pa_abs", inlet_pa_abs)
    outlet = plausible.PRESSURE_ABS.check("outlet_pa_abs", outlet_pa_abs)
    if outlet >= inlet:
        raise NoSolution(
            f"no driving pressure: back pressure {outlet:g} Pa is not below the inlet {inlet:g} Pa",
            (outlet, inlet),
        )
    return inlet - outlet


def _flow_per_kv(
    inlet: float,
    outlet: float,
    density_kg_per_m3: float,
    boiling: float,
    critical: float,
    recovery_factor: float,
) -> float:
    """Flow in m3/h over Kv: sqrt of the usable drop in bar over relative density."""
    drop = _driving(inlet, outlet)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    usable = min(
        drop,
        choking_pressure_drop(
            inlet,
            vapour_pressure_pa_abs=boiling,
            critical_pressure_pa_abs=critical,
            recovery_factor=recovery_factor,
        ),
    )
    return sqrt(usable / _BAR * REFERENCE_DENSITY_KG_PER_M3 / density)
