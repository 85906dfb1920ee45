"""Series of a pump: add, change, swap two that were wired the wrong way round."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import connections, router, transaction

from valvecare.core import records
from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.permits import require
from valvecare.core.take import take
from valvecare.engineering.errors import OutOfRange
from valvecare.readings.actions.rebuild_days import rebuild_days
from valvecare.readings.actions.series_store import lock_one
from valvecare.readings.models import Reading, Series, SeriesDay, SeriesState, micros
from valvecare.readings.rules import MEASURED, Quantity, why_not_change_series
from valvecare.register.models import Pump

_JUDGING = {"resolution", "rollover_modulus", "max_starts_per_hour"}


@transaction.atomic
def add_series(pump_id: int, fields: Mapping[str, Any], *, actor: Any, at: datetime) -> Series:
    """Add a counter or gauge to a pump, with its empty state. Fields as on `Series`."""
    pump = Pump.objects.for_user(actor).filter(pk=pump_id).first()
    if pump is None:
        raise NotFound("There is no such pump for you.")
    series = Series(pump=pump, site=pump.group.site, **fields)
    if series.quantity in set(Quantity):
        series.kind = MEASURED[Quantity(series.quantity)].kind.value
    series = records.create(series, actor=actor, at=at, permit="change_register")
    SeriesState.objects.create(series=series)
    return series


@transaction.atomic
def change_series(
    series_id: int, changes: Mapping[str, Any], *, version: int, actor: Any, at: datetime
) -> Series:
    """Change facts of a series. What judges segments makes all its days new."""
    state = SeriesState.objects.filter(series_id=series_id).first()
    refusal = why_not_change_series(set(changes), points=state.points if state else 0)
    if refusal is not None and Series.objects.for_user(actor).filter(pk=series_id).exists():
        raise Refused(refusal)
    series: Series = records.change(
        Series.objects.for_user(actor),
        series_id,
        changes,
        version=version,
        actor=actor,
        at=at,
        permit="change_register",
    )
    if _JUDGING & set(changes):
        table = lock_one(connections[router.db_for_write(Reading)], series.pk)
        days = SeriesDay.objects.filter(series=series).values_list("day", flat=True)
        try:
            rebuild_days(table, list(days), touched_us=0, received_us=micros(at))
        except OutOfRange as error:
            raise Refused(
                Reason("stored_readings_differ", f"Stored readings do not fit: {error}")
            ) from error
    return series


@transaction.atomic
def swap_series(
    first_id: int, second_id: int, *, versions: tuple[int, int], actor: Any, at: datetime
) -> tuple[Series, Series]:
    """Two sensors were on each other's pump: exchange the pumps of the two series."""
    both = sorted(zip((first_id, second_id), versions, strict=True))
    one, two = (take(Series.objects.for_user(actor), pk, version) for pk, version in both)
    require(actor, "judge_readings", site_id=one.site_id)
    if one.site_id != two.site_id or one.quantity != two.quantity:
        words = "Only two series of one quantity at one site can be swapped."
        raise Refused(Reason("not_a_pair", words, "Choose the two sensors that were mixed up."))
    one.pump, two.pump = two.pump, one.pump
    for series in (one, two):
        series.full_clean()
        series._history_user = actor
        series.save()
        SeriesState.objects.filter(series=series).update(
            doubtful_code="",
            doubtful_words="",
            doubtful_since_us=None,
            confirmed_until_us=None,
            touched_us=0,
        )
        record(
            "series.swapped",
            series,
            actor=actor,
            at=at,
            words=f"{series} now belongs to {series.pump}.",
        )
    wake("due.refresh")
    return one, two
