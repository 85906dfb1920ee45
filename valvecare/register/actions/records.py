"""Add, change, retire and bring back any record of the register."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Forbidden, NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.records import change, create, require_for, retire, save_with_history
from valvecare.core.take import take
from valvecare.register import rules
from valvecare.register.models import ProtectionValve, Pump, PumpGroup, Site, ValveDesign
from valvecare.register.rules import ValveStatus

PERMIT = {
    Site: "change_register",
    PumpGroup: "change_register",
    Pump: "change_register",
    ProtectionValve: "change_register",
    ValveDesign: "change_design",
}
"""The permit each kind of record asks for; the hydraulics of a pump ask for `change_pump` too."""

RetirementCheck = Callable[[Any], "Reason | None"]
_CHECKS: list[RetirementCheck] = []


def refuse_retirement_when(check: RetirementCheck) -> RetirementCheck:
    """Let a later capability object: `check(record)` returns a Reason while something is open.

    The register cannot know what later capabilities hang on its records; they say so here.
    """
    if check not in _CHECKS:
        _CHECKS.append(check)
    return check


def seen_by(model: Any, actor: Any) -> Any:
    """The rows of this kind the person may see; designs are shared by all sites."""
    if model is ValveDesign:
        return ValveDesign.objects.all() if actor is not None else ValveDesign.objects.none()
    return model.objects.for_user(actor)


def refuse_if(*reasons: Reason | None) -> None:
    """Raise `Refused` with every reason given; nothing when there is none."""
    found = [reason for reason in reasons if reason is not None]
    if found:
        raise Refused(*found)


def check_place(row: Any, moved: bool) -> None:
    """A tag names one thing at a site: hold the site, then look (tags hang below groups)."""
    if not isinstance(row, (Pump, ProtectionValve)) or not moved:
        return
    site = row.site_of()
    Site.objects.select_for_update().get(pk=site.pk)
    same = type(row).objects.filter(tag=row.tag, **{row.site_path: site}).exclude(pk=row.pk)
    refuse_if(rules.tag_in_use(row.tag, at=site.code) if same.exists() else None)


def _parent(row: Any) -> Any:
    return {Pump: "group", ProtectionValve: "pump", PumpGroup: "site"}.get(type(row))


def check_parent(row: Any, actor: Any) -> None:
    """The record above must be visible to the person and in service."""
    name = _parent(row)
    if name is None:
        return
    above = getattr(row, name)
    if not seen_by(type(above), actor).filter(pk=above.pk).exists():
        raise NotFound(f"There is no such {above._meta.verbose_name} for you.")
    refuse_if(rules.why_not_change(str(above), is_retired=above.is_retired))


@transaction.atomic
def add_record(row: Any, *, actor: Any, at: datetime, reason: str = "") -> Any:
    """Store a new site, group, pump, valve or design. Raises `Forbidden`, `Refused`, `NotFound`,
    or Django's ValidationError naming the fields."""
    if isinstance(row, Site):
        if not actor.is_superuser:
            raise Forbidden("add_site", "An administrator of the installation may.")
        row.full_clean()
        save_with_history(row, actor, reason)
        record("site.added", row, actor=actor, at=at, words=f"{row} added.")
        return row
    check_parent(row, actor)
    if isinstance(row, ProtectionValve) and row.status == ValveStatus.RETIRED.value:
        refuse_if(rules.why_not_change(str(row), is_retired=True))
    check_place(row, True)
    return create(row, actor=actor, at=at, permit=PERMIT[type(row)], reason=reason)


def check_change(row: Any, changes: Mapping[str, Any], actor: Any) -> None:
    """What no change of a record may do: touch a retired one, leave the site, take a used tag."""
    refuse_if(rules.why_not_change(str(row), is_retired=row.is_retired))
    name = _parent(row)
    if name in changes and changes[name] != getattr(row, name):
        above = changes[name]
        if not seen_by(type(above), actor).filter(pk=above.pk).exists():
            raise NotFound(f"There is no such {above._meta.verbose_name} for you.")
        here, there = row.site_of().code, above.site_of().code
        refuse_if(
            rules.why_not_move(str(row), from_site=here, to_site=there),
            rules.why_not_change(str(above), is_retired=above.is_retired),
        )
    if isinstance(row, ProtectionValve) and changes.get("status") == ValveStatus.RETIRED.value:
        refuse_if(
            Reason(
                "retire_with_reason",
                "A protection valve is not retired by its status.",
                "Use 'retire', with a reason.",
            )
        )


@transaction.atomic
def change_record(
    model: Any,
    pk: Any,
    changes: Mapping[str, Any],
    *,
    version: int,
    actor: Any,
    at: datetime,
    reason: str = "",
) -> Any:
    """Change the named fields of one record (not a pump: see `change_pump`).

    Raises `NotFound`, `Conflict`, `Forbidden`, `Refused`, ValidationError.
    """
    changes = dict(changes)

    def check(row: Any) -> None:
        check_change(row, changes, actor)
        if isinstance(row, ProtectionValve) and rules.is_placed_anew(
            pump_moves=changes.get("pump", row.pump) != row.pump,
            status=changes.get("status", row.status),
            status_was=row.status,
        ):
            changes["placed_at"] = at

    changed = change(
        seen_by(model, actor),
        pk,
        changes,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT[model],
        reason=reason,
        check=check,
    )
    check_place(changed, "tag" in changes)
    return changed


CARRIES = {
    Site: ("groups", "pump groups"),
    PumpGroup: ("pumps", "pumps"),
    Pump: ("valves", "protection valves"),
    ValveDesign: ("valves", "protection valves"),
}


@transaction.atomic
def retire_record(
    model: Any, pk: Any, *, version: int, actor: Any, at: datetime, reason: str
) -> Any:
    """Take a record out of service. Refused while others in service hang on it, or work is open.

    Raises `NotFound`, `Conflict`, `Forbidden`, `Refused`.
    """

    def check(row: Any) -> None:
        below, what = CARRIES.get(model, ("", ""))
        in_service = getattr(row, below).filter(retired_at__isnull=True)[:50] if below else ()
        refuse_if(
            rules.why_not_retire(
                str(row),
                is_retired=row.is_retired,
                holds=[str(one) for one in in_service],
                what=what,
                reason=reason,
            ),
            *(objection(row) for objection in _CHECKS),
        )

    return retire(
        seen_by(model, actor),
        pk,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT[model],
        reason=reason,
        check=check,
        also={"status": ValveStatus.RETIRED.value} if model is ProtectionValve else None,
    )


@transaction.atomic
def bring_back_record(
    model: Any, pk: Any, *, version: int, actor: Any, at: datetime, reason: str
) -> Any:
    """Undo a retirement, with a reason. A valve comes back as a spare, never straight to service.

    Raises `NotFound`, `Conflict`, `Forbidden`, `Refused`, ValidationError.
    """
    row = take(seen_by(model, actor), pk, version)
    require_for(actor, PERMIT[model], row)
    if not row.is_retired:
        refuse_if(Reason("not_retired", f"{row} is not retired.", "Nothing needs to be done."))
    if not reason.strip():
        refuse_if(Reason("reason_needed", f"{row} comes back.", "Give the reason."))
    check_parent(row, actor)
    row.retired_at = None
    if isinstance(row, ProtectionValve):
        row.status = ValveStatus.SPARE.value
    row.full_clean()
    save_with_history(row, actor, reason)
    record(
        f"{row._meta.model_name}.brought_back",
        row,
        actor=actor,
        at=at,
        words=f"{row} brought back.",
        data={"reason": reason},
    )
    return row
