"""Background check: mark the series whose readings make no sense, and clear those that do again.

Looks at daily values and states only, in chunks; a doubtful series is no evidence of health.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from itertools import combinations
from typing import Any

from django.db import transaction

from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.readings.models import Push, Series, SeriesDay, SeriesState, SetAside, micros
from valvecare.readings.rules import (
    CLOCK_CODES,
    MICRO,
    US_PER_DAY,
    Doubt,
    Quantity,
    SeriesKind,
    SetAsideState,
)
from valvecare.readings.rules.sense import (
    WINDOW_DAYS,
    Found,
    SeriesFacts,
    drifted,
    gravest,
    hours_stand,
    meter_changed,
    missing,
    spiking,
    standing_still,
    starts_behind,
    swapped,
)

GROUPS_AT_ONCE = 200
_CLOCK_WORDS = {
    "future_time": "a future time",
    "time_too_old": "a time before 1990",
    "ahead_of_clock": "a time ahead of our clock",
}
CLOCK_WINDOW = timedelta(days=1)


def check_readings(at: datetime, beat: Callable[[], None]) -> dict[str, int]:
    """Check every series that is not retired. Returns counts of checked, doubtful and changed."""
    counts = {"checked": 0, "doubtful": 0, "changed": 0}
    clocks, waiting = _clock_trouble(at), _waiting()
    groups = list(
        Series.objects.filter(retired_at__isnull=True)
        .order_by("pump__group_id")
        .values_list("pump__group_id", flat=True)
        .distinct()
    )
    for start in range(0, len(groups), GROUPS_AT_ONCE):
        facts, groups_of = _facts(groups[start : start + GROUPS_AT_ONCE], at)
        found = _found(facts, groups_of, micros(at))
        for pk in facts:
            if pk in clocks:
                found[pk].append(Found(Doubt.CLOCK, clocks[pk]))
            if pk in waiting:
                found[pk].append(Found(Doubt.SET_ASIDE, f"{waiting[pk]} set aside"))
        counts["checked"] += len(facts)
        doubtful, changed = _write(facts, found, at)
        counts["doubtful"] += doubtful
        counts["changed"] += changed
        beat()
    return counts


def _facts(
    groups: list[int], at: datetime
) -> tuple[dict[int, SeriesFacts], dict[int, tuple[int, int]]]:
    """Facts of all series of these pump groups, and the group and pump of each."""
    rows = list(
        Series.objects.filter(pump__group_id__in=groups, retired_at__isnull=True).select_related(
            "state", "pump"
        )
    )
    since = micros(at) // US_PER_DAY - WINDOW_DAYS
    days: dict[int, list[tuple[Any, ...]]] = defaultdict(list)
    values = SeriesDay.objects.filter(series_id__in=[row.pk for row in rows], day__gte=since)
    for pk, *rest in values.order_by("series_id", "day").values_list(
        "series_id", "day", "v_min", "v_max", "v_sum_micro", "n", "last_us", "increment", "lost"
    ):
        days[pk].append(tuple(rest))
    ran: dict[int, dict[int, float]] = {
        row.pump_id: {day[0]: day[6] for day in days[row.pk]}
        for row in rows
        if row.quantity == Quantity.RUN_HOURS.value
    }
    facts, places = {}, {}
    for row in rows:
        mine = days[row.pk]
        state = getattr(row, "state", None)
        facts[row.pk] = SeriesFacts(
            id=row.pk,
            tag=row.tag,
            quantity=Quantity(row.quantity),
            kind=SeriesKind(row.kind),
            unit=row.unit,
            resolution=row.resolution,
            expected_period_s=row.expected_period_s,
            last_us=state.last_us if state else None,
            day=[day[0] for day in mine],
            low=[day[1] for day in mine],
            high=[day[2] for day in mine],
            mean=[day[3] / MICRO / day[4] if day[4] else 0.0 for day in mine],
            last_of_day_us=[day[5] for day in mine],
            gain=[day[6] for day in mine],
            lost=[day[7] for day in mine],
            ran=ran.get(row.pump_id, {}),
        )
        places[row.pk] = (row.pump.group_id, row.pump_id)
    return facts, places


def _found(
    facts: dict[int, SeriesFacts], places: dict[int, tuple[int, int]], now_us: int
) -> dict[int, list[Found]]:
    found: dict[int, list[Found]] = defaultdict(list)
    today = now_us // US_PER_DAY
    of_pump: dict[tuple[int, Quantity], SeriesFacts] = {}
    alike: dict[tuple[int, Quantity], list[SeriesFacts]] = defaultdict(list)
    for pk, one in facts.items():
        group, pump = places[pk]
        of_pump[(pump, one.quantity)] = one
        if one.is_gauge:
            alike[(group, one.quantity)].append(one)
        checks: Iterable[Found | None] = (
            missing(one, now_us),
            standing_still(one),
            spiking(one, today),
            drifted(one),
            meter_changed(one),
        )
        found[pk] += [answer for answer in checks if answer is not None]
    crossed: set[int] = set()
    for same in alike.values():
        for one, two in combinations(same, 2):
            pair = swapped(one, two)
            if pair is not None:
                found[one.id].append(pair[0])
                found[two.id].append(pair[1])
                crossed |= {one.id, two.id}
    for (pump, quantity), one in of_pump.items():
        hours = of_pump.get((pump, Quantity.RUN_HOURS))
        if quantity is Quantity.STARTS and hours is not None:
            behind = starts_behind(one, hours)
            if behind is not None:
                found[one.id].append(behind)
        if quantity is Quantity.RUN_HOURS:
            loads = [of_pump.get((pump, load)) for load in (Quantity.POWER, Quantity.MAIN_FLOW)]
            stands = hours_stand(
                one,
                of_pump.get((pump, Quantity.STARTS)),
                # what shows another pump running says nothing against these hours
                [load for load in loads if load is not None and load.id not in crossed],
            )
            if stands is not None:
                found[one.id].append(stands)
    return found


def _clock_trouble(at: datetime) -> dict[int, str]:
    """Series whose rows of the last day had impossible times."""
    tags: dict[str, tuple[str, set[int]]] = {}
    recent = Push.objects.filter(at__gt=at - CLOCK_WINDOW, at__lte=at).exclude(codes={})
    for push in recent.prefetch_related("sites"):
        for code in sorted(CLOCK_CODES):
            for tag in push.examples.get(code, []):
                rows = push.codes[code]
                words = f"{rows} row{'s' * (rows != 1)} with {_CLOCK_WORDS[code]} in one push"
                tags.setdefault(tag, (words, set()))[1].update(s.pk for s in push.sites.all())
    found = {}
    for pk, tag, site in Series.objects.filter(tag__in=tags).values_list("pk", "tag", "site_id"):
        words, sites = tags[tag]
        if site in sites:
            found[pk] = words
    return found


def _waiting() -> dict[int, int]:
    counts: dict[int, int] = defaultdict(int)
    waiting = SetAside.objects.filter(state=SetAsideState.WAITING.value, series__isnull=False)
    for pk in waiting.order_by().values_list("series_id", flat=True):
        counts[int(pk or 0)] += 1
    return counts


@transaction.atomic
def _write(
    facts: dict[int, SeriesFacts], found: dict[int, list[Found]], at: datetime
) -> tuple[int, int]:
    now_us = micros(at)
    doubtful = changed = 0
    states = (
        SeriesState.objects.select_for_update(of=("self",))
        .filter(series_id__in=facts)
        .order_by("series_id")
    )
    for state in states.select_related("series__site"):
        doubts = found[state.series_id]
        if state.confirmed_until_us is not None and state.confirmed_until_us > now_us:
            doubts = [one for one in doubts if one.doubt != state.confirmed_code]
        answer = gravest(doubts)
        code = answer.doubt.value if answer else ""
        words = answer.words if answer else ""
        doubtful += bool(code)
        if (code, words) == (state.doubtful_code, state.doubtful_words):
            continue
        if code != state.doubtful_code:
            changed += 1
            state.doubtful_since_us = now_us if code else None
            touched = state.touched_us
            state.touched_us = now_us if touched is None else min(touched, now_us)
            record(
                "series.doubtful" if code else "series.sound",
                state.series,
                actor=None,
                at=at,
                words=f"{state.series}: {words or 'readings make sense again'}"[:500],
                data={"code": code},
            )
        state.doubtful_code, state.doubtful_words = code, words
        state.save(
            update_fields=["doubtful_code", "doubtful_words", "doubtful_since_us", "touched_us"]
        )
    if changed:
        wake("due.refresh")
    return doubtful, changed
