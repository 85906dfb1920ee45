"""What a condition rule says about a valve: confirmed, over, or nothing, always with the reason.

Pure. One bad reading never opens anything, one good reading never closes anything; readings that
are doubted do neither.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from math import floor
from typing import Any, TypeVar

from valvecare.due.rules.sentences import british
from valvecare.due.rules.words import ConditionBasis
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.trend import LimitSide, TrendReason, limit_crossing
from valvecare.readings.rules import MEASURED, PlantEventKind, Quantity, SeriesKind, unit_kind

Number = TypeVar("Number", int, float)

MOST_CONFIRM_COUNT = 100
MOST_CONFIRM_MINUTES = 7 * 24 * 60
MOST_TREND_DAYS = 365
"""A trend looks at no more days than this."""
RELEASE_HORIZON = 1.25
"""A trend finding is over when the likely date lies beyond this much of the horizon."""
MOVED_DAYS = 7
"""A trend finding is stored anew when its likely date moves by this much."""
EPOCH_DAY = date(1970, 1, 1)
LAST_DAY_NUMBER = (date(9999, 12, 31) - EPOCH_DAY).days


class Say(StrEnum):
    OPEN = "open"
    CLOSE = "close"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Says:
    """The answer for one rule and one valve. `code` is stable; dates are not shifted by a lead.

    began_on to evidence_us: what the answer rests on. likely_on None unless opened.
    """

    say: Say
    code: str
    words: str
    began_on: date | None = None
    evidence_us: int = 0
    earliest_on: date | None = None
    likely_on: date | None = None
    latest_on: date | None = None
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Recent:
    """The latest usable readings of a series since the clocks were restarted, in its own unit.

    from_us to last_us is what the confirmation asks for, with the count, the least and the
    greatest value in it; count 0 when there are not that many readings, or they do not reach back
    far enough.
    """

    tag: str
    last_us: int
    last_value: float
    from_us: int = 0
    count: int = 0
    low: float = 0.0
    high: float = 0.0
    doubt: str = ""
    is_old: bool = False

    def all_beyond(self, limit: float, side: LimitSide) -> bool:
        return self.count > 0 and is_beyond(
            self.low if side is LimitSide.ABOVE else self.high, limit, side
        )

    def all_released(self, release: float, side: LimitSide) -> bool:
        return self.count > 0 and is_released(
            self.high if side is LimitSide.ABOVE else self.low, release, side
        )


def given(value: Number | None, name: str) -> Number:
    """A number a rule must have. Raises `OutOfRange` where a stored rule lacks it."""
    if value is None:
        raise OutOfRange(name, None, "set by the condition rule")
    return value


def is_beyond(value: float, limit: float, side: LimitSide) -> bool:
    """At the limit or on its bad side. Reached = due."""
    return value >= limit if side is LimitSide.ABOVE else value <= limit


def is_released(value: float, release: float, side: LimitSide) -> bool:
    """At the release value or on its good side."""
    return value <= release if side is LimitSide.ABOVE else value >= release


def _number(value: float) -> str:
    return f"{value:,.4g}"


def _day(us: int) -> date:
    return EPOCH_DAY + timedelta(days=us // 86_400_000_000)


def limit_says(
    recent: Recent | None,
    *,
    is_open: bool,
    quantity: Quantity,
    limit: float,
    release: float,
    unit: str,
    bad_side: LimitSide,
    found_on: date,
) -> Says:
    """Hold the last readings of a series against a limit. Limit and release in the series' unit."""
    if recent is None:
        return Says(Say.NOTHING, "no_reading", f"no reading of {quantity.value}")
    if recent.doubt:
        return Says(Say.NOTHING, "doubtful", f"{recent.tag} is doubted: {recent.doubt}")
    if recent.is_old:
        return Says(Say.NOTHING, "stale", f"{recent.tag}: the last reading is old")
    run = (
        f"{recent.count} readings in a row since {british(_day(recent.from_us))} "
        f"({_number(recent.low)} to {_number(recent.high)} {unit})"
    )
    if is_open:
        if not is_released(recent.last_value, release, bad_side):
            return Says(Say.NOTHING, "goes_on", "not back at the release value")
        if not recent.all_released(release, bad_side):
            return Says(Say.NOTHING, "not_confirmed", "back, but not confirmed yet")
        words = f"{quantity.value} is back at {_number(release)} {unit} in {run}"
        return Says(Say.CLOSE, "released", words)
    if not is_beyond(recent.last_value, limit, bad_side):
        return Says(Say.NOTHING, "inside", "inside the limit")
    if not recent.all_beyond(limit, bad_side):
        return Says(Say.NOTHING, "not_confirmed", "beyond the limit, not confirmed yet")
    words = f"{quantity.value} {bad_side.value} the limit of {_number(limit)} {unit} in {run}"
    return Says(
        Say.OPEN,
        "beyond",
        words,
        began_on=min(_day(recent.from_us), found_on),
        evidence_us=recent.last_us,
        likely_on=found_on,
        evidence={
            "tag": recent.tag,
            "limit": limit,
            "release": release,
            "unit": unit,
            "bad_side": bad_side.value,
            "from_us": recent.from_us,
            "readings": recent.count,
            "low": recent.low,
            "high": recent.high,
            "last": recent.last_value,
        },
    )


_TREND_WORDS = {
    TrendReason.TOO_FEW_POINTS: "too few days since the last overhaul",
    TrendReason.NOT_SHOWN: "no trend is shown: it may be chance",
    TrendReason.HEADS_AWAY: "the trend does not head for the limit",
}


@dataclass(frozen=True, slots=True)
class DailyMeans:
    """One mean a day (UTC) since the last overhaul, complete days only. days: since 1970."""

    tag: str
    days: Sequence[int]
    values: Sequence[float]
    last_us: int
    doubt: str = ""
    is_old: bool = False


def _on(day: float | None) -> date | None:
    if day is None or day > LAST_DAY_NUMBER:
        return None
    return EPOCH_DAY + timedelta(days=floor(day))


def trend_says(
    means: DailyMeans | None,
    *,
    is_open: bool,
    quantity: Quantity,
    limit: float,
    unit: str,
    bad_side: LimitSide,
    least_points: int,
    horizon_days: int,
    confidence: float,
    today: date,
) -> Says:
    """When the series reaches its limit if it goes on as it does since the last overhaul."""
    if means is None:
        return Says(Say.NOTHING, "no_reading", f"no reading of {quantity.value}")
    if means.doubt:
        return Says(Say.NOTHING, "doubtful", f"{means.tag} is doubted: {means.doubt}")
    if means.is_old:
        return Says(Say.NOTHING, "stale", f"{means.tag}: the last reading is old")
    found = limit_crossing(
        list(means.days),
        list(means.values),
        limit=limit,
        bad_side=bad_side,
        confidence=confidence,
        least_points=least_points,
    )
    if found.likely_day is None or found.slope is None or found.kendall is None:
        gone = is_open and found.reason is not TrendReason.TOO_FEW_POINTS
        words = _TREND_WORDS.get(found.reason, found.reason.value)
        chance = "" if found.kendall is None else f" (probability {found.kendall.p_two_sided:.2g})"
        words = f"{words}; {found.points} days{chance}"
        return Says(Say.CLOSE if gone else Say.NOTHING, found.reason.value, words)
    likely, horizon = _on(found.likely_day), today + timedelta(days=horizon_days)
    if is_open:
        horizon = today + timedelta(days=round(horizon_days * RELEASE_HORIZON))
    if likely is None or likely > horizon:
        when = "not in sight" if likely is None else f"likely on {british(likely)}"
        words = f"the limit is {when}, beyond {horizon_days} days"
        return Says(Say.CLOSE if is_open else Say.NOTHING, "beyond_horizon", words)
    slope = found.slope
    first, last = (EPOCH_DAY + timedelta(days=end) for end in (min(means.days), max(means.days)))
    if found.reason is TrendReason.REACHED:
        reached = f"the limit of {_number(limit)} {unit} is reached"
    else:
        reached = f"{_number(limit)} {unit} is likely reached on {british(likely)}"
    words = (
        f"{quantity.value} moves by {slope.per_day:+.3g} {unit} a day ({slope.low_per_day:+.3g} to "
        f"{slope.high_per_day:+.3g}; {found.points} days from {british(first)} to "
        f"{british(last)}, probability of chance {found.kendall.p_two_sided:.2g}): {reached}"
    )
    return Says(
        Say.OPEN,
        found.reason.value,
        words,
        began_on=first,
        evidence_us=means.last_us,
        earliest_on=_on(found.earliest_day),
        likely_on=likely,
        latest_on=_on(found.latest_day),
        evidence={
            "tag": means.tag,
            "limit": limit,
            "unit": unit,
            "bad_side": bad_side.value,
            "days": list(means.days),
            "values": list(means.values),
            "per_day": slope.per_day,
            "low_per_day": slope.low_per_day,
            "high_per_day": slope.high_per_day,
            "confidence": confidence,
            "kendall_tau": found.kendall.tau,
            "p_two_sided": found.kendall.p_two_sided,
            "is_exact": found.kendall.is_exact,
        },
    )


@dataclass(frozen=True, slots=True)
class PlantEventFacts:
    """One reported event of a pump."""

    id: int
    at_us: int
    duration_s: float | None
    speed_rpm: float | None
    words: str


def event_says(
    events: Sequence[PlantEventFacts],
    *,
    is_open: bool,
    kind: PlantEventKind,
    within_days: int,
    least_count: int | None,
    least_hours: float | None,
    found_on: date,
) -> Says:
    """Count the events of the window since the clocks were restarted. Only work closes it."""
    count = len(events)
    hours = sum(one.duration_s or 0.0 for one in events) / 3600.0
    enough = (least_count is not None and count >= least_count) or (
        least_hours is not None and hours >= least_hours
    )
    if is_open:
        return Says(Say.NOTHING, "goes_on", "the task has not been done")
    if not enough:
        words = f"{count} of {least_count}" if least_count is not None else f"{hours:.1f} h"
        return Says(Say.NOTHING, "too_few_events", f"{kind.value}: {words} in {within_days} days")
    ordered = sorted(events, key=lambda one: (one.at_us, one.id))
    first, last = ordered[0], ordered[-1]
    words = f"{kind.value} on {british(_day(last.at_us))}"
    if count > 1:
        words = f"{kind.value}, {count} times since {british(_day(first.at_us))}"
    if least_hours is not None:
        words += f", {hours:.1f} h in all"
    elif last.speed_rpm is not None:
        words += f", {last.speed_rpm:.0f} rpm"
    if least_hours is None and last.duration_s is not None:
        words += f" for {last.duration_s:.0f} s"
    return Says(
        Say.OPEN,
        "events",
        words,
        began_on=min(_day(first.at_us), found_on),
        evidence_us=last.at_us,
        likely_on=found_on,
        evidence={
            "kind": kind.value,
            "within_days": within_days,
            "hours": hours,
            "events": [[one.id, one.at_us, one.duration_s, one.words] for one in ordered],
        },
    )


@dataclass(frozen=True, slots=True)
class LineRun:
    """What the cooling curve says of the last readings of one return line, all in one run.

    passes: even the coolest of them is too warm for a tight valve. is_shut: even the warmest is
    well below what would be called passing. Neither: between, or `why_not` says what is missing.
    """

    tag: str = ""
    from_us: int = 0
    last_us: int = 0
    count: int = 0
    low_degc: float = 0.0
    high_degc: float = 0.0
    tight_degc: float = 0.0
    passes: bool = False
    is_shut: bool = False
    why_not: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)


def passing_says(run: LineRun, *, is_open: bool, found_on: date) -> Says:
    """Whether a shut bypass passes, from a confirmed run of readings of its line."""
    if run.why_not:
        return Says(Say.NOTHING, "not_judged", run.why_not)
    if not run.count:
        return Says(Say.NOTHING, "not_confirmed", "too few readings since the bypass shut")
    seen = (
        f"{run.count} readings in a row since {british(_day(run.from_us))} "
        f"({_number(run.low_degc)} to {_number(run.high_degc)} °C)"
    )
    if is_open:
        if not run.is_shut:
            return Says(Say.NOTHING, "goes_on", "the line is not clearly as a tight one")
        return Says(Say.CLOSE, "released", f"the line cools as behind a tight valve in {seen}")
    if not run.passes:
        return Says(Say.NOTHING, "inside", "no run of readings shows that it passes")
    return Says(
        Say.OPEN,
        "passes",
        f"the shut bypass passes: its line is warmer than {_number(run.tight_degc)} °C, the most "
        f"behind a tight valve, in {seen}",
        began_on=min(_day(run.from_us), found_on),
        evidence_us=run.last_us,
        likely_on=found_on,
        evidence={
            "tag": run.tag,
            "from_us": run.from_us,
            "readings": run.count,
            "low": run.low_degc,
            "high": run.high_degc,
            "unit": "degC",
            **run.evidence,
        },
    )


_NEEDED = {
    ConditionBasis.LIMIT: ("quantity", "bad_side", "limit", "unit", "release"),
    ConditionBasis.TREND: (
        "quantity",
        "bad_side",
        "limit",
        "unit",
        "least_points",
        "horizon_days",
        "confidence",
    ),
    ConditionBasis.EVENT: ("event_kind", "within_days"),
    ConditionBasis.PASSING: (),
}
_FIELDS = (
    *("quantity", "bad_side", "limit", "unit", "release", "confirm_count", "confirm_minutes"),
    *("least_points", "horizon_days", "confidence"),
    *("event_kind", "within_days", "least_count", "least_hours"),
)
_MAY = {
    ConditionBasis.LIMIT: ("confirm_count", "confirm_minutes"),
    ConditionBasis.TREND: (),
    ConditionBasis.EVENT: ("least_count", "least_hours"),
    ConditionBasis.PASSING: ("confirm_count", "confirm_minutes"),
}
_BOUNDS: dict[str, tuple[float, float]] = {
    "confirm_count": (2, MOST_CONFIRM_COUNT),
    "confirm_minutes": (1, MOST_CONFIRM_MINUTES),
    "least_points": (5, MOST_TREND_DAYS),
    "horizon_days": (1, 3650),
    "confidence": (0.5, 0.999),
    "within_days": (1, 3650),
    "least_count": (1, 10_000),
    "least_hours": (0.01, 87_600),
    "lead_days": (0, 3650),
    "limit": (-1e8, 1e8),
    "release": (-1e8, 1e8),
}


def why_not_condition_rule(rule: Any) -> dict[str, str]:
    """What is missing or cannot be, by field; empty when the rule is whole."""
    if rule.basis not in set(ConditionBasis):
        return {}  # reported by the field itself
    basis = ConditionBasis(rule.basis)
    empty = (None, "")
    found = {
        name: f"A rule on {basis.value} needs it."
        for name in _NEEDED[basis]
        if getattr(rule, name) in empty
    }
    for name in _FIELDS:
        if name not in (*_NEEDED[basis], *_MAY[basis]) and getattr(rule, name) not in empty:
            found[name] = f"Not used by a rule on {basis.value}: leave it out."
    for name, (least, most) in _BOUNDS.items():
        value = getattr(rule, name)
        if value is not None and name not in found and not least <= value <= most:
            found[name] = f"Give {least:,g} to {most:,g}."
    named = [rule.valve_id is not None, rule.group_id is not None, bool(rule.design_code)]
    if sum(named) > 1:
        found["valve"] = "Name at most one of valve, group and design."
    if basis is ConditionBasis.EVENT:
        if rule.least_count is None and rule.least_hours is None:
            found["least_count"] = "Give a count, or hours within the days."
        return found
    confirmed = basis in (ConditionBasis.LIMIT, ConditionBasis.PASSING)
    if confirmed and rule.confirm_count is None and not rule.confirm_minutes:
        found["confirm_count"] = "Give a count or minutes: one reading raises nothing."
    if rule.quantity in set(Quantity):
        quantity = Quantity(rule.quantity)
        if MEASURED[quantity].kind is SeriesKind.COUNTER:
            found["quantity"] = "Counters have limits in policies; name a gauge."
        elif rule.unit and unit_kind(quantity, rule.unit) is None:
            found["unit"] = f"{rule.unit!r} is not one unit of {quantity.value}."
    if basis is ConditionBasis.LIMIT and not found and rule.release is not None:
        side = LimitSide(rule.bad_side)
        if is_beyond(rule.release, rule.limit, side):
            found["release"] = "The release value must lie on the good side of the limit."
    return found
