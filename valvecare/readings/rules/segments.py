"""One segment of a counter: judged by the engineering rule, in whole millionths of the unit."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.counter_series import counter_series, stray_points
from valvecare.engineering.counters import FIRST_LOST, MeterReplacement, segment_increments
from valvecare.readings.rules.words import MICRO, US_PER_S


class Judged(NamedTuple):
    """Segments judged: `kind` indexes `SEGMENT_KINDS`; gains in millionths, 0 where lost."""

    kind: NDArray[np.int8]
    gain_micro: NDArray[np.int64]
    is_lost: NDArray[np.bool_]


class MeterChange(NamedTuple):
    """A declared replacement or roll-over as the segment rule needs it."""

    at_us: int
    closing_value: float
    opening_value: float


def whole_micro(values: ArrayLike) -> NDArray[np.float64]:
    """Values in whole millionths of their unit, still as doubles (exact below 2**53)."""
    return np.rint(np.asarray(values, dtype=np.float64) * MICRO)


def judge_segments(
    from_us: NDArray[np.int64],
    to_us: NDArray[np.int64],
    from_value: NDArray[np.float64],
    to_value: NDArray[np.float64],
    *,
    resolution: NDArray[np.float64],
    ceiling: NDArray[np.float64],
    modulus: NDArray[np.float64],
    changes: Mapping[int, Sequence[MeterChange]],
) -> Judged:
    """What each segment of a counter adds, in whole millionths, so that sums have no order.

    `changes` names the segments that touch declared meter changes (both ends included); which
    of two segments a change at the very instant of a reading belongs to is decided by
    `counter_series`, the one place that knows.
    """
    elapsed_s = (to_us - from_us) / US_PER_S
    start, end = whole_micro(from_value), whole_micro(to_value)
    step, most, top = resolution * MICRO, ceiling * MICRO, whole_micro(modulus)
    found = segment_increments(
        elapsed_s, start, end, resolution=step, ceiling_per_hour=most, modulus=top
    )
    kind, gain = found.kind.copy(), found.gain.copy()
    for index, items in changes.items():
        one = counter_series(
            [0.0, float(elapsed_s[index])],
            [float(start[index]), float(end[index])],
            resolution=float(step[index]),
            ceiling_per_hour=float(most[index]),
            modulus=None if np.isnan(top[index]) else float(top[index]),
            replacements=_replacements(items, int(from_us[index])),
        )
        kind[index], gain[index] = one.segments.kind[0], one.segments.gain[0]
    return Judged(kind, np.rint(gain).astype(np.int64), kind >= FIRST_LOST)


def stray_readings(
    at_us: Sequence[int],
    value: Sequence[float],
    *,
    resolution: float,
    ceiling: float,
    modulus: float | None,
    changes: Sequence[MeterChange],
) -> list[bool]:
    """Which of a counter's neighbouring readings break both their segments: see `stray_points`."""
    first = at_us[0]
    flags = stray_points(
        [(us - first) / US_PER_S for us in at_us],
        whole_micro(value),
        resolution=resolution * MICRO,
        ceiling_per_hour=ceiling * MICRO,
        modulus=None if modulus is None else modulus * MICRO,
        replacements=_replacements([c for c in changes if c.at_us >= first], first),
    )
    return [bool(flag) for flag in flags]


def _replacements(changes: Sequence[MeterChange], origin_us: int) -> list[MeterReplacement]:
    return [
        MeterReplacement(
            (change.at_us - origin_us) / US_PER_S,
            float(whole_micro(change.closing_value)),
            float(whole_micro(change.opening_value)),
        )
        for change in changes
    ]
