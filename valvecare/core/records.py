"""Plain register records need no hand-written actions: create, change and retire serve all."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, TypeVar

from django.db import models, transaction

from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import require, require_anywhere
from valvecare.core.take import take

Row = TypeVar("Row", bound=models.Model)

FOLLOWER = "protection.refresh"
"""The job that judges anew what a changed record touches. It reads the events; this only wakes."""


def _plain(value: Any) -> Any:
    if isinstance(value, models.Model):
        return str(value)
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    return str(value)


def require_for(actor: Any, permit: str, row: Any) -> None:
    """The permit at the row's site; at some site for what all sites share (valve designs)."""
    if hasattr(row, "site_of"):
        require(actor, permit, site_id=row.site_of().pk)
    else:
        require_anywhere(actor, permit)


def save_with_history(row: Any, actor: Any, reason: str) -> None:
    """Save a row; its history row, where it has one, names the person and the reason."""
    if hasattr(row, "history"):
        row._history_user = actor
        row._change_reason = reason[:100] or None
    row.save()


@transaction.atomic
def create(row: Row, *, actor: Any, at: datetime, permit: str, reason: str = "") -> Row:
    """Validate and store a new row, with history and an event."""
    require_for(actor, permit, row)
    row.full_clean()
    save_with_history(row, actor, reason)
    name = row._meta.model_name
    record(f"{name}.added", row, actor=actor, at=at, words=f"{row} added.", data={"reason": reason})
    wake(FOLLOWER)
    return row


@transaction.atomic
def change(
    queryset: "models.QuerySet[Any]",
    pk: Any,
    changes: Mapping[str, Any],
    *,
    version: int,
    actor: Any,
    at: datetime,
    permit: str,
    reason: str = "",
    check: Callable[[Any], None] | None = None,
) -> Any:
    """Take the row, set the named fields, validate, store, tell what changed from what.

    `check(row)` sees the row before the change and may raise `Refused`.
    """
    row = take(queryset, pk, version)
    require_for(actor, permit, row)
    if check is not None:
        check(row)
    moved = {}
    for field, value in changes.items():
        before = getattr(row, field)
        if before != value:
            moved[field] = {"from": _plain(before), "to": _plain(value)}
            setattr(row, field, value)
    if moved:
        row.full_clean()
        save_with_history(row, actor, reason)
        words = f"{row}: {', '.join(sorted(moved))} changed."
        record(
            f"{row._meta.model_name}.changed",
            row,
            actor=actor,
            at=at,
            words=words,
            data={"changes": moved, "reason": reason},
        )
        wake(FOLLOWER)
    return row


@transaction.atomic
def retire(
    queryset: "models.QuerySet[Any]",
    pk: Any,
    *,
    version: int,
    actor: Any,
    at: datetime,
    permit: str,
    reason: str,
    check: Callable[[Any], None] | None = None,
    also: Mapping[str, Any] | None = None,
) -> Any:
    """Mark the row as retired. Nothing that a closed job points to is ever deleted.

    `check(row)` may raise `Refused`; `also` names fields that are set with it.
    """
    row = take(queryset, pk, version)
    require_for(actor, permit, row)
    if check is not None:
        check(row)
    row.retired_at = at
    for field, value in (also or {}).items():
        setattr(row, field, value)
    row.full_clean()
    save_with_history(row, actor, reason)
    record(
        f"{row._meta.model_name}.retired",
        row,
        actor=actor,
        at=at,
        words=f"{row} retired.",
        data={"reason": reason},
    )
    wake(FOLLOWER)
    return row
