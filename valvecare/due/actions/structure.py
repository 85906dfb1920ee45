"""Which due items and clocks a valve must have: from the register, policies, acts and counters.

`renew_valves` is the only function that makes, changes or removes them; new acts, new policies
and changes of the register all end here.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Min

from valvecare.due.actions.findings import close_after_acts
from valvecare.due.actions.settle import Settled, settle
from valvecare.due.actions.usage import renew_usage
from valvecare.due.actions.use import renew_clocks
from valvecare.due.models import Clock, DueItem, Policy
from valvecare.due.reads.acts import Done, latest_acts
from valvecare.due.reads.columns import any_of
from valvecare.due.reads.conditions import asked_for
from valvecare.due.reads.misfits import QUANTITY
from valvecare.due.reads.policies import design_facts, policy_facts
from valvecare.due.reads.screen import site_zones
from valvecare.due.rules import (
    NO_POLICY,
    TRIGGERS,
    DesignFacts,
    PolicyFacts,
    TaskKind,
    Trigger,
    policies_for,
    policy_book,
)
from valvecare.engineering.calendars import local_date
from valvecare.readings.models import Series, SeriesState, micros
from valvecare.register.models import ProtectionValve

BATCH = 2_000


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a valve stands."""

    valve: int
    pump: int
    group: int
    site: int
    design: int | None


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A due item as it should be."""

    place: _Place
    kind: TaskKind
    policy: PolicyFacts | None
    act: Done | None

    @property
    def columns(self) -> dict[str, Any]:
        return {
            "site_id": self.place.site,
            "group_id": self.place.group,
            "pump_id": self.place.pump,
            "design_id": self.place.design,
            "policy_id": self.policy.id if self.policy else None,
            "act_id": self.act.id if self.act else None,
        }


def local_todays(at: datetime, zones: dict[int, str]) -> dict[int, date]:
    """The date at every site at this instant."""
    by_zone = {zone: local_date(at, zone) for zone in set(zones.values())}
    return {site: by_zone[zone] for site, zone in zones.items()}


def renew_valves(
    valve_ids: Iterable[int],
    *,
    at: datetime,
    afresh: bool = False,
    beat: Callable[[], None] = lambda: None,
) -> Settled:
    """Bring items, clocks and decisions of these valves up to date, in batches.

    afresh: trust nothing that is kept; everything is worked out from acts and readings.
    """
    ids = sorted(set(valve_ids))
    found = Settled()
    for start in range(0, len(ids), BATCH):
        found += _renew_batch(ids[start : start + BATCH], at, afresh)
        beat()
    return found


@transaction.atomic
def _renew_batch(valve_ids: Sequence[int], at: datetime, afresh: bool) -> Settled:
    zones = site_zones()
    places = [
        _Place(*row)
        for row in ProtectionValve.objects.in_service()
        .filter(pk__in=valve_ids)
        .values_list("pk", "pump_id", "pump__group_id", "pump__group__site_id", "design_id")
    ]
    close_after_acts(valve_ids, at=at)
    wanted = {(one.place.valve, one.kind): one for one in _wanted(places, at, zones)}
    have = set(DueItem.objects.filter(valve_id__in=valve_ids).values_list("valve_id", "kind"))
    DueItem.objects.bulk_create(
        [
            DueItem(valve_id=valve, kind=kind.value, as_of=at, changed_at=at, **one.columns)
            for (valve, kind), one in wanted.items()
            if (valve, kind.value) not in have
        ],
        ignore_conflicts=True,  # another run may be quicker
    )
    items = list(DueItem.objects.select_for_update().filter(valve_id__in=valve_ids).order_by("pk"))
    gone = [item.pk for item in items if (item.valve_id, TaskKind(item.kind)) not in wanted]
    DueItem.objects.filter(pk__in=gone).delete()
    kept = [item for item in items if (item.valve_id, TaskKind(item.kind)) in wanted]
    for item in kept:
        new = wanted[item.valve_id, TaskKind(item.kind)].columns
        if any(getattr(item, name) != value for name, value in new.items()):
            DueItem.objects.filter(pk=item.pk).update(**new)
    pairs = [(item.pk, wanted[item.valve_id, TaskKind(item.kind)]) for item in kept]
    fresh, joined = _renew_rows(pairs)
    clocks = Clock.objects.filter(item_id__in=[pk for pk, _ in pairs])
    if afresh:
        fresh = set(clocks.values_list("pk", flat=True))
        joined = set(clocks.filter(series__isnull=False).values_list("series_id", flat=True))
    # Their marks stay for the refresh; what was touched while no clock used it is renewed whole.
    touched = _touched(clocks.filter(series__isnull=False).values_list("series_id", flat=True))
    renew_usage(touched | dict.fromkeys(joined, 0))
    renew_clocks(clocks, touched_us=touched, fresh=fresh, zones=zones)
    return settle([pk for pk, _ in pairs], at=at, zones=zones)


def _touched(series_ids: Iterable[int]) -> dict[int, int]:
    """Counters of these clocks that were touched since they were last renewed."""
    states = SeriesState.objects.filter(
        any_of("pk", series_ids), touched_us__isnull=False
    ).values_list("pk", "touched_us")
    return {series: us for series, us in states if us is not None}


def _wanted(places: list[_Place], at: datetime, zones: dict[int, str]) -> Iterable[_Wanted]:
    """The items these valves must have.

    A strip-down item always; others where a policy says so or a condition asks for the task.
    """
    policies = {policy.id: policy for policy in policy_facts(Policy.objects.all())}
    designs = design_facts({place.design for place in places if place.design})
    todays = local_todays(at, zones)
    valves = [place.valve for place in places]
    acts, asked = latest_acts(valves), asked_for(valves)
    for kind in TaskKind:
        found = _policies_of(places, kind, policies.values(), designs, todays)
        for place, policy in zip(places, found, strict=True):
            is_asked = kind is TaskKind.STRIP_DOWN or (place.valve, kind) in asked
            if policy != NO_POLICY or is_asked:
                act = acts.get((place.valve, kind))
                yield _Wanted(place, kind, policies.get(policy), act)


def _policies_of(
    places: list[_Place],
    kind: TaskKind,
    policies: Iterable[PolicyFacts],
    designs: dict[int, DesignFacts],
    todays: dict[int, date],
) -> list[int]:
    policies = [policy for policy in policies if policy.kind == kind]
    found = np.zeros(len(places), dtype=np.int64)
    days = np.array([todays[place.site] for place in places], dtype="datetime64[D]")
    for day in np.unique(days):
        rows = np.flatnonzero(days == day)
        some = [places[row] for row in rows]
        found[rows] = policies_for(
            policy_book(policies, kind, day.astype(object)),
            designs,
            valve_id=np.array([place.valve for place in some], dtype=np.int64),
            group_id=np.array([place.group for place in some], dtype=np.int64),
            design_id=np.array([place.design or 0 for place in some], dtype=np.int64),
        )
    return [int(one) for one in found]


def _counters(pump_ids: set[int]) -> dict[tuple[int, Trigger], int]:
    """The counter in service of each pump and trigger; the first one where there are several."""
    found = {}
    for trigger, quantity in QUANTITY.items():
        rows = (
            Series.objects.filter(
                pump_id__in=pump_ids, quantity=quantity.value, retired_at__isnull=True
            )
            .values("pump_id")
            .annotate(first=Min("pk"))
            .values_list("pump_id", "first")
        )
        found.update({(pump, trigger): series for pump, series in rows})
    return found


def _renew_rows(pairs: Sequence[tuple[int, _Wanted]]) -> tuple[set[int], set[int]]:
    """Make, change and remove clock rows.

    Returns the ids of clocks whose act, series or limit is new, and of counters that joined one.
    """
    counters = _counters({one.place.pump for _, one in pairs})
    have = {
        (clock.item_id, clock.trigger): clock
        for clock in Clock.objects.filter(item_id__in=[item for item, _ in pairs])
    }
    made, moved, wanted, joined = [], [], set(), set()
    for item, one in pairs:
        limits = one.policy.limits if one.policy else (None, None, None)
        for trigger, limit in zip(TRIGGERS, limits, strict=True):
            if limit is None:
                continue
            wanted.add((item, trigger.value))
            facts: dict[str, Any] = {
                "limit": float(limit),
                "anchor_us": micros(one.act.at) if one.act else None,
                "anchor_on": one.act.on if one.act else None,
                "series_id": counters.get((one.place.pump, trigger)),
            }
            clock = have.get((item, trigger.value))
            if clock is None or clock.series_id != facts["series_id"]:
                joined.add(facts["series_id"])
            if clock is None:
                made.append(Clock(item_id=item, trigger=trigger.value, **facts))
            elif any(getattr(clock, name) != value for name, value in facts.items()):
                for name, value in facts.items():
                    setattr(clock, name, value)
                moved.append(clock)
    Clock.objects.filter(
        pk__in=[clock.pk for key, clock in have.items() if key not in wanted]
    ).delete()
    Clock.objects.bulk_create(made, batch_size=5_000)
    Clock.objects.bulk_update(moved, ["limit", "anchor_us", "anchor_on", "series"], batch_size=500)
    return {clock.pk for clock in [*made, *moved]}, joined - {None}
