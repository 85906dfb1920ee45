"""Let a valve run without proof: a second person, a restriction, an end."""

from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.core.signing import FreshCredential
from valvecare.protection.actions import judge_group_of, note_release
from valvecare.work.actions.order import keep, refuse_if, site_day, taken
from valvecare.work.actions.sign import sign
from valvecare.work.models import ProvisionalRelease, WorkOrder
from valvecare.work.reads import facts_of
from valvecare.work.rules import (
    Meaning,
    OrderState,
    Signed,
    why_not_in_state,
    why_not_release,
    why_not_sign,
)


@transaction.atomic
def release_provisionally(
    order_id: int,
    *,
    until: date,
    restriction: str,
    words: str,
    version: int,
    actor: Any,
    at: datetime,
    credential: FreshCredential | None = None,
    meaning: str = Meaning.APPROVED.value,
) -> WorkOrder:
    """Sign the release of this revision. It expires, and the closer must be somebody else."""
    order = taken(order_id, version=version, actor=actor, permit="release_provisionally")
    refuse_if(
        why_not_in_state(
            OrderState(order.state), (OrderState.UNDER_WAY,), "released provisionally"
        ),
        why_not_release(
            facts_of(order),
            signer=actor.pk,
            until=until,
            today=site_day(order, at),
            words=words,
            restriction=restriction,
        ),
        why_not_sign(credential, signer=actor.pk, meaning=meaning, at=at),
    )
    row = ProvisionalRelease(
        order=order,
        revision=order.revision,
        until=until,
        restriction=restriction,
        words=words,
        signed_by=actor,
        signed_at=at,
    )
    row.clean_fields(exclude=["order", "signed_by"])
    row.save(force_insert=True)
    note_release(
        order.valve,
        until=until,
        restriction=restriction,
        words=words,
        origin=order.number,
        actor=actor,
        at=at,
    )
    kept = keep(
        order,
        "released_provisionally",
        actor=actor,
        at=at,
        words=f"{order} released provisionally until {until.isoformat()}: {restriction}",
        data={"until": until.isoformat(), "restriction": restriction, "words": words},
    )
    judge_group_of(order.valve, at)
    if credential is not None:
        sign(
            kept,
            Signed.RELEASE,
            row.pk,
            credential=credential,
            meaning=meaning,
            actor=actor,
            at=at,
        )
    return kept
