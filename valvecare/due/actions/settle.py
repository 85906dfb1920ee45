"""The one writer of decisions: lock items, decide them from their clocks, store what changed."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.due.actions.write import write_columns
from valvecare.due.models import FIRST_DAY, LAST_DAY, DueItem
from valvecare.due.reads.columns import any_of
from valvecare.due.reads.screen import KINDS, Screened, screen_ids, stale_days
from valvecare.due.rules import DueDecision, DueState, TaskKind, TriggerNote, decisions_at


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


def lock_items(item_ids: Collection[int]) -> dict[int, int]:
    """Hold these items until commit, in id order; returns their valves."""
    return dict(
        DueItem.objects.select_for_update()
        .filter(any_of("pk", item_ids))
        .order_by("pk")
        .values_list("pk", "valve_id")
    )


@transaction.atomic
def settle(item_ids: Collection[int], *, at: datetime, zones: Mapping[int, str]) -> Settled:
    """Decide these items anew and store those whose words change.

    Items are locked in id order, and their clocks read after that, so that two runs at once end
    with the same rows as one.
    """
    return settle_locked(lock_items(item_ids), at=at, zones=zones) if item_ids else Settled()


def settle_locked(locked: Mapping[int, int], *, at: datetime, zones: Mapping[int, str]) -> Settled:
    """As `settle`, for items the transaction holds already."""
    screened = screen_ids(list(locked), at=at, zones=zones)
    rows = screened.moved.tolist()
    if not rows:
        return Settled(len(locked))
    ids = screened.ids[rows].tolist()
    is_new = screened.decision_print[rows] != screened.held["decision_print"][rows]
    _write(screened, rows, ids, at, zones)
    new = [pk for pk, one in zip(ids, is_new, strict=True) if one]
    DueItem.objects.filter(any_of("pk", new)).update(changed_at=at)
    return Settled(len(locked), len(ids), frozenset(locked[pk] for pk in new))


def _write(
    screened: Screened, rows: list[int], ids: list[int], at: datetime, zones: Mapping[int, str]
) -> None:
    acts = dict(
        DueItem.objects.filter(any_of("pk", ids), act__isnull=False).values_list("pk", "act__kind")
    )
    decisions = decisions_at(
        rows,
        screened.found,
        screened.clocks,
        kinds=[KINDS[code] for code in screened.held["kind"][rows].tolist()],
        act_kinds=[TaskKind(acts[pk]) if pk in acts else None for pk in ids],
        used_on=stale_days(screened, zones),
        conditions=screened.conditions,
    )
    fields = [stored_fields(decision) for decision in decisions]
    values: dict[str, list[Any]] = {name: [one[name] for one in fields] for name in fields[0]}
    values["as_of"] = [at] * len(ids)
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
                "words": view.words,
            }
            for view in decision.triggers
            if view.note is not TriggerNote.NOT_USED
        ],
    }
