"""The catalogue all sites share, stores and bins: entered through the one way of plain records."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.permits import require_anywhere
from valvecare.core.records import change, create
from valvecare.parts.models import (
    Bin,
    Kit,
    KitLine,
    PartNumber,
    PartsPolicy,
    Store,
    Supersession,
)
from valvecare.register.models import Site, ValveDesign

PERMIT = "change_parts"


def add_part(*, actor: Any, at: datetime, **fields: Any) -> PartNumber:
    """A new part number."""
    return create(PartNumber(**fields), actor=actor, at=at, permit=PERMIT)


def change_part(
    part_id: int, changes: Mapping[str, Any], *, version: int, actor: Any, at: datetime
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
    for code, quantity in lines.items():
        line = KitLine(kit=kit, part=parts[code], quantity=quantity)
        line.full_clean()
        line.save()
    return kit


def change_kit(
    kit_id: int, changes: Mapping[str, Any], *, version: int, actor: Any, at: datetime
) -> Kit:
    """Change a kit; its history keeps what it was."""
    found: Kit = change(
        Kit.objects.all(), kit_id, changes, version=version, actor=actor, at=at, permit=PERMIT
    )
    return found


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
def add_store(site_id: int, name: str, bins: Any = (), *, actor: Any, at: datetime) -> Store:
    """A store with its bins."""
    site = Site.objects.for_user(actor).filter(pk=site_id).first()
    if site is None:
        raise NotFound("There is no such site for you.")
    store = create(Store(site=site, name=name), actor=actor, at=at, permit=PERMIT)
    for code in bins:
        create(Bin(store=store, code=code), actor=actor, at=at, permit=PERMIT)
    return store


def set_parts_policy(*, actor: Any, at: datetime, **fields: Any) -> PartsPolicy:
    """The owner's figures from a day on."""
    return create(PartsPolicy(**fields), actor=actor, at=at, permit="change_policy")
