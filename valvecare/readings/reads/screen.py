"""What the pages of readings show, put together without a query per row."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from django.db.models import Count, Exists, Max, Min, OuterRef, Q, QuerySet, Subquery, Value
from django.db.models.functions import Concat
from numpy.typing import NDArray

from valvecare.core.permits import may
from valvecare.engineering.plausibility import gaps
from valvecare.readings.models import (
    MeterEvent,
    Push,
    Reading,
    Series,
    SeriesDay,
    SetAside,
    instant,
    micros,
)
from valvecare.readings.reads.lists import one_series, pushes_for, series_for, set_aside_for
from valvecare.readings.rules import US_PER_DAY, US_PER_S, Quality, Quantity, SetAsideState
from valvecare.readings.rules.sense import FOLLOWS, MISSING_PERIODS, sender_is_silent

PAGE_ROWS = 100
RAW_POINTS = 20_000
"""From so many readings on a plot shows each day's lowest, mean and highest instead."""

TABLE_ROWS = 50
LEAST_PUSHES = 3
PLOT_DAYS = (7, 31, 92, 366, 3_660)


@dataclass(frozen=True, slots=True)
class SeriesFilterWords:
    """What a person asked for; empty: everything."""

    site: str = ""
    quantity: str = ""
    doubtful: str = ""
    q: str = ""


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One line of the list. `age` is the time since the last usable reading."""

    id: int
    tag: str
    site: Any
    pump: str
    quantity: str
    unit: str
    is_counter: bool
    last_value: float | None
    last_at: datetime | None
    age: timedelta | None
    accumulated: float
    is_lower_bound: bool
    doubtful_words: str
    is_retired: bool


@dataclass(frozen=True)
class SeriesListing:
    rows: tuple[SeriesRow, ...]
    total: int
    page: int
    pages: int
    waiting: int
    doubtful: int


def series_listing(
    user: Any, wanted: SeriesFilterWords, *, page: int, at: datetime
) -> SeriesListing:
    """One page of the series a person can see, by tag."""
    seen = series_for(user)
    rows = seen
    if wanted.site:
        rows = rows.filter(site__code=wanted.site)
    if wanted.quantity:
        rows = rows.filter(quantity=wanted.quantity)
    if wanted.doubtful:
        rows = rows.exclude(state__doubtful_code="")
    if wanted.q:
        rows = rows.filter(Q(tag__icontains=wanted.q) | Q(pump__tag__icontains=wanted.q))
    total = rows.count()
    pages = max(1, -(-total // PAGE_ROWS))
    page = min(max(1, page), pages)
    found = rows.order_by("tag", "id")[(page - 1) * PAGE_ROWS : page * PAGE_ROWS]
    return SeriesListing(
        rows=tuple(_row(series, at) for series in found),
        total=total,
        page=page,
        pages=pages,
        waiting=set_aside_for(user).filter(state=SetAsideState.WAITING.value).count(),
        doubtful=seen.exclude(state__doubtful_code="").count(),
    )


def _row(series: Series, at: datetime) -> SeriesRow:
    state = getattr(series, "state", None)
    last_at = state.last_at if state else None
    return SeriesRow(
        id=series.pk,
        tag=series.tag,
        site=series.site,
        pump=series.pump.tag,
        quantity=series.quantity,
        unit=series.unit,
        is_counter=series.is_counter,
        last_value=state.last_value if state else None,
        last_at=last_at,
        age=None if last_at is None else max(at - last_at, timedelta()),
        accumulated=state.accumulated if state else 0.0,
        is_lower_bound=bool(state and state.is_lower_bound),
        doubtful_words=state.doubtful_words if state else "",
        is_retired=series.is_retired,
    )


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a plot needs: seconds since 1970 and values; a NaN is a gap."""

    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    low: NDArray[np.float64] | None
    high: NDArray[np.float64] | None


@dataclass(frozen=True, slots=True)
class ReadingLine:
    at_us: int
    at: datetime
    value: float
    quality: str
    source: str


@dataclass(frozen=True, slots=True)
class DayLine:
    """A UTC day on which segments were lost."""

    day: date
    lost: int


@dataclass(frozen=True)
class SeriesPage:
    """Everything the page of one series shows."""

    row: SeriesRow
    series: Series
    days: int
    drawn: Drawn
    use: Drawn | None
    """Counters: gain of each UTC day; a day without a reading is a gap."""
    expected: timedelta | None
    gaps: tuple[tuple[datetime, datetime], ...]
    meter_events: Sequence[MeterEvent]
    newest: tuple[ReadingLine, ...]
    lost_days: tuple[DayLine, ...]
    waiting: int
    may_declare: bool
    may_judge: bool


def series_page(user: Any, pk: int, *, days: int, at: datetime) -> SeriesPage:
    """One series over its last `days` days. Raises `NotFound`."""
    series = one_series(user, pk)
    row = _row(series, at)
    state = getattr(series, "state", None)
    until_us = (state.newest_us if state and state.newest_us else micros(at)) + 1
    since_us = until_us - days * US_PER_DAY
    drawn, holes = _drawn(series, since_us, until_us)
    newest = (
        Reading.objects.filter(series=series)
        .order_by("-at_us")
        .values_list("at_us", "value", "quality", "source__name")[:TABLE_ROWS]
    )
    lost = (
        SeriesDay.objects.filter(series=series, lost__gt=0)
        .order_by("-day")
        .values_list("day", "lost")[:TABLE_ROWS]
    )
    return SeriesPage(
        row=row,
        series=series,
        days=days,
        drawn=drawn,
        use=_use(series, since_us, until_us) if series.is_counter else None,
        expected=(
            None
            if series.expected_period_s is None
            else timedelta(seconds=series.expected_period_s)
        ),
        gaps=holes,
        meter_events=list(MeterEvent.objects.filter(series=series).order_by("at_us")),
        newest=tuple(
            ReadingLine(us, instant(us), value, Quality(quality).word, source)
            for us, value, quality, source in newest
        ),
        lost_days=tuple(DayLine(date(1970, 1, 1) + timedelta(day), n) for day, n in lost),
        waiting=SetAside.objects.filter(series=series, state=SetAsideState.WAITING.value).count(),
        may_declare=series.is_counter and may(user, "declare_meter_event", series.site_id),
        may_judge=may(user, "judge_readings", series.site_id),
    )


@dataclass(frozen=True, slots=True)
class Fall:
    """A fall of a counter that nobody has declared; `at` is a minute between the two readings."""

    at: datetime | None
    closing_value: float
    opening_value: float


def undeclared_fall(series: Series) -> Fall | None:
    """The newest one, to begin the declaration of a changed meter with."""
    day = (
        SeriesDay.objects.filter(series=series, lost__gt=0)
        .order_by("-day")
        .values_list("day", flat=True)
        .first()
    )
    if day is None or not series.is_counter:
        return None
    rows = Reading.objects.filter(series=series, quality__lt=int(Quality.BAD))
    start = day * US_PER_DAY
    inside = rows.filter(at_us__gte=start, at_us__lt=start + US_PER_DAY).order_by("-at_us")
    before = rows.filter(at_us__lt=start).order_by("-at_us")
    points = [*inside.values_list("at_us", "value")[:RAW_POINTS]]
    points += before.values_list("at_us", "value")[:1]
    declared = list(MeterEvent.objects.filter(series=series).values_list("at_us", flat=True))
    for (later_us, later), (earlier_us, earlier) in zip(points, points[1:], strict=False):
        if later < earlier and not any(earlier_us <= us <= later_us for us in declared):
            minute = instant(later_us - 60 * US_PER_S).replace(second=0, microsecond=0)
            return Fall(minute if micros(minute) > earlier_us else None, earlier, later)
    return None


def _drawn(
    series: Series, since_us: int, until_us: int
) -> tuple[Drawn, tuple[tuple[datetime, datetime], ...]]:
    usable = Reading.objects.filter(
        series=series, at_us__gte=since_us, at_us__lt=until_us, quality__lt=int(Quality.BAD)
    ).order_by("at_us")
    points = list(usable.values_list("at_us", "value")[: RAW_POINTS + 1])
    if len(points) > RAW_POINTS:
        return _drawn_by_day(series, since_us, until_us), ()
    time_s = np.array([us for us, _ in points], dtype=np.float64) / US_PER_S
    value = np.array([value for _, value in points], dtype=np.float64)
    holes: tuple[Any, ...] = ()
    if series.expected_period_s is not None and time_s.size > 1:
        longest = MISSING_PERIODS * series.expected_period_s
        holes = gaps(time_s, longest_s=longest, until_s=float(time_s[-1]))
        middle = np.array([(hole.start_s + hole.end_s) / 2 for hole in holes])
        where = np.searchsorted(time_s, middle)
        time_s, value = np.insert(time_s, where, middle), np.insert(value, where, np.nan)
    spans = tuple(
        (datetime.fromtimestamp(hole.start_s, UTC), datetime.fromtimestamp(hole.end_s, UTC))
        for hole in holes[-20:]
    )
    return Drawn(time_s, value, None, None), spans


def _use(series: Series, since_us: int, until_us: int) -> Drawn:
    first, last = since_us // US_PER_DAY, until_us // US_PER_DAY
    rows = list(
        SeriesDay.objects.filter(series=series, day__gte=first, day__lte=last)
        .order_by("day")
        .values_list("day", "increment")
    )
    if not rows:
        return Drawn(np.zeros(0), np.zeros(0), None, None)
    days = np.arange(rows[0][0], rows[-1][0] + 1)
    value = np.full(days.size, np.nan)
    value[[day - rows[0][0] for day, _ in rows]] = [gain for _, gain in rows]
    time_s = np.asarray(days * 86_400.0, dtype=np.float64)
    return Drawn(time_s, value, None, None)


def _drawn_by_day(series: Series, since_us: int, until_us: int) -> Drawn:
    days = SeriesDay.objects.filter(
        series=series, day__gte=since_us // US_PER_DAY, day__lte=until_us // US_PER_DAY
    ).order_by("day")
    rows = list(days.values_list("last_us", "v_last", "v_min", "v_max", "v_sum_micro", "n"))
    last, v_last, low, high, total, n = (
        np.array(column, dtype=np.float64) for column in zip(*rows, strict=True)
    )
    value = v_last if series.is_counter else total / 1e6 / n
    return Drawn(last / US_PER_S, value, low, high)


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One sender: its last push and its last 24 hours."""

    id: int
    name: str
    last_at: datetime
    age: timedelta
    pushes: int
    last: Push
    usual: timedelta | None
    """Time between two pushes, on average of all; None below three pushes."""
    is_silent: bool


def sources(user: Any, *, at: datetime) -> tuple[SourceRow, ...]:
    """Senders whose pushes this person may see, the longest silent first."""
    seen = pushes_for(user)
    rows = list(
        seen.order_by()
        .values("source_id", "source__name")
        .annotate(first_at=Min("at"), last_at=Max("at"), pushes=Count("pk"), last_id=Max("pk"))
        .order_by("last_at")[:PAGE_ROWS]
    )
    last = {push.pk: push for push in seen.filter(pk__in=[row["last_id"] for row in rows])}
    return tuple(_source_row(row, last[row["last_id"]], at) for row in rows)


def _source_row(row: Mapping[str, Any], last: Push, at: datetime) -> SourceRow:
    age = max(at - row["last_at"], timedelta())
    usual = (
        (row["last_at"] - row["first_at"]) / (row["pushes"] - 1)
        if row["pushes"] >= LEAST_PUSHES
        else None
    )
    return SourceRow(
        row["source_id"],
        row["source__name"],
        row["last_at"],
        age,
        row["pushes"],
        last,
        usual,
        usual is not None and sender_is_silent(age, usual=usual),
    )


def latest_pushes(user: Any, source_id: int | None = None) -> list[Push]:
    """The newest pushes a person may see, of one sender or of all."""
    pushes = pushes_for(user)
    if source_id is not None:
        pushes = pushes.filter(source_id=source_id)
    return list(pushes.order_by("-id")[:TABLE_ROWS])


def doubtful_series(user: Any) -> "QuerySet[Series]":
    """Series whose readings make no sense, the longest doubted first, with a partner to swap.

    The partner is the one whose own doubt names this series: a group may hold two such pairs.
    """
    names_it = Concat(Value(FOLLOWS), OuterRef("tag"), Value(":"))
    partner = (
        Series.objects.filter(
            pump__group=OuterRef("pump__group"),
            quantity=OuterRef("quantity"),
            state__doubtful_words__contains=names_it,
            retired_at__isnull=True,
        )
        .exclude(pk=OuterRef("pk"))
        .order_by("tag")
    )
    return (
        series_for(user)
        .exclude(state__doubtful_code="")
        .filter(retired_at__isnull=True)
        .annotate(
            has_waiting=Exists(
                SetAside.objects.filter(series=OuterRef("pk"), state=SetAsideState.WAITING.value)
            ),
            partner_id=Subquery(partner.values("pk")[:1]),
            partner_tag=Subquery(partner.values("tag")[:1]),
            partner_version=Subquery(partner.values("version")[:1]),
        )
        .order_by("state__doubtful_since_us", "tag")
    )


def sites_of(user: Any) -> list[tuple[str, str]]:
    """Codes of the sites whose series a person can see."""
    codes = series_for(user).order_by("site__code").values_list("site__code", flat=True)
    return [(code, code) for code in codes.distinct()]


def quantities() -> list[tuple[str, str]]:
    return [(quantity.value, quantity.value) for quantity in Quantity]
