"""Events a plant reports about a pump: reverse rotation, trips, lost suction, hammer, low load."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

import msgspec
from django.db import transaction

from valvecare.core.conf import options
from valvecare.core.errors import Reason, Refused
from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.readings.actions.push_readings import Verdict, permitted_sites
from valvecare.readings.models import PlantEvent, Source
from valvecare.readings.rules import RowStatus, why_not_plant_event
from valvecare.register.models import ProtectionValve, Pump
from valvecare.register.rules import ValveStatus

MOST = 1_000


class PlantEventRow(msgspec.Struct, forbid_unknown_fields=True):
    """One reported event. `duration_s` is required for low load."""

    pump: Annotated[str, msgspec.Meta(min_length=1, max_length=40)]
    kind: Literal["reverse rotation", "trip", "loss of suction", "water hammer", "low load"]
    at: Annotated[datetime, msgspec.Meta(tz=True)]
    duration_s: Annotated[float, msgspec.Meta(ge=0, lt=1e9)] | None = None
    speed_rpm: Annotated[float, msgspec.Meta(ge=0, lt=1e6)] | None = None
    words: Annotated[str, msgspec.Meta(max_length=300)] = ""
    site: Annotated[str, msgspec.Meta(max_length=12)] | None = None
    source_key: Annotated[str, msgspec.Meta(max_length=80)] = ""


@transaction.atomic
def record_plant_events(
    rows: Sequence[PlantEventRow | Reason], *, actor: Any, at: datetime, source: str
) -> list[Verdict]:
    """Store reported events, one per pump, kind and instant.

    A repeat is a duplicate; one with another duration or speed is a conflict, the first stays.

    New ones wake the run that counts them by the condition rules and judges their valves.
    """
    sites = permitted_sites(actor)
    if len(rows) > MOST:
        words = f"{len(rows)} events in one request; at most {MOST}."
        raise Refused(Reason("too_many", words, "Send several requests."))
    sender, _ = Source.objects.get_or_create(name=source)
    named = {row.pump for row in rows if not isinstance(row, Reason)}
    pumps: dict[tuple[str | None, str], list[Pump]] = {}
    for pump in Pump.objects.filter(
        tag__in=named, group__site__in=sites, retired_at__isnull=True
    ).select_related("group__site"):
        pumps.setdefault((None, pump.tag), []).append(pump)
        pumps.setdefault((pump.group.site.code, pump.tag), []).append(pump)
    valves = {
        valve.pump_id: valve
        for valve in ProtectionValve.objects.filter(
            pump__tag__in=named, pump__group__site__in=sites, status=ValveStatus.IN_SERVICE.value
        )
    }
    latest = at + timedelta(seconds=options().CLOCK_SKEW_S)
    verdicts = []
    for index, row in enumerate(rows):
        if isinstance(row, Reason):
            verdicts.append(_verdict(index, RowStatus.REJECTED, row))
            continue
        found = pumps.get((row.site, row.pump), [])
        refusal = why_not_plant_event(
            pumps=len(found),
            kind=row.kind,
            event_at=row.at,
            latest=latest,
            duration_s=row.duration_s,
        )
        if refusal is not None:
            verdicts.append(_verdict(index, RowStatus.REJECTED, refusal))
            continue
        event, is_new = PlantEvent.objects.get_or_create(
            pump=found[0],
            kind=row.kind,
            at=row.at,
            defaults={
                "duration_s": row.duration_s,
                "speed_rpm": row.speed_rpm,
                "words": row.words.replace("\0", " "),
                "source": sender,
                "source_key": row.source_key.replace("\0", " "),
                "recorded_by": actor,
                "recorded_at": at,
            },
        )
        verdicts.append(_told(index, event, row, is_new=is_new))
        if is_new:
            record(
                "plant.reported",
                event,
                actor=actor,
                at=at,
                words=f"{found[0]}: {row.kind}. {row.words}".strip().replace("\0", " "),
                data={"kind": row.kind, "speed_rpm": row.speed_rpm, "duration_s": row.duration_s},
                valve=valves.get(found[0].pk),
            )
    if any(one.status == RowStatus.CREATED for one in verdicts):
        wake("due.refresh")
    return verdicts


def _told(index: int, event: PlantEvent, row: PlantEventRow, *, is_new: bool) -> Verdict:
    """Created, the same again, or another report of the same instant: the first stays."""
    if is_new:
        return _verdict(index, RowStatus.CREATED, None)
    if (event.duration_s, event.speed_rpm) == (row.duration_s, row.speed_rpm):
        return _verdict(index, RowStatus.DUPLICATE, None)
    stored = ", ".join(
        f"{value:g} {unit}"
        for value, unit in ((event.duration_s, "s"), (event.speed_rpm, "rpm"))
        if value is not None
    )
    words = f"A {event.kind} of this instant is stored with {stored or 'no numbers'}; it stays."
    remedy = "Report an event once it is over, with its numbers."
    return _verdict(index, RowStatus.CONFLICT, Reason("other_event_stored", words, remedy))


def _verdict(index: int, status: RowStatus, reason: Reason | None) -> Verdict:
    return Verdict(
        index, status.value, reason.code if reason else None, str(reason) if reason else None
    )
