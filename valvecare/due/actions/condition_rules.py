"""Set, change and end condition rules. The next sweep judges the whole fleet by them."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Forbidden, Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import may_anywhere, require
from valvecare.core.take import take
from valvecare.due.models import ConditionRule
from valvecare.due.reads.conditions import valves_of_rule

PERMIT = "change_policy"
SCOPE = ("valve", "group", "design_code")
FACTS = (
    *("name", "basis", "quantity", "bad_side", "limit", "unit", "release"),
    *("confirm_count", "confirm_minutes", "least_points", "horizon_days", "confidence"),
    *("event_kind", "within_days", "least_count", "least_hours"),
    *("task_kind", "lead_days", "source", "owner", "note"),
)
CHANGEABLE = tuple(name for name in FACTS if name not in ("basis", "task_kind"))


def check_condition_rule(rule: ConditionRule, actor: Any) -> None:
    """Raise `Forbidden` as the actions would.

    A rule for a design or for every valve needs the permit at every site it reaches.
    """
    site = rule.site_of()
    if site is not None:
        require(actor, PERMIT, site_id=site.pk)
        return
    if not may_anywhere(actor, PERMIT):
        raise Forbidden(PERMIT)
    sites = valves_of_rule(rule).order_by().values_list("pump__group__site_id", flat=True)
    for site_id in sorted(set(sites)):
        require(actor, PERMIT, site_id=site_id)


def _store(rule: ConditionRule, actor: Any, reason: str) -> None:
    rule.full_clean()
    rule.judged_on = None  # the next sweep looks at every valve of it
    rule._history_user = actor  # type: ignore[attr-defined]
    rule._change_reason = reason[:100] or None  # type: ignore[attr-defined]
    rule.save()
    wake("sweep")


@transaction.atomic
def set_condition_rule(*, actor: Any, at: datetime, **facts: Any) -> ConditionRule:
    """Store a new rule (`SCOPE` and `FACTS`). Raises `Forbidden`, `ValidationError`."""
    rule = ConditionRule(**facts)
    rule.full_clean()
    check_condition_rule(rule, actor)
    _store(rule, actor, rule.note)
    record(
        "condition_rule.set",
        rule,
        actor=actor,
        at=at,
        words=f"Condition rule '{rule}' for {rule.who}: {rule.task_kind}.",
        site=rule.site_of(),
        data={"source": rule.source, "owner": rule.owner},
    )
    return rule


@transaction.atomic
def change_condition_rule(
    rule_id: int,
    changes: Mapping[str, Any],
    *,
    version: int,
    actor: Any,
    at: datetime,
    reason: str = "",
    is_ended: bool = False,
) -> ConditionRule:
    """Change a rule (`CHANGEABLE`) or end it. What it is for, its basis and its task stay.

    Findings that are open stay open under the changed numbers until they are over; those of an
    ended rule are closed by the next sweep. Raises `NotFound`, `Conflict`, `Forbidden`,
    `Refused`, `ValidationError`.
    """
    rule: ConditionRule = take(ConditionRule.objects.for_user(actor), rule_id, version)
    check_condition_rule(rule, actor)
    if rule.ended_at is not None:
        raise Refused(
            Reason("condition_rule_ended", f"'{rule}' has ended.", "Set a new rule instead.")
        )
    fixed = sorted(set(changes) - set(CHANGEABLE))
    if fixed:
        raise Refused(
            Reason(
                "condition_rule_scope_is_fixed",
                f"Not to be changed: {', '.join(fixed)}.",
                "End this rule and set another one.",
            )
        )
    moved = {}
    for name, value in changes.items():
        before = getattr(rule, name)
        if before != value:
            moved[name] = {"from": before, "to": value}
            setattr(rule, name, value)
    if is_ended:
        rule.ended_at = at
    if not moved and not is_ended:
        return rule
    _store(rule, actor, reason)
    done = "ended" if is_ended else f"{', '.join(sorted(moved))} changed"
    record(
        "condition_rule.changed",
        rule,
        actor=actor,
        at=at,
        words=f"Condition rule '{rule}' for {rule.who}: {done}.",
        site=rule.site_of(),
        data={"changes": moved, "reason": reason},
    )
    return rule
