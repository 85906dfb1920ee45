"""The two runs of the background: the whole fleet, and the counters that were touched.

Both renew clocks by the same function and store decisions by the same function, so that it makes
no difference which of them came first, how often they ran, or where one was killed.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Max, Min, QuerySet

from valvecare.due.actions.conditions import (
    judge_events_of,
    judge_rules,
    judge_touched,
)
from valvecare.due.actions.settle import Settled, lock_items, settle, settle_locked
from valvecare.due.actions.structure import renew_valves
from valvecare.due.actions.usage import renew_usage
from valvecare.due.actions.use import renew_clocks
from valvecare.due.models import Clock, DueItem, FleetMark
from valvecare.due.reads.columns import any_of
from valvecare.due.reads.conditions import unlisted_findings
from valvecare.due.reads.misfits import Policies, fleet_mark, misfits
from valvecare.due.reads.screen import screen, site_zones
from valvecare.readings.models import PlantEvent, SeriesState

CHUNK = 100_000
"""Valves or items held in memory at once."""

LOOK_ANYWAY = timedelta(hours=1)
"""The fleet is held against the register this often, whether or not a change was recorded."""

TOUCHED_BATCH = 2_000
SETTLE_BATCH = 2_000


def _no_beat() -> None:
    return None


def refresh_touched(at: datetime, beat: Callable[[], None] = _no_beat) -> Settled:
    """Renew the clocks and decisions of what was touched since it was last renewed: counters by
    readings, valves by plant events.

    The mark is cleared under the lock of the series' row, before its numbers are read: a push at
    the same time either is seen, or waits and sets the mark again.
    """
    zones, found = site_zones(), Settled()
    while conditions := _count_events(at, zones):
        found += renew_valves(sorted(conditions), at=at)
        beat()
    while True:
        some = _refresh_batch(at, zones)
        if some is None:
            return found
        settled, conditions = some
        found += settled + renew_valves(conditions, at=at)
        beat()


@transaction.atomic
def _count_events(at: datetime, zones: Mapping[int, str]) -> set[int]:
    """Count new plant events; the valves whose findings changed, none when nothing is new.

    A run that finds its events held by another one leaves them to it.
    """
    changed: set[int] = set()
    while not changed:
        new = list(
            PlantEvent.objects.select_for_update(skip_locked=True)
            .filter(is_new=True)
            .order_by("pk")
            .values_list("pk", "pump_id")[:TOUCHED_BATCH]
        )
        if not new:
            break
        PlantEvent.objects.filter(any_of("pk", [pk for pk, _ in new])).update(is_new=False)
        changed = judge_events_of({pump for _, pump in new}, at, zones)
    return changed


@transaction.atomic
def _refresh_batch(at: datetime, zones: Mapping[int, str]) -> tuple[Settled, set[int]] | None:
    """What was settled, and the valves whose condition findings changed; None: all is clean."""
    touched: dict[int, int] = dict(
        SeriesState.objects.select_for_update(skip_locked=True)
        .filter(touched_us__isnull=False)
        .order_by("pk")
        .values_list("pk", "touched_us")[:TOUCHED_BATCH]  # type: ignore[arg-type]
    )
    if not touched:
        return None
    SeriesState.objects.filter(any_of("pk", touched)).update(touched_us=None)
    conditions = judge_touched(touched, at, zones)
    clocks = Clock.objects.filter(any_of("series_id", touched))
    pairs = list(clocks.values_list("series_id", "item_id"))
    if not pairs:
        return Settled(), conditions
    locked = lock_items({item for _, item in pairs})
    renew_usage({series: touched[series] for series in {series for series, _ in pairs}})
    renew_clocks(clocks, touched_us=touched, fresh=(), zones=zones)
    return settle_locked(locked, at=at, zones=zones), conditions


def sweep(at: datetime, beat: Callable[[], None] = _no_beat, *, chunk: int = CHUNK) -> Settled:
    """Bring the whole fleet up to date at this instant.

    Touched series first; then condition rules; then valves whose items do not fit the register,
    the policies of the day or the counters in service; then every item is decided in arrays from
    its clock columns, and only those whose words change are locked, decided again and stored.
    """
    found = refresh_touched(at, beat)
    zones = site_zones()
    conditions = judge_rules(at, zones, beat) | set(unlisted_findings())
    found += renew_valves(conditions, at=at, beat=beat)
    policies = Policies(at, zones)
    found += _fit_the_register(policies, at, beat)
    looked = 0
    for low, high in _windows(DueItem.objects.all(), chunk):
        screened = screen(
            DueItem.objects.filter(pk__gt=low, pk__lte=high),
            Clock.objects.filter(item_id__gt=low, item_id__lte=high),
            at=at,
            zones=zones,
        )
        looked += screened.ids.size
        unfit = screened.held["valve"][policies.unfit(screened.held, screened.clocks)]
        moved = screened.ids[screened.moved].tolist()
        del screened
        beat()
        found += renew_valves(unfit.tolist(), at=at, beat=beat)
        for start in range(0, len(moved), SETTLE_BATCH):
            found += settle(moved[start : start + SETTLE_BATCH], at=at, zones=zones)
            beat()
    return Settled(looked, found.written, found.changed)


def _fit_the_register(policies: Policies, at: datetime, beat: Callable[[], None]) -> Settled:
    """Renew the valves whose items do not fit, if anything can have changed since the last look."""
    mark = fleet_mark(policies)
    kept = FleetMark.objects.order_by("pk").first()
    if kept and kept.mark == mark and kept.checked_at <= at < kept.checked_at + LOOK_ANYWAY:
        return Settled()
    found = renew_valves(misfits(policies), at=at, beat=beat)
    FleetMark.objects.update_or_create(pk=1, defaults={"mark": mark, "checked_at": at})
    return found


def _windows(rows: "QuerySet[Any, Any]", chunk: int) -> Iterator[tuple[int, int]]:
    """Ranges of primary keys (low excluded, high included) that hold at most `chunk` rows."""
    ends = rows.aggregate(first=Min("pk"), last=Max("pk"))
    if ends["last"] is not None:
        for low in range(ends["first"] - 1, ends["last"], chunk):
            yield low, low + chunk
