"""Give and end roles at a site."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason
from valvecare.core.events import record
from valvecare.core.permits import Role, require
from valvecare.register import rules
from valvecare.register.actions.records import refuse_if
from valvecare.register.models import Membership, Site


@transaction.atomic
def add_member(
    site: Site, user: Any, role: Role | str, *, actor: Any, at: datetime, reason: str = ""
) -> Membership:
    """Give a person a role at a site. Raises `NotFound`, `Forbidden`, ValidationError."""
    if not Site.objects.for_user(actor).filter(pk=site.pk).exists():
        raise NotFound("There is no such site for you.")
    require(actor, "change_members", site_id=site.pk)
    member = Membership(site=site, user=user, role=str(role))
    member.full_clean()
    member.save()
    record(
        "member.added",
        member,
        actor=actor,
        at=at,
        words=f"{user} is {role} at {site}.",
        data={"login": user.get_username(), "role": str(role), "reason": reason},
    )
    return member


@transaction.atomic
def end_membership(pk: Any, *, actor: Any, at: datetime, reason: str) -> None:
    """Take a role from a person. What they did stays under their name.

    Raises `NotFound`, `Forbidden`, `Refused` (no reason; last site administrator of the site).
    """
    member = Membership.objects.for_user(actor).select_related("site", "user").filter(pk=pk).first()
    if member is None:
        raise NotFound("There is no such membership for you.")
    Site.objects.select_for_update().get(pk=member.site_id)
    require(actor, "change_members", site_id=member.site_id)
    administrators = Membership.objects.filter(
        site=member.site_id, role=Role.SITE_ADMINISTRATOR.value, user__is_active=True
    ).exclude(user=member.user_id)
    refuse_if(
        None if reason.strip() else Reason("reason_needed", f"{member} ends.", "Give the reason."),
        rules.why_not_end_membership(
            role=member.role,
            is_administrator=actor.is_superuser,
            others=administrators.count(),
        ),
    )
    record(
        "member.ended",
        member,
        actor=actor,
        at=at,
        words=f"{member.user} is no longer {member.role} at {member.site}.",
        data={"login": member.user.get_username(), "role": member.role, "reason": reason},
    )
    member.delete()
