"""Rows that all sites share and judgements rest on: policies and liquids."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.models import Versioned
from valvecare.core.records import change, create

PERMIT = "change_policy"


@transaction.atomic
def keep_policy_row(
    row: Versioned,
    changed: Sequence[str],
    *,
    version: int | None,
    actor: Any,
    at: datetime,
    reason: str = "",
) -> Any:
    """Store a new or changed row, with history and an event; what it touches is judged again.

    version: what the person saw of a stored row; None for a new one.
    Raises `Forbidden`, `Conflict`, ValidationError.
    """
    if version is None:
        return create(row, actor=actor, at=at, permit=PERMIT, reason=reason)
    return change(
        type(row)._default_manager.all(),
        row.pk,
        {name: getattr(row, name) for name in changed},
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
    )
