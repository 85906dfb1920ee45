"""Judge valves in bulk: gather facts by columns, decide, write only what changed."""

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import msgspec
from django.db import transaction
from django.db.models.functions import Now

from valvecare.core.models import Event
from valvecare.protection.models import EventCursor, ValveCapacity, Verdict
from valvecare.protection.reads.facts import gather, policy_on
from valvecare.protection.reads.fleet import fleet_of
from valvecare.protection.reads.touched import (
    FOLLOWER,
    cursor,
    newest_event,
    touched_since,
    valves_of,
)
from valvecare.protection.rules import (
    RULE_VERSION,
    Capacity,
    Decision,
    Facts,
    Hydraulics,
    capacity_of,
    judge,
    same_answer,
)
from valvecare.register.models import ProtectionValve

CHUNK = 2_000
"""Valves judged in one transaction."""

AT_ONCE = 20
"""Sisters judged in the transaction that brings new evidence."""

LATE_COMMITS = timedelta(minutes=1)
"""A transaction may commit an event after a later one was seen; the cursor stays behind by this.
What takes longer is caught by the sweep."""


@dataclass(frozen=True)
class Judged:
    """How many valves were judged, and for how many the answer changed."""

    judged: int = 0
    changed: int = 0

    def __add__(self, other: "Judged") -> "Judged":
        return Judged(self.judged + other.judged, self.changed + other.changed)

    @property
    def counts(self) -> dict[str, int]:
        """For the row of the background job."""
        return {"judged": self.judged, "verdicts_changed": self.changed}


def _plain(value: Any) -> Any:
    """As JSON gives it back: dataclasses, dates and enums as plain values, tuples as lists."""
    return msgspec.json.decode(msgspec.json.encode(value))


def _print_of(inputs: Hydraulics) -> str:
    return hashlib.sha256(msgspec.json.encode([RULE_VERSION, inputs])).hexdigest()


def _capacities(inputs: Mapping[int, Hydraulics], at: datetime) -> dict[int, Capacity]:
    """Computed capacities; those whose inputs did not change are read, not computed again."""
    prints = {valve: _print_of(facts) for valve, facts in inputs.items()}
    kept = {
        row.valve_id: row
        for row in ValveCapacity.objects.filter(valve_id__in=list(inputs)).defer("working")
    }
    by_print: dict[str, tuple[Capacity, dict[str, Any]]] = {}
    found: dict[int, Capacity] = {}
    fresh: list[ValveCapacity] = []
    for valve, facts in inputs.items():
        row = kept.get(valve)
        if row is not None and row.inputs_hash == prints[valve]:
            found[valve] = Capacity(**row.result)
            continue
        made = by_print.get(prints[valve])
        if made is None:
            capacity = capacity_of(facts)
            result = _plain(replace(capacity, working={}))
            del result["working"]
            made = by_print[prints[valve]] = capacity, result
        found[valve] = made[0]
        fresh.append(
            ValveCapacity(
                valve_id=valve,
                inputs_hash=prints[valve],
                computed_at=at,
                result=made[1],
                working=made[0].working,
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


def _row(valve_id: int, facts: Facts, decision: Decision, at: datetime, seen: int) -> Verdict:
    told = _plain(facts)
    del told["capacity"], told["as_of"], told["as_of_on"]
    return Verdict(
        valve_id=valve_id,
        judged_at=at,
        confirmed_at=at,
        updated_at=at,
        seen_event=seen,
        word=decision.word.value,
        code=decision.code,
        since=decision.since,
        until=decision.until,
        until_earliest=decision.until_earliest,
        until_latest=decision.until_latest,
        reason=decision.reason,
        next_action=decision.next_action,
        restriction=decision.restriction,
        evidence=decision.evidence,
        grade=decision.grade.value,
        margin_share=decision.margin_share,
        required_m3_per_h=decision.required_m3_per_h,
        grounds=_plain(decision.grounds),
        notes=list(decision.notes),
        facts=told,
        rule_version=decision.rule_version,
    )


WORKING = (
    "until",
    "until_earliest",
    "until_latest",
    "reason",
    "margin_share",
    "required_m3_per_h",
    "grounds",
    "notes",
    "facts",
)
"""What may move without the answer becoming another one."""


def _brought_up_to_date(old: Verdict, new: Verdict) -> bool:
    """Copy the working of the new judgement to the standing answer; False when it is equal."""
    moved = False
    for name in WORKING:
        if getattr(old, name) != getattr(new, name):
            setattr(old, name, getattr(new, name))
            moved = True
    return moved


@transaction.atomic
def judge_valves(valve_ids: Sequence[int], at: datetime) -> Judged:
    """Judge these valves as of `at`; a new row where the answer changed, else a confirmation.

    Two judges at once follow one another by the locks on the valves, taken in key order; the
    unique current row per valve is the last line. On SQLite the transaction itself excludes.
    """
    ids = list(
        ProtectionValve.objects.in_service()
        .select_for_update()
        .filter(pk__in=list(valve_ids))
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    if not ids:
        return Judged()
    seen = newest_event()  # before the facts are read: what comes later is not in them
    policy = policy_on(at.date())
    fleet = fleet_of(ids)
    capacities = _capacities({valve: fleet.hydraulics[valve] for valve in fleet.wanted}, at)
    current = {
        row.valve_id: row for row in Verdict.objects.filter(valve_id__in=ids, is_current=True)
    }
    new_rows: list[Verdict] = []
    moved: list[Verdict] = []
    confirmed: list[int] = []
    for valve_id, facts in gather(fleet, capacities, policy, at).items():
        new = _row(valve_id, facts, judge(facts, policy), at, seen)
        old = current.get(valve_id)
        if old is None or not same_answer(old, new):
            new_rows.append(new)
        elif _brought_up_to_date(old, new):
            old.confirmed_at, old.updated_at, old.seen_event = at, at, seen
            moved.append(old)
        else:
            confirmed.append(old.pk)
    retired = [current[row.valve_id].pk for row in new_rows if row.valve_id in current]
    Verdict.objects.filter(pk__in=retired).update(is_current=False)
    Verdict.objects.filter(pk__in=confirmed).update(confirmed_at=at, seen_event=seen)
    Verdict.objects.bulk_create(
        moved,
        batch_size=500,
        update_conflicts=True,
        unique_fields=["id"],
        update_fields=[*WORKING, "confirmed_at", "updated_at", "seen_event"],
    )
    Verdict.objects.bulk_create(new_rows, batch_size=500)
    return Judged(len(ids), len(new_rows))


def judge_group_of(valve: Any, at: datetime) -> Judged:
    """Judge a valve and its sisters at once: what is found at one of them counts for all.

    Sisters beyond `AT_ONCE` follow with the next sweep.
    """
    group = ProtectionValve.objects.in_service().filter(pump__group_id=valve.pump.group_id)
    sisters = group.exclude(pk=valve.pk).order_by("pk").values_list("pk", flat=True)
    return judge_valves([valve.pk, *sisters[:AT_ONCE]], at)


def _in_chunks(ids: Sequence[int], at: datetime, beat: Callable[[], None]) -> Judged:
    done = Judged()
    for start in range(0, len(ids), CHUNK):
        done += judge_valves(ids[start : start + CHUNK], at)
        beat()
    return done


def judge_all(at: datetime, beat: Callable[[], None]) -> Judged:
    """Judge every valve in service, group by group; `beat` is called between chunks."""
    valves = ProtectionValve.objects.in_service().order_by("pump__group_id", "pk")
    return _in_chunks(list(valves.values_list("pk", flat=True)), at, beat)


def judge_touched(at: datetime, beat: Callable[[], None], *, also: Iterable[int] = ()) -> Judged:
    """Judge the valves whose facts changed by an event since the last time, and `also` these.

    The cursor moves only past events old enough that none before them can still be on its way.
    """
    touched = touched_since(cursor())
    done = _in_chunks(sorted({*valves_of(touched), *also}), at, beat)
    settled = (
        Event.objects.filter(id__lte=touched.last, recorded_at__lt=Now() - LATE_COMMITS)
        .order_by("-id")
        .values_list("id", flat=True)
        .first()
    )
    if settled is not None:
        EventCursor.objects.get_or_create(pk=FOLLOWER)
        EventCursor.objects.filter(pk=FOLLOWER, event_id__lt=settled).update(event_id=settled)
    return done
