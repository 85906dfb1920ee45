"""A decision on one item, with its reasons as data, and the one plain sentence that says it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.core.errors import Reason
from valvecare.due.rules.decide import (
    NEVER_US,
    NOTES,
    STATES,
    ClockColumns,
    Decisions,
    decide,
)
from valvecare.due.rules.words import RESTARTS, TRIGGERS, DueState, TaskKind, Trigger, TriggerNote

_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_UNIT = {Trigger.CALENDAR: "month", Trigger.RUN_HOURS: "h", Trigger.STARTS: "starts"}
_UNIT[Trigger.CONDITION] = ""
_COUNTER = {Trigger.RUN_HOURS: "run-hour counter", Trigger.STARTS: "start counter"}


@dataclass(frozen=True, slots=True)
class TriggerView:
    """One limit of one item as decided. `used` in h or starts; None for the calendar.

    A condition has `words` in place of limit and amount.
    """

    trigger: Trigger
    note: TriggerNote
    limit: float | None
    used: float | None
    share: float | None
    shown: float | None
    is_lower_bound: bool
    is_stale: bool
    is_silent: bool
    last_reading_on: date | None
    earliest_on: date | None
    likely_on: date | None
    latest_on: date | None
    words: str = ""

    @property
    def unit(self) -> str:
        return "months" if self.trigger is Trigger.CALENDAR else _UNIT[self.trigger]


@dataclass(frozen=True, slots=True)
class DueDecision:
    """State, shares, dates and reasons of one valve and one kind of task."""

    kind: TaskKind
    state: DueState
    share_used: float | None
    governed_by: Trigger | None
    runner_up: Trigger | None
    runner_up_share: float | None
    earliest_on: date | None
    likely_on: date | None
    latest_on: date | None
    date_set_by: Trigger | None
    is_unconfirmed: bool
    act_kind: TaskKind | None
    act_on: date | None
    triggers: tuple[TriggerView, ...]
    reasons: tuple[Reason, ...]

    @property
    def due_on(self) -> date | None:
        """The likely date; the calendar limits it from above."""
        return self.likely_on

    @property
    def sentence(self) -> str:
        return " ".join(f"{reason.words} {reason.remedy}".strip() for reason in self.reasons)


def british(day: date) -> str:
    """4 Jun 2024."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def _amount(value: float) -> str:
    return f"{round(value):,}"


def _limit(view: TriggerView) -> str:
    limit = view.limit or 0.0
    if view.trigger is Trigger.CALENDAR:
        return f"{limit:.0f}-month limit"
    return f"{limit:,.10g} {_UNIT[view.trigger]} limit"


def _anchors(kind: TaskKind) -> str:
    words = [str(other) for other in TaskKind if kind in RESTARTS[other]]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _condition(view: TriggerView, code: str, tail: str = "") -> Reason:
    return Reason(code, f"Condition: {view.words}{tail}.", numbers={"share": view.share})


def _governs(view: TriggerView, act: str, tail: str) -> Reason:
    if view.trigger is Trigger.CONDITION:
        return _condition(view, "condition_governs", tail)
    least = "at least " if view.is_lower_bound else ""
    head = f"{view.trigger.value.capitalize()}, {least}{view.shown:.2f} of the {_limit(view)}"
    if view.trigger is Trigger.CALENDAR:
        end = british(view.likely_on) if view.likely_on else ""
        verb = "ended" if (view.share or 0) >= 1 else "ends"
        words = f"{head} since the {act}: it {verb} on {end}{tail}."
    else:
        unit = _UNIT[view.trigger]
        words = f"{head}: {_amount(view.used or 0)} {unit} since the {act}{tail}."
    numbers = {"share": view.share, "limit": view.limit, "used": view.used}
    return Reason(f"{view.trigger.name.lower()}_governs", words, numbers=numbers)


def _no_record(kind: TaskKind, views: Sequence[TriggerView], act_on: date | None) -> Reason:
    used = [view for view in views if view.note is not TriggerNote.NOT_USED]
    if not used:
        return Reason(
            "no_policy",
            f"No policy: nothing limits the {kind} of this valve.",
            "Set months, run-hours or starts for the valve, its group or its design.",
        )
    if act_on is None:
        return Reason(
            "no_act",
            f"No record: no {_anchors(kind)} of this valve is recorded, so nothing can be counted.",
            "Record the last one with its date, or do it now.",
        )
    counters = " and ".join(_COUNTER[view.trigger] for view in used)
    return Reason(
        "no_counter",
        f"No record: the only limits are counted, and there is no reading of the {counters}.",
        "Add the counter and push its readings, or set a limit in months.",
    )


def _beside(view: TriggerView) -> Reason | None:
    """What must be said about a limit beside the governing one."""
    if view.trigger not in _COUNTER:
        return None
    name, counter = view.trigger.value.capitalize(), _COUNTER[view.trigger]
    other = "Starts" if view.trigger is Trigger.RUN_HOURS else "Run-hours"
    while_words = f" while the {other.lower()} rise" if view.is_silent else ""
    if view.note is TriggerNote.NO_METER:
        words = f"{name} are not counted{while_words}: the pump has no {counter}."
        return Reason("no_meter", words, numbers={"trigger": view.trigger.value})
    if view.note is TriggerNote.NO_READING:
        words = f"{name} are not counted{while_words}: no reading of the {counter} has arrived."
        return Reason("no_reading", words, numbers={"trigger": view.trigger.value})
    if view.is_stale and view.last_reading_on is not None:
        since = british(view.last_reading_on)
        words = f"No reading of the {counter} since {since}{while_words}."
        return Reason("stale_reading", words, numbers={"trigger": view.trigger.value})
    return None


def _reasons(
    kind: TaskKind,
    state: DueState,
    views: Sequence[TriggerView],
    governing: TriggerView | None,
    runner_up: TriggerView | None,
    act_kind: TaskKind | None,
    act_on: date | None,
    unconfirmed_on: date | None,
) -> tuple[Reason, ...]:
    limits = [view for view in views if view.trigger is not Trigger.CONDITION]
    conditions = [view for view in views if view.trigger is Trigger.CONDITION]
    beside = [_condition(view, "condition") for view in conditions if view is not governing]
    if state is DueState.NO_RECORD or governing is None:
        return (_no_record(kind, limits, act_on), *beside)
    tail = ""
    if runner_up is not None:
        tail = f"; next {runner_up.trigger.value}, {runner_up.shown:.2f}"
    act = f"{act_kind or kind} of {british(act_on)}" if act_on else ""
    found = [_governs(governing, act, tail)]
    if unconfirmed_on is not None:
        words = f"At the usual rate it was reached on {british(unconfirmed_on)}; "
        found.append(Reason("reached_by_rate", words + "no reading confirms it yet."))
    if any(view.is_lower_bound for view in views):
        words = "Part of a counter's history is lost, so its amount is the least it can be."
        found.append(Reason("lower_bound", words))
    found += beside
    return tuple(found + [reason for view in limits if (reason := _beside(view)) is not None])


def _plain(table: Any, rows: Sequence[int]) -> list[Any]:
    """These rows as lists of plain values; None where a number or a day is missing."""
    some: Any = table[rows]
    if some.dtype.kind == "M":
        some = some.astype("datetime64[D]").astype(object)
    elif some.dtype.kind == "f":
        missing = np.isnan(some)
        some = some.astype(object)
        some[missing] = None
    return list(some.tolist())


def decisions_at(
    rows: Sequence[int],
    found: Decisions,
    clocks: ClockColumns,
    *,
    kinds: Sequence[TaskKind],
    act_kinds: Sequence[TaskKind | None],
    used_on: NDArray[np.datetime64],
    conditions: Mapping[int, TriggerView] = MappingProxyType({}),
) -> list[DueDecision]:
    """These items of the arrays as words and plain values, in the order of `rows`.

    conditions: row -> its open condition finding, where there is one. kinds, act_kinds: of each
    row. used_on (n, 3): the site-local date of the reading each amount rests on, NaT = none or
    not needed.
    """
    views = zip(
        *(
            _plain(table, rows)
            for table in (
                found.note,
                clocks.limit,
                clocks.used,
                found.share,
                found.shown,
                found.is_lower_bound,
                found.is_stale,
                found.is_silent,
                used_on,
                clocks.earliest,
                clocks.likely,
                clocks.latest,
            )
        ),
        strict=True,
    )
    items = zip(
        kinds,
        act_kinds,
        *(
            _plain(column, rows)
            for column in (
                found.state,
                found.governing,
                found.runner_up,
                found.set_by,
                found.is_unconfirmed,
                found.earliest,
                found.likely,
                found.latest,
                clocks.anchor_on,
            )
        ),
        strict=True,
    )
    return [
        _decision((*_views(view), conditions[row]) if row in conditions else _views(view), *item)
        for row, view, item in zip(rows, views, items, strict=True)
    ]


def _views(tables: tuple[list[Any], ...]) -> tuple[TriggerView, ...]:
    return tuple(
        TriggerView(
            trigger, NOTES[note], limit, None if trigger is Trigger.CALENDAR else used, *rest
        )
        for trigger, note, limit, used, *rest in zip(TRIGGERS, *tables, strict=True)
    )


def _decision(
    views: tuple[TriggerView, ...],
    kind: TaskKind,
    act_kind: TaskKind | None,
    state_at: int,
    governing_at: int,
    runner_up_at: int,
    set_by: int,
    is_unconfirmed: bool,
    earliest: date | None,
    likely: date | None,
    latest: date | None,
    act_on: date | None,
) -> DueDecision:
    state = STATES[state_at]
    governs = views[governing_at] if governing_at >= 0 else None
    follows = views[runner_up_at] if runner_up_at >= 0 else None
    late = likely if is_unconfirmed else None
    return DueDecision(
        kind=kind,
        state=state,
        share_used=governs.shown if governs else None,
        governed_by=governs.trigger if governs else None,
        runner_up=follows.trigger if follows else None,
        runner_up_share=follows.shown if follows else None,
        earliest_on=earliest,
        likely_on=likely,
        latest_on=latest,
        date_set_by=views[set_by].trigger if set_by >= 0 else None,
        is_unconfirmed=is_unconfirmed,
        act_kind=act_kind,
        act_on=act_on,
        triggers=views,
        reasons=_reasons(kind, state, views, governs, follows, act_kind, act_on, late),
    )


@dataclass(frozen=True, slots=True)
class TriggerFacts:
    """What is known of one limit of one item; see `ClockColumns`."""

    trigger: Trigger
    limit: float
    used: float | None = None
    has_series: bool = True
    is_lower_bound: bool = False
    is_stale: bool = False
    last_reading_on: date | None = None
    earliest_on: date | None = None
    likely_on: date | None = None
    latest_on: date | None = None


def governing(
    kind: TaskKind,
    facts: Sequence[TriggerFacts],
    *,
    act_kind: TaskKind | None,
    act_on: date | None,
    today: date,
    margin: float,
) -> DueDecision:
    """Decide one item: an array of one row through the same kernel as the fleet.

    The calendar's dates follow from `act_on` and its limit; give them in `likely_on` and the
    other two fields. Raises `OutOfRange` for a limit or an amount that cannot be.
    """
    shape = (1, len(TRIGGERS))

    def days(name: str) -> Any:
        table = np.full(shape, np.datetime64("NaT", "D"))
        for fact in facts:
            value = getattr(fact, name)
            if value is not None:
                table[0, TRIGGERS.index(fact.trigger)] = np.datetime64(value, "D")
        return table

    limit, used = np.full(shape, np.nan), np.full(shape, np.nan)
    has_series, lower = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
    stale = np.full(shape, NEVER_US, dtype=np.int64)
    for fact in facts:
        column = TRIGGERS.index(fact.trigger)
        limit[0, column] = fact.limit
        used[0, column] = np.nan if fact.used is None else fact.used
        has_series[0, column] = fact.has_series
        lower[0, column] = fact.is_lower_bound
        if fact.is_stale:
            stale[0, column] = 0
    clocks = ClockColumns(
        limit=limit,
        anchor_on=np.array([act_on if act_on is not None else "NaT"], dtype="datetime64[D]"),
        used=used,
        is_lower_bound=lower,
        has_series=has_series,
        stale_at_us=stale,
        earliest=days("earliest_on"),
        likely=days("likely_on"),
        latest=days("latest_on"),
    )
    found = decide(clocks, today=np.array([today], dtype="datetime64[D]"), at_us=0, margin=margin)
    return decisions_at(
        [0],
        found,
        clocks,
        kinds=[kind],
        act_kinds=[act_kind],
        used_on=days("last_reading_on"),
    )[0]
