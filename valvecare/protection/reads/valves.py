"""Valves by what they are worth: the current verdict of each, worst first."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Case, CharField, Count, F, OuterRef, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce

from valvecare.protection.models import Verdict
from valvecare.protection.rules import Word
from valvecare.register.models import ProtectionValve

PAGE_SIZE = 50
WORST_FIRST: tuple[Word, ...] = tuple(reversed(Word))


@dataclass(frozen=True, slots=True)
class WordCount:
    """So many valves in service with this verdict."""

    word: Word
    count: int


@dataclass(frozen=True, slots=True)
class ValveFilter:
    """Empty text: not filtered by that."""

    word: str = ""
    site: str = ""
    group: str = ""


@dataclass(frozen=True, slots=True)
class ValveRow:
    """One valve in service. A valve nobody judged yet is 'Not known', with no reason."""

    id: int
    tag: str
    pump: str
    group: str
    service: str
    site: str
    word: str
    until: date | None
    reason: str
    restriction: str
    next_action: str


@dataclass(frozen=True, slots=True)
class ValveList:
    rows: tuple[ValveRow, ...]
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


def worded(user: Any) -> "QuerySet[Any]":
    """Valves in service this person may see, annotated with `word` of the current verdict."""
    current = Verdict.objects.filter(valve=OuterRef("pk"), is_current=True).values("word")[:1]
    seen: QuerySet[Any] = ProtectionValve.objects.for_user(user).in_service()
    return seen.annotate(
        word=Coalesce(Subquery(current), Value(Word.NOT_KNOWN.value), output_field=CharField())
    )


def verdicts_of(valve_ids: Sequence[int]) -> dict[int, Verdict]:
    """The current verdict of each of these valves that has one. One query."""
    found = Verdict.objects.filter(valve_id__in=valve_ids, is_current=True)
    return {verdict.valve_id: verdict for verdict in found}


def valve_list(
    user: Any, wanted: ValveFilter, *, page: int = 1, size: int = PAGE_SIZE
) -> ValveList:
    """One page of valves, worst verdict first, then by tag. Three queries.

    A page beyond the last is the last.
    """
    seen = worded(user)
    if wanted.site:
        seen = seen.filter(pump__group__site__code=wanted.site)
    if wanted.group:
        seen = seen.filter(pump__group__code=wanted.group)
    counted = Counter(dict(seen.order_by().values_list("word").annotate(n=Count("pk"))))
    total = counted[wanted.word] if wanted.word else counted.total()
    pages = max(1, -(-total // size))
    page = min(max(page, 1), pages)
    chosen = seen.filter(word=wanted.word) if wanted.word else seen
    rank = Case(*(When(word=word.value, then=Value(n)) for n, word in enumerate(WORST_FIRST)))
    rows = list(
        chosen.annotate(
            rank=rank,
            site_code=F("pump__group__site__code"),
            group_code=F("pump__group__code"),
            service=F("pump__group__service"),
            pump_tag=F("pump__tag"),
        )
        .order_by("rank", "tag", "pk")
        .values("pk", "tag", "word", "site_code", "group_code", "service", "pump_tag")[
            (page - 1) * size : page * size
        ]
    )
    verdicts = verdicts_of([row["pk"] for row in rows])
    return ValveList(
        tuple(_row(row, verdicts.get(row["pk"])) for row in rows),
        total,
        page,
        pages,
        counts_of(counted),
    )


def _row(row: Mapping[str, Any], verdict: Verdict | None) -> ValveRow:
    return ValveRow(
        id=row["pk"],
        tag=row["tag"],
        pump=row["pump_tag"],
        group=row["group_code"],
        service=row["service"],
        site=row["site_code"],
        word=row["word"],
        until=verdict.until if verdict else None,
        reason=verdict.reason if verdict else "",
        restriction=verdict.restriction if verdict else "",
        next_action=verdict.next_action if verdict else "",
    )
