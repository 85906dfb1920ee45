"""Renew clocks: what has been used since the act, and when the limit will be reached.

A function of acts, policies and readings, not of the present instant; so a clock changes only
when one of them does, and the sweep reads nothing but clocks.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
from django.db.models import OuterRef, QuerySet, Subquery
from numpy.typing import NDArray

from valvecare.due.actions.usage import US_PER_DAY, lost_since, reached_days
from valvecare.due.actions.write import write_columns
from valvecare.due.models import Clock
from valvecare.due.reads.columns import As, Columns, any_of, columns
from valvecare.due.reads.screen import site_dates, trigger_column
from valvecare.due.rules.decide import CALENDAR, RUN_HOURS, STARTS
from valvecare.due.rules.words import CONFIDENCE, STALE_LEAST_S, STALE_PERIODS, STALE_UNKNOWN_S
from valvecare.engineering.calendars import add_months_array
from valvecare.engineering.usage import HOURS_PER_DAY, UsageSums, days_to_use, usage_rates
from valvecare.readings.models import Reading
from valvecare.readings.reads import accumulated_at
from valvecare.readings.rules import Quality

MOST_DAYS_AHEAD = 200 * 366.0
"""A date further off than this is none: the counter all but stands still."""

_NAT = np.datetime64("NaT", "D")
_BANDS = ("earliest_on", "likely_on", "latest_on")


def _read(clocks: "QuerySet[Any, Any]") -> Columns:
    state, usage = "series__state__", "series__usage__"
    return columns(
        clocks.order_by(),
        {
            "id": ("id", As.INT),
            "trigger": (trigger_column(), As.INT),
            "limit": ("limit", As.FLOAT),
            "anchor_us": ("anchor_us", As.INT),
            "anchor_on": ("anchor_on", As.DAY),
            "series": ("series_id", As.INT),
            "base": ("base", As.FLOAT),
            "base_next_us": ("base_next_us", As.INT),
            "base_lost": ("base_lost", As.INT),
            "was_used": ("used", As.FLOAT),
            "was_likely": ("likely_on", As.DAY),
            "points": (f"{state}points", As.INT),
            "first_us": (f"{state}first_us", As.INT),
            "last_us": (f"{state}last_us", As.INT),
            "accumulated": (f"{state}accumulated", As.FLOAT),
            "lost": (f"{state}lost_segments", As.INT),
            "period_s": ("series__expected_period_s", As.FLOAT),
            "weeks": (f"{usage}weeks", As.INT),
            "days": (f"{usage}days", As.FLOAT),
            "gain": (f"{usage}gain", As.FLOAT),
            "squares": (f"{usage}gain_squared_per_day", As.FLOAT),
            "site": ("item__site_id", As.INT),
        },
    )


def _next_readings(clock_ids: Sequence[int]) -> list[int | None]:
    """The first usable reading after the act of each clock, in the order of the ids."""
    after = Reading.objects.filter(
        series_id=OuterRef("series_id"),
        at_us__gt=OuterRef("anchor_us"),
        quality__lt=Quality.BAD.value,
    ).order_by("at_us")
    found = dict(
        Clock.objects.filter(any_of("pk", clock_ids))
        .annotate(next_us=Subquery(after.values("at_us")[:1]))
        .values_list("pk", "next_us")
    )
    return [found[one] for one in clock_ids]


def _rebase(held: Columns, rows: NDArray[np.int64]) -> dict[str, list[Any]]:
    """Total of the series at the act, and what readings can still correct it."""
    series, anchors = held["series"][rows], held["anchor_us"][rows]
    held["base"][rows] = accumulated_at(series.tolist(), anchors.tolist())
    first_days = (anchors // US_PER_DAY).tolist()
    held["base_lost"][rows] = held["lost"][rows] - lost_since(series.tolist(), first_days)
    return {
        "base": held["base"][rows].tolist(),
        "base_next_us": _next_readings(held["id"][rows].tolist()),
        "base_lost": held["base_lost"][rows].tolist(),
    }


def _needs_base(
    held: Columns, touched_us: Mapping[int, int], fresh: Collection[int]
) -> NDArray[np.int64]:
    """Counters whose base is missing, or that were touched before the base was settled."""
    touched = np.array(
        [touched_us.get(one, np.iinfo(np.int64).max) for one in held["series"].tolist()],
        dtype=np.int64,
    )
    is_counter = (held["series"] > 0) & ~np.isnat(held["anchor_on"])
    is_touched = touched < np.iinfo(np.int64).max
    is_open = (held["base_next_us"] == 0) | (touched <= held["base_next_us"])
    is_fresh = np.isin(held["id"], np.fromiter(fresh, dtype=np.int64, count=len(fresh)))
    return np.flatnonzero(is_counter & (np.isnan(held["base"]) | (is_touched & is_open) | is_fresh))


def renew_clocks(
    clocks: "QuerySet[Any, Any]",
    *,
    touched_us: Mapping[int, int],
    fresh: Collection[int],
    zones: Mapping[int, str],
) -> None:
    """Renew these clocks and store what changed.

    touched_us: series id -> earliest instant touched since the clocks were last renewed. fresh:
    ids of clocks whose act, series or limit is new. zones: site id -> time zone.
    """
    held = _read(clocks)
    if not held["id"].size:
        return
    rebased = _needs_base(held, touched_us, fresh)
    if rebased.size:
        write_columns(Clock, held["id"][rebased].tolist(), _rebase(held, rebased))
    is_fresh = np.isin(held["id"], np.fromiter(fresh, dtype=np.int64, count=len(fresh)))
    is_fresh[rebased] = True
    has_act = ~np.isnat(held["anchor_on"])
    counts = (held["series"] > 0) & has_act & (held["points"] > 0)
    used = np.where(counts, np.maximum(held["accumulated"] - held["base"], 0.0), np.nan)
    bands = {name: np.full(used.shape, _NAT) for name in _BANDS}
    rate = np.full(used.shape, np.nan)
    _calendar_bands(held, has_act, bands)
    for column, most in ((RUN_HOURS, HOURS_PER_DAY), (STARTS, None)):
        rows = np.flatnonzero(counts & (held["trigger"] == column))
        if rows.size:
            _counter_bands(held, rows, used, most, zones, bands, rate)
    _reached_bands(held, np.flatnonzero(counts), used, is_fresh, touched_us, zones, bands)
    period_s = np.where(
        np.isnan(held["period_s"]),
        STALE_UNKNOWN_S,
        np.maximum(STALE_PERIODS * held["period_s"], STALE_LEAST_S),
    )
    stale_at = np.where(counts, held["last_us"] + (period_s * 1e6).astype(np.int64), 0)
    is_least = counts & (
        (held["lost"] > held["base_lost"]) | (held["first_us"] > held["anchor_us"])
    )
    write_columns(
        Clock,
        held["id"].tolist(),
        {
            "used": _nullable(used),
            "used_at_us": [one or None for one in np.where(counts, held["last_us"], 0).tolist()],
            "stale_at_us": [one or None for one in stale_at.tolist()],
            "is_lower_bound": is_least.tolist(),
            "per_day": _nullable(rate),
            **{name: band.astype(object).tolist() for name, band in bands.items()},
        },
    )


def _nullable(values: NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(value) else float(value) for value in values]


def _calendar_bands(
    held: Columns, has_act: NDArray[np.bool_], bands: dict[str, NDArray[Any]]
) -> None:
    rows = np.flatnonzero((held["trigger"] == CALENDAR) & has_act)
    due = add_months_array(held["anchor_on"][rows], held["limit"][rows].astype(np.int64))
    for band in bands.values():
        band[rows] = due


def _counter_bands(
    held: Columns,
    rows: NDArray[np.int64],
    used: NDArray[np.float64],
    most_per_day: float | None,
    zones: Mapping[int, str],
    bands: dict[str, NDArray[Any]],
    rate: NDArray[np.float64],
) -> None:
    sums = UsageSums(
        count=held["weeks"][rows],
        days=np.nan_to_num(held["days"][rows]),
        gain=np.nan_to_num(held["gain"][rows]),
        gain_squared_per_day=np.nan_to_num(held["squares"][rows]),
    )
    rates = usage_rates(sums)
    rate[rows] = rates.per_day
    ahead = days_to_use(
        held["limit"][rows] - used[rows],
        sums,
        rates,
        confidence=CONFIDENCE,
        most_per_day=most_per_day,
    )
    # Counted from the instant, not the date: else the date would move back and forth in a day.
    start_us = np.maximum(held["last_us"][rows], held["anchor_us"][rows])
    for name, days in zip(_BANDS, (ahead.earliest_d, ahead.likely_d, ahead.latest_d), strict=True):
        is_dated = days < MOST_DAYS_AHEAD
        instants = start_us[is_dated] + (days[is_dated] * US_PER_DAY).astype(np.int64)
        bands[name][rows[is_dated]] = site_dates(instants, held["site"][rows][is_dated], zones)


def _reached_bands(
    held: Columns,
    rows: NDArray[np.int64],
    used: NDArray[np.float64],
    is_fresh: NDArray[np.bool_],
    touched_us: Mapping[int, int],
    zones: Mapping[int, str],
    bands: dict[str, NDArray[Any]],
) -> None:
    """A limit that is used up was reached on a day that no longer moves."""
    rows = rows[used[rows] >= held["limit"][rows]]
    if not rows.size:
        return
    was = held["was_likely"][rows]
    touched = [touched_us.get(one, np.iinfo(np.int64).max) for one in held["series"][rows].tolist()]
    is_later = np.array(touched) // US_PER_DAY > was.astype(np.int64) + 1
    is_kept = (held["was_used"][rows] >= held["limit"][rows]) & ~np.isnat(was)
    is_kept &= ~is_fresh[rows] & is_later
    for name in _BANDS:
        bands[name][rows[is_kept]] = was[is_kept]
    rows = rows[~is_kept]
    instants = reached_days(
        held["series"][rows].tolist(),
        held["anchor_us"][rows].tolist(),
        (used[rows] - held["limit"][rows]).tolist(),
    )
    days = site_dates(instants, held["site"][rows], zones)
    for name in _BANDS:
        bands[name][rows] = np.maximum(days, held["anchor_on"][rows])
