"""Plain register records need no hand-written actions: create, change and retire serve all."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, TypeVar

from django.db import models, transaction

from valvecare.core.events import record
from valvecare.core.permits import require, require_anywhere
from valvecare.core.take import take

Row = TypeVar("Row", bound=models.Model)


def _plain(value: Any) -> Any:
    if isinstance(value, models.Model):
        return str(value)
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    return str(value)


def _require(actor: Any, permit: str, row: Any) -> None:
    """The permit at the row's site; at some site for what all sites share (valve designs)."""
    if hasattr(row, "site_of"):
        require(actor, permit, site_id=row.site_of().pk)
    else:
        require_anywhere(actor, permit)


def _save_with_history(row: Any, actor: Any, reason: str) -> None:
    if hasattr(row, "history"):
        row._history_user = actor
        row._change_reason = reason[:100] or None
    row.save()


@transaction.atomic
def create(row: Row, *, actor: Any, at: datetime, permit: str, reason: str = "") -> Row:
    """Validate and store a new row, with history and an event."""
    _require(actor, permit, row)
    row.full_clean()
    _save_with_history(row, actor, reason)
    name = row._meta.model_name
    record(f"{name}.added", row, actor=actor, at=at, words=f"{row} added.", data={"reason": reason})
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
) -> Any:
    """Take the row, set the named fields, validate, store, tell what changed from what."""
    row = take(queryset, pk, version)
    _require(actor, permit, row)
    moved = {}
    for field, value in changes.items():
        before = getattr(row, field)
        if before != value:
            moved[field] = {"from": _plain(before), "to": _plain(value)}
            setattr(row, field, value)
    if moved:
        row.full_clean()
        _save_with_history(row, actor, reason)
        words = f"{row}: {', '.join(sorted(moved))} changed."
        record(
            f"{row._meta.model_name}.changed",
            row,
            actor=actor,
            at=at,
            words=words,
            data={"changes": moved, "reason": reason},
        )
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
) -> Any:
    """Mark the row as retired. Nothing that a closed job points to is ever deleted."""
    row = take(queryset, pk, version)
    _require(actor, permit, row)
    row.retired_at = at
    row.full_clean()
    _save_with_history(row, actor, reason)
    record(
        f"{row._meta.model_name}.retired",
        row,
        actor=actor,
        at=at,
        words=f"{row} retired.",
        data={"reason": reason},
    )
    return row
