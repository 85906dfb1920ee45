"""Write evidence that comes from work at the valve. Append-only; the caller judges afterwards."""

from datetime import date, datetime
from typing import Any

from valvecare.protection.models import Inspection, OperatingRelease


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
    """Record that the valve was opened and how it was found. The same one twice is one row.

    Called when work that opens the valve is closed; `done_at` is when the cover came off.
    """
    facts: dict[str, Any] = {
        "kind": kind,
        "as_found": as_found,
        "mode": mode,
        "words": words[:500],
        "crew": crew,
        "seal_lot": seal_lot,
        "recorded_by": actor,
        "recorded_at": at,
    }
    inspection = Inspection(valve=valve, done_at=done_at, origin=origin, **facts)
    inspection.clean_fields(exclude=["valve", "recorded_by"])
    kept, _ = Inspection.objects.get_or_create(
        valve=valve, done_at=done_at, origin=origin, defaults=facts
    )
    return kept


def note_release(
    valve: Any,
    *,
    until: date,
    restriction: str,
    words: str,
    origin: str,
    actor: Any,
    at: datetime,
) -> OperatingRelease:
    """Record that a second person lets the valve run unproven until a day."""
    row = OperatingRelease(
        valve=valve,
        until=until,
        restriction=restriction,
        words=words,
        origin=origin,
        signed_by=actor,
        signed_at=at,
    )
    row.clean_fields(exclude=["valve", "signed_by"])
    row.save(force_insert=True)
    return row
