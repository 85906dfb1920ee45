"""The owner's limits of the function test, shared by all sites."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.records import change, create
from valvecare.proving.models import TestPolicy

PERMIT = "change_policy"


@transaction.atomic
def keep_test_policy(
    row: TestPolicy,
    changed: Sequence[str],
    *,
    is_new: bool,
    actor: Any,
    at: datetime,
    reason: str = "",
) -> Any:
    """Store a new or changed policy with history and an event. Runs keep the limits they began
    with. Raises `Forbidden`, `Conflict`, ValidationError."""
    if is_new:
        return create(row, actor=actor, at=at, permit=PERMIT, reason=reason)
    return change(
        TestPolicy._default_manager.all(),
        row.pk,
        {name: getattr(row, name) for name in changed},
        version=row.version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
    )
