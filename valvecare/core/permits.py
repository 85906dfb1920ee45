"""Who may do what at a site. Default deny: a permit that is not listed is nobody's.

The table is data for the tests and for the documentation as well as for `require`.
"""

from enum import StrEnum
from typing import Any

from django.apps import apps

from valvecare.core.errors import Forbidden


class Role(StrEnum):
    """Roles of the trade (vocabulary of the project)."""

    TECHNICIAN = "technician"
    PLANNER = "planner"
    RELIABILITY_ENGINEER = "reliability engineer"
    STOREKEEPER = "storekeeper"
    SHIFT_LEAD = "shift lead"
    INTEGRATOR = "integrator"
    CONTRACTOR = "contractor"
    PERMIT_ISSUER = "permit issuer"
    PUMP_OWNER = "pump owner"
    APPROVER = "approver"
    AUDITOR = "auditor"
    SITE_ADMINISTRATOR = "site administrator"
    """Gives roles and machine tokens at one site; not a role of the trade."""


_EVERYONE = frozenset(Role)
_STAFF = _EVERYONE - {Role.INTEGRATOR, Role.CONTRACTOR}
_OF_THE_SITE = _EVERYONE - {Role.CONTRACTOR}
"""A contractor sees the orders given to them and what belongs to these, no list of the site."""
_ENGINEER = frozenset({Role.RELIABILITY_ENGINEER})
_PLANNER = frozenset({Role.PLANNER})
_TECHNICIAN = frozenset({Role.TECHNICIAN})
_ADMINISTRATOR = frozenset({Role.SITE_ADMINISTRATOR})

PERMITS: dict[str, frozenset[Role]] = {
    # register
    "view_register": _OF_THE_SITE,
    "change_register": _ENGINEER | _PLANNER,
    "change_pump": _ENGINEER | {Role.PUMP_OWNER},
    "change_design": _ENGINEER,
    "make_label": _ENGINEER | _PLANNER | _TECHNICIAN | {Role.STOREKEEPER},
    "change_members": _ADMINISTRATOR,
    "change_credentials": _ADMINISTRATOR,
    # readings
    "view_readings": _OF_THE_SITE,
    "push_readings": frozenset({Role.INTEGRATOR, Role.RELIABILITY_ENGINEER}),
    "judge_readings": _ENGINEER | {Role.SHIFT_LEAD},
    "declare_meter_event": _ENGINEER | _TECHNICIAN | {Role.INTEGRATOR, Role.SHIFT_LEAD},
    # due
    "view_due": _OF_THE_SITE,
    "change_policy": _ENGINEER,
    # protection
    "view_protection": _OF_THE_SITE,
    "record_test": _TECHNICIAN | _ENGINEER | {Role.SHIFT_LEAD},
    # work
    "view_work_order": _EVERYONE,
    "raise_work_order": _PLANNER | _ENGINEER | {Role.SHIFT_LEAD},
    "agree_work_order": _PLANNER | _ENGINEER,
    "place_work_order": _PLANNER,
    "ready_work_order": _PLANNER | {Role.STOREKEEPER},
    "drop_work_order": _PLANNER | _ENGINEER,
    "put_off_work_order": frozenset({Role.APPROVER, Role.RELIABILITY_ENGINEER}),
    "hold_work_order": _PLANNER | _TECHNICIAN,
    "do_work": _TECHNICIAN | {Role.CONTRACTOR},
    "release_provisionally": frozenset({Role.APPROVER, Role.RELIABILITY_ENGINEER}),
    "reopen_work_order": _ENGINEER | {Role.APPROVER},
    "decide_part": _ENGINEER,
    "change_gauges": _ENGINEER | _PLANNER | {Role.STOREKEEPER},
    "change_procedure": _ENGINEER,
    "use_procedure": _ENGINEER | {Role.APPROVER},
    "witness_step": _ENGINEER
    | _PLANNER
    | _TECHNICIAN
    | {Role.SHIFT_LEAD, Role.PERMIT_ISSUER, Role.APPROVER},
    # parts
    "view_parts": _STAFF | {Role.INTEGRATOR},
    "change_parts": frozenset({Role.STOREKEEPER}),
    "reserve_parts": _PLANNER | {Role.STOREKEEPER},
    # planning
    "view_plan": _STAFF,
    "change_plan": _PLANNER,
    # learning
    "view_learning": _STAFF,
    # evidence of everything
    "view_events": _STAFF,
}


def roles_at(user: Any, site_id: int) -> frozenset[Role]:
    """The roles of this person at this site (empty for strangers and inactive people)."""
    if user is None or not getattr(user, "is_active", False):
        return frozenset()
    if user.is_superuser:
        return _EVERYONE
    membership = apps.get_model("valvecare", "Membership")
    held = membership.objects.filter(user=user, site_id=site_id).values_list("role", flat=True)
    return frozenset(Role(role) for role in held)


def may(user: Any, permit: str, site_id: int) -> bool:
    """True when one of the person's roles at the site carries the permit."""
    return bool(PERMITS[permit] & roles_at(user, site_id))


def may_anywhere(user: Any, permit: str) -> bool:
    """True when the person holds the permit at some site (for menus and admin lists)."""
    if user is None or not getattr(user, "is_active", False):
        return False
    if user.is_superuser:
        return True
    membership = apps.get_model("valvecare", "Membership")
    wanted = [role.value for role in PERMITS[permit]]
    found: bool = membership.objects.filter(user=user, role__in=wanted).exists()
    return found


def sites_where(user: Any, permit: str) -> Any:
    """Ids of the sites at which the person holds the permit, as a queryset for `__in`."""
    if user is None or not getattr(user, "is_active", False):
        return apps.get_model("valvecare", "Site").objects.none().values("pk")
    if user.is_superuser:
        return apps.get_model("valvecare", "Site").objects.values("pk")
    wanted = [role.value for role in PERMITS[permit]]
    membership = apps.get_model("valvecare", "Membership")
    return membership.objects.filter(user=user, role__in=wanted).values("site_id")


def _needs(permit: str) -> str:
    roles = ", ".join(sorted(role.value for role in PERMITS[permit])) or "nobody"
    return f"Roles that may: {roles}."


def require(user: Any, permit: str, *, site_id: int) -> None:
    """Raise `Forbidden`, naming the roles that could, unless the person holds the permit."""
    if not may(user, permit, site_id):
        raise Forbidden(permit, _needs(permit))


def require_anywhere(user: Any, permit: str) -> None:
    """As `require`, for what belongs to no site: the permit at some site is enough."""
    if not may_anywhere(user, permit):
        raise Forbidden(permit, _needs(permit))
