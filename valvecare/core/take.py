"""Sight, staleness and lock in one step, the same on SQLite and PostgreSQL."""

from typing import Any, TypeVar

from django.db import models
from django.db.models import F

from valvecare.core.errors import Conflict, NotFound
from valvecare.core.models import Versioned

Record = TypeVar("Record", bound=Versioned)


def take(queryset: "models.QuerySet[Record]", pk: Any, version: int) -> Record:
    """Return the record for writing, its version raised and its row held until commit.

    Raises `NotFound` when the queryset (already cut to what the person may see) has no such
    row, `Conflict` when `version` is not the current one. Call inside a transaction.
    """
    model: Any = queryset.model
    if not queryset.filter(pk=pk).exists():
        raise NotFound(f"There is no such {model._meta.verbose_name} for you.")
    raised = model._base_manager.filter(pk=pk, version=version).update(version=F("version") + 1)
    if not raised:
        current = model._base_manager.values_list("version", flat=True).get(pk=pk)
        raise Conflict(given=version, current=current)
    return queryset.get(pk=pk)
