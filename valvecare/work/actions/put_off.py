"""Defer: one person asks and names the risk, another signs."""

from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason, Refused
from valvecare.core.signing import FreshCredential
from valvecare.work.actions.order import keep, refuse_if, site_day, taken
from valvecare.work.actions.sign import sign
from valvecare.work.models import Deferral, WorkOrder
from valvecare.work.rules import (
    Meaning,
    OrderState,
    Signed,
    why_not_in_state,
    why_not_put_off,
    why_not_sign,
    why_not_until,
    why_not_words,
)

DEFERRABLE = (OrderState.RAISED, OrderState.AGREED, OrderState.PLACED, OrderState.READIED)


@transaction.atomic
def ask_to_put_off(
    order_id: int,
    *,
    why: str,
    risk: str,
    until: date,
    version: int,
    actor: Any,
    at: datetime,
) -> WorkOrder:
    """Ask for a deferral. The order's state does not change until somebody else signs."""
    order = taken(order_id, version=version, actor=actor, permit="hold_work_order")
    refuse_if(
        why_not_in_state(OrderState(order.state), DEFERRABLE, "put off"),
        why_not_words(why, code="no_why", what="The reason for the deferral"),
        why_not_words(risk, code="no_risk", what="The risk of the deferral"),
        why_not_until(until, today=site_day(order, at)),
    )
    row = Deferral(order=order, why=why, risk=risk, until=until, asked_by=actor, asked_at=at)
    row.clean_fields(exclude=["order", "asked_by", "signed_by"])
    row.save(force_insert=True)
    return keep(
        order,
        "deferral_asked",
        actor=actor,
        at=at,
        words=f"{order}: deferral until {until.isoformat()} asked. {why} Risk: {risk}",
        data={"why": why, "risk": risk, "until": until.isoformat()},
    )


@transaction.atomic
def put_off(
    order_id: int,
    signature: str,
    *,
    version: int,
    actor: Any,
    at: datetime,
    credential: FreshCredential | None = None,
    meaning: str = Meaning.APPROVED.value,
) -> WorkOrder:
    """Sign the latest deferral asked for. The order leaves its window and waits."""
    order = taken(order_id, version=version, actor=actor, permit="put_off_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), DEFERRABLE, "put off"))
    asked = Deferral.objects.filter(order=order, signed_at__isnull=True).order_by("-id").first()
    if asked is None:
        raise Refused(
            Reason(
                "deferral_not_asked",
                "Nobody has asked to put this order off.",
                "Ask first: why, the risk, and until when.",
            )
        )
    refuse_if(
        why_not_put_off(
            asked_by=asked.asked_by_id,
            signer=actor.pk,
            until=asked.until,
            today=site_day(order, at),
            signature=signature,
        ),
        why_not_sign(credential, signer=actor.pk, meaning=meaning, at=at),
    )
    asked.signature, asked.signed_by, asked.signed_at = signature, actor, at
    asked.clean_fields(exclude=["order", "asked_by", "signed_by"])
    asked.save(update_fields=["signature", "signed_by", "signed_at"])
    placed = order.state != OrderState.RAISED
    kept = keep(
        order,
        "put_off",
        actor=actor,
        at=at,
        words=f"{order} put off until {asked.until.isoformat()}. {asked.why} Risk: {asked.risk}",
        data={"until": asked.until.isoformat(), "risk": asked.risk, "signature": signature},
        state_before=(OrderState.AGREED if placed else OrderState.RAISED).value,
        state=OrderState.PUT_OFF.value,
        pause_why=asked.why,
        pause_until=asked.until,
        readiness={},
    )
    if credential is not None:
        sign(
            kept,
            Signed.DEFERRAL,
            asked.pk,
            credential=credential,
            meaning=meaning,
            actor=actor,
            at=at,
        )
    return kept
