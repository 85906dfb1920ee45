"""Write the story. `record` is called by actions, inside their transaction."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

import django.dispatch
from django.db import transaction

from valvecare.core.models import Event

recorded = django.dispatch.Signal()
"""Sent after commit with `event_id` and `type`, for hosts only. Nothing of ours listens."""


def record(
    type: str,
    obj: Any,
    *,
    actor: Any,
    at: datetime,
    words: str = "",
    data: Mapping[str, Any] | None = None,
    site: Any = None,
    valve: Any = None,
) -> Event:
    """Append one event about `obj`. Site and valve are taken from it where it has them."""
    if site is None:
        site = obj.site_of() if hasattr(obj, "site_of") else None
    if valve is None:
        valve = obj if obj._meta.model_name == "protectionvalve" else getattr(obj, "valve", None)
    event = Event.objects.create(
        at=at,
        type=type,
        site=site,
        valve=valve,
        object_type=obj._meta.model_name,
        object_id=str(obj.pk),
        object_name=str(obj)[:200],
        actor=actor,
        actor_name=actor.get_username() if actor is not None else "valvecare",
        words=words[:500],
        data=dict(data or {}),
    )
    transaction.on_commit(
        lambda: recorded.send_robust(sender=Event, event_id=event.pk, type=type), robust=True
    )
    return event


def record_many(
    type: str,
    objs: Sequence[Any],
    *,
    actor: Any,
    at: datetime,
    words: Callable[[Any], str],
    data: Callable[[Any], Mapping[str, Any]] | None = None,
) -> None:
    """Append one event for each of many objects in one statement.

    The objects must carry `site` and `valve` already loaded or as ids (`site_id`, `valve_id`).
    """
    name = actor.get_username() if actor is not None else "valvecare"
    rows = [
        Event(
            at=at,
            type=type,
            site_id=obj.site_id,
            valve_id=obj.valve_id,
            object_type=obj._meta.model_name,
            object_id=str(obj.pk),
            object_name=str(obj)[:200],
            actor=actor,
            actor_name=name,
            words=words(obj)[:500],
            data=dict(data(obj)) if data is not None else {},
        )
        for obj in objs
    ]
    made = Event.objects.bulk_create(rows, batch_size=1000)
    ids = [event.pk for event in made]

    def send() -> None:
        for pk in ids:
            recorded.send_robust(sender=Event, event_id=pk, type=type)

    if recorded.receivers:
        transaction.on_commit(send, robust=True)
