"""The one writer of decisions: lock items, decide them from their clocks, store what changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.due.actions.write import write_columns
from valvecare.due.models import FIRST_DAY, LAST_DAY, Act, DueItem
from valvecare.due.reads.screen import Screened, screen_ids
from valvecare.due.rules import DueDecision, DueState, TaskKind, TriggerNote, decision_at


@dataclass(frozen=True, slots=True)
class Settled:
    """What a run did. `changed` are valves with a new decision, `written` items stored anew."""

    looked: int = 0
    written: int = 0
    changed: frozenset[int] = frozenset()

    def __add__(self, other: "Settled") -> "Settled":
        return Settled(
            self.looked + other.looked,
            self.written + other.written,
            self.changed | other.changed,
        )

    @property
    def counts(self) -> dict[str, int]:
        """For the row of the background job."""
        return {"looked": self.looked, "written": self.written, "changed": len(self.changed)}


@transaction.atomic
def settle(item_ids: Sequence[int], *, at: datetime, zones: Mapping[int, str]) -> Settled:
    """Decide these items anew and store those whose words change.

    Items are locked in id order, and their clocks read after that, so that two runs at once end
    with the same rows as one.
    """
    if not item_ids:
        return Settled()
    locked = dict(
        DueItem.objects.select_for_update()
        .filter(pk__in=item_ids)
        .order_by("pk")
        .values_list("pk", "valve_id")
    )
    screened = screen_ids(list(locked), at=at, zones=zones)
    rows = screened.moved.tolist()
    ids = screened.ids[rows].tolist()
    is_new = screened.decision_print[rows] != screened.held["decision_print"][rows]
    _write(screened, rows, ids, is_new.tolist(), at)
    changed = frozenset(locked[pk] for pk, new in zip(ids, is_new, strict=True) if new)
    return Settled(len(locked), len(ids), changed)


def _write(
    screened: Screened, rows: list[int], ids: list[int], is_new: list[bool], at: datetime
) -> None:
    if not ids:
        return
    stored = {
        item["pk"]: item
        for item in DueItem.objects.filter(pk__in=ids).values("pk", "kind", "changed_at", "act_id")
    }
    act_ids = {item["act_id"] for item in stored.values()}
    acts = dict(Act.objects.filter(pk__in=act_ids).values_list("pk", "kind"))
    values: dict[str, list[Any]] = {}
    for row, pk, new in zip(rows, ids, is_new, strict=True):
        item = stored[pk]
        act_kind = acts.get(item["act_id"])
        decision = decision_at(
            row,
            screened.found,
            screened.clocks,
            kind=TaskKind(item["kind"]),
            act_kind=TaskKind(act_kind) if act_kind else None,
            used_on=screened.used_on,
        )
        for name, value in stored_fields(decision).items():
            values.setdefault(name, []).append(value)
        values.setdefault("as_of", []).append(at)
        values.setdefault("changed_at", []).append(at if new else item["changed_at"])
    values["decision_print"] = screened.decision_print[rows].tolist()
    values["words_print"] = screened.words_print[rows].tolist()
    write_columns(DueItem, ids, values)


def stored_fields(decision: DueDecision) -> dict[str, Any]:
    """The columns of a due item that say a decision."""
    listed = decision.due_on or LAST_DAY
    if decision.state is DueState.NO_RECORD:
        listed = FIRST_DAY
    return {
        "state": decision.state.value,
        "share_used": decision.share_used,
        "governed_by": decision.governed_by or "",
        "runner_up": decision.runner_up or "",
        "runner_up_share": decision.runner_up_share,
        "earliest_on": decision.earliest_on,
        "likely_on": decision.likely_on,
        "latest_on": decision.latest_on,
        "due_on": decision.due_on,
        "listed_on": listed,
        "reason": decision.sentence[:500],
        "details": details(decision),
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def details(decision: DueDecision) -> dict[str, Any]:
    """The stored working: every limit as it was judged, as plain JSON."""
    return {
        "act": None
        if decision.act_on is None
        else {"kind": decision.act_kind, "on": _iso(decision.act_on)},
        "date_set_by": decision.date_set_by,
        "reasons": [{"code": one.code, "words": str(one)} for one in decision.reasons],
        "limits": [
            {
                "trigger": view.trigger,
                "note": view.note,
                "limit": view.limit,
                "unit": view.unit,
                "used": None if view.used is None else round(view.used),
                "share": view.shown,
                "is_lower_bound": view.is_lower_bound,
                "is_stale": view.is_stale,
                "is_silent": view.is_silent,
                "last_reading_on": _iso(view.last_reading_on),
            }
            for view in decision.triggers
            if view.note is not TriggerNote.NOT_USED
        ],
    }
