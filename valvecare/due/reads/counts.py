"""How many tasks are in which state, by site and pump group."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Count

from valvecare.due.models import DueItem
from valvecare.due.rules import DueState, TaskKind
from valvecare.register.models import Site

_FIELDS = {
    DueState.NO_RECORD.value: "no_record",
    DueState.OVERDUE.value: "overdue",
    DueState.COMING_UP.value: "coming_up",
    DueState.NOT_YET.value: "not_yet",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    no_record: int
    overdue: int
    coming_up: int
    not_yet: int

    @property
    def total(self) -> int:
        return self.no_record + self.overdue + self.coming_up + self.not_yet


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCounts(_Counts):
    """Due items of one pump group by state."""

    group_id: int
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteCounts(_Counts):
    """Due items of one site by state, and of each of its groups that has any."""

    site_id: int
    code: str
    name: str
    groups: tuple[GroupCounts, ...]


def counts_by_site(user: Any, *, kind: TaskKind | None = None) -> list[SiteCounts]:
    """Due items by state for every site this person may see, and by group. Two queries."""
    items = DueItem.objects.for_user(user)
    if kind is not None:
        items = items.filter(kind=kind.value)
    found: dict[int, dict[tuple[int, str], dict[str, int]]] = {}
    rows = (
        items.order_by("site_id", "group__code")
        .values_list("site_id", "group_id", "group__code", "state")
        .annotate(n=Count("id"))
    )
    for site, group, code, state, count in rows:
        groups = found.setdefault(site, {})
        counts = groups.setdefault((group, code), dict.fromkeys(_FIELDS.values(), 0))
        counts[_FIELDS[state]] += count
    sites = Site.objects.for_user(user).order_by("code").values_list("id", "code", "name")
    return [_site_counts(site, found.get(site[0], {})) for site in sites]


def _site_counts(
    site: tuple[int, str, str], groups: Mapping[tuple[int, str], Mapping[str, int]]
) -> SiteCounts:
    total = {name: sum(counts[name] for counts in groups.values()) for name in _FIELDS.values()}
    return SiteCounts(
        site_id=site[0],
        code=site[1],
        name=site[2],
        groups=tuple(
            GroupCounts(group_id=group, code=code, **counts)
            for (group, code), counts in groups.items()
        ),
        **total,
    )
