"""Spare parts on the shelf: how many cover the demand of a lead time.

'Covers' means: demand up to the stock is met, P(N <= S). Another question, whether a piece is
there when the next one is asked for, is P(N <= S - 1): store which one was asked.
"""

from collections.abc import Callable

from valvecare.engineering.errors import NoSolution, OutOfRange, require_between

MOST_PIECES = 100_000


def expected_demand(units: int, *, rate_per_h: float, period_h: float) -> float:
    """Pieces wanted on average in a period.

    Parameters
    ----------
    units : items in service, at least 1
    rate_per_h : replacements per item and hour of use, at least 0
    period_h : hours of use of each item in the lead time, at least 0

    Returns
    -------
    mean number of pieces

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    Constant rate; one piece per replacement.

    Source
    ------
    Poisson process (textbook). Worked case R65.

    Examples
    --------
    >>> expected_demand(1, rate_per_h=1 / 8760, period_h=26280)
    3.0
    """
    count = require_between("units", units, at_least=1)
    rate = require_between("rate_per_h", rate_per_h, at_least=0)
    return count * rate * require_between("period_h", period_h, at_least=0)


def _pieces(stock: object) -> int:
    number = require_between("stock", stock, at_least=0, at_most=MOST_PIECES)
    if number != int(number):
        raise OutOfRange("stock", number, "a whole number")
    return int(number)


def stock_covers(mean: float, *, stock: int) -> float:
    """Probability that a stock covers a Poisson demand.

    Parameters
    ----------
    mean : expected pieces, at least 0
    stock : pieces on the shelf, whole number, 0 or above

    Returns
    -------
    P(N <= stock)

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    The rate is known; pieces are good when taken.

    Source
    ------
    Poisson distribution (textbook). Worked cases R65 and R69; the 42 per cent printed in a public
    spares article for mean 3 and 3 spares is P(N <= 2).

    Examples
    --------
    >>> round(stock_covers(3.0, stock=3), 6), round(stock_covers(3.0, stock=2), 6)
    (0.647232, 0.42319)
    """
    from scipy.special import gammaincc  # late: costs a fifth of a second

    expected = require_between("mean", mean, at_least=0)
    return float(gammaincc(_pieces(stock) + 1, expected))


def stock_for(mean: float, *, target: float) -> int:
    """Smallest stock that covers a Poisson demand with a wanted probability.

    Parameters
    ----------
    mean : expected pieces, at least 0
    target : wanted P(N <= S), above 0 and below 1

    Returns
    -------
    pieces

    Raises
    ------
    OutOfRange : inputs not as above
    NoSolution : more than 100,000 pieces

    Assumptions
    -----------
    As `stock_covers`.

    Source
    ------
    As `stock_covers`. Worked case R65.

    Examples
    --------
    >>> stock_for(3.0, target=0.95)
    6
    """
    expected = require_between("mean", mean, at_least=0, at_most=MOST_PIECES / 2)
    wanted = require_between("target", target, above=0, below=1)
    return _smallest(lambda stock: stock_covers(expected, stock=stock), wanted)


def uncertain_stock_covers(shape: float, *, hours: float, exposure_h: float, stock: int) -> float:
    """Probability that a stock covers the demand when the rate itself is uncertain.

    Parameters
    ----------
    shape, hours : Gamma distribution of the rate, both above 0 (`pooled_rate` gives them)
    exposure_h : hours of use of all items in the lead time, above 0
    stock : pieces on the shelf, whole number, 0 or above

    Returns
    -------
    P(N <= stock)

    Raises
    ------
    OutOfRange : inputs not as above

    Assumptions
    -----------
    One rate for all items, constant, known only as that distribution.

    Source
    ------
    Negative binomial predictive of the Gamma-Poisson model (textbook). Worked case R67.

    Examples
    --------
    >>> round(uncertain_stock_covers(2.5, hours=100000, exposure_h=73440, stock=7), 4)
    0.9892
    """
    from scipy.special import betainc  # late: costs a fifth of a second

    form = require_between("shape", shape, above=0)
    known = require_between("hours", hours, above=0)
    exposure = require_between("exposure_h", exposure_h, above=0)
    return float(betainc(form, _pieces(stock) + 1, known / (known + exposure)))


def uncertain_stock_for(shape: float, *, hours: float, exposure_h: float, target: float) -> int:
    """Smallest stock that covers the demand of an uncertain rate with a wanted probability.

    Parameters
    ----------
    shape, hours, exposure_h : as `uncertain_stock_covers`
    target : wanted P(N <= S), above 0 and below 1

    Returns
    -------
    pieces

    Raises
    ------
    OutOfRange : inputs not as above
    NoSolution : more than 100,000 pieces

    Assumptions
    -----------
    As `uncertain_stock_covers`.

    Source
    ------
    As `uncertain_stock_covers`. Worked case R67: 7 pieces, against 5 if the rate were known.

    Examples
    --------
    >>> uncertain_stock_for(2.5, hours=100000, exposure_h=73440, target=0.98)
    7
    """
    wanted = require_between("target", target, above=0, below=1)
    return _smallest(
        lambda stock: uncertain_stock_covers(
            shape, hours=hours, exposure_h=exposure_h, stock=stock
        ),
        wanted,
    )


def _smallest(covers: Callable[[int], float], target: float) -> int:
    """Smallest stock whose cover reaches the target; cover never falls with stock."""
    if covers(0) >= target:
        return 0
    low, high = 0, 1
    while covers(high) < target:
        low, high = high, high * 2
        if high > MOST_PIECES:
            raise NoSolution(f"More than {MOST_PIECES} pieces would be needed.", (low, high))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if covers(middle) >= target else (middle, high)
    return high
