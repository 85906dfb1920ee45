"""Policies, acts and counters of invented valves. Acts and policies go through the actions."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model

from tests.factories.readings import SeriesFactory, StartsFactory
from tests.factories.register import ProtectionValveFactory, SiteFactory
from valvecare.due.actions import restart_clocks, set_condition_rule, set_policy
from valvecare.due.rules import TaskKind
from valvecare.models import Act, Clock, ConditionRule, DueItem, Policy, SeriesUsage
from valvecare.readings.actions import push_readings
from valvecare.readings.rules import Row

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
"""Monday of the invented demo day."""


def administrator() -> Any:
    """A person who may do everything, for setting a scene."""
    user = get_user_model()
    found, _ = user.objects.get_or_create(
        username="scene setter", defaults={"is_superuser": True, "is_active": True}
    )
    return found


def policy_for(
    *, kind: TaskKind = TaskKind.STRIP_DOWN, at: datetime = NOON, **given: Any
) -> Policy:
    """A policy through the action, valid from long ago."""
    facts: dict[str, Any] = {
        "source": "invented policy",
        "owner": "reliability engineer",
        "valid_from": date(2000, 1, 1),
    }
    return set_policy(kind=kind, actor=administrator(), at=at, **{**facts, **given})


def act_of(
    valve: Any, done_at: datetime, *, kind: TaskKind = TaskKind.STRIP_DOWN, **given: Any
) -> Act:
    """Finished work through the action; recorded at `at`, else on the demo day."""
    facts = {"origin": "invented record", "actor": None, "at": max(NOON, done_at), **given}
    return restart_clocks(valve, kind, done_at, **facts)


@dataclass
class Scene:
    """A valve with its policy and two counters, nothing pushed and nothing done yet."""

    valve: Any
    hours: Any
    starts: Any
    policy: Policy

    def item(self, kind: TaskKind = TaskKind.STRIP_DOWN) -> DueItem:
        return DueItem.objects.get(valve=self.valve, kind=kind.value)

    @property
    def admin(self) -> Any:
        return administrator()

    def push(self, series: Any, points: Sequence[tuple[datetime, float]], *, at: datetime) -> Any:
        rows = [
            Row(series=series.tag, at=when, value=float(value), unit=series.unit)
            for when, value in points
        ]
        return push_readings(
            rows, actor=administrator(), at=at, source="invented", site=series.site.code
        )


def scene(
    *, zone: str = "UTC", months: int | None = 24, run_hours: float | None = 12_000, **given: Any
) -> Scene:
    """A valve at a site of its own with a policy of its own."""
    starts_limit = given.pop("starts", 400)
    valve = ProtectionValveFactory(pump__group__site=SiteFactory(time_zone=zone), **given)
    hours = SeriesFactory(pump=valve.pump)
    starts = StartsFactory(pump=valve.pump)
    policy = policy_for(valve=valve, months=months, run_hours=run_hours, starts=starts_limit)
    return Scene(valve, hours, starts, policy)


def daily(
    first: datetime, days: int, per_day: float, *, start: float = 1_000.0
) -> list[tuple[datetime, float]]:
    """A counter read once a day that gains evenly."""
    return [(first + timedelta(days=n), start + per_day * n) for n in range(days + 1)]


DERIVED: Mapping[Any, Sequence[str]] = {
    DueItem: ("changed_at", "as_of"),
    Clock: (),
    SeriesUsage: (),
}


def derived_state(*, but: Sequence[str] = ()) -> dict[str, list[dict[str, Any]]]:
    """Every derived row, with its columns as they are stored, in key order."""
    found = {}
    for model in DERIVED:
        rows = model.objects.order_by("pk").values()
        found[model.__name__] = [
            {name: value for name, value in row.items() if name not in but} for row in rows
        ]
    return found


LIMIT_FACTS: Mapping[str, Any] = {
    "basis": "limit",
    "quantity": "bypass line temperature",
    "bad_side": "above",
    "limit": 60.0,
    "unit": "degC",
    "release": 55.0,
    "confirm_count": 3,
}
TREND_FACTS: Mapping[str, Any] = {
    "basis": "trend to limit",
    "quantity": "bypass line temperature",
    "bad_side": "above",
    "limit": 60.0,
    "unit": "degC",
    "least_points": 5,
    "horizon_days": 120,
    "confidence": 0.9,
}
EVENT_FACTS: Mapping[str, Any] = {
    "basis": "event",
    "event_kind": "reverse rotation",
    "within_days": 30,
    "least_count": 1,
}


def condition_rule(kind: TaskKind = TaskKind.FUNCTION_TEST, **given: Any) -> ConditionRule:
    """A condition rule through the action; a limit on the bypass line unless told otherwise."""
    facts: dict[str, Any] = {
        "name": "hot bypass line",
        "source": "invented rule",
        "owner": "reliability engineer",
        "lead_days": 0,
        **(given if "basis" in given else {**LIMIT_FACTS, **given}),
    }
    return set_condition_rule(task_kind=kind.value, actor=administrator(), at=NOON, **facts)
