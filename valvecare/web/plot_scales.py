"""Scales of a plot: thinning that keeps every spike, round ticks, days in the site's zone."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import ceil, floor, isfinite, log10
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.errors import OutOfRange
from valvecare.web.words import MONTHS, figure, plain_date, plain_time

Floats = NDArray[np.float64]


def points(xs: ArrayLike, ys: ArrayLike) -> tuple[Floats, Floats]:
    """Both columns as arrays: equal length, x finite and ascending, y finite or NaN (a gap)."""
    x = np.asarray(xs, dtype=np.float64)
    y = np.asarray(ys, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        raise OutOfRange("ys", float(y.size), f"as many values as there are xs ({x.size})")
    if not np.isfinite(x).all() or (np.diff(x) < 0).any():
        raise OutOfRange("xs", float("nan"), "finite and ascending")
    if np.isinf(y).any():
        raise OutOfRange("ys", float("inf"), "finite, or NaN for a gap")
    return x, y


def thin(xs: ArrayLike, ys: ArrayLike, columns: int) -> tuple[Floats, Floats]:
    """At most `5 * columns` points: first, lowest, highest, last and a gap of each column.

    Parameters
    ----------
    xs, ys : n points, x ascending; NaN in y is a gap and stays one
    columns : the number of equal slices of the x range, at least 1

    Every extreme value survives, which taking every n-th point would not give.
    """
    x, y = points(xs, ys)
    if x.size <= 4 * columns:
        return x, y
    span = x[-1] - x[0]
    if span == 0:
        slots = np.zeros(x.size, dtype=np.int64)
    else:
        slots = np.minimum(((x - x[0]) / span * columns).astype(np.int64), columns - 1)
    edges = np.flatnonzero(np.diff(slots)) + 1
    kept: set[int] = set()
    for low, high in zip([0, *edges], [*edges, x.size], strict=True):
        kept |= {int(low), int(high) - 1}
        part = y[low:high]
        if np.isfinite(part).any():
            kept |= {int(low + np.nanargmin(part)), int(low + np.nanargmax(part))}
        gaps = np.flatnonzero(np.isnan(part))
        if gaps.size:
            kept.add(int(low + gaps[0]))
    chosen = np.array(sorted(kept))
    return x[chosen], y[chosen]


def round_step(span: float, wanted: int) -> float:
    """A step of 1, 2 or 5 times a power of ten that cuts `span` into at most `wanted` parts."""
    rough = span / wanted
    size = 10.0 ** floor(log10(rough))
    return float(next(size * nice for nice in (1, 2, 5, 10) if size * nice >= rough * (1 - 1e-9)))


def round_ticks(low: float, high: float, wanted: int) -> list[float]:
    """Round values from `low` to `high`, both inside the range."""
    if not (isfinite(low) and isfinite(high) and high > low):
        raise OutOfRange("high", high, f"above {low:g}")
    step = round_step(high - low, wanted)
    return [
        round(index * step, 12) + 0.0
        for index in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)
    ]


@dataclass(frozen=True, slots=True)
class NumberAxis:
    """A plain number along the bottom, with its name and unit."""

    label: str
    unit: str = ""

    def ticks(self, low: float, high: float, wanted: int) -> list[tuple[float, str]]:
        return [(value, figure(value)) for value in round_ticks(low, high, wanted)]

    def words(self, value: float) -> str:
        return f"{figure(value)} {self.unit}".strip()

    def room(self, value: float) -> float:
        """Half-width of the axis round a single value."""
        return abs(value) * 0.1 or 1.0


_HOUR, _DAY = 3600.0, 86400.0
_HOURS: Sequence[int] = (1, 2, 3, 6, 12)
_DAYS: Sequence[int] = (1, 2, 7, 14)
_MONTHS: Sequence[int] = (1, 2, 3, 6, 12, 24, 60, 120)


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Seconds since 1970 UTC along the bottom, written in the site's zone."""

    zone: ZoneInfo
    label: str = "Time"

    def _local(self, at: float) -> datetime:
        return datetime.fromtimestamp(at, tz=UTC).astimezone(self.zone)

    def ticks(self, low: float, high: float, wanted: int) -> list[tuple[float, str]]:
        """Whole local hours, days, months or years; correct over a change of the clocks."""
        span = high - low
        for hours in _HOURS:
            if span / (hours * _HOUR) <= wanted:
                return self._stepped(low, high, timedelta(hours=hours), hours)
        for days in _DAYS:
            if span / (days * _DAY) <= wanted:
                return self._stepped(low, high, timedelta(days=days), 24)
        months = next((m for m in _MONTHS if span / (m * 30.4 * _DAY) <= wanted), _MONTHS[-1])
        return self._monthly(low, high, months)

    def _stepped(
        self, low: float, high: float, step: timedelta, hours: int
    ) -> list[tuple[float, str]]:
        wall = self._local(low).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
        found: list[tuple[float, str]] = []
        while True:
            at = wall.replace(tzinfo=self.zone).timestamp()
            if at > high:
                return found
            exists = self._local(at).replace(tzinfo=None) == wall
            if at >= low and exists:
                day = f"{wall.day} {MONTHS[wall.month - 1]}"
                clock = hours < 24 and (wall.hour or wall.minute)
                found.append((at, f"{wall:%H:%M}" if clock else day))
            wall += step

    def _monthly(self, low: float, high: float, months: int) -> list[tuple[float, str]]:
        start = self._local(low)
        count = start.year * 12 + (start.month - 1) // months * months if months < 12 else None
        if count is None:
            years = months // 12
            count = start.year // years * years * 12
        found: list[tuple[float, str]] = []
        while True:
            year, month = divmod(count, 12)
            at = datetime(year, month + 1, 1, tzinfo=self.zone).timestamp()
            if at > high:
                return found
            if at >= low:
                first_of_year = not found or month < months
                named = f"{MONTHS[month]} {year}" if first_of_year else MONTHS[month]
                found.append((at, named if months < 12 else str(year)))
            count += months

    def words(self, value: float) -> str:
        return plain_time(self._local(value))

    def room(self, value: float) -> float:
        """Half-width of the axis round a single instant: 45 days."""
        return 45 * _DAY

    def day(self, value: float) -> str:
        return plain_date(self._local(value).date())
