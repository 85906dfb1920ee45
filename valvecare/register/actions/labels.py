"""Make a label and retire it. The code is drawn by chance and never used twice."""

import secrets
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.core.take import take
from valvecare.register.actions.records import refuse_if
from valvecare.register.models import Label, ProtectionValve, Site
from valvecare.register.reads import live_labels, target_of
from valvecare.register.rules import (
    LABEL_ALPHABET,
    LABEL_LENGTH,
    LabelKind,
    why_not_label,
    why_not_retire_label,
)


def _new_code() -> str:
    while True:
        code = "".join(secrets.choice(LABEL_ALPHABET) for _ in range(LABEL_LENGTH))
        if not Label.objects.filter(code=code).exists():
            return code


def _valve(pk: int | None) -> ProtectionValve | None:
    return None if pk is None else ProtectionValve.objects.get(pk=pk)


@transaction.atomic
def make_label(kind: LabelKind, target_id: int, *, actor: Any, at: datetime) -> Label:
    """Make the label of a valve, pump, bin or kit. Raises `NotFound`, `Forbidden`, `Refused`.

    Two calls at once: the site's row is held, so the second sees the first one's label.
    """
    kind = LabelKind(kind)
    target = target_of(actor, kind, target_id)
    require(actor, "make_label", site_id=target.site.pk)
    Site.objects.select_for_update().get(pk=target.site.pk)
    live = live_labels(kind, [target_id]).get(target_id)
    refuse_if(
        why_not_label(
            target.name, live_code=live.code if live else None, is_retired=target.is_retired
        )
    )
    label = Label(
        site=target.site,
        code=_new_code(),
        kind=kind.value,
        target_id=target_id,
        made_at=at,
        made_by=actor,
    )
    label.full_clean()
    label.save(force_insert=True)
    words = f"{label} made for {kind.value} {target.name}."
    record("label.made", label, actor=actor, at=at, words=words, valve=_valve(target.valve_id))
    return label


@transaction.atomic
def retire_label(label_id: int, *, version: int, actor: Any, at: datetime, reason: str) -> Label:
    """Say that this plate counts no longer; a scan of it is refused from now on."""
    label: Label = take(Label.objects.for_user(actor), label_id, version)
    require(actor, "make_label", site_id=label.site_id)
    refuse_if(why_not_retire_label(label.code, reason, is_retired=label.is_retired))
    target = target_of(actor, LabelKind(label.kind), label.target_id)
    label.retired_at, label.retired_why = at, reason.strip()
    label.full_clean()
    label.save(update_fields=["retired_at", "retired_why"])
    record(
        "label.retired",
        label,
        actor=actor,
        at=at,
        words=f"{label} of {target.name} retired: {label.retired_why}",
        data={"reason": label.retired_why},
        valve=_valve(target.valve_id),
    )
    return label
