"""Declare that a meter was replaced or rolled over between two readings."""

from datetime import datetime
from typing import Any

from django.db import connections, router, transaction

from valvecare.core.conf import options
from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import require
from valvecare.engineering.counters import MeterReplacement, chain_replacements
from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.readings.actions.rebuild_days import days_around, rebuild_days
from valvecare.readings.actions.series_store import lock_one
from valvecare.readings.actions.sift_strays import take_back_waiting
from valvecare.readings.models import MeterEvent, Reading, Series, SeriesState, Source, micros
from valvecare.readings.rules import (
    COUNTER_MOST,
    EARLIEST_US,
    US_PER_S,
    MeterEventKind,
    why_not_declare,
)


@transaction.atomic
def declare_meter_event(
    series_id: int,
    *,
    kind: MeterEventKind,
    event_at: datetime,
    closing_value: float,
    opening_value: float,
    actor: Any,
    at: datetime,
    words: str = "",
    source: str | None = None,
) -> MeterEvent:
    """Store the event, compute the segments it lies in again, take back jumps it explains.

    Declaring the same event again returns the first. Values are in the series' unit.
    """
    series = Series.objects.for_user(actor).filter(pk=series_id).first()
    if series is None:
        raise NotFound("There is no such series for you.")
    require(actor, "declare_meter_event", site_id=series.site_id)
    closing = require_between("closing_value", closing_value, at_least=0, below=COUNTER_MOST)
    opening = require_between("opening_value", opening_value, at_least=0, below=COUNTER_MOST)
    event_us, now_us = micros(event_at), micros(at)
    table = lock_one(connections[router.db_for_write(Reading)], series.pk)
    there: MeterEvent | None = MeterEvent.objects.filter(series=series, at_us=event_us).first()
    if there is not None:
        if (there.kind, there.closing_value, there.opening_value) == (kind, closing, opening):
            return there
        raise Refused(
            Reason(
                "other_meter_event",
                "Another meter event is declared for this series at this instant.",
                "Give the true instant of the second event.",
            )
        )
    refusal = why_not_declare(
        is_counter=series.is_counter,
        event_us=event_us,
        earliest_us=EARLIEST_US,
        latest_us=now_us + options().CLOCK_SKEW_S * US_PER_S,
    )
    if refusal is not None:
        raise Refused(refusal)
    event = MeterEvent(
        series=series,
        kind=kind,
        at_us=event_us,
        closing_value=closing,
        opening_value=opening,
        source=Source.objects.get_or_create(name=source)[0] if source else None,
        words=words,
        recorded_by=actor,
        recorded_at=at,
    )
    event.full_clean()
    event.save()
    SeriesState.objects.filter(series=series).update(has_meter_events=True)
    table.has_meter_events[:] = True
    _require_chain(series)
    rebuild_days(table, days_around(series.pk, [event_us]), touched_us=event_us, received_us=now_us)
    take_back_waiting(table, now_us)
    record(
        "meter.declared",
        series,
        actor=actor,
        at=at,
        words=f"{series}: meter {kind.value} at {closing:g}, goes on from {opening:g}.",
        data={"at_us": event_us, "closing_value": closing, "opening_value": opening},
    )
    wake("due.refresh")
    return event


def _require_chain(series: Series) -> None:
    """Meters fitted and removed between two readings must not run backwards."""
    events = list(MeterEvent.objects.filter(series=series).order_by("at_us"))
    for earlier, later in zip(events, events[1:], strict=False):
        between = Reading.objects.filter(
            series=series, at_us__gte=earlier.at_us, at_us__lte=later.at_us, quality__lt=2
        )
        if between.exists():
            continue
        try:
            chain_replacements(
                [
                    MeterReplacement(e.at_us / US_PER_S, e.closing_value, e.opening_value)
                    for e in (earlier, later)
                ]
            )
        except OutOfRange as error:
            words = f"The meter would have run backwards: {error}"
            raise Refused(Reason("meter_ran_backwards", words, "Correct the values.")) from error
