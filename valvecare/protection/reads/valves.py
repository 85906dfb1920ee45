"""Valves by what they are worth: how each stands now, worst first; and the same for the shift."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Case, Count, Value, When

from valvecare.protection.reads.standing import (
    Standing,
    StandingFilter,
    standing_of,
    standings,
)
from valvecare.protection.rules import Word

PAGE_SIZE = 50
WORST_FIRST: tuple[Word, ...] = tuple(reversed(Word))

SHIFT_MOST = 1_000
"""More pumps than a control room looks after."""


@dataclass(frozen=True, slots=True)
class WordCount:
    """So many valves in service with this verdict."""

    word: Word
    count: int


@dataclass(frozen=True, slots=True)
class ValveList:
    """One page of valves; `counts` counts every word under the other filters."""

    rows: tuple[Standing, ...]
    total: int
    page: int
    pages: int
    counts: tuple[WordCount, ...]

    @property
    def previous(self) -> int:
        return self.page - 1

    @property
    def next(self) -> int:
        return self.page + 1

    @property
    def total_of_all(self) -> int:
        return sum(found.count for found in self.counts)


def counts_of(found: Mapping[str, int]) -> tuple[WordCount, ...]:
    """All four words, worst first, missing ones as 0."""
    return tuple(WordCount(word, found.get(word.value, 0)) for word in WORST_FIRST)


def valve_list(
    user: Any, wanted: StandingFilter, at: datetime, *, page: int = 1, size: int = PAGE_SIZE
) -> ValveList:
    """One page of valves, worst verdict first, then by tag. Four queries and waiting events.

    A page beyond the last is the last.
    """
    base = standings(user, at)
    counted = Counter(
        dict(
            wanted.apply(base, but="word")
            .order_by()
            .values_list("shown")
            .annotate(number=Count("id"))
            .values_list("shown", "number")
        )
    )
    total = counted[wanted.word] if wanted.word else counted.total()
    pages = max(1, -(-total // size))
    page = min(max(page, 1), pages)
    rank = Case(*(When(shown=word.value, then=Value(n)) for n, word in enumerate(WORST_FIRST)))
    chosen = wanted.apply(base).annotate(rank=rank).order_by("rank", "tag", "id")
    rows = tuple(standing_of(row) for row in chosen[(page - 1) * size : page * size])
    return ValveList(rows, total, page, pages, counts_of(counted))


@dataclass(frozen=True, slots=True)
class ShiftGroup:
    """The pumps of one group with what the shift must keep to."""

    site: str
    site_name: str
    time_zone: str
    group: str
    service: str
    pumps: tuple[Standing, ...]


def shift_view(user: Any, site: str, at: datetime) -> Sequence[ShiftGroup]:
    """Every pump with a valve, by site and group, at most `SHIFT_MOST`; `site` empty: all sites."""
    rows = StandingFilter(site=site).apply(standings(user, at))
    groups: dict[tuple[str, str, str, str, str], list[Standing]] = {}
    for row in rows.order_by("site", "group", "pump_tag", "id")[:SHIFT_MOST]:
        found = standing_of(row)
        place = (found.site, found.site_name, found.time_zone, found.group, found.service)
        groups.setdefault(place, []).append(found)
    return [ShiftGroup(*place, tuple(pumps)) for place, pumps in groups.items()]
