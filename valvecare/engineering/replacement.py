"""When replacing by age pays, and when it does not."""

from dataclasses import dataclass
from math import exp, expm1

from valvecare.engineering.errors import NoSolution, require_between

_LEAST_SHARE = 1e-9  # of the failure cost; a cheaper replacement pays at an age near zero


@dataclass(frozen=True, slots=True)
class AgeReplacement:
    """Best age to replace at, its cost per unit of time, and that of running to failure."""

    age: float
    cost_rate: float
    run_to_failure_cost_rate: float

    @property
    def saving(self) -> float:
        """Share of the run-to-failure cost that is saved."""
        return 1 - self.cost_rate / self.run_to_failure_cost_rate


def age_replacement(
    *, shape: float, scale: float, planned_cost: float, failure_cost: float
) -> AgeReplacement:
    """The age at which planned replacement costs least in the long run.

    Parameters
    ----------
    shape : Weibull shape, above 0
    scale : Weibull scale, above 0, any unit of time or use
    planned_cost : of a planned replacement, above 0 and at least 1e-9 of `failure_cost`
    failure_cost : of a failure, above `planned_cost`, same money

    Returns
    -------
    AgeReplacement in the unit of `scale` and money per that unit

    Raises
    ------
    OutOfRange : inputs not as above
    NoSolution : shape at or below 1: the part does not wear out, no age is best

    Assumptions
    -----------
    A failure shows at once (not a hidden one), both kinds of replacement renew the part.

    Source
    ------
    Barlow and Proschan's age replacement: h(T) I(T) - F(T) = cp/(cf - cp), I the integral of R
    (textbook, from memory). Worked case R50; a published grid search gives 493.19 for the example.

    Examples
    --------
    >>> found = age_replacement(shape=2.5, scale=1000, planned_cost=1, failure_cost=5)
    >>> round(found.age, 3), round(found.cost_rate, 10)
    (493.047, 0.0034620427)
    """
    from scipy.optimize import brentq  # late: costs most of a second
    from scipy.special import gamma, gammainc

    power = require_between("shape", shape, above=0)
    unit = require_between("scale", scale, above=0)
    planned = require_between("planned_cost", planned_cost, above=0)
    failure = require_between(
        "failure_cost", failure_cost, above=planned, why="else waiting for failure is cheapest"
    )
    require_between(
        "planned_cost",
        planned,
        at_least=_LEAST_SHARE * failure,
        why=f"{_LEAST_SHARE:g} of the failure cost: below it the answer is rounding",
    )
    if power <= 1:
        raise NoSolution(
            f"shape {power:g} is not above 1: the part does not wear out, "
            "so replacing it by age only costs."
        )
    mean: float = float(gamma(1 + 1 / power))
    target = planned / (failure - planned)

    def survived_time(hazard: float) -> float:
        """Integral of the reliability up to the age of this cumulative hazard, in scales."""
        return mean * float(gammainc(1 / power, hazard))

    def excess(hazard: float) -> float:
        rate: float = power * hazard ** (1 - 1 / power)
        return rate * survived_time(hazard) + expm1(-hazard) - target

    high = 1.0
    while excess(high) < 0:
        high *= 2
        if high > 1e9:
            raise NoSolution("Replacing by age does not pay at any age that can be computed.")
    hazard = float(brentq(excess, 0.0, high, xtol=1e-300, rtol=1e-13, maxiter=2_000))
    failed = 1 - exp(-hazard)
    cost = (planned * (1 - failed) + failure * failed) / (unit * survived_time(hazard))
    return AgeReplacement(unit * hazard ** (1 / power), cost, failure / (unit * mean))


def overhaul_interval(
    *, shape: float, scale: float, overhaul_cost: float, repair_cost: float
) -> float:
    """Best interval between overhauls when failures in between are only patched.

    Parameters
    ----------
    shape : of the power-law failure intensity, above 1
    scale : time by which one failure is expected, above 0
    overhaul_cost : above 0
    repair_cost : of one minimal repair, above 0, same money

    Returns
    -------
    interval in the unit of `scale`

    Raises
    ------
    OutOfRange : inputs not as above
    NoSolution : shape at or below 1

    Assumptions
    -----------
    A minimal repair leaves the item as old as it was; an overhaul renews it.

    Source
    ------
    Barlow and Hunter 1960: T = eta (co/((b - 1) cr))^(1/b) (from memory). Worked case R54.

    Examples
    --------
    >>> round(overhaul_interval(shape=2.2, scale=6000, overhaul_cost=900, repair_cost=250), 4)
    9886.0897
    """
    power = require_between("shape", shape, above=0)
    unit = require_between("scale", scale, above=0)
    overhaul = require_between("overhaul_cost", overhaul_cost, above=0)
    repair = require_between("repair_cost", repair_cost, above=0)
    if power <= 1:
        raise NoSolution(f"shape {power:g} is not above 1: failures do not grow more frequent.")
    return unit * float((overhaul / ((power - 1) * repair)) ** (1 / power))
