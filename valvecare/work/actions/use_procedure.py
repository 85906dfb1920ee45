"""Put a version in use, withdraw one, and fix on an order the version that serves it."""

from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from valvecare.core.errors import Forbidden, Reason, Refused
from valvecare.core.models import Event
from valvecare.core.permits import roles_at
from valvecare.register.models import ProtectionValve
from valvecare.work.actions.order import refuse_if
from valvecare.work.actions.write_procedure import (
    USE,
    WRITTEN,
    owner_role,
    story,
    taken_version,
    why_not_draft,
)
from valvecare.work.models import Procedure, ProcedureVersion, WorkOrder
from valvecare.work.reads import content_hash_of, serving, steps_of
from valvecare.work.rules import OrderKind, why_not_words
from valvecare.work.rules.procedure_checks import why_not_second, why_not_steps
from valvecare.work.rules.procedures import VersionState


def _require_owner(actor: Any, procedure: Procedure) -> None:
    """The owner's role: at the procedure's site, for a shared one at some site."""
    role = owner_role(procedure)
    if actor.is_superuser:
        return
    held = (
        roles_at(actor, procedure.site_id)
        if procedure.site_id is not None
        else {word for word in (role,) if actor.valvecare_memberships.filter(role=role).exists()}
    )
    if role not in held:
        raise Forbidden(USE, f"The owner puts it in use: {role}.")


def _writers(row: ProcedureVersion) -> set[int | None]:
    """Everybody who drafted or changed this version, not only the last of them."""
    written = Event.objects.filter(
        object_type=ProcedureVersion._meta.model_name,
        object_id=str(row.pk),
        type__in=[f"procedure.{word}" for word in WRITTEN],
    )
    return {row.drafted_by_id, row.changed_by_id, *written.values_list("actor_id", flat=True)}


def _close(row: ProcedureVersion, state: VersionState, *, why: str, at: datetime) -> None:
    row.state, row.ended_at, row.ended_why = state.value, at, why
    row.full_clean()
    row.save(update_fields=["state", "ended_at", "ended_why"])


def enter_use(row: ProcedureVersion, *, words: str, actor: Any, at: datetime) -> ProcedureVersion:
    """The draft becomes the version in use and the one before it is superseded."""
    steps = steps_of(row.pk)
    refuse_if(*why_not_steps(OrderKind(row.procedure.kind), steps))
    rivals = ProcedureVersion.objects.select_related("procedure").filter(
        scope_key=row.scope_key, state=VersionState.IN_USE.value
    )
    for other in rivals:
        if other.procedure_id != row.procedure_id:
            raise Refused(
                Reason(
                    "another_in_use",
                    f"{other} is in use for the same: {other.procedure.serves}.",
                    "Withdraw it first: two that serve alike would leave the choice open.",
                    {"version": other.pk},
                )
            )
        _close(other, VersionState.SUPERSEDED, why=f"version {row.number}", at=at)
    row.state = VersionState.IN_USE.value
    row.valid_from, row.signed_off_by, row.signed_words = at, actor, words
    row.content_hash = content_hash_of(steps)
    row.full_clean()
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError:
        raise Refused(
            Reason(
                "another_in_use",
                "Somebody put another version in use at the same moment.",
                "Look at the procedures again.",
            )
        ) from None
    story(
        row,
        "put_in_use",
        actor=actor,
        at=at,
        words=f"{row} put in use. {words}".strip(),
        content_hash=row.content_hash,
    )
    return row


@transaction.atomic
def put_in_use(
    version_id: int, words: str, *, version: int, actor: Any, at: datetime
) -> ProcedureVersion:
    """draft -> in use, by the owner, who is a second person. Orders under way keep theirs."""
    row = taken_version(version_id, version=version, actor=actor, permit=USE)
    _require_owner(actor, row.procedure)
    refuse_if(
        why_not_draft(row),
        why_not_words(words, code="no_statement", what="What you looked at"),
        why_not_second(writers=_writers(row), signer=actor.pk),
    )
    return enter_use(row, words=words, actor=actor, at=at)


@transaction.atomic
def withdraw(
    version_id: int, why: str, *, version: int, actor: Any, at: datetime
) -> ProcedureVersion:
    """A draft or a version in use -> withdrawn, with the reason. Orders that have it say so."""
    row = taken_version(version_id, version=version, actor=actor, permit=USE)
    refuse_if(why_not_words(why, code="no_why", what="The reason"))
    if row.state not in (VersionState.DRAFT, VersionState.IN_USE):
        raise Refused(
            Reason(
                "wrong_state",
                f"{row} is '{row.state}' and serves no new order.",
                "Nothing to do.",
                {"state": row.state},
            )
        )
    _close(row, VersionState.WITHDRAWN, why=why, at=at)
    story(row, "withdrawn", actor=actor, at=at, words=f"{row} withdrawn. {why}", why=why)
    return row


def version_for(order: WorkOrder) -> ProcedureVersion | None:
    """The version an order is readied with now; None where none is in use; ties are refused."""
    valve = ProtectionValve.objects.select_related("design", "pump__group").get(pk=order.valve_id)
    served = serving(valve, OrderKind(order.kind))
    refuse_if(served.refusal)
    if served.version is None:
        return None
    found: ProcedureVersion = ProcedureVersion.objects.get(pk=served.version)
    return found


def version_to_start(order: WorkOrder) -> ProcedureVersion | None:
    """The version the order was readied with; one that was withdrawn since is not started."""
    if order.procedure_id is None:
        return version_for(order)
    row: ProcedureVersion = ProcedureVersion.objects.get(pk=order.procedure_id)
    if row.state == VersionState.WITHDRAWN:
        raise Refused(
            Reason(
                "procedure_withdrawn",
                f"{row} was withdrawn after the order was readied: {row.ended_why}",
                "Let the planner place and ready the order again.",
                {"version": row.pk},
            )
        )
    return row
