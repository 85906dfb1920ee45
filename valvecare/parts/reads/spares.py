"""What work asks before an order is readied, and when it is closed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from valvecare.core.errors import Reason
from valvecare.parts.models import FittedPart, Kit, Lot, PartNumber, Piece, Reservation
from valvecare.parts.reads.facts import fit_of, issued_to, kits_of, part_or_kit
from valvecare.parts.rules import (
    KINDS_THAT_NEED_A_KIT,
    KitUse,
    ReservationState,
    SpareFacts,
    why_not_built_in,
)
from valvecare.register.models import ProtectionValve


def open_reservations(order_id: int) -> list[Reservation]:
    rows = Reservation.objects.filter(order_id=order_id, state=ReservationState.OPEN.value)
    return list(rows.select_related("lot__kit__design", "lot__part", "lot__bin__store"))


def wanted_kits(valve: ProtectionValve, kind: str) -> list[Kit]:
    """The kits this kind of work at this valve wants whatever is found."""
    if kind not in KINDS_THAT_NEED_A_KIT:
        return []
    return [kit for kit in kits_of(valve) if kit.use == KitUse.EVERY_STRIP_DOWN]


def why_no_kit(order: Any, *, job_on: date) -> tuple[Reason, ...]:
    """Why the kit of an order is not shown green: every wanted kit kept or issued, all fitting.

    Where the design has no such kit in the catalogue nothing is asked here: words suffice.
    """
    valve = ProtectionValve.objects.select_related("design", "pump__group__site").get(
        pk=order.valve_id
    )
    wanted = wanted_kits(valve, order.kind)
    kept = open_reservations(order.pk)
    found: list[Reason] = []
    for one in kept:
        found += fit_of(valve, one.lot, job_on=job_on)[1]
    have = {one.lot.kit_id for one in kept}
    for kit in wanted:
        if kit.pk not in have and not _is_issued(order.pk, kit):
            found.append(_not_kept(valve, kit))
    return tuple(found)


def _is_issued(order_id: int, kit: Kit) -> bool:
    lots = Lot.objects.filter(kit=kit, movements__order_id=order_id).distinct()
    return any(issued_to(order_id, lot.pk) > 0 for lot in lots)


def _not_kept(valve: ProtectionValve, kit: Kit) -> Reason:
    lots = list(Lot.objects.filter(kit=kit, site=valve.site_of()))
    available = sum(lot.available for lot in lots)
    design = valve.design
    other = ""
    if design is not None and not available:
        near = Lot.objects.filter(
            kit__design__code=design.code,
            kit__design__variant=design.variant,
            kit__design__dn=design.dn,
            site=valve.site_of(),
            on_hand__gt=0,
        ).exclude(kit__design=design)
        revisions = sorted(set(near.values_list("kit__design__revision", flat=True)))
        if revisions:
            other = (
                f" Kit blocked: shelf has rev {', '.join(revisions)}, valve is rev "
                f"{design.revision}."
            )
    return Reason(
        "kit_not_reserved",
        f"{kit} is not kept for this order; {available} available at this site.{other}",
        "Let the storekeeper or planner reserve it under Parts."
        if available
        else "Order it under Parts, express where offered, or put the work off with a signature.",
        {"kit": kit.name, "available": available},
    )


@dataclass(frozen=True, slots=True)
class SpareLine:
    """One line 'built in', as recorded at the valve."""

    name: str
    place: str
    lot: str
    serial: str
    quantity: int


@dataclass(frozen=True, slots=True)
class Spare:
    """A line with what the catalogue and the store make of it."""

    line: SpareLine
    part: PartNumber | None
    kit: Kit | None
    lot: Lot | None


def identify(line: SpareLine, *, site_id: int) -> Spare:
    """Look the line up: part number or kit by name, the lot by code at the site, or by serial."""
    part, kit = part_or_kit(line.name)
    lot = None
    if part is not None or kit is not None:
        rows = Lot.objects.filter(site_id=site_id, part=part, kit=kit)
        if line.lot:
            lot = rows.filter(code=line.lot).order_by("id").first()
        elif line.serial and part is not None:
            lot = rows.filter(pieces__serial=line.serial, pieces__part=part).first()
    return Spare(line, part, kit, lot)


def places_of(spare: Spare) -> frozenset[str]:
    """The parts of a valve a line can stand for; a piece with a serial has a line of its own."""
    if spare.part is not None:
        return frozenset({spare.part.place} - {""})
    if spare.kit is not None:
        lines = spare.kit.lines.filter(part__has_serial=False).values_list("part__place", flat=True)
        return frozenset(place for place in lines if place)
    return frozenset()


def why_not_spare(spare: Spare, *, order_id: int, job_on: date) -> Reason | None:
    """Why this line does not say which spare was built in."""
    line, part, kit, lot = spare.line, spare.part, spare.kit, spare.lot
    owner, fitted_in = "", ""
    if part is not None and part.has_serial and line.serial:
        owners = list(Piece.objects.filter(serial=line.serial).values_list("part__code", flat=True))
        owner = part.code if part.code in owners else next(iter(owners), "")
        fitted_in = (
            FittedPart.objects.filter(part=part, serial=line.serial, removed_at__isnull=True)
            .exclude(order_id=order_id)
            .values_list("valve__tag", flat=True)
            .first()
            or ""
        )
    return why_not_built_in(
        SpareFacts(
            place=line.place,
            name=line.name,
            serial=line.serial,
            lot=line.lot or (lot.code if lot else ""),
            is_in_catalogue=part is not None or kit is not None,
            is_kit=kit is not None,
            places=places_of(spare),
            has_serial=part.has_serial if part else False,
            has_shelf_life=kit.has_shelf_life
            if kit
            else bool(part and part.shelf_life_months is not None),
            lot_is_known=lot is not None,
            shelf_until=lot.shelf_until if lot else None,
            is_quarantined=bool(lot and lot.quarantined_at),
            is_whole=not (lot and lot.missing),
            issued=issued_to(order_id, lot.pk) if lot else 0,
            quantity=line.quantity,
            serial_owner=owner,
            fitted_in=fitted_in,
        ),
        job_on=job_on,
    )


def why_not_spares(
    lines: Sequence[SpareLine],
    replaced: Sequence[str],
    *,
    order_id: int,
    site_id: int,
    job_on: date,
) -> tuple[Reason, ...]:
    """Why an order cannot be closed: a replaced part without a spare, a spare without identity.

    `replaced`: the parts judged 'replace'. A line for a part, or a kit that holds one, covers it.
    """
    found: list[Reason] = []
    covered: set[str] = set()
    for line in lines:
        spare = identify(line, site_id=site_id)
        if not line.place and spare.part is None and spare.kit is None:
            continue  # a consumable named in plain words
        reason = why_not_spare(spare, order_id=order_id, job_on=job_on)
        if reason is not None:
            found.append(reason)
        covered |= {line.place} if line.place else places_of(spare)
    for part in replaced:
        if part not in covered:
            found.append(
                Reason(
                    "spare_not_recorded",
                    f"The {part} was replaced, but no spare is recorded for it.",
                    "Record part number or kit with lot or serial under 'Parts built in'.",
                    {"part": part},
                )
            )
    return tuple(found)
