"""Evidence of many valves at once: tests, inspections, releases, due items, events, doubts."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from django.contrib.auth import get_user_model
from django.db.models import Exists, OuterRef

from valvecare.due.models import DueItem
from valvecare.protection.models import FunctionTest, Inspection, OperatingRelease
from valvecare.protection.reads.fleet import Fleet
from valvecare.protection.rules import (
    DueFact,
    EventFact,
    InspectionFact,
    ProofResult,
    ReleaseFact,
    SisterFact,
    TestFact,
)
from valvecare.readings.models import PlantEvent, SeriesState
from valvecare.readings.rules import Doubt, PlantEventKind, SeriesKind
from valvecare.register.rules import ValveStatus

CLOSING_EVENTS = (PlantEventKind.REVERSE_ROTATION.value, PlantEventKind.WATER_HAMMER.value)

CONSECUTIVE = timedelta(days=2)
"""Work on sisters this close together counts as one campaign (common cause; common practice)."""

TEST_COLUMNS = (
    "id",
    "valve_id",
    "done_at",
    "method",
    "bypass_flow_m3_per_h",
    "uncertainty_share",
    "required_m3_per_h",
    "result",
    "restriction",
    "words",
)
INSPECTION_COLUMNS = (
    "id",
    "valve_id",
    "done_at",
    "kind",
    "as_found",
    "mode",
    "words",
    "crew",
    "seal_lot",
)


class Seen(NamedTuple):
    """An inspection with who did it and with what, where that is recorded."""

    fact: InspectionFact
    crew: str
    seal_lot: str


def tests_of(fleet: Fleet) -> dict[int, list[TestFact]]:
    """Function tests of the wanted valves, newest first."""
    found: dict[int, list[TestFact]] = defaultdict(list)
    rows = FunctionTest.objects.filter(valve_id__in=fleet.wanted)
    for row in rows.order_by("valve_id", "-done_at", "-id").values(*TEST_COLUMNS):
        found[row["valve_id"]].append(_test(fleet, row))
    return found


def _test(fleet: Fleet, row: Mapping[str, Any]) -> TestFact:
    return TestFact(
        id=row["id"],
        done_at=row["done_at"],
        done_on=row["done_at"].astimezone(fleet.zone(row["valve_id"])).date(),
        method=row["method"],
        flow_m3_per_h=row["bypass_flow_m3_per_h"],
        uncertainty_share=row["uncertainty_share"],
        required_m3_per_h=row["required_m3_per_h"],
        result=row["result"],
        restriction=row["restriction"],
        words=row["words"],
    )


def _seen(fleet: Fleet, valves: Any) -> dict[int, list[Seen]]:
    found: dict[int, list[Seen]] = defaultdict(list)
    rows = Inspection.objects.filter(valve_id__in=valves)
    for row in rows.order_by("valve_id", "-done_at", "-id").values(*INSPECTION_COLUMNS):
        fact = InspectionFact(
            id=row["id"],
            done_at=row["done_at"],
            done_on=row["done_at"].astimezone(fleet.zone(row["valve_id"])).date(),
            kind=row["kind"],
            as_found=row["as_found"],
            mode=row["mode"],
            words=row["words"],
        )
        held = found[row["valve_id"]]
        if not held or held[-1].fact.done_at != fact.done_at:  # a later note of the same opening
            held.append(Seen(fact, row["crew"], row["seal_lot"]))
    return found


def inspections_of(fleet: Fleet) -> dict[int, list[Seen]]:
    """Inspections of the wanted valves, newest first."""
    return _seen(fleet, fleet.wanted)


def due_of_valves(fleet: Fleet) -> dict[int, list[DueFact]]:
    """The due items under a policy of the wanted valves."""
    found: dict[int, list[DueFact]] = defaultdict(list)
    rows = DueItem.objects.filter(valve_id__in=fleet.wanted, policy__isnull=False)
    for row in rows.order_by("valve_id", "kind").values(
        "valve_id",
        "kind",
        "state",
        "share_used",
        "governed_by",
        "due_on",
        "earliest_on",
        "likely_on",
        "latest_on",
        "reason",
    ):
        found[row["valve_id"]].append(
            DueFact(
                kind=row["kind"],
                state=row["state"],
                share_used=row["share_used"],
                governed_by=row["governed_by"],
                due_on=row["due_on"],
                earliest_on=row["earliest_on"],
                likely_on=row["likely_on"] or row["due_on"],
                latest_on=row["latest_on"],
                sentence=row["reason"],
            )
        )
    return found


def releases_of(fleet: Fleet, tests: Mapping[int, Sequence[TestFact]]) -> dict[int, ReleaseFact]:
    """The newest provisional release of each wanted valve that no later test has ended."""
    found: dict[int, ReleaseFact] = {}
    # a host's people may have another login name than Django's
    signed_by = f"signed_by__{get_user_model().USERNAME_FIELD}"
    rows = OperatingRelease.objects.filter(valve_id__in=fleet.wanted)
    for row in rows.order_by("valve_id", "signed_at", "id").values(
        "valve_id", "until", "restriction", "words", "signed_at", signed_by
    ):
        valve = row["valve_id"]
        done = tests.get(valve, ())
        if done and done[0].done_at > row["signed_at"]:
            continue
        found[valve] = ReleaseFact(
            until=row["until"],
            restriction=row["restriction"],
            words=row["words"],
            signed_by=row[signed_by],
            signed_on=row["signed_at"].astimezone(fleet.zone(valve)).date(),
        )
    return found


def events_of(fleet: Fleet, since: Mapping[int, datetime | None]) -> dict[int, list[EventFact]]:
    """Events that put closing in doubt, later than the valve's last proof or inspection."""
    found: dict[int, list[EventFact]] = defaultdict(list)
    rows = PlantEvent.objects.filter(pump_id__in=list(fleet.valve_of), kind__in=CLOSING_EVENTS)
    for event in rows.order_by("-at", "-id").values(
        "pump_id", "kind", "at", "speed_rpm", "duration_s", "words"
    ):
        valve = fleet.valve_of[event["pump_id"]]
        proven = since.get(valve)
        if proven is not None and event["at"] <= proven:
            continue
        parts = []
        if event["speed_rpm"] is not None:
            parts.append(f"{event['speed_rpm']:.0f} rpm backwards")
        if event["duration_s"] is not None:
            parts.append(f"for {event['duration_s']:.0f} s")
        told = ", ".join(filter(None, (" ".join(parts), event["words"].rstrip(". "))))
        found[valve].append(
            EventFact(
                event["kind"],
                event["at"],
                event["at"].astimezone(fleet.zone(valve)).date(),
                f"{told[0].upper()}{told[1:]}." if told else "",
            )
        )
    return found


class _Failure(NamedTuple):
    at: datetime
    on: date
    words: str


def _failures(fleet: Fleet) -> dict[int, _Failure]:
    """The latest failure of each valve of the groups: found when opened, or shown by a test."""
    found: dict[int, _Failure] = {}

    def keep(valve: int, at: datetime, words: str) -> None:
        if valve in fleet.rows and (valve not in found or found[valve].at < at):
            found[valve] = _Failure(at, at.astimezone(fleet.zone(valve)).date(), words)

    here = {
        "valve__pump__group_id__in": list(fleet.groups),
        "valve__status": ValveStatus.IN_SERVICE.value,
    }
    corrected = Inspection.objects.filter(
        valve=OuterRef("valve"), done_at=OuterRef("done_at"), id__gt=OuterRef("id")
    )
    failed = Inspection.objects.filter(~Exists(corrected), as_found="failed", **here)
    for valve, at, words, mode in failed.values_list("valve_id", "done_at", "words", "mode"):
        keep(valve, at, words or mode or "found failed")
    for valve, at, words in FunctionTest.objects.filter(
        result=ProofResult.FAIL.value, **here
    ).values_list("valve_id", "done_at", "words"):
        keep(valve, at, f"function test failed {words.removeprefix('fail').strip()}".strip())
    return found


def _shared(mine: Sequence[Seen], theirs: Sequence[Seen], failed_at: datetime) -> tuple[str, ...]:
    """What the last work on this valve and on the failed one had in common."""
    before = [seen for seen in theirs if seen.fact.done_at < failed_at]
    if not mine or not before:
        return ()
    own, other = mine[0], before[0]
    shared = []
    if own.crew and own.crew == other.crew:
        shared.append(f"crew {own.crew}")
    if own.seal_lot and own.seal_lot == other.seal_lot:
        shared.append(f"seal lot {own.seal_lot}")
    if abs(own.fact.done_on - other.fact.done_on) <= CONSECUTIVE:
        shared.append("consecutive days")
    return tuple(shared)


def sisters_of(
    fleet: Fleet, since: Mapping[int, datetime | None], seen: Mapping[int, Sequence[Seen]]
) -> dict[int, list[SisterFact]]:
    """Failures in each wanted valve's group later than its own last proof or inspection."""
    failures = _failures(fleet)
    if not failures:
        return {}
    wanted = set(fleet.wanted)
    theirs = {**_seen(fleet, list(failures)), **seen}
    found: dict[int, list[SisterFact]] = defaultdict(list)
    for members in fleet.groups.values():
        failed = [(valve, failures[valve]) for valve in members if valve in failures]
        if not failed:
            continue
        for valve in members:
            last = since.get(valve)
            if valve not in wanted:
                continue
            for other, failure in failed:
                if other != valve and (last is None or failure.at > last):
                    shared = _shared(seen.get(valve, ()), theirs.get(other, ()), failure.at)
                    found[valve].append(
                        SisterFact(fleet.rows[other]["tag"], failure.on, failure.words, shared)
                    )
    return found


class Doubts(NamedTuple):
    """Words by valve: of all doubtful series, and of counters that stand while the pump runs."""

    all: dict[int, list[str]]
    standing: dict[int, list[str]]


def doubts_of(fleet: Fleet) -> Doubts:
    """Series in service whose readings are not to be believed, by valve."""
    found = Doubts(defaultdict(list), defaultdict(list))
    rows = SeriesState.objects.filter(
        series__pump_id__in=list(fleet.valve_of), series__retired_at__isnull=True
    ).exclude(doubtful_code="")
    for tag, words, pump, kind, code in rows.order_by("series__tag").values_list(
        "series__tag", "doubtful_words", "series__pump_id", "series__kind", "doubtful_code"
    ):
        told = f"{tag}: {words}"
        found.all[fleet.valve_of[pump]].append(told)
        if kind == SeriesKind.COUNTER.value and code == Doubt.FROZEN.value:
            found.standing[fleet.valve_of[pump]].append(told)
    return found
