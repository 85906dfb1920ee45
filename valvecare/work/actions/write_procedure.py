"""Write a procedure: a new one, a new version of one, the steps of a draft."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from valvecare.core.errors import Forbidden, NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import Role, may_anywhere, require
from valvecare.core.take import take
from valvecare.register.models import ProtectionValve, Site
from valvecare.work.actions.order import refuse_if
from valvecare.work.models import OWNERS, Procedure, ProcedureStep, ProcedureVersion
from valvecare.work.reads import steps_of
from valvecare.work.rules import OrderKind, why_not_words
from valvecare.work.rules.procedure_checks import MOST_STEPS
from valvecare.work.rules.procedures import VersionState, WorkStep, numbered, step_data

WRITE, USE = "change_procedure", "use_procedure"
DRAFTED, CHANGED = WRITTEN = ("drafted", "changed")
"""Events by which somebody becomes a writer of a version."""


def require_procedure(actor: Any, permit: str, procedure: Procedure) -> None:
    """The permit at its site; what is shared needs it at every site whose valves it may serve."""
    if procedure.site_id is not None:
        require(actor, permit, site_id=procedure.site_id)
        return
    if not may_anywhere(actor, permit):
        raise Forbidden(permit)
    valves = ProtectionValve.objects.in_service()
    if procedure.design_code:
        valves = valves.filter(design__code=procedure.design_code)
    sites = valves.order_by().values_list("pump__group__site_id", flat=True)
    for site_id in sorted(set(sites)):
        require(actor, permit, site_id=site_id)


def story(
    version: ProcedureVersion, event: str, *, actor: Any, at: datetime, words: str, **data: Any
) -> None:
    """Append the event of a version, at the procedure's site where it has one."""
    record(
        f"procedure.{event}",
        version,
        actor=actor,
        at=at,
        words=words,
        site=version.procedure.site,
        data={"procedure": version.procedure.code, "version": version.number, **data},
    )


def write_steps(version: ProcedureVersion, steps: Sequence[WorkStep]) -> None:
    """The draft's steps become these, numbered by their place."""
    if len(steps) > MOST_STEPS:
        raise Refused(
            Reason("too_many_steps", f"{len(steps)} steps; at most {MOST_STEPS}.", "Join steps.")
        )
    rows = [ProcedureStep(version=version, **step_data(step)) for step in numbered(steps)]
    for row in rows:
        try:
            row.clean_fields(exclude=["version"])
        except ValidationError as error:
            raise ValidationError(
                [
                    f"Step {row.number}, {name}: {text}"
                    for name, texts in error.message_dict.items()
                    for text in texts
                ]
            ) from error
    ProcedureStep.objects.filter(version=version).delete()
    ProcedureStep.objects.bulk_create(rows)


def add_version(
    procedure: Procedure,
    steps: Sequence[WorkStep],
    *,
    words: str,
    actor: Any,
    at: datetime,
    is_shipped: bool = False,
) -> ProcedureVersion:
    """The next version of a procedure, as a draft with these steps."""
    last = procedure.versions.order_by("-number").values_list("number", flat=True).first() or 0
    row = ProcedureVersion(
        procedure=procedure,
        number=last + 1,
        words=words,
        drafted_by=actor,
        changed_by=actor,
        drafted_at=at,
        is_shipped=is_shipped,
        scope_key=procedure.scope_key,
    )
    row.full_clean()
    row.save(force_insert=True)
    write_steps(row, steps)
    story(row, DRAFTED, actor=actor, at=at, words=f"{row} drafted. {words}".strip())
    return row


@transaction.atomic
def draft_procedure(
    code: str,
    *,
    title: str,
    kind: OrderKind,
    owner: str,
    source: str,
    actor: Any,
    at: datetime,
    site: str = "",
    design_code: str = "",
    copy_of: int | None = None,
    steps: Sequence[WorkStep] = (),
    words: str = "First version.",
) -> ProcedureVersion:
    """A procedure of a plant's own with its first draft; `copy_of` a version begins from that."""
    where = None
    if site:
        where = Site.objects.for_user(actor).filter(code=site).first()
        if where is None:
            raise NotFound(f"There is no site {site}.")
    procedure = Procedure(
        code=code,
        title=title,
        kind=OrderKind(kind).value,
        site=where,
        design_code=design_code,
        owner=owner,
        source=source,
    )
    require_procedure(actor, WRITE, procedure)
    procedure.full_clean()
    procedure.save(force_insert=True)
    return add_version(
        procedure, _begin_from(copy_of, steps, actor), words=words, actor=actor, at=at
    )


def _begin_from(
    version_id: int | None, steps: Sequence[WorkStep], actor: Any
) -> Sequence[WorkStep]:
    if version_id is None:
        return steps
    if not ProcedureVersion.objects.for_user(actor).filter(pk=version_id).exists():
        raise NotFound("There is no such version of a procedure for you.")
    return steps_of(version_id)


@transaction.atomic
def draft_version(
    procedure_id: int,
    *,
    version: int,
    words: str,
    actor: Any,
    at: datetime,
    copy_of: int | None = None,
) -> ProcedureVersion:
    """A new draft of a procedure, begun from the version in use, else the latest, or `copy_of`."""
    procedure: Procedure = take(Procedure.objects.for_user(actor), procedure_id, version)
    require_procedure(actor, WRITE, procedure)
    refuse_if(why_not_words(words, code="no_why", what="What is new in this version"))
    versions = procedure.versions.order_by("-number")
    if versions.filter(state=VersionState.DRAFT.value).exists():
        raise Refused(
            Reason(
                "draft_exists",
                f"{procedure} has a draft already.",
                "Change that draft, or withdraw it.",
            )
        )
    first = versions.filter(state=VersionState.IN_USE.value).first() or versions.first()
    begin = copy_of if copy_of is not None else first.pk if first else None
    return add_version(procedure, _begin_from(begin, (), actor), words=words, actor=actor, at=at)


def taken_version(version_id: int, *, version: int, actor: Any, permit: str) -> ProcedureVersion:
    """Take a version of a procedure for writing and check the permit."""
    seen = ProcedureVersion.objects.for_user(actor).select_related("procedure__site")
    row: ProcedureVersion = take(seen, version_id, version)
    require_procedure(actor, permit, row.procedure)
    return row


def why_not_draft(row: ProcedureVersion) -> Reason | None:
    """Only a draft changes: what was in use stays as orders know it."""
    if row.state == VersionState.DRAFT:
        return None
    return Reason(
        "not_a_draft",
        f"{row} is '{row.state}': its steps stay as they are.",
        "Draft a new version.",
        {"state": row.state},
    )


@transaction.atomic
def change_draft(
    version_id: int,
    steps: Sequence[WorkStep],
    *,
    version: int,
    actor: Any,
    at: datetime,
    words: str | None = None,
) -> ProcedureVersion:
    """The draft's steps become these. Words that are on no list are named when it is put in use."""
    row = taken_version(version_id, version=version, actor=actor, permit=WRITE)
    refuse_if(why_not_draft(row))
    write_steps(row, steps)
    row.changed_by = actor
    if words is not None:
        row.words = words
    row.full_clean()
    row.save(update_fields=["changed_by", "words"])
    story(row, CHANGED, actor=actor, at=at, words=f"{row}: {len(steps)} steps written.")
    return row


def owner_role(procedure: Procedure) -> Role:
    return Role(procedure.owner) if procedure.owner in OWNERS else Role.RELIABILITY_ENGINEER
