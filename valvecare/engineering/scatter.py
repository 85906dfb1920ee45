"""Scatter of a tightening method: the smallest and largest preload behind a nominal one."""

from valvecare.engineering.plausible_mechanics import require_plausible


def tightening_factor(uncertainty: float) -> float:
    """Largest over smallest preload of a tightening method: alpha_A = (1 + u)/(1 - u).

    Parameters
    ----------
    uncertainty : scatter either way as a share, 0.01 to 0.60

    Returns
    -------
    float : above 1

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Scatter is the same up and down.

    Source
    ------
    VDI 2230 definition; 25 % for a torque wrench on lubricated bolts, NASA-STD-5020B table 3
    (seen as quoted).

    Examples
    --------
    >>> round(tightening_factor(0.25), 3)
    1.667
    """
    scatter = require_plausible("uncertainty", uncertainty)
    return (1 + scatter) / (1 - scatter)


def preload_max(preload_n: float, *, uncertainty: float) -> float:
    """Largest preload, N, that a nominal setting may give: F (1 + u).

    Parameters
    ----------
    preload_n : nominal preload, N, 100 to 5e6
    uncertainty : scatter as a share, 0.01 to 0.60

    Returns
    -------
    float : N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    The nominal value is the middle of the scatter band.

    Source
    ------
    NASA-STD-5020B table 3 (seen as quoted).

    Examples
    --------
    >>> preload_max(80e3, uncertainty=0.25)
    100000.0
    """
    force = require_plausible("preload_n", preload_n)
    return force * (1 + require_plausible("uncertainty", uncertainty))


def preload_min(preload_n: float, *, uncertainty: float, relaxation: float) -> float:
    """Smallest preload, N, left from a nominal setting: F (1 - u)(1 - r).

    Parameters
    ----------
    preload_n : nominal preload, N, 100 to 5e6
    uncertainty : scatter as a share, 0.01 to 0.60
    relaxation : share lost by settling, 0 to 0.5

    Returns
    -------
    float : N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Settling takes the same share of every bolt.

    Source
    ------
    NASA-STD-5020B table 3 (seen as quoted); 10 % relaxation in a public stud torque chart (seen).

    Examples
    --------
    >>> preload_min(80e3, uncertainty=0.25, relaxation=0.0)
    60000.0
    """
    force = require_plausible("preload_n", preload_n)
    scatter = require_plausible("uncertainty", uncertainty)
    return force * (1 - scatter) * (1 - require_plausible("relaxation", relaxation))


def preload_min_by_factor(preload_max_n: float, *, factor: float) -> float:
    """Smallest preload, N, from the largest and the tightening factor: F_max/alpha_A.

    Parameters
    ----------
    preload_max_n : largest preload, N, 100 to 5e6
    factor : tightening factor, 1.01 to 4

    Returns
    -------
    float : N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    The factor covers the tool and the friction.

    Source
    ------
    Public note on VDI 2230 tables (seen).

    Examples
    --------
    M12, 8.8: 41.9 kN and 1.8 give 23.3 kN in the note.

    >>> round(preload_min_by_factor(41.9e3, factor=1.8) / 1e3, 1)
    23.3
    """
    force = require_plausible("preload_n", preload_max_n, "preload_max_n")
    return force / require_plausible("tightening_factor", factor, "factor")
