"""Plausibility windows: what a number of each kind can sanely be, in the library's base units.

They catch the slips that physics alone lets through: kJ for J, bar for Pa, kW for W, rpm for 1/s,
mm for m, per cent for a share. Wide enough for any centrifugal pump on a liquid, no wider. They
are not design limits.
"""

from dataclasses import dataclass

from valvecare.engineering.errors import OutOfRange, require_between, require_number


@dataclass(frozen=True)
class Window:
    """An interval with stated ends and the reason a value outside it is refused."""

    why: str
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None

    def check(self, name: str, value: object) -> float:
        """Return `value` as a float inside the window; refuse it by `name` otherwise.

        Parameters
        ----------
        name : the input as the caller knows it, unit included
        value : what was given

        Returns
        -------
        The value as a finite float.

        Raises
        ------
        OutOfRange : missing, not a number, not finite or outside the window

        Assumptions
        -----------
        None.

        Source
        ------
        Common practice; the widest values of the trade, from memory.

        Examples
        --------
        >>> EFFICIENCY.check("efficiency", 0.78)
        0.78
        >>> EFFICIENCY.check("efficiency", 78)  # doctest: +ELLIPSIS
        Traceback (most recent call last):
            ...
        valvecare.engineering.errors.OutOfRange: efficiency is 78.0; it must be above 0 and ...
        """
        return require_between(
            name,
            value,
            above=self.above,
            at_least=self.at_least,
            below=self.below,
            at_most=self.at_most,
            why=self.why,
        )


FLOW = Window("m3/s, not m3/h", above=0.0, at_most=20.0)
FLOW_OR_ZERO = Window("m3/s, not m3/h", at_least=0.0, at_most=20.0)
MASS_FLOW = Window("kg/s", above=0.0, at_most=20_000.0)
VELOCITY = Window("m/s", at_least=0.0, at_most=100.0)
HEAD = Window("metres of liquid over one pump", above=0.0, at_most=6_000.0)
HEAD_OR_ZERO = Window("metres of liquid", at_least=0.0, at_most=6_000.0)
STATIC_HEAD = Window("metres", at_least=-1_000.0, at_most=1_000.0)
EFFICIENCY = Window("a share, not per cent", above=0.0, below=1.0)
DENSITY = Window("kg/m3 of a liquid", at_least=300.0, at_most=2_000.0)
SPECIFIC_HEAT = Window("J/(kg K), not kJ/(kg K)", at_least=500.0, at_most=15_000.0)
VISCOSITY = Window("Pa s, not mPa s", at_least=1e-6, at_most=10.0)
TEMPERATURE = Window("degC", at_least=-200.0, at_most=400.0)
AMBIENT = Window("degC of the surroundings", at_least=-60.0, at_most=70.0)
SPEED_RATIO = Window("running speed over curve speed", at_least=0.2, at_most=5.0)
RISE = Window("K", above=0.0, at_most=150.0)
RISE_OR_ZERO = Window("K", at_least=0.0, at_most=150.0)
COMPRESSION_RISE = Window(
    "K; a little below 0 only for water colder than 4 degC", at_least=-0.2, at_most=50.0
)
PRESSURE_ABS = Window("Pa absolute, not bar or gauge", at_least=500.0, at_most=1e8)
VAPOUR_PRESSURE = Window("Pa absolute, not bar or kPa", at_least=0.0, at_most=2.2064e7)
CRITICAL_PRESSURE = Window("Pa absolute, not bar or MPa", at_least=1e5, at_most=5e7)
PRESSURE_DIFFERENCE = Window("Pa, not bar", above=0.0, at_most=1e8)
POWER = Window("W, not kW or MW", above=0.0, at_most=6e7)
POWER_OR_ZERO = Window("W, not kW or MW", at_least=0.0, at_most=6e7)
MASS = Window("kg", above=0.0, at_most=1e6)
MASS_OR_ZERO = Window("kg", at_least=0.0, at_most=1e6)
KV = Window("m3/h at 1 bar", above=0.0, at_most=20_000.0)
RECOVERY_FACTOR = Window(
    "liquid pressure recovery factor of the trim, from its record", at_least=0.3, at_most=1.0
)
LOSS_COEFFICIENT = Window("velocity heads", at_least=0.0, at_most=10_000.0)
BORE = Window("m, not mm", above=0.0, at_most=5.0)
DIAMETER = Window("m, not mm", above=0.0, at_most=20.0)
LENGTH = Window("m", above=0.0, at_most=20_000.0)
CLEARANCE = Window("m of radial gap, not mm", above=0.0, at_most=0.005)
ROUGHNESS = Window("m, not mm", at_least=0.0, at_most=0.01)
SPEED = Window("1/s, not rpm", above=0.0, at_most=500.0)
HEAT_LOSS = Window("W/(m K) of pipe length", above=0.0, at_most=200.0)
TIME_CONSTANT = Window("h", above=0.0, at_most=500.0)
HOURS = Window("h", above=0.0, at_most=8_784.0)
CONFORMANCE = Window("a probability of at least one half", at_least=0.5, below=1.0)
CURRENT = Window("A", above=0.0, at_most=5_000.0)


def uncertainty(name: str, value: object, *, of: float | None = None) -> float:
    """Return a standard uncertainty: given, finite, above 0, not larger than what it belongs to.

    Parameters
    ----------
    name : the input as the caller knows it, unit included
    value : standard uncertainty (k = 1), same unit as the value it belongs to
    of : the value it belongs to, or None when that may be near zero

    Returns
    -------
    The uncertainty as a float.

    Raises
    ------
    OutOfRange : missing, not finite, zero, negative, or larger than the value itself

    Assumptions
    -----------
    None: a missing uncertainty is never taken as zero.

    Source
    ------
    JCGM 106:2012, from memory.

    Examples
    --------
    >>> uncertainty("u_flow", 0.4, of=60.0)
    0.4
    """
    number = require_number(name, value)
    if number <= 0.0:
        raise OutOfRange(name, number, "above 0", "no measurement is exact; state its uncertainty")
    if of is not None and number > abs(of):
        raise OutOfRange(
            name, number, f"at most the value itself, {abs(of):.6g}", "such a reading says nothing"
        )
    return number
