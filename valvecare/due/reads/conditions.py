"""What condition rules look at, for many valves at once: days, last readings, reported events."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db.models import Count, F, Max, Min, OuterRef, Q, QuerySet, Subquery
from numpy.typing import NDArray

from valvecare.due.models import ConditionFinding, ConditionRule, DueItem
from valvecare.due.reads.acts import latest_acts
from valvecare.due.reads.columns import Columns, any_of
from valvecare.due.rules import ConditionBasis, ConditionColumns, TaskKind, Trigger
from valvecare.due.rules.advance import condition_share
from valvecare.due.rules.condition import (
    MOST_TREND_DAYS,
    DailyMeans,
    PlantEventFacts,
    Recent,
    given,
)
from valvecare.due.rules.decide import shown_share
from valvecare.due.rules.sentences import TriggerView
from valvecare.due.rules.words import (
    STALE_LEAST_S,
    STALE_PERIODS,
    STALE_UNKNOWN_S,
    TriggerNote,
)
from valvecare.readings.models import PlantEvent, Reading, Series, SeriesDay, micros
from valvecare.readings.rules import US_PER_DAY, US_PER_S, Quality
from valvecare.register.models import ProtectionValve

_NAT = np.datetime64("NaT", "D")
_RUNS_AT_ONCE = 100
_KINDS = tuple(TaskKind)


def asked_for(valve_ids: Collection[int]) -> set[tuple[int, TaskKind]]:
    """(valve, kind of task) with an open finding."""
    rows = ConditionFinding.objects.filter(any_of("valve_id", valve_ids), closed_at__isnull=True)
    return {(valve, TaskKind(kind)) for valve, kind in rows.values_list("valve_id", "kind")}


@dataclass(frozen=True, slots=True)
class Target:
    """A valve a rule looks at. Evidence counts from `start_us` on (the last act, 0 = none)."""

    valve: int
    pump: int
    site: int
    start_us: int
    start_words: str


def valves_of_rule(rule: ConditionRule) -> "QuerySet[ProtectionValve]":
    """The valves in service a rule is for."""
    valves: QuerySet[ProtectionValve] = ProtectionValve.objects.in_service()
    if rule.valve_id is not None:
        return valves.filter(pk=rule.valve_id)
    if rule.group_id is not None:
        return valves.filter(pump__group=rule.group_id)
    return valves.filter(design__code=rule.design_code) if rule.design_code else valves


def line_rules() -> list[tuple[int, int, date | None]]:
    """(id, version, day of the last whole look) of the live rules on lines behind shut bypasses."""
    rules = ConditionRule.objects.live().filter(basis=ConditionBasis.PASSING.value)
    return list(rules.order_by("pk").values_list("pk", "version", "judged_on"))


def starts_of(
    valve_ids: Sequence[int], kinds: Iterable[TaskKind]
) -> dict[tuple[int, TaskKind], tuple[int, str]]:
    """When evidence for a task starts: at the latest strip-down, or the latest act of the task.

    (valve, kind) -> (microseconds, words of the act). Strip-down stands for every act that
    restarts its clock.
    """
    acts = latest_acts(valve_ids)
    found = {}
    for valve in valve_ids:
        overhaul = acts.get((valve, TaskKind.STRIP_DOWN))
        for kind in kinds:
            done = [one for one in (overhaul, acts.get((valve, kind))) if one is not None]
            if done:
                last = max(done, key=lambda one: one.at)
                found[valve, kind] = (micros(last.at), f"{last.kind.value} of {last.on}")
    return found


def targets_of(
    rule: ConditionRule, *, low: int = 0, most: int | None = None, pumps: Collection[int] = ()
) -> list[Target]:
    """Valves of a rule in id order, after `low`; only those on `pumps` when some are named."""
    valves = valves_of_rule(rule).filter(pk__gt=low).order_by("pk")
    if pumps:
        valves = valves.filter(any_of("pump_id", pumps))
    rows = list(valves.values_list("pk", "pump_id", "pump__group__site_id")[:most])
    kind = TaskKind(rule.task_kind)
    starts = starts_of([valve for valve, _, _ in rows], [kind])
    return [Target(*row, *starts.get((row[0], kind), (0, ""))) for row in rows]


@dataclass(frozen=True, slots=True)
class Gauge:
    """The series of a quantity at a pump, with its state."""

    id: int
    tag: str
    unit: str
    period_s: float | None
    last_us: int | None
    last_value: float | None
    doubt: str

    def is_old(self, at: datetime) -> bool:
        """As the counters of the clocks: three expected periods, a day at least."""
        period = STALE_UNKNOWN_S
        if self.period_s is not None:
            period = max(STALE_PERIODS * self.period_s, STALE_LEAST_S)
        return self.last_us is not None and micros(at) >= self.last_us + period * US_PER_S


def gauges(rule: ConditionRule, pumps: Collection[int]) -> dict[int, Gauge]:
    """Pump -> its series of the rule's quantity in service; the first where there are several."""
    rows = (
        Series.objects.filter(
            any_of("pump_id", pumps), quantity=rule.quantity, retired_at__isnull=True
        )
        .order_by("-pk")
        .values_list(
            "pump_id",
            "pk",
            "tag",
            "unit",
            "expected_period_s",
            "state__last_us",
            "state__last_value",
            "state__doubtful_code",
            "state__doubtful_words",
        )
    )
    return {
        pump: Gauge(pk, tag, unit, period, last_us, value, words or code or "")
        for pump, pk, tag, unit, period, last_us, value, code, words in rows
    }


@dataclass(frozen=True, slots=True)
class _Run:
    from_us: int
    count: int
    low: float
    high: float


def confirming_runs(
    wanted: Mapping[int, int], *, count: int | None, minutes: int | None
) -> dict[int, _Run]:
    """The last readings a confirmation asks for, by series; absent when there are too few.

    wanted: series -> microseconds after which readings count. Reads the end of the raw history
    only: from the last reading but `count`, and from the last one at least `minutes` back.
    """
    usable = Reading.objects.filter(series_id=OuterRef("pk"), quality__lt=Quality.BAD.value)
    mine = usable.order_by("-at_us").values("at_us")
    asked: dict[str, Any] = {}
    if count is not None:
        asked["by_count"] = Subquery(mine[count - 1 : count])
    if minutes is not None:
        reach = F("state__last_us") - minutes * 60 * US_PER_S
        asked["reach"] = reach
        asked["by_time"] = Subquery(mine.filter(at_us__lte=OuterRef("reach"))[:1])
    parts = [name for name in asked if name != "reach"]
    series = Series.objects.filter(any_of("pk", wanted)).annotate(**asked)
    begins = {}
    for pk, *instants in series.values_list("pk", *parts):
        if all(instant is not None and instant > wanted[pk] for instant in instants):
            begins[pk] = min(instants)
    found = {}
    ids = sorted(begins)
    for start in range(0, len(ids), _RUNS_AT_ONCE):
        runs = Q()
        for pk in ids[start : start + _RUNS_AT_ONCE]:
            runs |= Q(series_id=pk, at_us__gte=begins[pk])
        rows = Reading.objects.filter(runs, quality__lt=Quality.BAD.value).order_by()
        for row in rows.values("series_id").annotate(
            begin=Min("at_us"), count=Count("at_us"), low=Min("value"), high=Max("value")
        ):
            found[row["series_id"]] = _Run(row["begin"], row["count"], row["low"], row["high"])
    return found


def recent_of(gauge: Gauge, start_us: int, run: _Run | None, at: datetime) -> Recent | None:
    """The facts of one series for `limit_says`; None without a reading since the start."""
    if gauge.last_us is None or gauge.last_value is None or gauge.last_us <= start_us:
        return None
    return Recent(
        gauge.tag,
        gauge.last_us,
        gauge.last_value,
        from_us=run.from_us if run else 0,
        count=run.count if run else 0,
        low=run.low if run else 0.0,
        high=run.high if run else 0.0,
        doubt=gauge.doubt,
        is_old=gauge.is_old(at),
    )


def daily_means(wanted: Mapping[int, int], *, at: datetime) -> dict[int, tuple[Any, Any, int]]:
    """Series -> (days, means, last instant) of complete days (UTC) after its start; no raw history.

    wanted: series -> microseconds; the day of the start itself is left out: it mixes two states.
    """
    today = micros(at) // US_PER_DAY
    rows = (
        SeriesDay.objects.filter(
            any_of("series_id", wanted), day__lt=today, day__gte=today - MOST_TREND_DAYS, n__gt=0
        )
        .order_by("series_id", "day")
        .values_list("series_id", "day", "v_sum_micro", "n", "last_us")
    )
    days: dict[int, list[int]] = defaultdict(list)
    means: dict[int, list[float]] = defaultdict(list)
    last: dict[int, int] = {}
    for series, day, total, n, last_us in rows:
        if wanted[series] and day <= wanted[series] // US_PER_DAY:
            continue
        days[series].append(day)
        means[series].append(total / 1e6 / n)
        last[series] = last_us
    return {series: (days[series], means[series], last[series]) for series in days}


def means_of(gauge: Gauge, days: tuple[Any, Any, int] | None, at: datetime) -> DailyMeans | None:
    """The facts of one series for `trend_says`; None without a complete day."""
    if days is None:
        return None
    return DailyMeans(gauge.tag, *days, doubt=gauge.doubt, is_old=gauge.is_old(at))


def events_of(
    rule: ConditionRule, targets: Sequence[Target], at: datetime
) -> dict[int, list[PlantEventFacts]]:
    """Valve -> the events of the rule's window since its start, up to now."""
    since = at - timedelta(days=given(rule.within_days, "within_days"))
    by_pump: dict[int, list[PlantEventFacts]] = defaultdict(list)
    rows = PlantEvent.objects.filter(
        any_of("pump_id", [one.pump for one in targets]),
        kind=rule.event_kind,
        at__gt=since,
        at__lte=at,
    )
    for pump, pk, when, duration, speed, words in rows.values_list(
        "pump_id", "pk", "at", "duration_s", "speed_rpm", "words"
    ):
        by_pump[pump].append(PlantEventFacts(pk, micros(when), duration, speed, words))
    found = {}
    for target in targets:
        mine = [one for one in by_pump.get(target.pump, ()) if one.at_us > target.start_us]
        if mine:
            found[target.valve] = mine
    return found


_FINDING = (
    "valve_id",
    "kind",
    "pk",
    "judged_at",
    "began_on",
    "earliest_on",
    "likely_on",
    "latest_on",
    "words",
    "rule__basis",
)
_FEW = 2_000


def beside_clocks(
    held: Columns, today: NDArray[np.datetime64]
) -> tuple[ConditionColumns, dict[int, TriggerView]]:
    """The most urgent open finding of each item: as columns, and by row as it is shown."""
    size = held["id"].size
    none = ConditionColumns(
        mark=np.zeros(size, dtype=np.int64),
        share=np.full(size, np.nan),
        earliest=np.full(size, _NAT),
        likely=np.full(size, _NAT),
        latest=np.full(size, _NAT),
    )
    findings = ConditionFinding.objects.filter(closed_at__isnull=True)
    if size <= _FEW:
        findings = findings.filter(any_of("valve_id", held["valve"].tolist()))
    rows = list(findings.order_by("likely_on", "pk").values_list(*_FINDING))
    if not rows or not size:
        return none, {}
    key = held["valve"] * len(_KINDS) + held["kind"]
    order = np.argsort(key, kind="stable")
    views: dict[int, TriggerView] = {}
    for valve, kind, pk, judged, began, earliest, likely, latest, words, basis in rows:
        wanted = valve * len(_KINDS) + _KINDS.index(TaskKind(kind))
        place = min(int(np.searchsorted(key, wanted, sorter=order)), size - 1)
        row = int(order[place])
        if key[row] != wanted or row in views:
            continue
        none.mark[row] = (pk << 20) ^ micros(judged)
        share = _share(basis, began, likely, today[row])
        none.share[row] = share
        none.earliest[row] = earliest or _NAT
        none.likely[row] = likely
        none.latest[row] = latest or _NAT
        views[row] = TriggerView(
            trigger=Trigger.CONDITION,
            note=TriggerNote.KNOWN,
            limit=None,
            used=None,
            share=share,
            shown=float(shown_share(np.array([share]))[0]),
            is_lower_bound=False,
            is_stale=False,
            is_silent=False,
            last_reading_on=None,
            earliest_on=earliest,
            likely_on=likely,
            latest_on=latest,
            words=words,
        )
    return none, views


def _share(basis: str, began: date, likely: date, today: np.datetime64) -> float:
    """1 where the limit was met; for a trend the share of the way to its date."""
    if basis != ConditionBasis.TREND.value:
        return 1.0
    days = (np.array([day], dtype="datetime64[D]") for day in (began, likely, today))
    return float(condition_share(*days)[0])


def unlisted_findings() -> "QuerySet[Any, int]":
    """Valves in service with an open finding but no item for its task."""
    item = DueItem.objects.filter(valve=OuterRef("valve"), kind=OuterRef("kind"))
    return (
        ConditionFinding.objects.filter(closed_at__isnull=True)
        .annotate(item=Subquery(item.values("pk")[:1]))
        .filter(item__isnull=True)
        .order_by()
        .values_list("valve_id", flat=True)
    )


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """One finding as it is shown."""

    id: int
    rule_id: int
    rule: str
    basis: str
    kind: str
    opened_at: datetime
    began_on: date
    earliest_on: date | None
    likely_on: date
    latest_on: date | None
    words: str
    evidence: Mapping[str, Any]
    source: str
    owner: str

    @property
    def numbers(self) -> tuple[tuple[str, Any], ...]:
        """The evidence as pairs of words and value, lists by their length."""
        return tuple(
            (
                name.replace("_", " "),
                f"{len(value)} stored" if isinstance(value, list) else value,
            )
            for name, value in self.evidence.items()
            if not name.endswith("_us")
        )


def conditions_of(valve: Any, *, kind: str | None = None) -> tuple[ConditionRow, ...]:
    """The open findings of a valve, of one kind of task if named, the most urgent first."""
    rows = ConditionFinding.objects.filter(valve=valve, closed_at__isnull=True)
    if kind is not None:
        rows = rows.filter(kind=kind)
    return tuple(
        ConditionRow(
            id=one.pk,
            rule_id=one.rule_id,
            rule=one.rule.name,
            basis=one.rule.basis,
            kind=one.kind,
            opened_at=one.opened_at,
            began_on=one.began_on,
            earliest_on=one.earliest_on,
            likely_on=one.likely_on,
            latest_on=one.latest_on,
            words=one.words,
            evidence=one.evidence,
            source=one.rule.source,
            owner=one.rule.owner,
        )
        for one in rows.select_related("rule").order_by("likely_on", "pk")
    )
