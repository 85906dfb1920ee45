"""Answers about readings, for pages, the API and other capabilities."""

from valvecare.readings.reads.totals import accumulated_at, is_doubtful

__all__ = ["accumulated_at", "is_doubtful"]
