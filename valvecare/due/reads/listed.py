"""The list of due tasks as people read it: filtered, no record first, then by share used."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

from django.db.models import Count, F, QuerySet

from valvecare.due.models import DueItem
from valvecare.due.rules import DueState
from valvecare.register.models import ProtectionValve, PumpGroup, Site

PAGE_SIZE = 50


@dataclass(frozen=True, slots=True)
class DueFilter:
    """Empty text: not filtered by that. `site` and `group` are codes, the rest words."""

    site: str = ""
    group: str = ""
    state: str = ""
    governed_by: str = ""
    kind: str = ""

    def apply(self, items: "QuerySet[DueItem]", *, but: str = "") -> "QuerySet[DueItem]":
        """The items that match, leaving out the filter named `but`."""
        paths = {"site": "site__code", "group": "group__code"}
        wanted = {
            paths.get(field.name, field.name): getattr(self, field.name)
            for field in fields(self)
            if getattr(self, field.name) and field.name != but
        }
        return items.filter(**wanted)


@dataclass(frozen=True, slots=True)
class DueRow:
    """One task of the list."""

    id: int
    valve_id: int
    valve: str
    pump: str
    group: str
    service: str
    site: str
    kind: str
    state: str
    share_used: float | None
    governed_by: str
    due_on: date | None
    earliest_on: date | None
    likely_on: date | None
    latest_on: date | None
    reason: str


@dataclass(frozen=True, slots=True)
class StateTotal:
    state: str
    total: int


@dataclass(frozen=True, slots=True)
class DueList:
    """One page of the list; `totals` counts every state under the other filters."""

    rows: tuple[DueRow, ...]
    total: int
    page: int
    pages: int
    totals: tuple[StateTotal, ...]

    @property
    def previous(self) -> int:
        return self.page - 1

    @property
    def next(self) -> int:
        return self.page + 1

    @property
    def total_of_all(self) -> int:
        return sum(found.total for found in self.totals)


def in_list_order(items: "QuerySet[DueItem]") -> "QuerySet[DueItem]":
    """No record first, then the largest share used; ties in the order of the register."""
    return items.order_by(F("share_used").desc(nulls_first=True), "id")


def rows_of(items: "QuerySet[DueItem]") -> tuple[DueRow, ...]:
    """The rows of these items, in their order; one query."""
    found = items.select_related("valve", "pump", "group", "site")
    return tuple(
        DueRow(
            id=item.pk,
            valve_id=item.valve_id,
            valve=item.valve.tag,
            pump=item.pump.tag,
            group=item.group.code,
            service=item.group.service,
            site=item.site.code,
            kind=item.kind,
            state=item.state,
            share_used=item.share_used,
            governed_by=item.governed_by,
            due_on=item.due_on,
            earliest_on=item.earliest_on,
            likely_on=item.likely_on,
            latest_on=item.latest_on,
            reason=item.reason,
        )
        for item in found
    )


def due_list(user: Any, wanted: DueFilter, *, page: int = 1, size: int = PAGE_SIZE) -> DueList:
    """One page of what is due, as far as this person may see it. Two queries.

    A page beyond the last is the last.
    """
    seen = DueItem.objects.for_user(user)
    counted = dict(
        wanted.apply(seen, but="state").order_by().values_list("state").annotate(number=Count("id"))
    )
    totals = tuple(StateTotal(state.value, counted.get(state.value, 0)) for state in DueState)
    total = counted.get(wanted.state, 0) if wanted.state else sum(counted.values())
    pages = max(1, -(-total // size))
    page = min(max(page, 1), pages)
    items = in_list_order(wanted.apply(seen))[(page - 1) * size : page * size]
    return DueList(rows_of(items), total, page, pages, totals)


def due_of(valve: ProtectionValve) -> tuple[DueRow, ...]:
    """All due tasks of one valve the caller may see. One query."""
    return rows_of(in_list_order(DueItem.objects.filter(valve=valve)))


MOST_CHOICES = 200
"""More sites or groups than this are typed, not chosen from a list."""

Choices = Sequence[tuple[str, str]] | None


def places(user: Any) -> tuple[Choices, Choices]:
    """Sites and groups to choose from, as (code, words); None when there are too many.

    Two queries.
    """
    sites = Site.objects.for_user(user).filter(retired_at=None).order_by("code")
    groups = PumpGroup.objects.for_user(user).filter(retired_at=None).order_by("code")
    return (
        _choices(sites.values_list("code", "name")),
        _choices(groups.values_list("code", "service")),
    )


def _choices(rows: Any) -> Choices:
    found = [(code, f"{code} {words}") for code, words in rows[: MOST_CHOICES + 1]]
    return None if len(found) > MOST_CHOICES else found
