"""Set and change policies; the valves they are for are decided anew."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from valvecare.core.errors import Forbidden, Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import may_anywhere, require
from valvecare.core.take import take
from valvecare.due.actions.structure import renew_valves
from valvecare.due.models import Policy
from valvecare.due.rules import TaskKind
from valvecare.register.models import ProtectionValve

PERMIT = "change_policy"
AT_ONCE = 500
"""Valves decided inside the transaction; for more the sweep is woken."""

CHANGEABLE = ("months", "run_hours", "starts", "valid_to", "source", "owner", "note")


def valves_of(policy: Policy) -> "QuerySet[ProtectionValve]":
    """The valves in service a policy is for, whether or not a more specific one wins."""
    valves = ProtectionValve.objects.in_service()
    if policy.valve is not None:
        return valves.filter(pk=policy.valve.pk)
    if policy.group is not None:
        return valves.filter(pump__group=policy.group)
    chosen = Q(design__code=policy.design_code)
    if policy.variant is not None:
        chosen &= Q(design__variant=policy.variant)
    if policy.dn is not None:
        chosen &= Q(design__dn=policy.dn)
    return valves.filter(chosen)


def _permit(policy: Policy, actor: Any) -> None:
    """A policy for a design needs the permit at every site where such a valve is in service."""
    site = policy.site_of()
    if site is not None:
        require(actor, PERMIT, site_id=site.pk)
        return
    if not may_anywhere(actor, PERMIT):
        raise Forbidden(PERMIT)
    sites = valves_of(policy).order_by().values_list("pump__group__site_id", flat=True)
    for site_id in sorted(set(sites)):
        require(actor, PERMIT, site_id=site_id)


def _refuse_overlap(policy: Policy) -> None:
    """Two equally specific policies for one kind may not be valid on the same day."""
    policy.clean_fields()
    others = Policy.objects.filter(scope_key=policy.scope_key, kind=policy.kind).exclude(
        pk=policy.pk
    )
    others = others.filter(Q(valid_to__isnull=True) | Q(valid_to__gt=policy.valid_from))
    if policy.valid_to is not None:
        others = others.filter(valid_from__lt=policy.valid_to)
    other = others.first()
    if other is not None:
        until = other.valid_to.isoformat() if other.valid_to else "further notice"
        raise Refused(
            Reason(
                "equally_specific_policy",
                f"There is a policy already for {policy.kind} of {policy.who}, "
                f"valid from {other.valid_from.isoformat()} until {until}.",
                "Change that one, or end it on the day before the new one begins.",
                {"policy": other.pk},
            )
        )


def check_policy(policy: Policy, actor: Any) -> None:
    """Raise `Forbidden` or `Refused` as `set_policy` and `change_policy` would."""
    _permit(policy, actor)
    _refuse_overlap(policy)


def _store(policy: Policy, actor: Any, reason: str) -> None:
    policy.full_clean(validate_constraints=True)
    policy._history_user = actor  # type: ignore[attr-defined]
    policy._change_reason = reason[:100] or None  # type: ignore[attr-defined]
    policy.save()


def _take_effect(policy: Policy, at: datetime) -> None:
    valves = list(valves_of(policy).values_list("pk", flat=True)[: AT_ONCE + 1])
    if len(valves) > AT_ONCE:
        wake("sweep")
    else:
        renew_valves(valves, at=at)


@transaction.atomic
def set_policy(
    *,
    kind: TaskKind,
    actor: Any,
    at: datetime,
    source: str,
    owner: str,
    valid_from: date,
    valve: Any = None,
    group: Any = None,
    design_code: str = "",
    variant: str | None = None,
    dn: int | None = None,
    months: int | None = None,
    run_hours: float | None = None,
    starts: int | None = None,
    valid_to: date | None = None,
    note: str = "",
) -> Policy:
    """Store a new policy and decide the valves it is for anew.

    Exactly one of valve, group and design_code. `valid_from` is a date at the site; one in the
    future takes effect with the sweep of that day. Raises `Forbidden`, `Refused` for a second
    equally specific policy on the same day, `ValidationError`.
    """
    policy = Policy(
        valve=valve,
        group=group,
        design_code=design_code,
        variant=variant,
        dn=dn,
        kind=TaskKind(kind).value,
        months=months,
        run_hours=run_hours,
        starts=starts,
        valid_from=valid_from,
        valid_to=valid_to,
        source=source,
        owner=owner,
        note=note,
    )
    policy.full_clean(validate_unique=False, validate_constraints=False)
    check_policy(policy, actor)
    _store(policy, actor, note)
    record(
        "policy.set",
        policy,
        actor=actor,
        at=at,
        words=f"Policy for {policy}: {_limits(policy)}.",
        site=policy.site_of(),
        data={"source": source, "owner": owner},
    )
    _take_effect(policy, at)
    return policy


@transaction.atomic
def change_policy(
    policy_id: int,
    changes: Mapping[str, Any],
    *,
    version: int,
    actor: Any,
    at: datetime,
    reason: str = "",
) -> Policy:
    """Change limits, end, source or owner of a policy (`CHANGEABLE`); what it is for stays.

    Raises `NotFound`, `Conflict`, `Forbidden`, `Refused`, `ValidationError`.
    """
    policy: Policy = take(Policy.objects.for_user(actor), policy_id, version)
    _permit(policy, actor)
    fixed = sorted(set(changes) - set(CHANGEABLE))
    if fixed:
        raise Refused(
            Reason(
                "policy_scope_is_fixed",
                f"Not to be changed: {', '.join(fixed)}.",
                "End this policy and set another one.",
            )
        )
    moved = {}
    for name, value in changes.items():
        before = getattr(policy, name)
        if before != value:
            moved[name] = {"from": _plain(before), "to": _plain(value)}
            setattr(policy, name, value)
    if not moved:
        return policy
    _refuse_overlap(policy)
    _store(policy, actor, reason)
    record(
        "policy.changed",
        policy,
        actor=actor,
        at=at,
        words=f"Policy for {policy}: {', '.join(sorted(moved))} changed; now {_limits(policy)}.",
        site=policy.site_of(),
        data={"changes": moved, "reason": reason},
    )
    _take_effect(policy, at)
    return policy


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


def _limits(policy: Policy) -> str:
    parts = []
    if policy.months is not None:
        parts.append(f"{policy.months} months")
    if policy.run_hours is not None:
        parts.append(f"{policy.run_hours:,.10g} h")
    if policy.starts is not None:
        parts.append(f"{policy.starts:,} starts")
    return ", ".join(parts)
