"""Cumulative counters (run-hours, starts): what each pair of readings adds, and what is lost.

Segments run from one reading to the next. One kernel judges them all, one at a time or in
arrays. A falling value never lowers a total: the segment is lost, and the total that leaves it
out is a lower bound until someone confirms. Every result is a function of the set of readings,
so the order of arrival cannot matter; a late reading replaces one segment by two.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.errors import OutOfRange, require_number

SECONDS_PER_HOUR = 3600.0
RUN_HOURS_CEILING_PER_HOUR = 1.02  # more hours than elapsed x 1.02 is impossible: common practice


class SegmentKind(StrEnum):
    """What lies between two consecutive readings of a counter."""

    NORMAL = "normal"
    ROLLOVER = "rollover"
    REPLACED = "replaced"
    RESET = "reset"
    IMPOSSIBLE = "impossible"


SEGMENT_KINDS: tuple[SegmentKind, ...] = tuple(SegmentKind)
NORMAL, ROLLOVER, REPLACED, RESET, IMPOSSIBLE = range(len(SEGMENT_KINDS))
FIRST_LOST = RESET  # kinds from here on add nothing


class CounterPoint(NamedTuple):
    """One reading: seconds since any fixed origin, and the counter's value."""

    time_s: float
    value: float


@dataclass(frozen=True, slots=True)
class MeterReplacement:
    """A declared change of meter: the old one's last value and the new one's first."""

    time_s: float
    closing_value: float
    opening_value: float


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment judged. `gain` and `counted_s` are 0 when it is lost."""

    kind: SegmentKind
    gain: float
    elapsed_s: float

    @property
    def is_lost(self) -> bool:
        return self.kind in (SegmentKind.RESET, SegmentKind.IMPOSSIBLE)

    @property
    def counted_s(self) -> float:
        return 0.0 if self.is_lost else self.elapsed_s


@dataclass(frozen=True, slots=True)
class Segments:
    """Arrays of one shape: `kind` indexes `SEGMENT_KINDS`; `gain` is 0 where `is_lost`."""

    kind: NDArray[np.int8]
    gain: NDArray[np.float64]
    is_lost: NDArray[np.bool_]


def finite_array(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Values as an array of floats; what is missing, infinite or not a number is refused by name.

    Parameters
    ----------
    name : the input as the caller knows it, unit included
    values : numbers, any shape

    Returns
    -------
    array of floats of the same shape

    Raises
    ------
    OutOfRange : a value missing, not finite or not a number

    Assumptions
    -----------
    None.

    Source
    ------
    Rule of this library: no NaN in, no NaN out.

    Examples
    --------
    >>> finite_array("times_h", [1, 2]).tolist()
    [1.0, 2.0]
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise OutOfRange(name, str(values)[:80], "numbers") from error
    if not np.isfinite(array).all():
        raise OutOfRange(name, "an array with a missing or infinite value", "finite throughout")
    return array


def _counter_values(
    name: str, values: ArrayLike, modulus: NDArray[np.float64]
) -> NDArray[np.float64]:
    array = finite_array(name, values)
    if (array < 0).any():
        raise OutOfRange(name, float(array.min()), "at least 0", "a counter starts at 0")
    with np.errstate(invalid="ignore"):
        too_high = array >= modulus
    if too_high.any():
        worst = float(np.broadcast_to(array, too_high.shape)[too_high].max())
        raise OutOfRange(
            name,
            worst,
            "below the declared modulus",
            "correct the modulus or set the reading aside",
        )
    return array


def _modulus_array(modulus: ArrayLike | None) -> NDArray[np.float64]:
    if modulus is None:
        return np.asarray(np.nan)
    array = np.asarray(modulus, dtype=np.float64)
    if (array <= 0).any() or np.isinf(array).any():
        raise OutOfRange("modulus", float(np.nanmin(array)), "above 0 and finite, or left out")
    return array


def _judge(
    elapsed_s: NDArray[np.float64],
    from_value: NDArray[np.float64],
    to_value: NDArray[np.float64],
    *,
    closing_value: NDArray[np.float64],
    opening_value: NDArray[np.float64],
    between: NDArray[np.float64],
    modulus: NDArray[np.float64],
    ceiling_per_hour: NDArray[np.float64],
    resolution: NDArray[np.float64],
) -> Segments:
    """The one rule. `between`: gain of meters both fitted and removed inside the segment."""
    most = elapsed_s / SECONDS_PER_HOUR * ceiling_per_hour + resolution
    is_replaced = ~np.isnan(closing_value)
    # Two pieces: up to the replacement and after it. Without one, the first piece is all.
    first = np.where(is_replaced, closing_value, to_value) - from_value
    second = np.where(is_replaced, to_value - opening_value, 0.0)
    falls = (first < 0) | (second < 0)
    lift = np.where(np.isnan(modulus), 0.0, modulus)
    gain = first + second + between + lift * (first < 0) + lift * (second < 0)
    explained = ~falls | (~np.isnan(modulus) & (gain <= most))
    kind = np.where(is_replaced, REPLACED, np.where(falls, ROLLOVER, NORMAL))
    kind = np.where(explained, np.where(gain <= most, kind, IMPOSSIBLE), RESET).astype(np.int8)
    is_lost = kind >= FIRST_LOST
    return Segments(kind, np.where(is_lost, 0.0, gain), is_lost)


def segment_increments(
    elapsed_s: ArrayLike,
    from_value: ArrayLike,
    to_value: ArrayLike,
    *,
    resolution: ArrayLike,
    ceiling_per_hour: ArrayLike,
    modulus: ArrayLike | None = None,
    closing_value: ArrayLike | None = None,
    opening_value: ArrayLike | None = None,
    gained_between: ArrayLike = 0.0,
) -> Segments:
    """Judge many segments at once, of one counter or of a whole fleet.

    Parameters
    ----------
    elapsed_s : seconds from reading to reading, above 0; any shape, all arrays broadcast
    from_value, to_value : the counter at both ends, at least 0 and below `modulus`
    resolution : smallest step the counter shows, at least 0
    ceiling_per_hour : the most the counter can gain in an hour, above 0;
        `RUN_HOURS_CEILING_PER_HOUR` for hours, the stated most starts per hour for starts
    modulus : value at which the counter starts again at 0; None or NaN where none is declared
    closing_value, opening_value : a declared replacement inside the segment: the old meter's
        last and the new meter's first value; NaN where none, both or neither
    gained_between : gain of meters both fitted and removed inside the segment, at least 0;
        `chain_replacements` gives all three

    Returns
    -------
    Segments with `kind` (index into `SEGMENT_KINDS`), `gain` in the counter's unit, `is_lost`

    Raises
    ------
    OutOfRange : a value not finite, negative, at or above the modulus, time that does not run

    Assumptions
    -----------
    At most one roll-over per meter and segment. A fall that no declaration explains is a reset,
    never a correction.

    Source
    ------
    Common practice for unwrapping counters; order of the tests: replacement, roll-over, reset,
    impossible (docs/methods/counters.md).

    Examples
    --------
    >>> found = segment_increments([604800] * 3, [99800, 99950, 105], [99950, 105, 255],
    ...     resolution=1, ceiling_per_hour=RUN_HOURS_CEILING_PER_HOUR, modulus=100000)
    >>> found.gain.tolist(), [SEGMENT_KINDS[k].value for k in found.kind]
    ([150.0, 155.0, 150.0], ['normal', 'rollover', 'normal'])
    """
    elapsed = finite_array("elapsed_s", elapsed_s)
    if (elapsed <= 0).any():
        raise OutOfRange("elapsed_s", float(elapsed.min()), "above 0", "one reading an instant")
    if (closing_value is None) != (opening_value is None):
        raise OutOfRange("closing_value", str(closing_value), "given together with opening_value")
    limit = _modulus_array(modulus)
    closing = np.asarray(np.nan if closing_value is None else closing_value, dtype=np.float64)
    opening = np.asarray(np.nan if opening_value is None else opening_value, dtype=np.float64)
    if (np.isnan(closing) != np.isnan(opening)).any():
        raise OutOfRange("closing_value", "one of a pair", "given together with opening_value")
    if (closing < 0).any() or (opening < 0).any():
        raise OutOfRange("closing_value, opening_value", "below 0", "at least 0")
    between = finite_array("gained_between", gained_between)
    if (between < 0).any():
        raise OutOfRange("gained_between", float(between.min()), "at least 0")
    step = finite_array("resolution", resolution)
    ceiling = finite_array("ceiling_per_hour", ceiling_per_hour)
    if (step < 0).any():
        raise OutOfRange("resolution", float(step.min()), "at least 0")
    if (ceiling <= 0).any():
        raise OutOfRange("ceiling_per_hour", float(ceiling.min()), "above 0")
    return _judge(
        elapsed,
        _counter_values("from_value", from_value, limit),
        _counter_values("to_value", to_value, limit),
        closing_value=closing,
        opening_value=opening,
        between=between,
        modulus=limit,
        ceiling_per_hour=ceiling,
        resolution=step,
    )


def chain_replacements(
    replacements: Sequence[MeterReplacement],
) -> tuple[float, float, float]:
    """Fold the replacements inside one segment, in time order, into one.

    Parameters
    ----------
    replacements : one or more declared replacements between two consecutive readings

    Returns
    -------
    closing value of the first old meter, opening value of the last new one, and what the meters
    in between gained, all in the counter's unit

    Raises
    ------
    OutOfRange : a meter in between closes below the value it opened at

    Assumptions
    -----------
    No roll-over on a meter that was both fitted and removed inside the segment.

    Source
    ------
    Arithmetic; docs/methods/counters.md.

    Examples
    --------
    >>> chain_replacements([MeterReplacement(0, 900, 0), MeterReplacement(60, 4, 1)])
    (900.0, 1.0, 4.0)
    """
    ordered = sorted(replacements, key=lambda item: (item.time_s, item.closing_value))
    for item in ordered:
        require_number("closing_value", item.closing_value)
        require_number("opening_value", item.opening_value)
    between = 0.0
    for earlier, later in zip(ordered, ordered[1:], strict=False):
        run = later.closing_value - earlier.opening_value
        if run < 0:
            raise OutOfRange(
                "closing_value",
                later.closing_value,
                f"at least the {earlier.opening_value:g} the same meter opened at",
                "correct the declared replacement",
            )
        between += run
    return float(ordered[0].closing_value), float(ordered[-1].opening_value), float(between)


def segment_increment(
    previous: CounterPoint,
    following: CounterPoint,
    *,
    resolution: float,
    ceiling_per_hour: float,
    modulus: float | None = None,
    replacements: Sequence[MeterReplacement] = (),
) -> Segment:
    """Judge the segment between two consecutive readings; what it adds, in the counter's unit.

    Parameters
    ----------
    previous, following : the two readings, `following` later
    resolution, ceiling_per_hour, modulus : as for `segment_increments`
    replacements : declared replacements of the meter between the two readings, any number

    Returns
    -------
    Segment. A reading that arrives late between the two replaces this segment by two: take this
    one's `gain` and `counted_s` off and add those of `(previous, late)` and `(late, following)`.

    Raises
    ------
    OutOfRange : as `segment_increments`, and a replacement outside the segment

    Assumptions
    -----------
    As `segment_increments`.

    Source
    ------
    As `segment_increments`.

    Examples
    --------
    >>> segment_increment(CounterPoint(0, 41230), CounterPoint(86400, 12), resolution=1,
    ...     ceiling_per_hour=RUN_HOURS_CEILING_PER_HOUR,
    ...     replacements=[MeterReplacement(36000, 41236, 0)]).gain
    18.0
    """
    start = require_number("previous.time_s", previous[0])
    end = require_number("following.time_s", following[0])
    closing = opening = np.nan
    between = 0.0
    if replacements:
        for item in replacements:
            if not start <= require_number("replacement time_s", item.time_s) <= end:
                raise OutOfRange(
                    "replacement time_s", item.time_s, "inside the segment", "it lies elsewhere"
                )
        closing, opening, between = chain_replacements(replacements)
    found = segment_increments(
        end - start,
        previous[1],
        following[1],
        resolution=resolution,
        ceiling_per_hour=ceiling_per_hour,
        modulus=modulus,
        closing_value=closing,
        opening_value=opening,
        gained_between=between,
    )
    return Segment(SEGMENT_KINDS[int(found.kind)], float(found.gain), end - start)
