"""Does a reading make sense: frozen, spiked, missing, in another unit, on the wrong machine.

Each check is a function of the data and stated thresholds, and answers with its figures. None
corrects anything: what is found is set aside and asked about.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counters import finite_array
from valvecare.engineering.errors import (
    NotEnoughData,
    OutOfRange,
    require_between,
    require_number,
)

MEDIAN_DEVIATION_TO_SIGMA = 1.4826  # 1/0.6745, normal distribution: textbook value


class Gap(NamedTuple):
    """A stretch without readings, seconds from the caller's origin."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Frozen:
    """The last stretch without change."""

    is_frozen: bool
    since_s: float
    lasted_s: float
    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class UnitDrift:
    """`factor_name` is the unit factor the jump looks like, None when it looks like none."""

    factor_name: str | None
    ratio: float
    reason: str


@dataclass(frozen=True, slots=True)
class SwappedPair:
    """Correlations of sensors a and b with their own and with the other's driver."""

    is_swapped: bool
    own_a: float
    own_b: float
    crossed_a: float
    crossed_b: float
    reason: str


def _ascending(
    time_s: ArrayLike, value: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    time, level = finite_array("time_s", time_s), finite_array("value", value)
    if time.ndim != 1 or time.shape != level.shape:
        raise OutOfRange("time_s, value", f"shapes {time.shape}, {level.shape}", "of one length")
    order = np.argsort(time, kind="stable")
    return time[order], level[order]


def frozen(
    time_s: ArrayLike, value: ArrayLike, *, resolution: float, at_least_s: float, least_count: int
) -> Frozen:
    """Has the sensor stood still, within its resolution, up to its last reading?

    Parameters
    ----------
    time_s, value : n readings in any order, n >= 1
    resolution : the largest spread that counts as no change, at least 0, unit of `value`
    at_least_s : how long it must have stood still, above 0
    least_count : how many readings that must rest on, at least 3

    Returns
    -------
    Frozen

    Raises
    ------
    OutOfRange, NotEnoughData : inputs not as above

    Assumptions
    -----------
    A live signal moves by more than its resolution in that time: true while the machine runs.

    Source
    ------
    Common practice; docs/methods/trend.md.

    Examples
    --------
    >>> found = frozen([0, 3600, 7200, 10800], [20.1, 24.1, 24.1, 24.1], resolution=0.0,
    ...     at_least_s=7200, least_count=3)
    >>> found.is_frozen, found.since_s, found.lasted_s
    (True, 3600.0, 7200.0)
    """
    require_between("resolution", resolution, at_least=0)
    require_between("at_least_s", at_least_s, above=0)
    require_between("least_count", least_count, at_least=3)
    time, level = _ascending(time_s, value)
    if time.size == 0:
        raise NotEnoughData("no reading", "at least 1")
    backwards = level[::-1]
    spread = np.maximum.accumulate(backwards) - np.minimum.accumulate(backwards)
    count = int(np.searchsorted(spread, resolution, side="right"))
    since = float(time[-count])
    lasted = float(time[-1]) - since
    is_frozen = lasted >= at_least_s and count >= least_count
    reason = (
        f"{count} readings within {resolution:g} over {lasted:.0f} s; "
        f"frozen from {at_least_s:.0f} s and {least_count} readings"
    )
    return Frozen(is_frozen, since, lasted, count, reason)


def spikes(
    value: ArrayLike, *, half_window: int, threshold_sigmas: float, least_distance: float
) -> NDArray[np.bool_]:
    """Values far from the running median of their neighbours (Hampel).

    Parameters
    ----------
    value : n daily medians in time order, n >= 2 x `half_window` + 1
    half_window : neighbours on either side, 1 to 50; the window stops at the ends
    threshold_sigmas : distance in scaled median deviations, above 0
    least_distance : distance that must be passed in any case, at least 0, unit of `value`;
        guards a quiet series, whose deviation is 0

    Returns
    -------
    flags (n,), True = spike

    Raises
    ------
    OutOfRange, NotEnoughData : inputs not as above

    Assumptions
    -----------
    Fewer than half of a window are spikes.

    Source
    ------
    Hampel's identifier with the running median (from memory).

    Examples
    --------
    >>> spikes([1.0, 1.1, 9.0, 1.2, 1.1], half_window=2, threshold_sigmas=3, least_distance=0.5
    ...     ).tolist()
    [False, False, True, False, False]
    """
    require_between("half_window", half_window, at_least=1, at_most=50)
    limit = require_between("threshold_sigmas", threshold_sigmas, above=0)
    least = require_between("least_distance", least_distance, at_least=0)
    level = finite_array("value", value)
    if level.ndim != 1 or level.size < 2 * half_window + 1:
        raise NotEnoughData(f"{level.size} values", f"at least {2 * half_window + 1}")
    edge = np.full(half_window, np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.concatenate((edge, level, edge)), 2 * half_window + 1
    )
    middle = np.nanmedian(windows, axis=1)
    deviation = np.nanmedian(np.abs(windows - middle[:, None]), axis=1)
    distance = np.abs(level - middle)
    return np.asarray(
        (distance > limit * MEDIAN_DEVIATION_TO_SIGMA * deviation) & (distance > least)
    )


def gaps(time_s: ArrayLike, *, longest_s: float, until_s: float) -> tuple[Gap, ...]:
    """Stretches without readings longer than allowed, the one up to now included.

    Parameters
    ----------
    time_s : times of readings, any order, n >= 1
    longest_s : longest silence allowed, above 0
    until_s : time of the question, not before the last reading

    Returns
    -------
    gaps in time order

    Raises
    ------
    OutOfRange, NotEnoughData : inputs not as above

    Assumptions
    -----------
    Before the first reading nothing was expected.

    Source
    ------
    Common practice; docs/methods/trend.md.

    Examples
    --------
    >>> gaps([0, 60, 400], longest_s=100, until_s=450)
    (Gap(start_s=60.0, end_s=400.0),)
    """
    require_between("longest_s", longest_s, above=0)
    until = require_number("until_s", until_s)
    time = np.sort(finite_array("time_s", time_s).ravel())
    if time.size == 0:
        raise NotEnoughData("no reading", "at least 1")
    if until < time[-1]:
        raise OutOfRange("until_s", until, "not before the last reading")
    edges = np.append(time, until)
    found = np.flatnonzero(np.diff(edges) > longest_s)
    return tuple(Gap(float(edges[i]), float(edges[i + 1])) for i in found)


def unit_drift(
    before: ArrayLike, after: ArrayLike, *, factors: Mapping[str, float], tolerance: float
) -> UnitDrift:
    """Does a jump look like a change of unit?

    Parameters
    ----------
    before, after : at least 3 values each from before and after the doubtful moment
    factors : known ratios after/before by name, each above 0 and not 1 ("bar to kPa": 100)
    tolerance : relative distance from a factor that still counts, above 0 and below 0.5

    Returns
    -------
    UnitDrift: the factor nearest on the logarithmic scale within the tolerance; None when the
    medians are equal within the tolerance, or when no factor fits

    Raises
    ------
    OutOfRange, NotEnoughData : inputs not as above, or a median that is 0

    Assumptions
    -----------
    The process itself did not jump by such a factor; units with another zero point (Celsius and
    Fahrenheit, gauge and absolute) are not a ratio and are not found.

    Source
    ------
    Common practice; docs/methods/trend.md.

    Examples
    --------
    >>> unit_drift([13.9, 14.0, 14.1], [1391, 1398, 1402], factors={"bar to kPa": 100},
    ...     tolerance=0.1).factor_name
    'bar to kPa'
    """
    allowed = require_between("tolerance", tolerance, above=0, below=0.5)
    if not factors:
        raise OutOfRange("factors", "none", "at least one known ratio")
    for name, factor in factors.items():
        if require_between(f"factor {name}", factor, above=0) == 1:
            raise OutOfRange(f"factor {name}", 1.0, "other than 1")
    first, second = finite_array("before", before), finite_array("after", after)
    if min(first.size, second.size) < 3:
        raise NotEnoughData(f"{first.size} and {second.size} values", "at least 3 each")
    old, new = float(np.median(first)), float(np.median(second))
    if old == 0 or new == 0:
        raise OutOfRange("median", 0.0, "not 0", "a ratio needs both sides")
    ratio = new / old
    fitting = {name: abs(np.log(ratio / factor)) for name, factor in factors.items() if ratio > 0}
    nearest = min(fitting, key=lambda key: fitting[key], default=None)
    says = f"median went from {old:g} to {new:g}, ratio {ratio:.4g}"
    if abs(ratio - 1) <= allowed:
        return UnitDrift(None, ratio, f"{says}: no jump")
    if nearest is None or abs(ratio / factors[nearest] - 1) > allowed:
        return UnitDrift(None, ratio, f"{says}: no known factor within {allowed:.0%}")
    return UnitDrift(nearest, ratio, f"{says}: like {nearest} ({factors[nearest]:g})")


def swapped_pair(
    sensor_a: ArrayLike,
    sensor_b: ArrayLike,
    *,
    driver_a: ArrayLike,
    driver_b: ArrayLike,
    margin: float,
    least_count: int,
) -> SwappedPair:
    """Are two sensors on each other's machine?

    Parameters
    ----------
    sensor_a, sensor_b : n readings each, at the same n instants
    driver_a, driver_b : what each should follow (running state or power of its own machine)
    margin : by how much the crossed correlation must beat the own one, for both, above 0, at
        most 2
    least_count : fewest instants, at least 5

    Returns
    -------
    SwappedPair

    Raises
    ------
    OutOfRange : lists of different length, or a list that never changes (no correlation exists)
    NotEnoughData : fewer instants than `least_count`

    Assumptions
    -----------
    The two machines do not run alike; when they do, own and crossed agree and nothing is found.

    Source
    ------
    Pearson's correlation; the rule is a proposal of this project (docs/methods/trend.md).

    Examples
    --------
    >>> run_a, run_b = [1, 1, 0, 0, 1, 0], [0, 1, 1, 0, 0, 1]
    >>> found = swapped_pair([20, 60, 58, 22, 21, 61], [59, 61, 20, 21, 60, 22], driver_a=run_a,
    ...     driver_b=run_b, margin=0.3, least_count=5)
    >>> found.is_swapped
    True
    """
    beat = require_between("margin", margin, above=0, at_most=2)
    require_between("least_count", least_count, at_least=5)
    rows = {
        "sensor_a": finite_array("sensor_a", sensor_a),
        "sensor_b": finite_array("sensor_b", sensor_b),
        "driver_a": finite_array("driver_a", driver_a),
        "driver_b": finite_array("driver_b", driver_b),
    }
    sizes = {row.size for row in rows.values()}
    if len(sizes) != 1 or any(row.ndim != 1 for row in rows.values()):
        raise OutOfRange("sensors, drivers", f"lengths {sorted(sizes)}", "of one length")
    count = sizes.pop()
    if count < least_count:
        raise NotEnoughData(f"{count} instants", f"at least {least_count}")
    for name, row in rows.items():
        if (row == row[0]).all():
            raise OutOfRange(name, "the same throughout", "changing", "no correlation exists")
    table = np.asarray(np.corrcoef(np.stack(list(rows.values()))))
    own_a, own_b = float(table[0, 2]), float(table[1, 3])
    crossed_a, crossed_b = float(table[0, 3]), float(table[1, 2])
    is_swapped = crossed_a - own_a > beat and crossed_b - own_b > beat
    reason = (
        f"a follows its own driver {own_a:.2f}, the other's {crossed_a:.2f}; "
        f"b its own {own_b:.2f}, the other's {crossed_b:.2f}; margin {beat:g}"
    )
    return SwappedPair(is_swapped, own_a, own_b, crossed_a, crossed_b, reason)
