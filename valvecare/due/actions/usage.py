"""Keep the usage sums of counters: a year of complete weeks before the last reading's week.

A function of the readings alone, so the same whenever and however often it is renewed.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.due.actions.write import write_columns
from valvecare.due.models import SeriesUsage
from valvecare.due.reads.columns import As, any_of, columns
from valvecare.due.rules.words import USAGE_WEEKS
from valvecare.engineering.usage import usage_sums
from valvecare.readings.models import SeriesDay, SeriesState

US_PER_DAY = 86_400_000_000
_MONDAY = 4  # 1970-01-05, in days since 1970-01-01


def week_start(day: NDArray[np.int64]) -> NDArray[np.int64]:
    """The Monday (days since 1970) of the week of each day (days since 1970)."""
    return (day - _MONDAY) // 7 * 7 + _MONDAY


def _last_days(series_ids: Sequence[int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    states = columns(
        SeriesState.objects.filter(any_of("pk", series_ids), last_us__isnull=False),
        {"series": ("series_id", As.INT), "last": ("last_us", As.INT)},
    )
    return states["series"], states["last"] // US_PER_DAY


def renew_usage(touched_us: dict[int, int]) -> None:
    """Renew the sums of the touched counters where a complete week may have changed.

    touched_us: series id -> earliest instant touched (0 = whatever is kept is not to be trusted).
    """
    series, last_day = _last_days(list(touched_us))
    monday = week_start(last_day)
    kept = columns(
        SeriesUsage.objects.filter(any_of("pk", touched_us)),
        {"series": ("series_id", As.INT), "week": ("week_on", As.DAY)},
    )
    have = dict(zip(kept["series"].tolist(), kept["week"].astype(np.int64).tolist(), strict=True))
    wanted = [
        (one, week)
        for one, week in zip(series.tolist(), monday.tolist(), strict=True)
        if have.get(one) != week or touched_us[one] // US_PER_DAY < week
    ]
    if not wanted:
        return
    ids = np.array([one for one, _ in wanted], dtype=np.int64)
    weeks = np.array([week for _, week in wanted], dtype=np.int64)
    order = np.argsort(ids)
    ids, weeks = ids[order], weeks[order]
    sums = _sums(ids, weeks)
    values = {
        "week_on": weeks.astype("datetime64[D]").astype(object).tolist(),
        "weeks": sums.count.tolist(),
        "days": sums.days.tolist(),
        "gain": sums.gain.tolist(),
        "gain_squared_per_day": sums.gain_squared_per_day.tolist(),
    }
    is_new = [n for n, one in enumerate(ids.tolist()) if one not in have]
    SeriesUsage.objects.bulk_create(
        [
            SeriesUsage(series_id=int(ids[n]), **{name: held[n] for name, held in values.items()})
            for n in is_new
        ],
        ignore_conflicts=True,
    )
    old = [n for n in range(ids.size) if int(ids[n]) in have]
    write_columns(
        SeriesUsage,
        [int(ids[n]) for n in old],
        {name: [held[n] for n in old] for name, held in values.items()},
    )


def _sums(ids: NDArray[np.int64], weeks: NDArray[np.int64]) -> Any:
    """Weekly segments of each counter before its current week, summed by `engineering.usage`."""
    days = columns(
        SeriesDay.objects.filter(
            any_of("series_id", ids.tolist()),
            day__gte=int(weeks.min()) - 7 * USAGE_WEEKS,
            day__lt=int(weeks.max()),
            valid_s__gt=0,
        ),
        {
            "series": ("series_id", As.INT),
            "day": ("day", As.INT),
            "gain": ("increment", As.FLOAT),
            "seconds": ("valid_s", As.FLOAT),
        },
    )
    item = np.searchsorted(ids, days["series"])
    inside = (days["day"] < weeks[item]) & (days["day"] >= weeks[item] - 7 * USAGE_WEEKS)
    item, day = item[inside], days["day"][inside]
    back = (weeks[item] - week_start(day)) // 7 - 1  # 0 = the last complete week
    slots = item * USAGE_WEEKS + back
    size = ids.size * USAGE_WEEKS
    gain = np.bincount(slots, weights=days["gain"][inside], minlength=size)
    seconds = np.bincount(slots, weights=days["seconds"][inside], minlength=size)
    seen = np.flatnonzero(seconds > 0)
    return usage_sums(seconds[seen] / 86_400, gain[seen], item=seen // USAGE_WEEKS, items=ids.size)


def lost_since(series_ids: Sequence[int], days: Sequence[int]) -> NDArray[np.int64]:
    """Lost segments of each series on or after its day (days since 1970), per pair."""
    if not len(series_ids):
        return np.zeros(0, dtype=np.int64)
    rows = SeriesDay.objects.filter(
        any_of("series_id", series_ids), day__gte=min(days), lost__gt=0
    ).values_list("series_id", "day", "lost")
    by_series: dict[int, list[tuple[int, int]]] = {}
    for series, day, lost in rows:
        by_series.setdefault(series, []).append((day, lost))
    return np.array(
        [
            sum(lost for day, lost in by_series.get(series, ()) if day >= first)
            for series, first in zip(series_ids, days, strict=True)
        ],
        dtype=np.int64,
    )


def reached_days(
    series_ids: Sequence[int], since_us: Sequence[int], over: Sequence[float]
) -> NDArray[np.int64]:
    """The instant (us) of the last reading of the first day on which the limit was reached.

    over: what the counter has gained beyond the limit by now, at least 0. 0 = not found.
    """
    found = np.zeros(len(series_ids), dtype=np.int64)
    for n, (series, since, beyond) in enumerate(zip(series_ids, since_us, over, strict=True)):
        rows = (
            SeriesDay.objects.filter(series_id=series, day__gte=since // US_PER_DAY)
            .order_by("-day")
            .values_list("increment", "last_us")
        )
        for increment, last_us in rows.iterator():
            found[n] = last_us
            beyond -= increment
            if beyond < 0:
                break
    return found
