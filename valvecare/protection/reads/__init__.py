"""Answers about protection: the overview, and the facts a verdict rests on."""

from valvecare.protection.reads.overview import (
    MOST_SITES,
    MOST_VALVES,
    NO_TASK,
    STATES,
    Overview,
    overview,
)

__all__ = ["MOST_SITES", "MOST_VALVES", "NO_TASK", "STATES", "Overview", "overview"]
