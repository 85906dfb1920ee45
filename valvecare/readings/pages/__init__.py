"""The Readings pages."""

from valvecare.readings.pages import series, upkeep

urls = [*series.urls, *upkeep.urls]
