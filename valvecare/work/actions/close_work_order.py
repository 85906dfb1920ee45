"""Close an order: the clocks restart and the valve's due dates are right at once."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.signing import FreshCredential
from valvecare.due.actions import restart_clocks
from valvecare.due.rules import TaskKind
from valvecare.parts.actions import fit_spares, settle_reservations
from valvecare.parts.reads import why_not_spares
from valvecare.protection.actions import judge_group_of
from valvecare.work.actions.order import keep, refuse_if, site_day, taken_at_the_valve
from valvecare.work.actions.raise_due import raise_due_at
from valvecare.work.actions.sign import sign
from valvecare.work.actions.tell_protection import note_opening
from valvecare.work.models import WorkOrder
from valvecare.work.reads import facts_of, replaced_parts, spare_lines, used_since_strip_down
from valvecare.work.rules import (
    Meaning,
    OrderFacts,
    OrderKind,
    OrderState,
    Signed,
    acts_of,
    why_not_close,
    why_not_sign,
)


def _done_at(facts: OrderFacts, at: datetime) -> datetime:
    """When the work was done: the last fact at the valve, the test included."""
    moments = [*facts.gates.values()]
    if facts.test is not None:
        moments.append(facts.test.done_at)
    return max(moments, default=at)


@transaction.atomic
def close_work_order(
    order_id: int,
    *,
    version: int,
    actor: Any,
    at: datetime,
    remarks: str = "",
    credential: FreshCredential | None = None,
    meaning: str = Meaning.PERFORMED.value,
) -> WorkOrder:
    """Signed by who closes it.

    proven -> closed; under way -> closed where no proof is needed or a release is signed."""
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="closed",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    facts = facts_of(order)
    refuse_if(why_not_close(facts, closer=actor.pk, today=site_day(order, at)))
    passed = facts.state is OrderState.PROVEN
    done_at = _done_at(facts, at)
    spares = spare_lines(order)
    refuse_if(
        *why_not_spares(
            spares,
            replaced_parts(facts),
            order_id=order.pk,
            site_id=order.site_id,
            job_on=site_day(order, done_at),
        )
    )
    refuse_if(why_not_sign(credential, signer=actor.pk, meaning=meaning, at=at))
    run_hours, starts = used_since_strip_down(order.valve)
    keep(
        order,
        "closed",
        actor=actor,
        at=at,
        words=f"{order} closed, found {order.as_found or 'not graded'}. {remarks}".strip(),
        data={
            "as_found": order.as_found,
            "mode": order.mode,
            "cause": order.cause,
            "proven": passed,
            "provisional_until": facts.release.until.isoformat()
            if facts.release and not passed
            else None,
            "done_at": done_at.isoformat(),
        },
        state=OrderState.CLOSED.value,
        remarks=remarks,
        done_at=done_at,
        run_hours_since=run_hours,
        starts_since=starts,
        closed_by=actor,
        ended_at=at,
    )
    acts = acts_of(OrderKind(order.kind), test_passed=passed)
    for kind in acts:
        restart_clocks(
            order.valve,
            TaskKind(kind.value),
            done_at,
            origin=order.number,
            actor=actor,
            at=at,
        )
    fit_spares(order, spares, fitted_at=done_at, actor=actor, at=at)
    settle_reservations(order, actor=actor, at=at)
    note_opening(order, facts.gates, closing=True, actor=actor, at=at)
    raise_due_at(order.valve, at=at)
    judge_group_of(order.valve, at)
    if credential is not None:
        sign(
            order,
            Signed.CLOSING,
            order.pk,
            credential=credential,
            meaning=meaning,
            actor=actor,
            at=at,
        )
    return order
