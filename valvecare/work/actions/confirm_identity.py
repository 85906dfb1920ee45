"""Confirm at the valve that it is the valve of the order: by its label, else by its plate."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q

from valvecare.core.errors import NotFound, Reason
from valvecare.core.models import NOT_KNOWN
from valvecare.register.models import ProtectionValve
from valvecare.register.reads import label_of, live_labels
from valvecare.register.rules import LabelKind, label_code
from valvecare.work.actions.measure import who_did_it
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.actions.pass_gate import add_gate
from valvecare.work.models import WorkOrder
from valvecare.work.reads import facts_of
from valvecare.work.rules.identity import Reading, why_not_identity
from valvecare.work.rules.words import GateKind, OrderState


def _read(text: str, actor: Any, order: WorkOrder) -> Reading:
    code = label_code(text)
    if code is not None:
        try:
            label, target = label_of(actor, code)
        except NotFound:
            return Reading(code, True)
        of_valve = target.kind is LabelKind.VALVE
        name = target.name if of_valve else f"{target.kind.value} {target.name}"
        return Reading(code, True, name, target.id if of_valve else None, label.is_retired)
    plain = text.strip()
    if not plain or plain.casefold() == NOT_KNOWN:
        return Reading(plain, False)
    seen = ProtectionValve.objects.for_user(actor).filter(pump__group__site=order.site_id)
    found = list(seen.filter(Q(tag__iexact=plain) | Q(serial__iexact=plain))[:2])
    if len(found) != 1:
        return Reading(plain, False)
    return Reading(plain, False, found[0].tag, found[0].pk)


@transaction.atomic
def confirm_identity(
    order_id: int,
    *,
    version: int,
    actor: Any,
    at: datetime,
    text: str,
    done_at: datetime | None = None,
    done_by: str = "",
) -> WorkOrder:
    """Record that what was scanned or typed belongs to the valve of an order under way."""
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="identified at the valve",
        states=(OrderState.UNDER_WAY,),
    )
    facts = facts_of(order)
    if GateKind.IDENTITY in facts.gates:
        refuse_if(Reason("gate_passed", "The identity is confirmed already.", "Nothing to do."))
    live = live_labels(LabelKind.VALVE, [order.valve_id]).get(order.valve_id)
    read = _read(text, actor, order)
    refuse_if(
        why_not_identity(
            read,
            valve_id=order.valve_id,
            valve=order.valve.tag,
            label=live.code if live else "",
        )
    )
    begun = fact_time(done_at, at=at, not_before=facts.started_at)
    words = f"Label {read.text} read." if read.is_code else f"No label; '{read.text}' typed."
    data = {"text": read.text, "by_label": read.is_code}
    person = who_did_it(order, done_by)
    add_gate(
        order,
        GateKind.IDENTITY,
        done_at=begun,
        words=words,
        actor=actor,
        at=at,
        data=data,
        done_by=person,
    )
    return keep(
        order, "identity_confirmed", actor=actor, at=at, words=f"{order}: {words}", data=data
    )
