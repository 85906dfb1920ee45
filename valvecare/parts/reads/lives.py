"""How long a fitted part has been working, counted with the pump's own counters."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from valvecare.parts.models import FittedPart
from valvecare.readings.models import Series
from valvecare.readings.reads import accumulated_at
from valvecare.readings.rules import Quantity, SeriesKind
from valvecare.register.models import ProtectionValve

_COUNTED = (Quantity.RUN_HOURS, Quantity.STARTS)


def _counters(pump_ids: Sequence[int]) -> dict[tuple[int, Quantity], int]:
    rows = Series.objects.filter(
        pump__in=pump_ids,
        kind=SeriesKind.COUNTER.value,
        quantity__in=[quantity.value for quantity in _COUNTED],
        retired_at__isnull=True,
    ).order_by("-id")
    return {(row.pump_id, Quantity(row.quantity)): row.pk for row in rows}


def gained_at(valve: ProtectionValve, at: datetime) -> dict[Quantity, float]:
    """What the counters of the valve's pump had gained by an instant: run hours (h), starts.

    A quantity without a counter is left out; nothing is assumed for it.
    """
    counters = _counters([valve.pump_id])
    ids = list(counters.values())
    us = int(at.timestamp() * 1_000_000)
    values = accumulated_at(ids, [us] * len(ids)).tolist()
    return {key[1]: value for key, value in zip(counters, values, strict=True)}


@dataclass(frozen=True, slots=True)
class Life:
    """One fitted part and how long it has worked; None where nobody counted."""

    id: int
    valve_id: int
    part: str
    name: str
    place: str
    serial: str
    lot: str
    quantity: int
    fitted_at: datetime
    removed_at: datetime | None
    removed_why: str
    run_hours: float | None
    starts: float | None


def lives_of(valve: ProtectionValve, at: datetime) -> list[Life]:
    """The parts of a valve, those fitted now first, with their lives up to `at`."""
    rows = list(
        FittedPart.objects.filter(valve=valve)
        .select_related("part", "lot")
        .order_by("removed_at", "-fitted_at", "id")
    )
    now = gained_at(valve, at) if any(row.removed_at is None for row in rows) else {}

    def lived(row: FittedPart, name: str, quantity: Quantity) -> float | None:
        if row.removed_at is not None:
            life: float | None = getattr(row, f"{name}_life")
            return life
        base, gained = getattr(row, f"{name}_base"), now.get(quantity)
        return None if base is None or gained is None else max(gained - base, 0.0)

    found = [
        Life(
            row.pk,
            valve.pk,
            row.part.code,
            row.part.name,
            row.place,
            row.serial,
            row.lot.code if row.lot else "",
            row.quantity,
            row.fitted_at,
            row.removed_at,
            row.removed_why,
            lived(row, "run_hours", Quantity.RUN_HOURS),
            lived(row, "starts", Quantity.STARTS),
        )
        for row in rows
    ]
    return sorted(found, key=lambda life: life.removed_at is not None)
