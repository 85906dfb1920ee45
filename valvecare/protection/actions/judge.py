"""Judge valves in bulk: gather facts by columns, decide, write only what changed."""

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import msgspec
from django.db import transaction

from valvecare.protection.models import ValveCapacity, Verdict
from valvecare.protection.reads.facts import gather, hydraulics_of, policy_on
from valvecare.protection.rules import (
    RULE_VERSION,
    Capacity,
    Decision,
    Facts,
    Hydraulics,
    capacity_of,
    judge,
)
from valvecare.register.models import ProtectionValve

CHUNK = 2_000


@dataclass(frozen=True)
class Judged:
    """How many valves were judged, and for how many the answer changed."""

    judged: int
    changed: int

    def __add__(self, other: "Judged") -> "Judged":
        return Judged(self.judged + other.judged, self.changed + other.changed)


def _plain(value: Any) -> Any:
    """JSON-ready copy: dataclasses, dates and enums as plain values."""
    return msgspec.to_builtins(value, str_keys=True)


def _print_of(inputs: Hydraulics) -> str:
    raw = msgspec.json.encode([RULE_VERSION, asdict(inputs)])
    return hashlib.sha256(raw).hexdigest()


def _capacities(inputs: Mapping[int, Hydraulics], at: datetime) -> dict[int, Capacity]:
    """Computed capacities; those whose inputs did not change are read, not computed again."""
    prints = {valve: _print_of(facts) for valve, facts in inputs.items()}
    kept = {
        row.valve_id: row
        for row in ValveCapacity.objects.filter(valve_id__in=list(inputs)).defer("working")
    }
    by_print: dict[str, Capacity] = {}
    found: dict[int, Capacity] = {}
    fresh: list[ValveCapacity] = []
    for valve, facts in inputs.items():
        row = kept.get(valve)
        if row is not None and row.inputs_hash == prints[valve]:
            found[valve] = Capacity(**row.result)
            continue
        capacity = by_print.get(prints[valve])
        if capacity is None:
            capacity = by_print[prints[valve]] = capacity_of(facts)
        found[valve] = capacity
        result = _plain(asdict(capacity))
        working = result.pop("working")
        fresh.append(
            ValveCapacity(
                valve_id=valve,
                inputs_hash=prints[valve],
                computed_at=at,
                result=result,
                working=working,
            )
        )
    ValveCapacity.objects.bulk_create(
        fresh,
        batch_size=500,
        update_conflicts=True,
        unique_fields=["valve"],
        update_fields=["inputs_hash", "computed_at", "result", "working"],
    )
    return found


def _row(valve_id: int, facts: Facts, decision: Decision, at: datetime) -> Verdict:
    told = asdict(facts)
    told.pop("capacity")
    return Verdict(
        valve_id=valve_id,
        judged_at=at,
        confirmed_at=at,
        word=decision.word.value,
        code=decision.code,
        since=decision.since,
        until=decision.until,
        until_earliest=decision.until_earliest,
        until_latest=decision.until_latest,
        reason=decision.reason[:700],
        next_action=decision.next_action[:300],
        restriction=decision.restriction[:400],
        evidence=decision.evidence[:300],
        grade=decision.grade.value,
        margin_share=decision.margin_share,
        required_m3_per_h=decision.required_m3_per_h,
        grounds=_plain(decision.grounds),
        notes=list(decision.notes),
        facts=_plain(told),
        rule_version=decision.rule_version,
    )


SAME = (
    "word",
    "code",
    "since",
    "until",
    "reason",
    "next_action",
    "restriction",
    "evidence",
    "grade",
    "notes",
    "rule_version",
)
"""An answer that agrees in these is the same answer."""


def _same(old: Verdict, new: Verdict) -> bool:
    return all(getattr(old, name) == getattr(new, name) for name in SAME)


@transaction.atomic
def judge_valves(valve_ids: Sequence[int], at: datetime) -> Judged:
    """Judge these valves as of `at`; a new row where the answer changed, else a confirmation.

    Two judges at once are harmless: the current row is unique per valve, and the old one is
    retired by a conditional update before the new one is written.
    """
    ids = sorted(
        ProtectionValve.objects.in_service()
        .filter(pk__in=list(valve_ids))
        .values_list("pk", flat=True)
    )
    if not ids:
        return Judged(0, 0)
    # hold the valves in key order: two judges of the same valve follow one another
    list(ProtectionValve.objects.select_for_update().filter(pk__in=ids).order_by("pk").values("pk"))
    policy = policy_on(at.date())
    capacities = _capacities(hydraulics_of(ids), at)
    current = {
        row.valve_id: row
        for row in Verdict.objects.filter(valve_id__in=ids, is_current=True).defer("facts")
    }
    changed: list[Verdict] = []
    confirmed: list[int] = []
    for valve_id, facts in gather(ids, capacities, at).items():
        new = _row(valve_id, facts, judge(facts, policy), at)
        old = current.get(valve_id)
        if old is not None and _same(old, new):
            confirmed.append(old.pk)
        else:
            changed.append(new)
    retired = [current[row.valve_id].pk for row in changed if row.valve_id in current]
    Verdict.objects.filter(pk__in=retired).update(is_current=False)
    Verdict.objects.filter(pk__in=confirmed).update(confirmed_at=at, stale_since=None)
    Verdict.objects.bulk_create(changed, batch_size=500)
    return Judged(len(ids), len(changed))


def judge_all(at: datetime, beat: Callable[[], None]) -> Judged:
    """Judge every valve in service, chunk by chunk; `beat` is called between chunks."""
    ids = list(ProtectionValve.objects.in_service().order_by("pk").values_list("pk", flat=True))
    done = Judged(0, 0)
    for start in range(0, len(ids), CHUNK):
        done += judge_valves(ids[start : start + CHUNK], at)
        beat()
    return done


def mark_stale(valve_ids: Iterable[int], at: datetime) -> int:
    """Mark current verdicts as overtaken by a new fact until they are judged again."""
    return Verdict.objects.filter(
        valve_id__in=list(valve_ids), is_current=True, stale_since__isnull=True
    ).update(stale_since=at)
