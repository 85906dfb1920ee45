"""A person judges readings: accept or dismiss what was set aside, or call a stored one wrong."""

from datetime import datetime
from typing import Any

from django.db import connections, router, transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import require
from valvecare.core.take import take
from valvecare.readings.actions.read_rows import Table
from valvecare.readings.actions.rebuild_days import days_around, rebuild_days
from valvecare.readings.actions.series_store import lock_one
from valvecare.readings.actions.sift_strays import store_waiting, take_back_waiting
from valvecare.readings.models import Reading, Series, SetAside, instant, micros
from valvecare.readings.rules import Quality, SetAsideState


def _lock(series_id: int) -> Table:
    return lock_one(connections[router.db_for_write(Reading)], series_id)


def _taken(set_aside_id: int, version: int, actor: Any) -> SetAside:
    item: SetAside = take(SetAside.objects.for_user(actor), set_aside_id, version)
    require(actor, "judge_readings", site_id=item.site_id)
    if item.state != SetAsideState.WAITING.value:
        words = f"This reading was {item.state} already."
        raise Refused(Reason("judged_already", words, "Look at the list again."))
    return item


def _judged(
    item: SetAside,
    state: SetAsideState,
    actor: Any,
    at: datetime,
    why: str,
    *,
    replaced: float | None = None,
) -> None:
    item.state, item.judged_by, item.judged_at, item.judged_why = state.value, actor, at, why
    item.full_clean()
    item.save()
    record(
        f"reading.{state.value}",
        item,
        actor=actor,
        at=at,
        words=f"{item.tag}: {item.value:g} of {item.at:%Y-%m-%d %H:%M} UTC {state.value}.",
        data={
            "why": why,
            "series": item.series_id,
            "at_us": item.at_us,
            "value": item.value,
            **({} if replaced is None else {"replaced_bad_value": replaced}),
        },
    )


@transaction.atomic
def accept_set_aside(
    set_aside_id: int, *, version: int, actor: Any, at: datetime, why: str = ""
) -> SetAside:
    """Store the reading after all. A jump stays a jump: its segment adds nothing.

    It takes the place of a bad one of the same instant, which stays in the record of this act.
    """
    item = _taken(set_aside_id, version, actor)
    if item.series_id is None:
        raise Refused(Reason("no_series", "The row belongs to no series.", "Add the series first."))
    table = _lock(item.series_id)
    stored = Reading.objects.filter(series_id=item.series_id, at_us=item.at_us).first()
    if stored is not None and stored.value != item.value and stored.quality < Quality.BAD:
        raise Refused(
            Reason(
                "other_value_stored",
                f"A reading of {stored.value:g} is stored at this instant.",
                "Call that one wrong first, then this one takes its place; or dismiss this one.",
            )
        )
    now_us = micros(at)
    store_waiting(item, now_us)
    days = days_around(item.series_id, [item.at_us])
    rebuild_days(table, days, touched_us=item.at_us, received_us=now_us)
    replaced = stored.value if stored is not None and stored.value != item.value else None
    _judged(item, SetAsideState.ACCEPTED, actor, at, why, replaced=replaced)
    take_back_waiting(table, now_us)
    wake("due.refresh")
    return item


@transaction.atomic
def dismiss_set_aside(
    set_aside_id: int, *, version: int, actor: Any, at: datetime, why: str = ""
) -> SetAside:
    """Leave the reading out for good; the same row pushed again is rejected."""
    item = _taken(set_aside_id, version, actor)
    _judged(item, SetAsideState.DISMISSED, actor, at, why)
    return item


@transaction.atomic
def call_reading_wrong(
    series_id: int, *, at_us: int, actor: Any, at: datetime, why: str
) -> Reading:
    """Mark a stored reading bad: it stays, is shown, and counts for nothing any more."""
    series = Series.objects.for_user(actor).filter(pk=series_id).first()
    reading = Reading.objects.filter(series=series, at_us=at_us).first() if series else None
    if series is None or reading is None:
        raise NotFound("There is no such reading for you.")
    require(actor, "judge_readings", site_id=series.site_id)
    table = _lock(series.pk)
    days = days_around(series.pk, [at_us])
    Reading.objects.filter(series=series, at_us=at_us).update(quality=int(Quality.BAD))
    reading.quality = int(Quality.BAD)
    now_us = micros(at)
    days |= days_around(series.pk, [at_us])
    rebuild_days(table, days, touched_us=at_us, received_us=now_us)
    record(
        "reading.called_wrong",
        series,
        actor=actor,
        at=at,
        words=f"{series}: {reading.value:g} of {instant(at_us):%Y-%m-%d %H:%M} UTC called wrong.",
        data={"why": why, "at_us": at_us, "value": reading.value},
    )
    take_back_waiting(table, now_us)
    wake("due.refresh")
    return reading
