"""Pass a gate: a timed, signed fact."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import Reason
from valvecare.engineering.joint_records import FastenerState
from valvecare.protection.actions import judge_group_of
from valvecare.work.actions.close_joint import ask_engineer, joint_done, settle_waiting
from valvecare.work.actions.measure import who_did_it
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.actions.tell_protection import note_opening, opening_gate
from valvecare.work.models import Gate, WorkOrder
from valvecare.work.reads import facts_of
from valvecare.work.rules import (
    GateKind,
    OrderFacts,
    OrderKind,
    OrderState,
    Rods,
    why_not_pass,
)


def not_before(facts: OrderFacts, gate: GateKind) -> datetime | None:
    """The instant of the latest fact this gate follows."""
    earlier = [at for kind, at in facts.gates.items() if kind is not GateKind.AS_FOUND]
    if gate is GateKind.AS_FOUND:
        earlier = []
    return max(earlier, default=facts.started_at)


def add_gate(
    order: WorkOrder,
    gate: GateKind,
    *,
    done_at: datetime,
    words: str,
    actor: Any,
    at: datetime,
    data: dict[str, Any] | None = None,
    done_by: Any = None,
) -> Gate:
    """Write the gate's row; the rules have been asked."""
    row = Gate(
        order=order,
        revision=order.revision,
        kind=gate.value,
        at=done_at,
        by=actor,
        done_by=done_by,
        words=words,
        data=data or {},
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "by", "done_by"])
    row.save(force_insert=True)
    return row


@transaction.atomic
def pass_gate(
    order_id: int,
    gate: GateKind,
    *,
    version: int,
    actor: Any,
    at: datetime,
    done_at: datetime | None = None,
    words: str = "",
    rods: Rods | None = None,
    done_by: str = "",
    lubricant: str = "",
    wrench: str = "",
    torque_nm: float | None = None,
    passes: Sequence[str] = (),
    new_gasket: bool = False,
    fasteners: FastenerState | None = None,
    friction: float | None = None,
    friction_source: str = "",
    disagree_because: str = "",
) -> WorkOrder:
    """Record that a gate of an order under way is passed. 'As-found' has its own action.

    A joint tightened otherwise than planned is refused, or with `disagree_because` kept for the
    engineer; the gate then stays open. A torque off the plan with which the joint still holds
    passes with that reason. `friction` is of a lubricant that was not planned.
    """
    gate = GateKind(gate)
    if gate is GateKind.AS_FOUND:
        refuse_if(
            Reason(
                "as_found_is_a_record",
                "The as-found gate is passed by the as-found record.",
                "Record what was found before the valve was opened.",
            )
        )
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="taken through a gate",
        states=(OrderState.UNDER_WAY,),
    )
    facts = facts_of(order)
    refuse_if(why_not_pass(gate, facts, rods=rods))
    begun = fact_time(done_at, at=at, not_before=not_before(facts, gate))
    person = who_did_it(order, done_by)
    data: dict[str, Any] = {}
    if rods is not None and gate is GateKind.COVER_RELEASED:
        data = {"rods": rods.value}
    if gate is GateKind.JOINT_CLOSED:
        joint = joint_done(
            order,
            lubricant=lubricant,
            wrench=wrench,
            torque_nm=torque_nm,
            passes=passes,
            new_gasket=new_gasket,
            fasteners=fasteners,
            friction=friction,
            friction_source=friction_source,
            at=begun,
        )
        if joint.differs:
            refuse_if(*(joint.reasons if not disagree_because.strip() else ()))
            return ask_engineer(
                order, joint, disagree_because, words, begun, done_by=person, actor=actor, at=at
            )
        data = joint.stays_because(disagree_because)
        settle_waiting(order, actor=actor, at=at)
    add_gate(order, gate, done_at=begun, words=words, actor=actor, at=at, data=data, done_by=person)
    kept = keep(
        order,
        "gate_passed",
        actor=actor,
        at=at,
        words=f"{order}: {gate}. {words}".strip(),
        data={"gate": gate.value, "done_at": begun.isoformat(), **data},
    )
    if gate is opening_gate(OrderKind(order.kind)):
        note_opening(order, {gate: begun}, closing=False, actor=actor, at=at)
        judge_group_of(order.valve, at)
    return kept
