"""Machine tokens: issue, rotate with overlap, revoke.

A token belongs to a service user, so that whatever a plant system writes has an author. The
token library stores the SHA-512 digest only; the token itself is returned once. Life and
revocation are judged by the machine's clock, never by a demo's fixed day.
"""

import re
import secrets
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model
from django.db import transaction
from knox.models import get_token_model

from valvecare.core.errors import NotFound, Reason
from valvecare.core.events import record
from valvecare.core.models import PlantCredential
from valvecare.core.permits import Role, require
from valvecare.register import rules
from valvecare.register.actions.records import refuse_if
from valvecare.register.models import Membership, Site

PREFIX = "vc_"
"""Starts every token, so that secret scanners find one that leaked."""


def sites_of(credential: PlantCredential) -> list[Site]:
    """The sites a credential is valid for: those of its service user."""
    held = Membership.objects.filter(user=credential.service_user_id).values("site_id")
    return list(Site.objects.filter(pk__in=held))


def credentials_seen_by(actor: Any) -> Any:
    """Credentials that touch a site of the person; all for installation administrators."""
    found = PlantCredential.objects.select_related("service_user", "issued_by")
    if actor is None or not actor.is_active:
        return found.none()
    if actor.is_superuser:
        return found
    here = Site.objects.for_user(actor).values("pk")
    users = Membership.objects.filter(site__in=here, role=Role.INTEGRATOR.value).values("user_id")
    return found.filter(service_user__in=users)


def _service_user(name: str) -> Any:
    model = get_user_model()
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "system"
    login = f"plant-{slug}-{secrets.token_hex(4)}"
    if model.get_email_field_name() == model.USERNAME_FIELD:
        login += "@plant.invalid"
    user = model(**{model.USERNAME_FIELD: login})
    user.set_unusable_password()
    user.save()
    return user


def _issue(
    name: str, user: Any, sites: Sequence[Site], scopes: list[str], days: int, actor: Any, at: Any
) -> tuple[PlantCredential, str]:
    life = timedelta(days=days)
    stored, token = get_token_model().objects.create(user, expiry=life, prefix=PREFIX)
    credential = PlantCredential.objects.create(
        name=name,
        service_user=user,
        digest=stored.digest,
        scopes=scopes,
        issued_at=at,
        issued_by=actor,
        expires_at=at + life,
    )
    _tell("credential.issued", credential, sites, actor, at, days=days, scopes=scopes)
    return credential, token


def _tell(
    type: str, credential: PlantCredential, sites: Sequence[Site], actor: Any, at: Any, **data: Any
) -> None:
    words = f"Machine token '{credential.name}' {type.partition('.')[2]}."
    for site in sites:
        record(type, credential, actor=actor, at=at, words=words, data=data, site=site)


@transaction.atomic
def issue_plant_credential(
    name: str,
    sites: Collection[Site],
    scopes: Collection[str],
    days: int,
    *,
    actor: Any,
    at: datetime,
) -> tuple[PlantCredential, str]:
    """Make a service user, its membership and a token. The token is returned here only.

    `days` 1 to 366; `scopes` from `rules.Scope`. Raises `NotFound`, `Forbidden`, `Refused`.
    """
    sites = sorted(sites, key=lambda site: site.pk)
    seen = set(Site.objects.for_user(actor).values_list("pk", flat=True))
    if any(site.pk not in seen for site in sites):
        raise NotFound("There is no such site for you.")
    for site in sites:
        require(actor, "change_credentials", site_id=site.pk)
    wanted = sorted({str(scope) for scope in scopes})
    refuse_if(
        *rules.why_not_issue(name=name, sites=sites, scopes=wanted, days=days),
        *(rules.why_not_change(site.code, is_retired=site.is_retired) for site in sites),
    )
    user = _service_user(name)
    roles = [Role.INTEGRATOR]
    if rules.ACTS_AS_STOREKEEPER & set(wanted):
        roles.append(Role.STOREKEEPER)
    Membership.objects.bulk_create(
        Membership(user=user, site=site, role=role.value) for site in sites for role in roles
    )
    return _issue(name.strip(), user, sites, wanted, days, actor, at)


def _held(pk: Any, actor: Any) -> tuple[PlantCredential, list[Site]]:
    credential = credentials_seen_by(actor).filter(pk=pk).first()
    if credential is None:
        raise NotFound("There is no such credential for you.")
    # one row of the service user holds all tokens of the credential until commit
    get_user_model()._base_manager.select_for_update().get(pk=credential.service_user_id)
    sites = sites_of(credential)
    for site in sites:
        require(actor, "change_credentials", site_id=site.pk)
    return credential, sites


def _live(user_id: Any, at: datetime) -> Any:
    return PlantCredential.objects.filter(
        service_user=user_id, revoked_at__isnull=True, expires_at__gt=at
    )


@transaction.atomic
def rotate_plant_credential(
    pk: Any, days: int, *, actor: Any, at: datetime
) -> tuple[PlantCredential, str]:
    """A second token for the same plant system; the old one lives on until revoked or expired.

    At most two live side by side. Raises `NotFound`, `Forbidden`, `Refused`.
    """
    old, sites = _held(pk, actor)
    live = _live(old.service_user_id, at)
    refuse_if(
        *rules.why_not_issue(name=old.name, sites=sites, scopes=old.scopes, days=days),
        rules.why_not_rotate(live=live.count(), is_live=live.filter(pk=old.pk).exists()),
    )
    return _issue(old.name, old.service_user, sites, list(old.scopes), days, actor, at)


@transaction.atomic
def revoke_plant_credential(
    pk: Any, *, actor: Any, at: datetime, reason: str = ""
) -> PlantCredential:
    """End a token at once. With its last token the service user is shut off.

    Raises `NotFound`, `Forbidden`, `Refused` when it is revoked already.
    """
    credential, sites = _held(pk, actor)
    credential.refresh_from_db()
    if credential.revoked_at is not None:
        refuse_if(
            Reason("token_ended", "This token is revoked already.", "Nothing needs to be done.")
        )
    credential.revoked_at = at
    credential.save(update_fields=["revoked_at"])
    get_token_model().objects.filter(digest=credential.digest).delete()
    if not _live(credential.service_user_id, at).exists():
        user = credential.service_user
        user.is_active = False
        user.save(update_fields=["is_active"])
    _tell("credential.revoked", credential, sites, actor, at, reason=reason)
    return credential
