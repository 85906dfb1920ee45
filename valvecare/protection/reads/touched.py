"""Which valves an event may have changed the answer for. Events are the queue of the judge."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from django.db.models import Q

from valvecare.core.models import Event
from valvecare.protection.models import EventCursor, LiquidProperties
from valvecare.readings.models import MeterEvent, PlantEvent, Series, SetAside
from valvecare.readings.rules import Quantity
from valvecare.register.models import ProtectionValve, PumpGroup

FOLLOWER = "verdicts"
MOST = 5_000
"""More waiting events than this are not looked at one by one: everything counts as touched."""

OF_PUMP = {
    "series": Series,
    "meterevent": MeterEvent,
    "setaside": SetAside,
    "plantevent": PlantEvent,
}
"""Records that belong to a pump, by the path to it."""
PUMP_PATH = {
    "series": "pump_id",
    "meterevent": "series__pump_id",
    "setaside": "series__pump_id",
    "plantevent": "pump_id",
}
OF_VALVE = ("protectionvalve", "act", "functiontest", "inspection", "operatingrelease")
OF_ALL = ("verdictpolicy", "policy")
RELEVANT = (
    *OF_PUMP,
    *OF_VALVE,
    *OF_ALL,
    "pump",
    "pumpgroup",
    "site",
    "valvedesign",
    "liquidproperties",
)
"""Kinds of record a verdict rests on; work judges its own valve in the same transaction."""


class Touch(NamedTuple):
    """The newest event that touches a valve, and when it happened."""

    event: int
    at: datetime


@dataclass(frozen=True)
class Touched:
    """`everyone` touches all valves; `by_group` and `by_valve` those of a group or one design."""

    everyone: Touch | None
    by_group: Mapping[int, Touch]
    by_valve: Mapping[int, Touch]
    last: int

    def of(self, valve_id: int, group_id: int) -> Touch | None:
        found = [
            touch
            for touch in (
                self.everyone,
                self.by_group.get(group_id),
                self.by_valve.get(valve_id),
            )
            if touch is not None
        ]
        return max(found, default=None)


def cursor() -> int:
    """Up to here every touched valve has been judged."""
    found: int = (
        EventCursor.objects.filter(pk=FOLLOWER).values_list("event_id", flat=True).first() or 0
    )
    return found


def newest_event() -> int:
    """The id of the newest event; 0 without any."""
    found: int = Event.objects.order_by("-id").values_list("id", flat=True).first() or 0
    return found


def _groups(
    pairs: Iterable[tuple[int, int | None]], by_id: Mapping[int, Touch]
) -> dict[int, Touch]:
    """(record id, group id) pairs to the newest touch per group."""
    found: dict[int, Touch] = {}
    for pk, group in pairs:
        if group is not None:
            found[group] = max(found.get(group, by_id[pk]), by_id[pk])
    return found


def touched_since(event_id: int) -> Touched:
    """What the events after this one touch. At most ten queries, whatever their number."""
    rows = list(
        Event.objects.filter(id__gt=event_id, object_type__in=RELEVANT)
        .order_by("id")
        .values_list("id", "at", "object_type", "object_id", "valve_id")[: MOST + 1]
    )
    last = rows[-1][0] if rows else event_id
    everyone: Touch | None = None
    if len(rows) > MOST:
        everyone = Touch(newest_event(), rows[-1][1])
        return Touched(everyone, {}, {}, everyone.event)
    named: dict[str, dict[int, Touch]] = defaultdict(dict)
    valves: dict[int, Touch] = {}
    for pk, at, kind, object_id, valve_id in rows:
        touch = Touch(pk, at)
        if kind in OF_ALL:
            everyone = touch
        elif kind in OF_VALVE:
            valve = valve_id if valve_id is not None else int(object_id)
            valves[valve] = touch
        elif kind in OF_PUMP and valve_id is not None:
            valves[valve_id] = touch
        else:
            named[kind][int(object_id)] = touch
    by_group: dict[int, Touch] = {}

    def add(found: Mapping[int, Touch]) -> None:
        for group, touch in found.items():
            by_group[group] = max(by_group.get(group, touch), touch)

    service = ProtectionValve.objects.all()
    if valves:
        add(_groups(service.filter(pk__in=valves).values_list("pk", "pump__group_id"), valves))
    for kind, model in OF_PUMP.items():
        if named[kind]:
            path = PUMP_PATH[kind].removesuffix("_id")
            pairs = model._default_manager.filter(pk__in=named[kind]).values_list(
                "pk", f"{path}__group_id"
            )
            add(_groups(pairs, named[kind]))
    if named["pump"]:
        pairs = service.filter(pump_id__in=named["pump"]).values_list("pump_id", "pump__group_id")
        add(_groups(pairs, named["pump"]))
    add(named["pumpgroup"])
    if named["site"]:
        groups = PumpGroup.objects.filter(site_id__in=named["site"])
        for pk, site in groups.values_list("pk", "site_id"):
            add({pk: named["site"][site]})
    by_valve: dict[int, Touch] = {}
    if named["valvedesign"]:
        fitted = service.filter(design_id__in=named["valvedesign"])
        for pk, design in fitted.values_list("pk", "design_id"):
            by_valve[pk] = named["valvedesign"][design]
    if named["liquidproperties"]:
        names = dict(
            LiquidProperties.objects.filter(pk__in=named["liquidproperties"]).values_list(
                "name", "pk"
            )
        )
        for group, medium in service.filter(pump__medium__in=names).values_list(
            "pump__group_id", "pump__medium"
        ):
            add({group: named["liquidproperties"][names[medium]]})
    return Touched(everyone, by_group, by_valve, last)


def valves_of(touched: Touched) -> list[int]:
    """The valves in service that are touched, by id."""
    found = ProtectionValve.objects.in_service()
    if touched.everyone is None:
        if not touched.by_group and not touched.by_valve:
            return []
        found = found.filter(Q(pump__group_id__in=touched.by_group) | Q(pk__in=touched.by_valve))
    return list(found.order_by("pk").values_list("pk", flat=True))


LINES = (
    Quantity.BYPASS_TEMPERATURE,
    Quantity.INLET_TEMPERATURE,
    Quantity.AMBIENT_TEMPERATURE,
    Quantity.MAIN_FLOW,
)


def valves_of_touched_lines() -> frozenset[int]:
    """Valves whose described return line has new readings that no run has looked at yet."""
    rows = ProtectionValve.objects.in_service().filter(
        pump__return_line_heat_loss_w_per_m_k__isnull=False,
        pump__series__quantity__in=[quantity.value for quantity in LINES],
        pump__series__state__touched_us__isnull=False,
    )
    return frozenset(rows.values_list("pk", flat=True))
