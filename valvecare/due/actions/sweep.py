"""The two runs of the background: the whole fleet, and the counters that were touched.

Both renew clocks by the same function and store decisions by the same function, so that it makes
no difference which of them came first, how often they ran, or where one was killed.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q
from numpy.typing import NDArray

from valvecare.due.actions.settle import Settled, settle
from valvecare.due.actions.structure import QUANTITY, renew_valves
from valvecare.due.actions.usage import renew_usage
from valvecare.due.actions.use import renew_clocks
from valvecare.due.models import Clock, DueItem, Policy
from valvecare.due.reads.columns import As, Columns, columns
from valvecare.due.reads.policies import design_facts, policy_facts
from valvecare.due.reads.screen import Screened, screen, site_zones, todays
from valvecare.due.rules import NO_POLICY, TRIGGERS, TaskKind, policies_for, policy_book
from valvecare.readings.models import Series, SeriesState
from valvecare.register.models import ProtectionValve

CHUNK = 100_000
"""Valves or items held in memory at once."""

TOUCHED_BATCH = 2_000
SETTLE_BATCH = 2_000


def _no_beat() -> None:
    return None


def refresh_touched(at: datetime, beat: Callable[[], None] = _no_beat) -> Settled:
    """Renew the clocks and decisions of counters that were touched since they were last renewed.

    The mark is cleared under the lock of the series' row, before its numbers are read: a push at
    the same time either is seen, or waits and sets the mark again.
    """
    zones, found = site_zones(), Settled()
    while True:
        some = _refresh_batch(at, zones)
        if some is None:
            return found
        found += some
        beat()


@transaction.atomic
def _refresh_batch(at: datetime, zones: Mapping[int, str]) -> Settled | None:
    touched: dict[int, int] = dict(
        SeriesState.objects.select_for_update(skip_locked=True)
        .filter(touched_us__isnull=False)
        .order_by("pk")
        .values_list("pk", "touched_us")[:TOUCHED_BATCH]  # type: ignore[arg-type]
    )
    if not touched:
        return None
    SeriesState.objects.filter(pk__in=touched).update(touched_us=None)
    clocks = Clock.objects.filter(series_id__in=touched)
    counted = set(clocks.values_list("series_id", flat=True))
    items = sorted(set(clocks.values_list("item_id", flat=True)))
    list(
        DueItem.objects.select_for_update()
        .filter(pk__in=items)
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    renew_usage({series: us for series, us in touched.items() if series in counted})
    renew_clocks(clocks, touched_us=touched, fresh=(), zones=zones)
    return settle(items, at=at, zones=zones)


def sweep(at: datetime, beat: Callable[[], None] = _no_beat, *, chunk: int = CHUNK) -> Settled:
    """Bring the whole fleet up to date at this instant.

    Touched counters first; then valves whose items do not fit the register, the policies of the
    day or the counters in service; then every item is decided in arrays from its clock columns,
    and only those whose words change are locked, decided again and stored.
    """
    found = refresh_touched(at, beat)
    for valves in _misfits(at, chunk):
        found += renew_valves(valves, at=at)
        beat()
    zones, limits = site_zones(), _limits()
    looked = 0
    for low, high in _windows(DueItem.objects.all(), chunk):
        screened = screen(
            DueItem.objects.filter(pk__gt=low, pk__lte=high),
            Clock.objects.filter(item_id__gt=low, item_id__lte=high),
            at=at,
            zones=zones,
        )
        looked += screened.ids.size
        moved = screened.ids[screened.moved].tolist()
        unfit = _unfit_limits(screened, limits)
        del screened
        beat()
        found += renew_valves(
            DueItem.objects.filter(pk__in=unfit).values_list("valve_id", flat=True), at=at
        )
        for start in range(0, len(moved), SETTLE_BATCH):
            found += settle(moved[start : start + SETTLE_BATCH], at=at, zones=zones)
            beat()
    return Settled(looked, found.written, found.changed)


def _limits() -> dict[int, tuple[float, ...]]:
    """Policy id -> its limits in the order of the triggers, NaN where there is none."""
    return {
        policy.id: tuple(np.nan if limit is None else float(limit) for limit in policy.limits)
        for policy in policy_facts(Policy.objects.all())
    }


def _unfit_limits(screened: Screened, limits: Mapping[int, tuple[float, ...]]) -> list[int]:
    """Items whose clocks do not carry the limits of their policy."""
    policies, where = np.unique(screened.held["policy"], return_inverse=True)
    none = (np.nan,) * len(TRIGGERS)
    table = np.array([limits.get(int(one), none) for one in policies]).reshape(-1, len(TRIGGERS))
    same = np.isclose(screened.clocks.limit, table[where], rtol=0, atol=0, equal_nan=True)
    unfit: list[int] = screened.ids[~same.all(axis=1)].tolist()
    return unfit


def _windows(rows: Any, chunk: int) -> Iterator[tuple[int, int]]:
    """Ranges of primary keys (low excluded, high included) that hold at most `chunk` rows."""
    low = 0
    while True:
        ids = rows.filter(pk__gt=low).order_by("pk").values_list("pk", flat=True)
        high = next(iter(ids[chunk - 1 : chunk]), None)
        if high is None:
            last = ids.last()
            if last is not None:
                yield low, last
            return
        yield low, high
        low = high


def _misfits(at: datetime, chunk: int) -> Iterator[list[int]]:
    """Valves whose due items or clocks do not fit what they should follow from."""
    zones = site_zones()
    policies = policy_facts(Policy.objects.all())
    designs = design_facts()
    for low, high in _windows(ProtectionValve.objects.all(), chunk):
        valves = columns(
            ProtectionValve.objects.in_service().filter(pk__gt=low, pk__lte=high).order_by(),
            {
                "valve": ("id", As.INT),
                "pump": ("pump_id", As.INT),
                "group": ("pump__group_id", As.INT),
                "site": ("pump__group__site_id", As.INT),
                "design": ("design_id", As.INT),
            },
        )
        order = np.argsort(valves["valve"])
        valves = {name: column[order] for name, column in valves.items()}
        days = todays(at, valves["site"], zones)
        odd: set[int] = set()
        for kind in TaskKind:
            wanted = np.full(valves["valve"].size, NO_POLICY, dtype=np.int64)
            for day in np.unique(days):
                rows = days == day
                wanted[rows] = policies_for(
                    policy_book(policies, kind, day.astype(object)),
                    designs,
                    valve_id=valves["valve"][rows],
                    group_id=valves["group"][rows],
                    design_id=valves["design"][rows],
                )
            odd |= _misfits_of(kind, low, high, valves, wanted)
        if odd:
            yield sorted(odd)
    counters = _counter_misfits()
    if counters:
        yield counters


def _misfits_of(
    kind: TaskKind, low: int, high: int, valves: Columns, wanted: NDArray[np.int64]
) -> set[int]:
    """Valves of one range whose item of this kind is missing, superfluous or differs."""
    must = (wanted != NO_POLICY) | (kind is TaskKind.STRIP_DOWN)
    items = columns(
        DueItem.objects.filter(kind=kind.value, valve_id__gt=low, valve_id__lte=high).order_by(),
        {
            "valve": ("valve_id", As.INT),
            "pump": ("pump_id", As.INT),
            "group": ("group_id", As.INT),
            "site": ("site_id", As.INT),
            "design": ("design_id", As.INT),
            "policy": ("policy_id", As.INT),
        },
    )
    have = np.isin(valves["valve"], items["valve"], assume_unique=True)
    odd = set(valves["valve"][must != have].tolist())
    if not items["valve"].size:
        return odd
    order = np.argsort(items["valve"])
    items = {name: column[order] for name, column in items.items()}
    known = np.isin(items["valve"], valves["valve"], assume_unique=True)
    odd |= set(items["valve"][~known].tolist())
    rows = np.searchsorted(valves["valve"], items["valve"][known])
    differs = wanted[rows] != items["policy"][known]
    for name in ("pump", "group", "site", "design"):
        differs |= valves[name][rows] != items[name][known]
    return odd | set(items["valve"][known][differs].tolist())


def _counter_misfits() -> list[int]:
    """Valves with a clock on a counter that left service, or with none where there is one."""
    left = Clock.objects.filter(series__isnull=False).filter(
        Q(series__retired_at__isnull=False) | ~Q(series__pump=F("item__pump"))
    )
    found = set(left.values_list("item__valve_id", flat=True))
    for trigger, quantity in QUANTITY.items():
        there = Series.objects.filter(
            pump=OuterRef("item__pump"), quantity=quantity.value, retired_at__isnull=True
        )
        unmet = Clock.objects.filter(Exists(there), trigger=trigger.value, series__isnull=True)
        found |= set(unmet.values_list("item__valve_id", flat=True))
    return sorted(found)
