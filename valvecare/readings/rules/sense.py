"""Do the readings of a series make sense? Each check answers with its words, or None.

The thresholds are defaults of this project. The methods are those of `engineering.plausibility`;
none of them corrects anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from itertools import groupby
from types import MappingProxyType

import numpy as np

from valvecare.engineering.catalogue.forms import shown_unit
from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.plausibility import frozen, gaps, spikes, swapped_pair, unit_drift
from valvecare.engineering.units import UNITS
from valvecare.readings.rules.measured import unit_kind
from valvecare.readings.rules.words import US_PER_S, Doubt, Quantity, SeriesKind

WINDOW_DAYS = 35
"""Days of daily values the checks look back on."""

MISSING_PERIODS = 3.0
FROZEN_S = 3 * 86_400.0
FROZEN_VALUES = 8  # lowest and highest of four days
SPIKE_HALF_WINDOW = 3
SPIKE_SIGMAS = 6.0
SPIKE_STEPS = 20.0  # a spike is at least so many resolutions away
FALLS_AT_REST = frozenset(
    {
        Quantity.POWER,
        Quantity.MAIN_FLOW,
        Quantity.BYPASS_FLOW,
        Quantity.DISCHARGE_PRESSURE,
        Quantity.VIBRATION,
    }
)
RECENT_DAYS = 7
DRIFT_DAYS = 3
DRIFT_TOLERANCE = 0.08
DRIFT_STEADY = 1.5  # daily means on either side of a jump lie within this factor
SWAP_MARGIN = 0.3
SWAP_DAYS = 10
STARTS_BEHIND_S = 7 * 86_400.0
STILL_DAYS = 3
STILL_STARTS = 3
LEAST_RUN_H = 0.1  # a start that runs shorter than this need not move the hours
RUNNING_H = 12.0  # a day with so many hours shows what the pump draws when it runs
DRAWN_SHARE = 0.5

SILENT_INTERVALS = 3
SILENT_LEAST = timedelta(hours=1)
FOLLOWS = "follows the pump of "

DOUBT_WORDS = MappingProxyType(
    {
        Doubt.CLOCK: "The sender's clock is wrong",
        Doubt.SET_ASIDE: "Readings wait for a person",
        Doubt.METER: "The meter changed",
        Doubt.SWAPPED: "Looks like the sensor of another pump",
        Doubt.UNIT_DRIFT: "Looks like another unit",
        Doubt.FROZEN: "Stands still",
        Doubt.MISSING: "No readings",
        Doubt.SPIKES: "Single values far off",
    }
)


@dataclass(frozen=True, slots=True)
class Found:
    """One doubt with its sentence."""

    doubt: Doubt
    words: str


@dataclass(frozen=True)
class SeriesFacts:
    """A series and its daily values, ascending; `ran` is the pump's run-hours a day, if known."""

    id: int
    tag: str
    quantity: Quantity
    kind: SeriesKind
    unit: str
    resolution: float
    expected_period_s: float | None
    last_us: int | None
    day: Sequence[int] = ()
    low: Sequence[float] = ()
    high: Sequence[float] = ()
    mean: Sequence[float] = ()
    last_of_day_us: Sequence[int] = ()
    gain: Sequence[float] = ()
    lost: Sequence[int] = ()
    ran: dict[int, float] = field(default_factory=dict)

    @property
    def is_gauge(self) -> bool:
        return self.kind is SeriesKind.GAUGE


_SPANS = ((86_400.0, "days", "day"), (3_600.0, "h", "hour"), (60.0, "min", "minute"))


def _lasting(seconds: float) -> str:
    """A span in the largest unit of which it has two or more, rounded down."""
    for unit, many, _ in _SPANS:
        if seconds >= 2 * unit:
            return f"{int(seconds // unit)} {many}"
    return f"{seconds:.3g} s"


def _period(seconds: float) -> str:
    """A period in the largest unit that goes into it without a rest.

    >>> _period(86_400.0), _period(12_000.0)
    ('day', '200 min')
    """
    for unit, many, one in _SPANS:
        if seconds == unit:
            return one
        if seconds % unit == 0:
            return f"{seconds / unit:.0f} {many}"
    return f"{seconds:g} s"


def missing(series: SeriesFacts, now_us: int) -> Found | None:
    """Silent for longer than three of its own periods."""
    if series.expected_period_s is None or series.last_us is None:
        return None
    longest = MISSING_PERIODS * series.expected_period_s
    last_s, now_s = series.last_us / US_PER_S, now_us / US_PER_S
    if now_s <= last_s:
        return None
    found = gaps([last_s], longest_s=longest, until_s=now_s)
    if not found:
        return None
    silent, period = _lasting(now_s - last_s), _period(series.expected_period_s)
    words = f"none for {silent}; one is expected every {period}"
    return Found(Doubt.MISSING, words)


def starts_behind(starts: SeriesFacts, hours: SeriesFacts) -> Found | None:
    """Hours of the same pump go on rising while the start counter is silent."""
    if hours.last_us is None or not any(hours.ran.get(day, 0.0) > 0 for day in hours.day[-7:]):
        return None
    if starts.last_us is None:
        return Found(Doubt.MISSING, f"no start has ever been read while {hours.tag} rises")
    behind_s = (hours.last_us - starts.last_us) / US_PER_S
    if behind_s <= STARTS_BEHIND_S:
        return None
    return Found(Doubt.MISSING, f"silent for {behind_s / 86_400:.0f} days while {hours.tag} rises")


def meter_changed(series: SeriesFacts) -> Found | None:
    """A counter fell or jumped and nobody has declared why: its total is only a lower bound."""
    days = [day for day, lost in zip(series.day, series.lost, strict=True) if lost]
    if series.is_gauge or not days:
        return None
    on = date(1970, 1, 1) + timedelta(days=days[-1])
    words = f"a fall or jump of {on.day} {on:%b %Y} (UTC) is not declared; it adds nothing"
    return Found(Doubt.METER, words)


def hours_stand(
    hours: SeriesFacts, starts: SeriesFacts | None, loads: Sequence[SeriesFacts]
) -> Found | None:
    """Run-hours are sent but stand still for three days while the pump is seen to run.

    Seen by its start counter, or by power or main flow that stay at half of what they are on
    days of running. A stuck meter would let no limit ever be reached.
    """
    still: list[int] = []
    for day, gain, lost in zip(hours.day, hours.gain, hours.lost, strict=True):
        still = [] if gain > 0 or lost else [*still, day]
    if len(still) < STILL_DAYS:
        return None
    words = f"{hours.high[-1]:.6g} h for {len(still)} days while"
    if starts is not None:
        gained = sum(
            gain
            for day, gain in zip(starts.day, starts.gain, strict=True)
            if still[0] <= day <= still[-1]
        )
        if gained >= max(STILL_STARTS, hours.resolution / LEAST_RUN_H):
            return Found(Doubt.FROZEN, f"{words} {starts.tag} gained {gained:.0f}")
    ran = {day for day, gain in zip(hours.day, hours.gain, strict=True) if gain >= RUNNING_H}
    for load in loads:
        mean = dict(zip(load.day, load.mean, strict=True))
        usual = [mean[day] for day in sorted(ran & mean.keys())]
        now = [mean[day] for day in still if day in mean]
        if min(len(usual), len(now)) < STILL_DAYS:
            continue
        if 0 < DRAWN_SHARE * float(np.median(usual)) <= min(now):
            least = f"{min(now):.4g} {load.unit}"
            return Found(Doubt.FROZEN, f"{words} {load.tag} stays at {least} or more")
    return None


def standing_still(series: SeriesFacts) -> Found | None:
    """A gauge that has not moved by more than its resolution for three days of running.

    Where the pump's hours are known it must have run in that time: a cold idle line may be still.
    """
    if not series.is_gauge or len(series.day) < FROZEN_VALUES // 2:
        return None
    times = [us / US_PER_S for us in series.last_of_day_us for _ in range(2)]
    values = [v for pair in zip(series.low, series.high, strict=True) for v in pair]
    found = frozen(
        times, values, resolution=series.resolution, at_least_s=FROZEN_S, least_count=FROZEN_VALUES
    )
    if not found.is_frozen:
        return None
    since_day = found.since_s // 86_400
    if series.ran and not any(hours > 0 for day, hours in series.ran.items() if day >= since_day):
        return None
    days = found.lasted_s / 86_400
    words = f"{values[-1]:.6g} {shown_unit(series.unit)} without change for {days:.0f} days"
    return Found(Doubt.FROZEN, words)


def spiking(series: SeriesFacts, today: int) -> Found | None:
    """A day's lowest or highest value of the last week lies far from its neighbours'.

    The day after must be usual again: until then it may be a step, which is no spike. Nor is a
    value that other days show too, or a low one of what falls whenever the pump stops.
    """
    if not series.is_gauge or len(series.day) < 2 * SPIKE_HALF_WINDOW + 1:
        return None
    sides = [("lowest", series.low), ("highest", series.high)]
    for name, values in sides[series.quantity in FALLS_AT_REST :]:
        flags = spikes(
            values,
            half_window=SPIKE_HALF_WINDOW,
            threshold_sigmas=SPIKE_SIGMAS,
            least_distance=max(SPIKE_STEPS * series.resolution, 0.0),
        )
        is_alone = flags[:-1] & ~flags[1:]
        recent = [
            values[i]
            for i in np.flatnonzero(is_alone).tolist()
            if series.day[i] > today - RECENT_DAYS and _is_unseen(series, values[i], i)
        ]
        if recent:
            middle = float(np.median(values))
            unit = shown_unit(series.unit)
            words = f"{name} value of a day {recent[-1]:.6g} {unit}, usually {middle:.6g}"
            return Found(Doubt.SPIKES, words)
    return None


def _is_unseen(series: SeriesFacts, value: float, index: int) -> bool:
    """Outside everything the other days of the window show."""
    low = min(one for n, one in enumerate(series.low) if n != index)
    high = max(one for n, one in enumerate(series.high) if n != index)
    return not low <= value <= high


@lru_cache(maxsize=64)
def _factors(quantity: Quantity, unit: str) -> dict[str, float]:
    """Ratios a value takes when it is sent in another unit of its kind under the same name."""
    kind = unit_kind(quantity, unit)
    if kind is None or kind == "temperature":
        return {}
    table = UNITS[kind]
    own = table.get(unit.removesuffix("_g").removesuffix("_a"))
    if own is None:
        return {}
    ratios = {}
    for other, (factor, _) in table.items():
        ratio = own[0] / factor
        if not 0.9 < ratio < 1.1:
            ratios[f"{unit} to {other}"] = ratio
            ratios[f"{other} to {unit}"] = 1 / ratio
    return ratios


def drifted(series: SeriesFacts) -> Found | None:
    """The daily means jumped by the factor between two units, steady on both sides."""
    factors = _factors(series.quantity, series.unit)
    if not series.is_gauge or not factors:
        return None
    for cut in range(max(DRIFT_DAYS, len(series.mean) - RECENT_DAYS), len(series.mean) - 2):
        before = np.asarray(series.mean[max(0, cut - 2 * DRIFT_DAYS) : cut])
        after = np.asarray(series.mean[cut:])
        if min(before.size, after.size) < DRIFT_DAYS or (before <= 0).any() or (after <= 0).any():
            continue
        if max(before.max() / before.min(), after.max() / after.min()) > DRIFT_STEADY:
            continue
        try:
            found = unit_drift(before, after, factors=factors, tolerance=DRIFT_TOLERANCE)
        except (NotEnoughData, OutOfRange):
            continue
        if found.factor_name is not None:
            return Found(Doubt.UNIT_DRIFT, found.reason)
    return None


def swapped(one: SeriesFacts, two: SeriesFacts) -> tuple[Found, Found] | None:
    """Each follows the running of the other's pump better than of its own."""
    days = sorted(set(one.day) & set(two.day) & set(one.ran) & set(two.ran))
    if len(days) < SWAP_DAYS:
        return None
    means = [dict(zip(s.day, s.mean, strict=True)) for s in (one, two)]
    try:
        found = swapped_pair(
            [means[0][d] for d in days],
            [means[1][d] for d in days],
            driver_a=[one.ran[d] for d in days],
            driver_b=[two.ran[d] for d in days],
            margin=SWAP_MARGIN,
            least_count=SWAP_DAYS,
        )
    except (NotEnoughData, OutOfRange):
        return None
    if not found.is_swapped:
        return None
    return (
        Found(Doubt.SWAPPED, f"{FOLLOWS}{two.tag}: {found.own_a:.2f} with its own pump, "
              f"{found.crossed_a:.2f} with that one"),
        Found(Doubt.SWAPPED, f"{FOLLOWS}{one.tag}: {found.own_b:.2f} with its own pump, "
              f"{found.crossed_b:.2f} with that one"),
    )  # fmt: skip


def sender_is_silent(age: timedelta, *, usual: timedelta) -> bool:
    """No push for three times the usual time between two, an hour at least."""
    return age > max(SILENT_INTERVALS * usual, SILENT_LEAST)


def gravest(found: Sequence[Found]) -> Found | None:
    """The doubt that is shown: the gravest, with the words of all."""
    if not found:
        return None
    order = list(Doubt)
    ordered = sorted(found, key=lambda one: order.index(one.doubt))
    words = "; ".join(
        f"{DOUBT_WORDS[doubt]}: {'; '.join(one.words for one in same)}"
        for doubt, same in groupby(ordered, key=lambda one: one.doubt)
    )
    return Found(ordered[0].doubt, words[:300])
