"""The edge's clock. In demo mode the day is fixed, so that every run gives the same answers."""

from datetime import UTC, datetime

from django.utils import timezone

from valvecare.core.conf import options


def now() -> datetime:
    """The present instant, or noon UTC of the fixed demo day."""
    fixed = options().TODAY
    if options().DEMO and fixed:
        return datetime.fromisoformat(fixed).replace(hour=12, tzinfo=UTC)
    return timezone.now()
