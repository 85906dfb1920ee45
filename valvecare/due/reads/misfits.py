"""Valves whose due items or clocks do not fit the register, the policies or the counters.

Each question is one statement that returns the exceptions only; a valve may be named that turns
out to fit, never the other way round.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np
from django.db.models import Exists, F, Max, OuterRef, Q, QuerySet
from numpy.typing import NDArray

from valvecare.due.models import Clock, DueItem, Policy
from valvecare.due.reads.columns import Columns
from valvecare.due.reads.policies import design_facts, policy_facts
from valvecare.due.reads.screen import KINDS
from valvecare.due.rules import (
    NO_POLICY,
    TRIGGERS,
    ClockColumns,
    DesignFacts,
    PolicyBook,
    PolicyFacts,
    TaskKind,
    Trigger,
    policies_for,
    policy_book,
)
from valvecare.engineering.calendars import local_date
from valvecare.readings.models import Series
from valvecare.readings.rules import Quantity
from valvecare.register.models import ProtectionValve, Pump, PumpGroup, Site, ValveDesign
from valvecare.register.rules import ValveStatus

QUANTITY = {Trigger.RUN_HOURS: Quantity.RUN_HOURS, Trigger.STARTS: Quantity.STARTS}


class Policies:
    """The policies of the moment, ready to be asked for whole columns of items."""

    def __init__(self, at: datetime, zones: Mapping[int, str]) -> None:
        self.facts: list[PolicyFacts] = policy_facts(Policy.objects.all())
        self.designs: dict[int, DesignFacts] = design_facts()
        self.days = {site: local_date(at, zone) for site, zone in zones.items()}
        self._books: dict[tuple[TaskKind, date], PolicyBook] = {}
        none = (np.nan,) * len(TRIGGERS)
        self._limits = {NO_POLICY: none} | {
            one.id: tuple(np.nan if limit is None else float(limit) for limit in one.limits)
            for one in self.facts
        }

    @property
    def kinds(self) -> list[TaskKind]:
        """Kinds of task any policy names."""
        named = {one.kind for one in self.facts}
        return [kind for kind in KINDS if kind in named]

    def book(self, kind: TaskKind, day: date) -> PolicyBook:
        if (kind, day) not in self._books:
            self._books[kind, day] = policy_book(self.facts, kind, day)
        return self._books[kind, day]

    def unfit(self, held: Columns, clocks: ClockColumns) -> NDArray[np.bool_]:
        """Items with another policy than they should have, or with other limits than it sets."""
        return self._other_policy(held) | self._other_limits(held, clocks)

    def _other_policy(self, held: Columns) -> NDArray[np.bool_]:
        wanted = np.full(held["id"].size, NO_POLICY, dtype=np.int64)
        for site, day in self.days.items():
            at_site = held["site"] == site
            for code in np.unique(held["kind"][at_site]):
                rows = np.flatnonzero(at_site & (held["kind"] == code))
                wanted[rows] = policies_for(
                    self.book(KINDS[code], day),
                    self.designs,
                    valve_id=held["valve"][rows],
                    group_id=held["group"][rows],
                    design_id=held["design"][rows],
                )
        superfluous = (wanted == NO_POLICY) & (held["kind"] != KINDS.index(TaskKind.STRIP_DOWN))
        superfluous &= held["asked"] == 0
        return (wanted != held["policy"]) | superfluous

    def _other_limits(self, held: Columns, clocks: ClockColumns) -> NDArray[np.bool_]:
        none = self._limits[NO_POLICY]
        policies, where = np.unique(held["policy"], return_inverse=True)
        table = np.array([self._limits.get(int(one), none) for one in policies])
        wanted = table.reshape(-1, len(TRIGGERS))[where]
        same = (clocks.limit == wanted) | (np.isnan(clocks.limit) & np.isnan(wanted))
        return np.asarray(~same.all(axis=1))


def misplaced() -> "QuerySet[Any, int]":
    """Valves with an item, but not in service, or with another pump, group, site or design."""
    there = F("valve__pump__group__site")
    return (
        DueItem.objects.order_by()
        .filter(
            ~Q(valve__status=ValveStatus.IN_SERVICE.value)
            | ~Q(pump=F("valve__pump"))
            | ~Q(group=F("valve__pump__group"))
            | ~Q(site=there)
            | ~Q(design=F("valve__design"))
            | Q(design__isnull=True, valve__design__isnull=False)
            | Q(design__isnull=False, valve__design__isnull=True)
        )
        .values_list("valve_id", flat=True)
    )


def unlisted(policies: Policies) -> Iterator["QuerySet[Any, int]"]:
    """Valves in service without an item they must have."""

    def lacking(kind: TaskKind) -> "QuerySet[Any]":
        item = DueItem.objects.filter(valve=OuterRef("pk"), kind=kind.value)
        return ProtectionValve.objects.in_service().order_by().filter(~Exists(item))

    yield lacking(TaskKind.STRIP_DOWN).values_list("pk", flat=True)
    sites_by_day: dict[date, list[int]] = {}
    for site, day in policies.days.items():
        sites_by_day.setdefault(day, []).append(site)
    for kind in policies.kinds:
        if kind is TaskKind.STRIP_DOWN:
            continue
        for day, sites in sites_by_day.items():
            book = policies.book(kind, day)
            designs = [one.id for one in policies.designs.values() if book.for_design(one)]
            reached = (
                Q(pk__in=list(book.by_valve))
                | Q(pump__group__in=list(book.by_group))
                | Q(design__in=designs)
            )
            found = lacking(kind).filter(reached, pump__group__site__in=sites)
            yield found.values_list("pk", flat=True)


def miscounted() -> Iterator["QuerySet[Any, int]"]:
    """Valves with a clock on a counter that left service or went elsewhere, or with none."""
    yield Clock.objects.filter(series__retired_at__isnull=False).values_list(
        "item__valve_id", flat=True
    )
    yield Clock.objects.filter(~Q(series__pump=F("item__pump")), series__isnull=False).values_list(
        "item__valve_id", flat=True
    )
    for trigger, quantity in QUANTITY.items():
        there = Series.objects.filter(
            pump=OuterRef("item__pump"), quantity=quantity.value, retired_at__isnull=True
        )
        yield Clock.objects.filter(
            Exists(there), trigger=trigger.value, series__isnull=True
        ).values_list("item__valve_id", flat=True)


def fleet_mark(policies: Policies) -> str:
    """Moves with every recorded change of register, counters and policies, and at midnight.

    The newest history row and the newest row of each table, and today's date at the sites: index
    probes only. A change that leaves no history (a bulk update behind the actions) is not seen;
    the sweep asks for misfits once an hour in any case.
    """
    models = (ProtectionValve, Pump, PumpGroup, ValveDesign, Site, Series, Policy)
    parts = [day.isoformat() for day in sorted(set(policies.days.values()))]
    for model in models:
        newest = model.objects.aggregate(last=Max("pk"))["last"]
        change = model.history.aggregate(last=Max("history_id"))["last"]
        parts.append(f"{newest}.{change}")
    return " ".join(parts)


def misfits(policies: Policies) -> Sequence[int]:
    """All valves that must be renewed before their items can be judged."""
    found: set[int] = set(misplaced())
    for some in (*unlisted(policies), *miscounted()):
        found.update(some)
    return sorted(found)
