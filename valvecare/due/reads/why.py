"""The working of one due item, worked out now by the kernel that stored it: for the page 'Why'."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from valvecare import __version__
from valvecare.core.conf import options
from valvecare.core.errors import NotFound, Reason
from valvecare.due.models import Act, Clock, DueItem, Policy, SeriesUsage
from valvecare.due.reads.conditions import ConditionRow, conditions_of
from valvecare.due.reads.policies import policy_facts
from valvecare.due.reads.screen import screen_ids, site_zones, stale_days
from valvecare.due.rules import (
    TRIGGERS,
    DueDecision,
    Level,
    TaskKind,
    Trigger,
    TriggerNote,
    TriggerView,
    decisions_at,
)
from valvecare.due.rules.words import CONFIDENCE, USAGE_WEEKS
from valvecare.readings.models import Series, SeriesState, instant

_COUNTED = "share = (total now - total at the act) / limit; date = last reading + remains / rate"
_COUNTED_SOURCE = "engineering.due_dates.shares_used, engineering.usage.days_to_use"
FORMULAS = {
    Trigger.CALENDAR: (
        "share = days since the act / days from the act to the act + months",
        "engineering.calendars.calendar_share",
    ),
    Trigger.RUN_HOURS: (_COUNTED, _COUNTED_SOURCE),
    Trigger.STARTS: (_COUNTED, _COUNTED_SOURCE),
}

NOTES = {
    TriggerNote.NO_ACT: "nothing recorded to count from",
    TriggerNote.NO_METER: "no meter: the pump has no such counter",
    TriggerNote.NO_READING: "no reading of the counter has arrived",
}


@dataclass(frozen=True, slots=True)
class PolicyUsed:
    """The policy that applies: what it is for, its limits (months, h, starts), who answers."""

    id: int
    version: int
    who: str
    level: Level
    months: int | None
    run_hours: float | None
    starts: int | None
    valid_from: date
    valid_to: date | None
    source: str
    owner: str


@dataclass(frozen=True, slots=True)
class ActUsed:
    """The act that started the clocks. `done_on` is the date at the site."""

    id: int
    kind: TaskKind
    done_at: datetime
    done_on: date
    origin: str
    note: str
    recorded_at: datetime
    recorded_by: str


@dataclass(frozen=True, slots=True)
class LimitWorking:
    """One limit with its inputs: share = used / of.

    used, of: days for the calendar, else h or starts (`unit`). limit: months, h or starts
    (`limit_unit`). remaining: what is left, in `unit`. share: exact, None = not known. note: what
    is missing, empty when nothing is. total and base: the counter now and at the act. age: of the
    last reading at the instant of the question. per_day: rate of use over `weeks` complete weeks
    from `window_from` to `window_to` (dates, UTC). lost_segments since the act make the amount
    the least it can be. doubt: what is said against the readings. Dates are dates at the site.
    """

    trigger: Trigger
    is_governing: bool
    is_runner_up: bool
    limit: float
    limit_unit: str
    used: float | None
    of: float | None
    unit: str
    remaining: float | None
    share: float | None
    note: str
    is_lower_bound: bool
    is_stale: bool
    is_silent: bool
    formula: str
    formula_source: str
    earliest_on: date | None
    likely_on: date | None
    latest_on: date | None
    series_id: int | None = None
    series_tag: str = ""
    total: float | None = None
    base: float | None = None
    first_read_at: datetime | None = None
    read_at: datetime | None = None
    age: timedelta | None = None
    lost_segments: int = 0
    doubt: str = ""
    per_day: float | None = None
    weeks: int = 0
    window_from: date | None = None
    window_to: date | None = None


@dataclass(frozen=True, slots=True)
class Why:
    """Everything behind one due item at an instant.

    `item` is what is stored (lists show it); `decision`, `reasons` and `limits` are worked out at
    `at` from the same clocks. Where the two differ the next sweep stores the new one.
    """

    item: DueItem
    decision: DueDecision
    at: datetime
    today: date
    policy: PolicyUsed | None
    act: ActUsed | None
    limits: tuple[LimitWorking, ...]
    not_used: tuple[Trigger, ...]
    conditions: tuple[ConditionRow, ...]
    coming_up_from: float
    confidence: float
    rule_version: str

    @property
    def reasons(self) -> tuple[Reason, ...]:
        return self.decision.reasons


def why(user: Any, item_id: int, *, at: datetime) -> Why:
    """The working of a due item this person may see. Raises `NotFound`."""
    related = ("valve", "pump", "group", "site")
    item = DueItem.objects.for_user(user).select_related(*related).filter(pk=item_id).first()
    if item is None:
        raise NotFound("There is no such due item for you.")
    zones = site_zones()
    screened = screen_ids([item.pk], at=at, zones=zones)
    act = _act(item.act_id)
    (decision,) = decisions_at(
        [0],
        screened.found,
        screened.clocks,
        kinds=[TaskKind(item.kind)],
        act_kinds=[act.kind if act else None],
        used_on=stale_days(screened, zones),
        conditions=screened.conditions,
    )
    today: date = screened.today[0].astype(object)
    clocks = {
        Trigger(clock.trigger): clock for clock in item.clocks.select_related("series__state")
    }
    views = {view.trigger: view for view in decision.triggers}
    return Why(
        item=item,
        decision=decision,
        at=at,
        today=today,
        policy=_policy(item.policy_id),
        act=act,
        limits=tuple(
            _working(views[trigger], clocks[trigger], decision, at=at, today=today)
            for trigger in TRIGGERS
            if trigger in clocks
        ),
        not_used=tuple(trigger for trigger in TRIGGERS if trigger not in clocks),
        conditions=conditions_of(item.valve, kind=item.kind),
        coming_up_from=options().LOW_MARGIN_SHARE,
        confidence=CONFIDENCE,
        rule_version=__version__,
    )


def _policy(pk: int | None) -> PolicyUsed | None:
    policy = Policy.objects.select_related("valve", "group").filter(pk=pk).first()
    if policy is None:
        return None
    return PolicyUsed(
        id=policy.pk,
        version=policy.version,
        who=policy.who,
        level=policy_facts(Policy.objects.filter(pk=policy.pk))[0].level,
        months=policy.months,
        run_hours=policy.run_hours,
        starts=policy.starts,
        valid_from=policy.valid_from,
        valid_to=policy.valid_to,
        source=policy.source,
        owner=policy.owner,
    )


def _act(pk: int | None) -> ActUsed | None:
    act = Act.objects.select_related("recorded_by").filter(pk=pk).first()
    if act is None:
        return None
    return ActUsed(
        id=act.pk,
        kind=TaskKind(act.kind),
        done_at=act.done_at,
        done_on=act.done_on,
        origin=act.origin,
        note=act.note,
        recorded_at=act.recorded_at,
        recorded_by=act.recorded_by.get_username() if act.recorded_by else "valvecare",
    )


def _working(
    view: TriggerView, clock: Clock, decision: DueDecision, *, at: datetime, today: date
) -> LimitWorking:
    formula, source = FORMULAS[view.trigger]
    used, of = view.used, view.limit
    if view.trigger is Trigger.CALENDAR:
        used = of = None
        if decision.act_on is not None and view.likely_on is not None:
            used = float(max(0, (today - decision.act_on).days))
            of = float((view.likely_on - decision.act_on).days)
    return LimitWorking(
        trigger=view.trigger,
        is_governing=view.trigger is decision.governed_by,
        is_runner_up=view.trigger is decision.runner_up,
        limit=clock.limit,
        limit_unit=view.unit,
        used=used,
        of=of,
        unit="days" if view.trigger is Trigger.CALENDAR else view.unit,
        remaining=None if used is None or of is None else max(0.0, of - used),
        share=view.share,
        note=NOTES.get(view.note, ""),
        is_lower_bound=view.is_lower_bound,
        is_stale=view.is_stale,
        is_silent=view.is_silent,
        formula=formula,
        formula_source=source,
        earliest_on=view.earliest_on,
        likely_on=view.likely_on,
        latest_on=view.latest_on,
        **(_counter(clock.series, clock, at) if clock.series else {}),
    )


def _counter(series: Series, clock: Clock, at: datetime) -> dict[str, Any]:
    """The counter's part of a limit's working."""
    found: dict[str, Any] = {"series_id": series.pk, "series_tag": series.tag, "base": clock.base}
    usage = SeriesUsage.objects.filter(pk=series.pk).first()
    if usage is not None:
        found |= {
            "per_day": clock.per_day,
            "weeks": usage.weeks,
            "window_from": usage.week_on - timedelta(weeks=USAGE_WEEKS),
            "window_to": usage.week_on,
        }
    state: SeriesState | None = getattr(series, "state", None)
    if state is None or state.first_us is None or state.last_us is None:
        return found
    last = instant(state.last_us)
    return found | {
        "total": state.accumulated,
        "first_read_at": instant(state.first_us),
        "read_at": last,
        "age": at - last,
        "lost_segments": max(0, state.lost_segments - clock.base_lost),
        "doubt": state.doubtful_words,
    }
