"""How every valve in service stands now: its current verdict, or that it may not be trusted.

One place decides what is shown. A verdict that a later event, its own end or a silent sweep has
overtaken is stale; a stale 'Protects' is shown as 'Not known' until it is judged again. The same
rule is SQL here, so that a number on the overview and the list behind it never differ.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any

from django.db.models import (
    Case,
    Count,
    F,
    FilteredRelation,
    Q,
    QuerySet,
    Value,
    When,
)

from valvecare.protection.reads.touched import Touched, cursor, touched_since
from valvecare.protection.rules import Word
from valvecare.protection.rules.stale import (
    CONFIRM_WITHIN,
    NOT_JUDGED,
    NOT_JUDGED_WORDS,
    STALE,
    STALE_WORDS,
)
from valvecare.register.models import ProtectionValve

MOST_EXACT = 100
"""Touched groups compared one by one; with more of them the newest event counts for each."""

WORDS: tuple[str, ...] = (
    Word.DOES_NOT_PROTECT.value,
    Word.NOT_KNOWN.value,
    Word.DOUBTFUL.value,
    Word.PROTECTS.value,
)
"""Worst first, as a page shows them."""


@dataclass(frozen=True, slots=True)
class StandingFilter:
    """Empty: not filtered by that. `site` and `group` are codes, `valve` an id."""

    site: str = ""
    group: str = ""
    valve: int | None = None
    word: str = ""

    def apply(self, rows: "QuerySet[Any]", *, but: str = "") -> "QuerySet[Any]":
        paths = {"site": "site", "group": "group", "valve": "pk", "word": "shown"}
        wanted = {
            paths[field.name]: getattr(self, field.name)
            for field in fields(self)
            if getattr(self, field.name) and field.name != but
        }
        return rows.filter(**wanted)


def _stale(touched: Touched, at: datetime) -> Q:
    stale = Q(now__confirmed_at__lt=at - CONFIRM_WITHIN) | Q(now__until__lt=at.date())
    if touched.everyone is not None:
        stale |= Q(now__seen_event__lt=touched.everyone.event)
    for path, found in (("pump__group_id", touched.by_group), ("pk", touched.by_valve)):
        if len(found) > MOST_EXACT:
            stale |= Q(**{f"{path}__in": list(found)}, now__seen_event__lt=touched.last)
            continue
        for pk, touch in found.items():
            stale |= Q(**{path: pk}, now__seen_event__lt=touch.event)
    return stale


COLUMNS = {
    "verdict_id": "now__id",
    "code": "now__code",
    "since": "now__since",
    "until": "now__until",
    "until_earliest": "now__until_earliest",
    "until_latest": "now__until_latest",
    "stored_word": "now__word",
    "reason": "now__reason",
    "next_action": "now__next_action",
    "restriction": "now__restriction",
    "evidence": "now__evidence",
    "grade": "now__grade",
    "margin_share": "now__margin_share",
    "required_m3_per_h": "now__required_m3_per_h",
    "judged_at": "now__judged_at",
    "confirmed_at": "now__confirmed_at",
    "updated_at": "now__updated_at",
    "notes": "now__notes",
    "rule_version": "now__rule_version",
}
PLACE = {
    "valve": "tag",
    "pump_tag": "pump__tag",
    "group": "pump__group__code",
    "service": "pump__group__service",
    "site": "pump__group__site__code",
    "site_name": "pump__group__site__name",
    "time_zone": "pump__group__site__time_zone",
}


def standings(user: Any, at: datetime) -> "QuerySet[Any]":
    """The valves in service the person may see, as dictionaries (see `Standing`).

    `shown` is the word to show, `is_stale` whether the stored verdict has been overtaken. About
    ten small queries learn what waiting events touch; the rows themselves are one query.
    """
    stale = _stale(touched_since(cursor()), at)
    rows = (
        ProtectionValve.objects.for_user(user)
        .in_service()
        .annotate(now=FilteredRelation("verdicts", condition=Q(verdicts__is_current=True)))
        .annotate(
            is_stale=Case(When(stale, then=Value(True)), default=Value(False)),
            shown=Case(
                When(now__id__isnull=True, then=Value(Word.NOT_KNOWN.value)),
                When(
                    stale & Q(now__word=Word.PROTECTS.value),
                    then=Value(Word.NOT_KNOWN.value),
                ),
                default=F("now__word"),
            ),
            **{name: F(path) for name, path in {**COLUMNS, **PLACE}.items() if name != "valve"},
        )
    )
    return rows.values(
        "id", "tag", "pump_id", "is_stale", "shown", *COLUMNS, *(n for n in PLACE if n != "valve")
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """One valve and what may be said about it now. Dates are days at the site."""

    id: int
    tag: str
    pump: str
    group: str
    service: str
    site: str
    site_name: str
    time_zone: str
    word: str
    is_stale: bool
    is_judged: bool
    code: str
    since: date | None
    until: date | None
    until_earliest: date | None
    until_latest: date | None
    reason: str
    next_action: str
    restriction: str
    evidence: str
    grade: str
    margin_share: float | None
    required_m3_per_h: float | None
    judged_at: datetime | None
    confirmed_at: datetime | None
    updated_at: datetime | None
    notes: tuple[str, ...]
    stored_word: str
    rule_version: str


def standing_of(row: Mapping[str, Any]) -> Standing:
    """The row of `standings` as it may be shown."""
    judged = row["verdict_id"] is not None
    stale = judged and bool(row["is_stale"])
    hidden = stale and row["stored_word"] == Word.PROTECTS
    reason = (row["reason"] or "") if judged else NOT_JUDGED_WORDS
    if stale:
        reason = f"{STALE_WORDS} Before: {row['stored_word']}. {reason}"
    return Standing(
        id=row["id"],
        tag=row["tag"],
        pump=row["pump_tag"],
        group=row["group"],
        service=row["service"],
        site=row["site"],
        site_name=row["site_name"],
        time_zone=row["time_zone"],
        word=row["shown"],
        is_stale=stale,
        is_judged=judged,
        code=NOT_JUDGED if not judged else STALE if hidden else row["code"],
        since=None if hidden else row["since"],
        until=None if hidden else row["until"],
        until_earliest=None if hidden else row["until_earliest"],
        until_latest=None if hidden else row["until_latest"],
        reason=reason,
        next_action=(row["next_action"] or "") if judged else "Wait for the next sweep.",
        restriction=(row["restriction"] or "")
        if judged and not hidden
        else "Do not rely on this valve at low load until it is judged.",
        evidence=row["evidence"] or "",
        grade=row["grade"] or "",
        margin_share=row["margin_share"],
        required_m3_per_h=row["required_m3_per_h"],
        judged_at=row["judged_at"],
        confirmed_at=row["confirmed_at"],
        updated_at=row["updated_at"],
        notes=tuple(row["notes"] or ()),
        stored_word=row["stored_word"] or "",
        rule_version=row["rule_version"] or "",
    )


def counts_by_group(rows: "QuerySet[Any]", site_ids: Any) -> list[tuple[int, int, str, int]]:
    """(site id, group id, word shown, valves) of these `standings` at the sites; one query."""
    return list(
        rows.filter(pump__group__site_id__in=site_ids)
        .order_by()
        .values_list("pump__group__site_id", "pump__group_id", "shown")
        .annotate(valves=Count("id"))
    )
