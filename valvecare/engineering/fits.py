"""Clearance limits of the few ISO 286 hole-basis fits that guides and bushes use."""

from dataclasses import dataclass
from typing import Final

from valvecare.engineering.errors import require_between
from valvecare.engineering.plausible_mechanics import require_member
from valvecare.engineering.tables import table

FITS: Final = {"H7/g6": ("IT7", "g", "IT6"), "H8/f7": ("IT8", "f", "IT7")}


@dataclass(frozen=True, slots=True)
class FitClearance:
    """Smallest and largest clearance of a new fit, m."""

    smallest_m: float
    largest_m: float


def fit_clearance(size_m: float, *, fit: str) -> FitClearance:
    """Smallest and largest clearance of a running fit, m.

    Parameters
    ----------
    size_m : nominal size, m, above 0.001, at most 0.500
    fit : "H7/g6" or "H8/f7"

    Returns
    -------
    FitClearance : m

    Raises
    ------
    OutOfRange : an input is missing, not finite, outside its range, or the fit is not listed

    Assumptions
    -----------
    20 degC; the upper end of a size range belongs to it (50 mm is in 30 to 50).

    Source
    ------
    ISO 286-1 values from memory; worked fits 50 H7/g6, 80 H8/f7 and 25 H7/g6 seen on two public
    pages. One of those pages prints 10 mm H7 as 14 um (ISO: 15).

    Examples
    --------
    >>> limits = fit_clearance(0.050, fit="H7/g6")
    >>> round(limits.smallest_m * 1e6), round(limits.largest_m * 1e6)
    (9, 50)
    """
    size = require_between(
        "size_m", size_m, above=0.001, at_most=0.5, why="nominal size in metres; check the unit"
    )
    hole, deviation, shaft = FITS[
        require_member("fit", fit, tuple(FITS), "take other limits from the drawing")
    ]
    size_mm = round(size * 1e3, 9)
    row = next(
        row
        for row in table("iso286_limits")
        if float(row["over_mm"]) < size_mm <= float(row["up_to_mm"])
    )
    smallest = -float(row[deviation])
    largest = smallest + float(row[hole]) + float(row[shaft])
    return FitClearance(smallest / 1e6, largest / 1e6)
