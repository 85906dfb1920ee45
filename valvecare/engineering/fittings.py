"""A bypass trim between reducers: piping geometry factors of IEC 60534-2-1."""

from math import sqrt

from valvecare.engineering import plausible
from valvecare.engineering.errors import NoSolution
from valvecare.engineering.valve_flow import REFERENCE_DENSITY_KG_PER_M3

_M3_PER_H = 3600.0
_BAR = 1e5
_N2 = 1.6e-3
"""Numerical constant N2 of IEC 60534-2-1 for d in mm and Kv (as carried by the fluids library)."""


def kv_required_with_fittings(
    flow_m3_per_s: float,
    *,
    pressure_drop_pa: float,
    density_kg_per_m3: float,
    fittings_loss_coefficient: float,
    valve_bore_m: float,
) -> float:
    """Kv of a trim that passes a flow when it sits between reducers, unchoked.

    Parameters
    ----------
    flow_m3_per_s : m3/s, above 0
    pressure_drop_pa : Pa over valve and fittings together, above 0, below the choking drop
    density_kg_per_m3 : kg/m3
    fittings_loss_coefficient : sum K of the fittings, referred to the valve bore; may be negative
        (Bernoulli terms), above -10
    valve_bore_m : m, nominal bore of the valve

    Returns
    -------
    Kv, m3/h at 1 bar: ``1/sqrt((3600 Q)^-2 dp rho0/rho - K/(N2 d^4))``.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : no valve of this bore can pass the flow between these fittings

    Assumptions
    -----------
    Unchoked, turbulent. With choking use FLP (`recovery_factor_with_fittings`).

    Source
    ------
    IEC 60534-2-1, piping geometry factor FP, closed form for the unchoked case; checked against
    the fluids library, which converges FP only to 1 %.

    Examples
    --------
    >>> round(kv_required_with_fittings(360 / 3600, pressure_drop_pa=460e3,
    ...     density_kg_per_m3=965.4, fittings_loss_coefficient=0.0, valve_bore_m=0.15))
    165
    """
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s) * _M3_PER_H
    drop = plausible.PRESSURE_DIFFERENCE.check("pressure_drop_pa", pressure_drop_pa)
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    loss, bore = _fittings(fittings_loss_coefficient, valve_bore_m)
    bracket = (drop / _BAR) * REFERENCE_DENSITY_KG_PER_M3 / density / flow**2
    bracket -= loss / (_N2 * (bore * 1000.0) ** 4)
    if bracket <= 0.0:
        raise NoSolution(
            f"no valve of bore {bore:g} m passes {flow:.6g} m3/h between these fittings at "
            f"{drop:g} Pa; a larger bore or smaller loss would"
        )
    return 1.0 / sqrt(bracket)


def piping_geometry_factor(
    kv: float, *, fittings_loss_coefficient: float, valve_bore_m: float
) -> float:
    """Piping geometry factor FP: Kv of valve with fittings over Kv of the valve alone.

    Parameters
    ----------
    kv : m3/h at 1 bar, of the valve alone
    fittings_loss_coefficient : sum K of the fittings, referred to the valve bore
    valve_bore_m : m

    Returns
    -------
    ``1/sqrt(1 + K/N2 (Kv/d^2)^2)``, dimensionless, d in mm.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the fittings would recover more than the valve loses

    Assumptions
    -----------
    Turbulent, unchoked.

    Source
    ------
    IEC 60534-2-1, equation for FP, as carried by the fluids library.

    Examples
    --------
    >>> round(piping_geometry_factor(165.0, fittings_loss_coefficient=1.5, valve_bore_m=0.1), 3)
    0.893
    """
    coefficient = plausible.KV.check("kv", kv)
    loss, bore = _fittings(fittings_loss_coefficient, valve_bore_m)
    inside = 1.0 + loss / _N2 * (coefficient / (bore * 1000.0) ** 2) ** 2
    if inside <= 0.0:
        raise NoSolution("the fittings would recover more pressure than the valve loses")
    return 1.0 / sqrt(inside)


def recovery_factor_with_fittings(
    kv: float, *, recovery_factor: float, inlet_loss_coefficient: float, valve_bore_m: float
) -> float:
    """Combined recovery and piping factor FLP of a trim with an inlet fitting.

    Parameters
    ----------
    kv : m3/h at 1 bar, of the valve alone
    recovery_factor : FL of the trim, 0.3 to 1
    inlet_loss_coefficient : K of the inlet fitting plus its Bernoulli term, on the valve bore
    valve_bore_m : m

    Returns
    -------
    ``FL/sqrt(1 + FL^2 K1/N2 (Kv/d^2)^2)``, dimensionless, d in mm.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the fittings would recover more than the valve loses

    Assumptions
    -----------
    Turbulent. In the choking drop use (FLP/FP) in place of FL.

    Source
    ------
    IEC 60534-2-1, equation for FLP, as carried by the fluids library.

    Examples
    --------
    >>> round(recovery_factor_with_fittings(165.0, recovery_factor=0.9,
    ...     inlet_loss_coefficient=1.0, valve_bore_m=0.1), 3)
    0.844
    """
    coefficient = plausible.KV.check("kv", kv)
    factor = plausible.RECOVERY_FACTOR.check("recovery_factor", recovery_factor)
    loss, bore = _fittings(inlet_loss_coefficient, valve_bore_m, "inlet_loss_coefficient")
    inside = 1.0 + factor**2 * loss / _N2 * (coefficient / (bore * 1000.0) ** 2) ** 2
    if inside <= 0.0:
        raise NoSolution("the fittings would recover more pressure than the valve loses")
    return factor / sqrt(inside)


def _fittings(
    loss: float, bore_m: float, name: str = "fittings_loss_coefficient"
) -> tuple[float, float]:
    window = plausible.Window("velocity heads", at_least=-10.0, at_most=1000.0)
    return window.check(name, loss), plausible.BORE.check("valve_bore_m", bore_m)
