"""Answers about readings, for pages, the API and other capabilities."""

from valvecare.readings.reads.lists import (
    days_of,
    meter_events_of,
    one_series,
    plant_events_for,
    pushes_for,
    readings_of,
    series_for,
    set_aside_for,
)
from valvecare.readings.reads.screen import (
    SeriesFilterWords,
    doubtful_series,
    latest_pushes,
    series_listing,
    series_page,
    sources,
    undeclared_fall,
)
from valvecare.readings.reads.totals import accumulated_at, is_doubtful

__all__ = [
    "SeriesFilterWords",
    "accumulated_at",
    "days_of",
    "doubtful_series",
    "is_doubtful",
    "latest_pushes",
    "meter_events_of",
    "one_series",
    "plant_events_for",
    "pushes_for",
    "readings_of",
    "series_for",
    "series_listing",
    "series_page",
    "set_aside_for",
    "sources",
    "undeclared_fall",
]
