"""Write evidence that comes from work at the valve."""

from datetime import datetime
from typing import Any

from valvecare.protection.models import Inspection


def note_inspection(
    valve: Any,
    *,
    kind: str,
    done_at: datetime,
    as_found: str,
    origin: str,
    actor: Any,
    at: datetime,
    mode: str = "",
    words: str = "",
    crew: str = "",
    seal_lot: str = "",
) -> Inspection:
    """Record that the valve was opened and how it was found. Called when work is closed."""
    inspection = Inspection(
        valve=valve,
        done_at=done_at,
        kind=kind,
        as_found=as_found,
        mode=mode,
        words=words[:500],
        crew=crew,
        seal_lot=seal_lot,
        origin=origin,
        recorded_by=actor,
        recorded_at=at,
    )
    inspection.full_clean()
    inspection.save()
    return inspection
