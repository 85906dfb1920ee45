"""Open, renew and close condition findings: the only writers of these rows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Q

from valvecare.core.events import record_many
from valvecare.due.models import ConditionFinding, ConditionRule
from valvecare.due.reads.columns import any_of
from valvecare.due.reads.conditions import Target, starts_of, valves_of_rule
from valvecare.due.rules import ConditionBasis, TaskKind
from valvecare.due.rules.condition import MOVED_DAYS, Say, Says

DATES = ("earliest_on", "likely_on", "latest_on")


def _shifted(day: date | None, days: int) -> date | None:
    if day is None:
        return None
    try:
        return day + timedelta(days=days)
    except OverflowError:
        return None


def dates_of(rule: ConditionRule, says: Says, today: date) -> dict[str, date | None]:
    """When the task is due: before a crossing by the lead, after a find by the lead."""
    is_trend = rule.basis == ConditionBasis.TREND.value
    days = -rule.lead_days if is_trend else rule.lead_days
    likely = _shifted(says.likely_on, days) or today
    return {
        "earliest_on": _shifted(says.earliest_on, days),
        "likely_on": likely,
        "latest_on": _shifted(says.latest_on, days),
    }


@dataclass(frozen=True, slots=True)
class Told:
    """What a rule said of some valves: (target, words), and whether a finding was open."""

    rule: ConditionRule
    said: Sequence[tuple[Target, Says]]
    open: Mapping[int, ConditionFinding]


def open_findings(rule: ConditionRule, valves: Sequence[int]) -> dict[int, ConditionFinding]:
    """Valve -> its open finding of the rule, held until commit."""
    rows = (
        ConditionFinding.objects.select_for_update()
        .filter(any_of("valve_id", valves), rule=rule, closed_at__isnull=True)
        .order_by("pk")
    )
    return {one.valve_id: one for one in rows}


def store(told: Told, *, at: datetime, todays: Mapping[int, date]) -> set[int]:
    """Write what was said; returns the valves with an opened, moved or closed finding.

    The caller holds the rule's row, so that two runs at once store the same rows as one.
    """
    rule, made, moved, closed = told.rule, [], [], []
    for target, says in told.said:
        held = told.open.get(target.valve)
        if says.say is Say.CLOSE and held is not None:
            held.closed_words = says.words[:300]
            closed.append(held)
        elif says.say is Say.OPEN:
            dates = dates_of(rule, says, todays[target.site])
            facts: dict[str, Any] = {
                **dates,
                "began_on": says.began_on,
                "evidence_us": says.evidence_us,
                "words": f"{says.words} (rule: {rule.name})"[:300],
                "evidence": {"code": says.code, **says.evidence},
                "judged_at": at,
            }
            if held is None:
                made.append(
                    ConditionFinding(
                        rule=rule,
                        valve_id=target.valve,
                        site_id=target.site,
                        kind=rule.task_kind,
                        opened_at=at,
                        **facts,
                    )
                )
            elif _has_moved(held, dates):
                for name, value in facts.items():
                    setattr(held, name, value)
                moved.append(held)
    ConditionFinding.objects.bulk_create(made, ignore_conflicts=True, batch_size=1_000)
    if moved:
        names = [*DATES, "began_on", "evidence_us", "words", "evidence", "judged_at"]
        ConditionFinding.objects.bulk_update(moved, names, batch_size=200)
    _close(closed, at=at)
    _tell("condition.found", _stored(rule, made), at=at)
    _tell("condition.moved", moved, at=at)
    return {one.valve_id for one in (*made, *moved, *closed)}


def _has_moved(held: ConditionFinding, dates: Mapping[str, date | None]) -> bool:
    """A week, so that a date that trembles does not rewrite due items and orders every day."""
    likely = dates["likely_on"]
    return likely is not None and abs((likely - held.likely_on).days) >= MOVED_DAYS


def _stored(rule: ConditionRule, made: Sequence[ConditionFinding]) -> list[ConditionFinding]:
    rows = ConditionFinding.objects.filter(
        any_of("valve_id", [one.valve_id for one in made]), rule=rule, closed_at__isnull=True
    )
    return list(rows.select_related("rule", "valve").order_by("pk")) if made else []


def _tell(type: str, findings: Sequence[ConditionFinding], *, at: datetime) -> None:
    if findings:
        record_many(
            type,
            findings,
            actor=None,
            at=at,
            words=lambda one: f"{one.valve}: {one.kind} is due by condition: {one.words}.",
            data=lambda one: {"rule": one.rule_id, "likely_on": one.likely_on.isoformat()},
        )


def _close(findings: Sequence[ConditionFinding], *, at: datetime) -> None:
    for one in findings:
        one.closed_at = at
    if findings:
        ConditionFinding.objects.bulk_update(
            findings, ["closed_at", "closed_words"], batch_size=500
        )
        record_many(
            "condition.over",
            findings,
            actor=None,
            at=at,
            words=lambda one: f"{one.valve}: {one.rule} is over: {one.closed_words}.",
            data=lambda one: {"rule": one.rule_id},
        )


def close_after_acts(valve_ids: Sequence[int], *, at: datetime) -> None:
    """Close open findings whose evidence lies before the act that starts the series again."""
    findings = list(
        ConditionFinding.objects.select_for_update(of=("self",))
        .filter(any_of("valve_id", valve_ids), closed_at__isnull=True)
        .select_related("rule", "valve")
        .order_by("pk")
    )
    if not findings:
        return
    kinds = {TaskKind(one.kind) for one in findings}
    starts = starts_of(sorted({one.valve_id for one in findings}), kinds)
    gone = []
    for one in findings:
        start_us, words = starts.get((one.valve_id, TaskKind(one.kind)), (0, ""))
        if one.evidence_us <= start_us:
            one.closed_words = f"{words} came after the evidence"
            gone.append(one)
    _close(gone, at=at)


def close_unasked(rule: ConditionRule, *, at: datetime) -> set[int]:
    """Close the findings of a rule that ended, and of valves it is no longer for."""
    rows = ConditionFinding.objects.select_for_update(of=("self",)).filter(
        rule=rule, closed_at__isnull=True
    )
    if rule.ended_at is None:
        rows = rows.filter(~Q(valve__in=valves_of_rule(rule)) | ~Q(kind=rule.task_kind))
    findings = list(rows.select_related("rule", "valve").order_by("pk"))
    for one in findings:
        one.closed_words = (
            "the rule has ended" if rule.ended_at else "the rule is not for this valve any more"
        )
    _close(findings, at=at)
    return {one.valve_id for one in findings}
