"""What the search box finds: an exact tag, serial or order number, or all that contain the text."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Q

from valvecare.register.models import ProtectionValve, PumpGroup
from valvecare.work.models import WorkOrder, number_of

MOST = 50
SHORTEST, LONGEST = 2, 60
_ORDER = re.compile(r"(?:WO-?)0*([1-9][0-9]{0,17})", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ValveHit:
    id: int
    tag: str
    pump: str
    group: str
    site: str
    serial: str


@dataclass(frozen=True, slots=True)
class OrderHit:
    id: int
    number: str
    valve: str
    kind: str
    state: str


@dataclass(frozen=True, slots=True)
class GroupHit:
    code: str
    service: str
    site: str


@dataclass(frozen=True, slots=True)
class Found:
    """Hits of one search. `only` is the single record the text names exactly, if there is one."""

    only: ValveHit | OrderHit | None = None
    valves: Sequence[ValveHit] = ()
    orders: Sequence[OrderHit] = ()
    groups: Sequence[GroupHit] = ()
    is_cut: bool = False

    @property
    def is_empty(self) -> bool:
        return not (self.valves or self.orders or self.groups)


def _valves(user: Any, wanted: Q) -> list[ValveHit]:
    rows = (
        ProtectionValve.objects.for_user(user)
        .filter(wanted)
        .order_by("tag", "id")
        .values_list(
            "id", "tag", "pump__tag", "pump__group__code", "pump__group__site__code", "serial"
        )
    )
    return [ValveHit(*row) for row in rows[: MOST + 1]]


def _order(user: Any, text: str) -> OrderHit | None:
    match = _ORDER.fullmatch(text)
    if match is None:
        return None
    order = (
        WorkOrder.objects.for_user(user)
        .filter(pk=int(match[1]))
        .values_list("id", "valve__tag", "kind", "state")
        .first()
    )
    if order is None:
        return None
    pk, valve, kind, state = order
    return OrderHit(pk, number_of(pk), valve, kind, state)


def find(user: Any, text: str) -> Found:
    """Search by tag of valve or pump, serial, stamped identity, group or order number.

    Letters may be small or capital. At most four queries; at most `MOST` valves.
    """
    text = text.strip()[:LONGEST]
    order = _order(user, text)
    if order is not None:
        return Found(only=order, orders=[order])
    if len(text) < SHORTEST:
        return Found()
    exact = _valves(user, Q(tag__iexact=text) | Q(serial__iexact=text) | Q(pump__tag__iexact=text))
    if len(exact) == 1:
        return Found(only=exact[0], valves=exact)
    valves = exact or _valves(
        user,
        Q(tag__icontains=text)
        | Q(serial__icontains=text)
        | Q(stamped_identity__icontains=text)
        | Q(pump__tag__icontains=text),
    )
    groups = (
        PumpGroup.objects.for_user(user)
        .filter(Q(code__icontains=text) | Q(service__icontains=text))
        .order_by("site__code", "code")
        .values_list("code", "service", "site__code")
    )
    return Found(
        valves=valves[:MOST],
        groups=[GroupHit(*row) for row in groups[:MOST]],
        is_cut=len(valves) > MOST,
    )
