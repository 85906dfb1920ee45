"""A person answers a doubt: the readings of this series are right."""

from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import require
from valvecare.readings.models import Series, SeriesState, micros

QUIET = timedelta(days=7)
"""How long the same series is not doubted again after a person's word: default of this project."""


@transaction.atomic
def confirm_series(series_id: int, *, actor: Any, at: datetime, why: str) -> SeriesState:
    """Clear the doubt and keep quiet about it for a week; another doubt is told all the same.

    A reason is needed: it stands in for a check.
    """
    series = Series.objects.for_user(actor).filter(pk=series_id).first()
    if series is None:
        raise NotFound("There is no such series for you.")
    require(actor, "judge_readings", site_id=series.site_id)
    if not why.strip():
        raise Refused(
            Reason("reason_needed", "A confirmation needs its reason.", "Say how it was checked.")
        )
    state = SeriesState.objects.select_for_update().get(series=series)
    was = state.doubtful_code
    state.doubtful_code, state.doubtful_words, state.doubtful_since_us = "", "", None
    state.confirmed_code, state.confirmed_until_us = was, micros(at + QUIET)
    state.touched_us = 0 if state.touched_us is None else min(state.touched_us, 0)
    state.save(
        update_fields=[
            "doubtful_code",
            "doubtful_words",
            "doubtful_since_us",
            "confirmed_code",
            "confirmed_until_us",
            "touched_us",
        ]
    )
    record(
        "series.confirmed",
        series,
        actor=actor,
        at=at,
        words=f"{series}: readings confirmed. {why}"[:500],
        data={"doubt": was, "why": why},
    )
    wake("due.refresh")
    return state
