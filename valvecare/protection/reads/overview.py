"""The overview: how each site, group and valve stands."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Count, QuerySet

from valvecare.due.models import DueItem
from valvecare.due.rules import DueState
from valvecare.protection.models import Verdict
from valvecare.protection.reads.standing import counts_by_group, standing_of, standings
from valvecare.protection.reads.valves import WordCount, counts_of
from valvecare.protection.rules import Word
from valvecare.register.models import ProtectionValve, PumpGroup, Site

NO_TASK = "no due task"
"""Word for a valve in service that nothing has been decided about yet."""

STATES: tuple[str, ...] = tuple(state.value for state in DueState)
_RANK = {word: rank for rank, word in enumerate((NO_TASK, *STATES))}

MOST_SITES = 8
MOST_VALVES = 600
"""Above either, the overview of all sites shows sums; groups are shown one site at a time."""


@dataclass(frozen=True, slots=True)
class StateCount:
    """So many due tasks in this state."""

    state: str
    count: int


@dataclass(frozen=True, slots=True)
class TaskStand:
    """One due task of a valve."""

    state: str
    kind: str
    share_used: float | None
    governed_by: str


@dataclass(frozen=True, slots=True)
class ValveStand:
    """One valve: its verdict, its worst task, and the others that want attention.

    `word` is empty as long as no valve of these sites has been judged.
    """

    id: int
    tag: str
    pump: str
    word: str
    until: date | None
    restriction: str
    worst: TaskStand
    others: tuple[TaskStand, ...]

    @property
    def wanting(self) -> tuple[TaskStand, ...]:
        """The tasks that are not simply 'not yet'."""
        first = () if self.worst.state == DueState.NOT_YET else (self.worst,)
        return first + self.others


@dataclass(frozen=True, slots=True)
class GroupStand:
    id: int
    code: str
    service: str
    installed: int
    needed: int
    counts: tuple[StateCount, ...]
    words: tuple[WordCount, ...]
    valves: tuple[ValveStand, ...]


@dataclass(frozen=True, slots=True)
class SiteStand:
    id: int
    code: str
    name: str
    business: str
    time_zone: str
    counts: tuple[StateCount, ...]
    words: tuple[WordCount, ...]
    groups: tuple[GroupStand, ...]

    @property
    def without_task(self) -> tuple[ValveStand, ...]:
        """Valves in service without any due task: nothing watches over them."""
        return tuple(
            valve for group in self.groups for valve in group.valves if valve.worst.state == NO_TASK
        )


@dataclass(frozen=True, slots=True)
class Overview:
    """`is_folded`: too much for one page, so sites come without their groups.

    `has_plates` is False when the valves of one site are too many to be shown one by one.
    `words` counts valves by verdict, `counts` tasks by due state. `is_judged` is False until the
    first verdict exists; then there is nothing to say about protection yet.
    """

    counts: tuple[StateCount, ...]
    words: tuple[WordCount, ...]
    is_judged: bool
    sites: tuple[SiteStand, ...]
    is_folded: bool
    has_plates: bool


def _counts(found: Mapping[str, int]) -> tuple[StateCount, ...]:
    return tuple(StateCount(state, found.get(state, 0)) for state in STATES)


def _order(task: TaskStand) -> tuple[int, float, str]:
    """Worst first: no record, overdue, coming up, not yet; then the larger share."""
    return (_RANK[task.state], -(task.share_used or 0.0), task.kind)


def _valves(
    user: Any, site_ids: Iterable[int], rows: "QuerySet[Any]", is_judged: bool
) -> dict[int, list[ValveStand]]:
    """Valves in service by group with verdict and tasks; three queries."""
    tasks: dict[int, list[TaskStand]] = defaultdict(list)
    items = DueItem.objects.for_user(user).filter(site_id__in=site_ids)
    for valve_id, *stand in items.values_list(
        "valve_id", "state", "kind", "share_used", "governed_by"
    ):
        tasks[valve_id].append(TaskStand(*stand))
    verdicts = {
        row["id"]: (row["shown"], stand.until, stand.restriction)
        for row in rows.filter(pump__group__site_id__in=site_ids)
        if (stand := standing_of(row))
    }
    unjudged = (Word.NOT_KNOWN.value if is_judged else "", None, "")
    found: dict[int, list[ValveStand]] = defaultdict(list)
    valves = (
        ProtectionValve.objects.for_user(user)
        .in_service()
        .filter(pump__group__site_id__in=site_ids)
        .order_by("tag", "id")
        .values_list("id", "tag", "pump__tag", "pump__group_id")
    )
    for pk, tag, pump, group_id in valves:
        held = sorted(tasks.get(pk, ()), key=_order) or [TaskStand(NO_TASK, "", None, "")]
        others = tuple(task for task in held[1:] if task.state != DueState.NOT_YET)
        word, until, restriction = verdicts.get(pk, unjudged) if is_judged else unjudged
        stand = ValveStand(pk, tag, pump, word, until, restriction, held[0], others)
        found[group_id].append(stand)
    return found


def overview(user: Any, at: datetime, *, site_code: str = "") -> Overview:
    """How the sites of this person stand. At most 20 queries, whatever the fleet.

    `site_code`: that site only, with its groups; a site the person cannot see gives no sites.
    """
    sites: QuerySet[Any] = Site.objects.for_user(user).filter(retired_at=None).order_by("code")
    if site_code:
        sites = sites.filter(code=site_code)
    rows = list(sites)
    ids = [site.pk for site in rows]
    counted = (
        DueItem.objects.for_user(user)
        .filter(site_id__in=ids)
        .order_by()
        .values_list("site_id", "group_id", "state")
        .annotate(number=Count("id"))
    )
    total: Counter[str] = Counter()
    by_site: dict[int, Counter[str]] = defaultdict(Counter)
    by_group: dict[int, Counter[str]] = defaultdict(Counter)
    for site_id, group_id, state, number in counted:
        total[state] += number
        by_site[site_id][state] += number
        by_group[group_id][state] += number
    has_plates = total.total() <= 2 * MOST_VALVES
    is_folded = not site_code and (len(rows) > MOST_SITES or not has_plates)
    is_judged = Verdict.objects.filter(
        is_current=True, valve__pump__group__site_id__in=ids
    ).exists()
    stands = standings(user, at)
    words: dict[int, Counter[str]] = defaultdict(Counter)
    words_of_group: dict[int, Counter[str]] = defaultdict(Counter)
    for site_id, group_id, word, number in counts_by_group(stands, ids) if is_judged else ():
        words[site_id][word] += number
        words_of_group[group_id][word] += number
    groups: dict[int, list[GroupStand]] = defaultdict(list)
    if not is_folded:
        valves = _valves(user, ids, stands, is_judged) if has_plates else {}
        for group in PumpGroup.objects.filter(site_id__in=ids, retired_at=None).order_by("code"):
            groups[group.site_id].append(
                GroupStand(
                    group.pk,
                    group.code,
                    group.service,
                    group.installed,
                    group.needed,
                    _counts(by_group[group.pk]),
                    counts_of(words_of_group[group.pk]),
                    tuple(valves.get(group.pk, ())),
                )
            )
    return Overview(
        _counts(total),
        counts_of(sum(words.values(), Counter())),
        is_judged,
        tuple(
            SiteStand(
                site.pk,
                site.code,
                site.name,
                site.business,
                site.time_zone,
                _counts(by_site[site.pk]),
                counts_of(words[site.pk]),
                tuple(groups[site.pk]),
            )
            for site in rows
        ),
        is_folded,
        has_plates,
    )
