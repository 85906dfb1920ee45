"""What a person may see of series, readings, pushes and what waits for a judgement."""

from typing import Any

from django.db.models import Q, QuerySet

from valvecare.core.errors import NotFound
from valvecare.core.models import CONTRACTOR
from valvecare.readings.models import (
    MeterEvent,
    PlantEvent,
    Push,
    Reading,
    Series,
    SeriesDay,
    SetAside,
)
from valvecare.register.models import Membership


def series_for(user: Any) -> "QuerySet[Series]":
    """Series with site, pump and state, one query."""
    found: QuerySet[Series] = Series.objects.for_user(user).select_related(
        "site", "pump__group", "state"
    )
    return found


def one_series(user: Any, pk: int) -> Series:
    """One series. Raises `NotFound`."""
    series = series_for(user).filter(pk=pk).first()
    if series is None:
        raise NotFound("There is no such series for you.")
    return series


def readings_of(series: Series) -> "QuerySet[Reading]":
    return Reading.objects.filter(series=series).select_related("source")


def days_of(series: Series) -> "QuerySet[SeriesDay]":
    return SeriesDay.objects.filter(series=series)


def meter_events_of(series: Series) -> "QuerySet[MeterEvent]":
    return MeterEvent.objects.filter(series=series).order_by("at_us")


def set_aside_for(user: Any) -> "QuerySet[SetAside]":
    found: QuerySet[SetAside] = SetAside.objects.for_user(user).select_related(
        "site", "series", "source", "judged_by"
    )
    return found


def plant_events_for(user: Any) -> "QuerySet[PlantEvent]":
    found: QuerySet[PlantEvent] = PlantEvent.objects.for_user(user).select_related(
        "pump__group__site", "source"
    )
    return found


def pushes_for(user: Any) -> "QuerySet[Push]":
    """Pushes that named only series of this person's sites, and the person's own."""
    pushes = Push.objects.select_related("source", "actor")
    if user is None or not getattr(user, "is_active", False):
        return pushes.none()
    if user.is_superuser:
        return pushes
    sites = Membership.objects.filter(user=user).exclude(role=CONTRACTOR).values("site_id")
    elsewhere = Push.sites.through.objects.exclude(site_id__in=sites).values("push_id")
    here = Push.sites.through.objects.filter(site_id__in=sites).values("push_id")
    return pushes.filter(Q(actor=user) | (Q(pk__in=here) & ~Q(pk__in=elsewhere)))
