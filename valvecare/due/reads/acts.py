"""The acts that count: the latest one that restarts each clock."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from valvecare.due.models import Act
from valvecare.due.reads.columns import any_of
from valvecare.due.rules import TaskKind


@dataclass(frozen=True, slots=True)
class Done:
    """An act: its id, its own kind, when it was finished and the date at the site."""

    id: int
    kind: TaskKind
    at: datetime
    on: date


def latest_acts(valve_ids: Sequence[int]) -> dict[tuple[int, TaskKind], Done]:
    """The latest act that restarts each kind's clocks, whatever the order of recording."""
    rows = (
        Act.objects.filter(
            any_of("valve_id", valve_ids), withdraws__isnull=True, withdrawal__isnull=True
        )
        .order_by("done_at", "pk")
        .values_list("valve_id", "resets", "pk", "kind", "done_at", "done_on")
    )
    found: dict[tuple[int, TaskKind], Done] = {}
    for valve, resets, pk, kind, done_at, done_on in rows:
        for reset in resets:
            found[valve, TaskKind(reset)] = Done(pk, TaskKind(kind), done_at, done_on)
    return found
