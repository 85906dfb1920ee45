"""Hold condition rules against the fleet, and against what was touched by readings.

Limits and trends are judged when readings of their series arrive, events when they are reported
and at every sweep, and every rule whole once a day (UTC) or after it was changed.
"""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime

from django.db import transaction
from django.db.models import QuerySet

from valvecare.due.actions.findings import Told, close_unasked, open_findings, store
from valvecare.due.models import ConditionRule
from valvecare.due.reads.columns import any_of
from valvecare.due.reads.conditions import (
    Target,
    confirming_runs,
    daily_means,
    events_of,
    gauges,
    means_of,
    recent_of,
    targets_of,
)
from valvecare.due.rules import ConditionBasis
from valvecare.due.rules.condition import (
    PlantEventFacts,
    Say,
    Says,
    event_says,
    given,
    is_beyond,
    is_released,
    limit_says,
    trend_says,
)
from valvecare.engineering.calendars import local_date
from valvecare.engineering.trend import LimitSide
from valvecare.readings.models import Series, micros
from valvecare.readings.rules import (
    US_PER_DAY,
    Conversion,
    PlantEventKind,
    Quantity,
    conversion,
)

BATCH = 2_000
"""Valves of a rule held in memory at once."""


def judge_rules(
    at: datetime, zones: Mapping[int, str], beat: Callable[[], None] = lambda: None
) -> set[int]:
    """Judge what is due to be judged; returns the valves whose findings changed.

    Events at every call, limits and trends once a day or after a change of the rule. A killed run
    goes on with the next one; a second run finds nothing to write.
    """
    changed: set[int] = set()
    today = at.date()
    for pk in list(ConditionRule.objects.order_by("pk").values_list("pk", flat=True)):
        with transaction.atomic():
            rule = held_rules(ConditionRule.objects.filter(pk=pk)).get()
            changed |= close_unasked(rule, at=at)
            is_whole = rule.judged_on != today
        if rule.basis == ConditionBasis.PASSING.value:
            continue  # judged from above, see actions/passing.py
        if rule.ended_at is None and (is_whole or rule.basis == ConditionBasis.EVENT.value):
            found, counts = _judge_whole(pk, rule.version, at, zones, beat)
            changed |= found
            ConditionRule.objects.filter(pk=pk, version=rule.version).update(
                judged_on=today, judged_counts=dict(sorted(counts.items()))
            )
        beat()
    return changed


def held_rules(rules: "QuerySet[ConditionRule]") -> "QuerySet[ConditionRule]":
    """Held until commit, in id order, so that runs at once wait for one another."""
    return rules.select_for_update(of=("self",)).order_by("pk")


def _judge_whole(
    pk: int, version: int, at: datetime, zones: Mapping[int, str], beat: Callable[[], None]
) -> tuple[set[int], Counter[str]]:
    changed: set[int] = set()
    counts: Counter[str] = Counter()
    low = 0
    while True:
        with transaction.atomic():
            rule = held_rules(ConditionRule.objects.live().filter(pk=pk, version=version)).first()
            targets = targets_of(rule, low=low, most=BATCH) if rule is not None else []
            if rule is None or not targets:
                return changed, counts
            said = _judge(rule, targets, at, zones)
            changed |= said[0]
            counts.update(one.code for one in said[1])
            low = targets[-1].valve
        beat()


def judge_touched(touched: Mapping[int, int], at: datetime, zones: Mapping[int, str]) -> set[int]:
    """Judge limits of these series, and trends where a complete day was touched.

    touched: series -> earliest instant touched (microseconds). Call inside a transaction.
    """
    elsewhere = [ConditionBasis.EVENT.value, ConditionBasis.PASSING.value]
    rules = ConditionRule.objects.live().exclude(basis__in=elsewhere)
    if not rules.exists():
        return set()
    rows = list(
        Series.objects.filter(
            any_of("pk", touched), quantity__in=set(rules.values_list("quantity", flat=True))
        ).values_list("pk", "pump_id", "quantity")
    )
    if not rows:
        return set()
    midnight = micros(at) // US_PER_DAY * US_PER_DAY
    changed: set[int] = set()
    named = {quantity for _, _, quantity in rows}
    for rule in list(held_rules(rules.filter(quantity__in=named))):
        is_trend = rule.basis == ConditionBasis.TREND.value
        pumps = {
            pump
            for series, pump, quantity in rows
            if quantity == rule.quantity and (not is_trend or touched[series] < midnight)
        }
        if pumps:
            changed |= _judge(rule, targets_of(rule, pumps=pumps), at, zones)[0]
    return changed


def judge_events_of(pumps: Collection[int], at: datetime, zones: Mapping[int, str]) -> set[int]:
    """Count the events of these pumps by every rule on events. Call inside a transaction."""
    rules = ConditionRule.objects.live().filter(basis=ConditionBasis.EVENT.value)
    changed: set[int] = set()
    for rule in list(held_rules(rules)):
        changed |= _judge(rule, targets_of(rule, pumps=pumps), at, zones)[0]
    return changed


def _judge(
    rule: ConditionRule, targets: Sequence[Target], at: datetime, zones: Mapping[int, str]
) -> tuple[set[int], list[Says]]:
    """Judge these valves by one rule, whose row is held, and store what changed."""
    held = open_findings(rule, [one.valve for one in targets])
    todays = {site: local_date(at, zones[site]) for site in {one.site for one in targets}}
    judge = {
        ConditionBasis.LIMIT: _by_limit,
        ConditionBasis.TREND: _by_trend,
        ConditionBasis.EVENT: _by_events,
    }[ConditionBasis(rule.basis)]
    says = judge(rule, targets, set(held), at, todays)
    pairs = list(zip(targets, says, strict=True))
    return store(Told(rule, pairs, held), at=at, todays=todays), says


def _in_unit(rule: ConditionRule, unit: str, value: float) -> float | None:
    """The rule's limit in the unit of a series; None when the units do not belong together."""
    found = conversion(Quantity(rule.quantity), unit, rule.unit)
    return value * found.factor + found.offset if isinstance(found, Conversion) else None


def _other_unit(rule: ConditionRule, unit: str) -> Says:
    words = f"the series is kept in {unit}, the limit in {rule.unit}"
    return Says(Say.NOTHING, "other_unit", words)


def _by_limit(
    rule: ConditionRule,
    targets: Sequence[Target],
    is_open: Collection[int],
    at: datetime,
    todays: Mapping[int, date],
) -> list[Says]:
    own = given(rule.limit, "limit"), given(rule.release, "release")
    side, quantity = LimitSide(rule.bad_side), Quantity(rule.quantity)
    found = gauges(rule, [one.pump for one in targets])
    limits: dict[str, tuple[float | None, float | None]] = {
        unit: (_in_unit(rule, unit, own[0]), _in_unit(rule, unit, own[1]))
        for unit in {gauge.unit for gauge in found.values()}
    }
    wanted = {}
    for target in targets:
        gauge = found.get(target.pump)
        if gauge is None or gauge.last_value is None or gauge.doubt or gauge.is_old(at):
            continue
        limit, release = limits[gauge.unit]
        if limit is None or release is None:
            continue
        moves = (
            is_released(gauge.last_value, release, side)
            if target.valve in is_open
            else is_beyond(gauge.last_value, limit, side)
        )
        if moves:
            wanted[gauge.id] = target.start_us
    runs = (
        confirming_runs(wanted, count=rule.confirm_count, minutes=rule.confirm_minutes)
        if wanted
        else {}
    )
    says = []
    for target in targets:
        gauge = found.get(target.pump)
        limit, release = limits[gauge.unit] if gauge else own
        if limit is None or release is None:
            says.append(_other_unit(rule, gauge.unit if gauge else rule.unit))
            continue
        recent = recent_of(gauge, target.start_us, runs.get(gauge.id), at) if gauge else None
        says.append(
            limit_says(
                recent,
                is_open=target.valve in is_open,
                quantity=quantity,
                limit=limit,
                release=release,
                unit=gauge.unit if gauge else rule.unit,
                bad_side=side,
                found_on=todays[target.site],
            )
        )
    return says


def _by_trend(
    rule: ConditionRule,
    targets: Sequence[Target],
    is_open: Collection[int],
    at: datetime,
    todays: Mapping[int, date],
) -> list[Says]:
    own = given(rule.limit, "limit")
    found = gauges(rule, [one.pump for one in targets])
    wanted = {
        found[target.pump].id: target.start_us
        for target in targets
        if target.pump in found and not found[target.pump].doubt
    }
    days = daily_means(wanted, at=at) if wanted else {}
    says = []
    for target in targets:
        gauge = found.get(target.pump)
        unit = gauge.unit if gauge else rule.unit
        limit = _in_unit(rule, unit, own)
        if limit is None:
            says.append(_other_unit(rule, unit))
            continue
        says.append(
            trend_says(
                None if gauge is None else means_of(gauge, days.get(gauge.id), at),
                is_open=target.valve in is_open,
                quantity=Quantity(rule.quantity),
                limit=limit,
                unit=unit,
                bad_side=LimitSide(rule.bad_side),
                least_points=given(rule.least_points, "least_points"),
                horizon_days=given(rule.horizon_days, "horizon_days"),
                confidence=given(rule.confidence, "confidence"),
                today=todays[target.site],
            )
        )
    return says


def _by_events(
    rule: ConditionRule,
    targets: Sequence[Target],
    is_open: Collection[int],
    at: datetime,
    todays: Mapping[int, date],
) -> list[Says]:
    events: Mapping[int, Sequence[PlantEventFacts]] = events_of(rule, targets, at)
    return [
        event_says(
            events.get(target.valve, ()),
            is_open=target.valve in is_open,
            kind=PlantEventKind(rule.event_kind),
            within_days=given(rule.within_days, "within_days"),
            least_count=rule.least_count,
            least_hours=rule.least_hours,
            found_on=todays[target.site],
        )
        for target in targets
    ]
