"""The catalogue all sites share: entered through the one way of plain records."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require_anywhere
from valvecare.core.records import change, create, retire
from valvecare.parts.models import Kit, KitLine, PartNumber, PartsPolicy, Supersession
from valvecare.register.models import ValveDesign
from valvecare.register.rules import why_not_change, why_not_retire

PERMIT = "change_parts"


def add_part(*, actor: Any, at: datetime, **fields: Any) -> PartNumber:
    """A new part number."""
    return create(PartNumber(**fields), actor=actor, at=at, permit=PERMIT)


def change_part(
    part_id: int,
    changes: Mapping[str, Any],
    *,
    version: int,
    actor: Any,
    at: datetime,
    reason: str = "",
) -> PartNumber:
    """Change a part number; its history keeps what it was."""
    found: PartNumber = change(
        PartNumber.objects.all(),
        part_id,
        changes,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
        check=_in_service,
    )
    return found


@transaction.atomic
def add_kit(
    design_id: int, lines: Mapping[str, int], *, actor: Any, at: datetime, **fields: Any
) -> Kit:
    """A new kit for one design at its revision. `lines`: part number, how many."""
    design = ValveDesign.objects.filter(pk=design_id).first()
    if design is None:
        raise NotFound("There is no such valve design.")
    kit = create(Kit(design=design, **fields), actor=actor, at=at, permit=PERMIT)
    _set_lines(kit, lines)
    return kit


def _set_lines(kit: Kit, lines: Mapping[str, int]) -> None:
    """Replace the lines of a kit. `lines`: part number, how many."""
    parts = {part.code: part for part in PartNumber.objects.filter(code__in=lines)}
    strange = sorted(set(lines) - set(parts))
    if strange:
        raise Refused(
            Reason(
                "part_number_not_known",
                f"{', '.join(strange)} is no part number.",
                "Enter the part numbers first.",
            )
        )
    kit.lines.all().delete()
    for code, quantity in lines.items():
        line = KitLine(kit=kit, part=parts[code], quantity=quantity)
        line.full_clean()
        line.save()


@transaction.atomic
def change_kit(
    kit_id: int,
    changes: Mapping[str, Any],
    *,
    version: int,
    actor: Any,
    at: datetime,
    lines: Mapping[str, int] | None = None,
    reason: str = "",
) -> Kit:
    """Change a kit and, where given, all its lines; history and event keep what it was."""
    found: Kit = change(
        Kit.objects.all(),
        kit_id,
        changes,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
        check=_in_service,
    )
    if lines is None:
        return found
    before = {line.part.code: line.quantity for line in found.lines.select_related("part")}
    if before == dict(lines):
        return found
    _set_lines(found, lines)
    words = f"{found}: what is in it changed."
    moved = {"lines": {"from": before, "to": dict(lines)}}
    record("kit.changed", found, actor=actor, at=at, words=words, data={"changes": moved})
    return found


def _in_service(row: Any) -> None:
    reason = why_not_change(str(row), is_retired=row.is_retired)
    if reason is not None:
        raise Refused(reason)


def retire_part(part_id: int, *, version: int, actor: Any, at: datetime, reason: str) -> PartNumber:
    """Take a part number out of the catalogue. Refused while a kit in service holds it."""

    def check(row: PartNumber) -> None:
        kits = Kit.objects.filter(lines__part=row, retired_at=None).order_by("name")
        _refuse_retirement(row, [kit.name for kit in kits[:50]], "kits", reason)

    found: PartNumber = retire(
        PartNumber.objects.all(),
        part_id,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
        check=check,
    )
    return found


def retire_kit(kit_id: int, *, version: int, actor: Any, at: datetime, reason: str) -> Kit:
    """Take a kit out of the catalogue. Refused while some of it is on hand."""

    def check(row: Kit) -> None:
        lots = row.lots.filter(on_hand__gt=0).order_by("pk")
        _refuse_retirement(row, [f"lot {lot.code}" for lot in lots[:50]], "lots on hand", reason)

    found: Kit = retire(
        Kit.objects.all(),
        kit_id,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
        check=check,
    )
    return found


def _refuse_retirement(row: Any, holds: list[str], what: str, reason: str) -> None:
    why = why_not_retire(str(row), is_retired=row.is_retired, holds=holds, what=what, reason=reason)
    if why is not None:
        raise Refused(why)


@transaction.atomic
def supersede(
    old: str, new: str, *, actor: Any, at: datetime, is_both_ways: bool = False, note: str = ""
) -> Supersession:
    """Say that one number came after another."""
    require_anywhere(actor, PERMIT)
    parts = {part.code: part for part in PartNumber.objects.filter(code__in=(old, new))}
    if len(parts) != 2:
        raise NotFound("There is no such pair of part numbers.")
    if Supersession.objects.filter(old=parts[new], new=parts[old]).exists():
        raise Refused(
            Reason(
                "supersession_turns_round",
                f"{new} is superseded by {old} already.",
                "A chain runs one way; mark that one as 'both ways' if either may be used.",
            )
        )
    row = Supersession(old=parts[old], new=parts[new], is_both_ways=is_both_ways, note=note)
    return create(row, actor=actor, at=at, permit=PERMIT)


@transaction.atomic
def withdraw_supersession(
    supersession_id: int, *, actor: Any, at: datetime, why: str
) -> Supersession:
    """Say that one number did not come after another after all; the event keeps that it was said.

    Answers the row as it was.
    """
    require_anywhere(actor, PERMIT)
    row = Supersession.objects.select_related("old", "new").filter(pk=supersession_id).first()
    if row is None:
        raise NotFound("There is no such supersession.")
    if not why.strip():
        raise Refused(Reason("reason_needed", f"{row} is withdrawn.", "Give the reason."))
    words = f"{row} withdrawn: {why.strip()}"
    data = {"old": row.old.code, "new": row.new.code, "both_ways": row.is_both_ways, "why": why}
    record("supersession.withdrawn", row, actor=actor, at=at, words=words, data=data)
    row.delete()
    row.pk = supersession_id
    return row


def set_parts_policy(*, actor: Any, at: datetime, **fields: Any) -> PartsPolicy:
    """The owner's figures from a day on."""
    return create(PartsPolicy(**fields), actor=actor, at=at, permit="change_policy")
