"""The engineer decides on a joint that was not tightened as planned."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason, Refused
from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.actions.pass_gate import add_gate
from valvecare.work.models import Tightening, WorkOrder
from valvecare.work.reads import facts_of
from valvecare.work.rules import (
    GateKind,
    OrderState,
    why_not_in_state,
    why_not_pass,
    why_not_words,
)


@transaction.atomic
def decide_joint(
    order_id: int,
    *,
    accept: bool,
    because: str,
    version: int,
    actor: Any,
    at: datetime,
) -> WorkOrder:
    """Accept the joint as it was tightened, which passes the gate, or have it tightened again.

    Accepting is refused where the gate itself could not be passed now: a part was found undecided
    meanwhile, or a hold point before it is open.
    """
    order = taken(order_id, version=version, actor=actor, permit="decide_part")
    refuse_if(
        why_not_in_state(OrderState(order.state), (OrderState.UNDER_WAY,), "decided upon"),
        why_not_words(because, code="no_why", what="The reason for the decision"),
    )
    row = (
        Tightening.objects.select_related("by", "done_by")
        .filter(order=order, revision=order.revision, decided_at=None)
        .first()
    )
    if row is None:
        raise Refused(
            Reason(
                "no_joint_waits",
                "No joint of this order waits for the engineer.",
                "Nothing to do.",
            )
        )
    if actor.pk in (row.by_id, row.done_by_id):
        raise Refused(
            Reason(
                "second_person",
                "Who tightened the joint cannot accept it.",
                "Let another engineer decide.",
            )
        )
    if accept:
        refuse_if(why_not_pass(GateKind.JOINT_CLOSED, facts_of(order)))
    row.is_accepted, row.decided_by, row.decided_at = accept, actor, at
    row.decided_because = because.strip()
    row.clean_fields(exclude=["order", "by", "done_by", "decided_by"])
    row.save(update_fields=["is_accepted", "decided_by", "decided_at", "decided_because"])
    word = "accepted" if accept else "to be tightened again"
    data = {
        **row.record,
        "disagree_because": row.disagree_because,
        "engineer": actor.get_username(),
        "engineer_says": f"{word}: {row.decided_because}",
    }
    if accept:
        add_gate(
            order,
            GateKind.JOINT_CLOSED,
            done_at=row.at,
            words=row.words,
            actor=row.by,
            at=at,
            data=data,
            done_by=row.done_by,
        )
    return keep(
        order,
        "joint_decided",
        actor=actor,
        at=at,
        words=f"{order}: joint {word} by the engineer. {because}",
        data=data,
    )
