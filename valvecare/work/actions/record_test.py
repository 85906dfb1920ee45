"""Prove the function, or show that it fails."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.protection.actions import add_function_test, judge_group_of
from valvecare.protection.rules import METHODS_WITH_PUMP, GuidedProof, ProofMethod, ProofResult
from valvecare.work.actions.measure import who_did_it
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.actions.tell_test_steps import forget_test_steps
from valvecare.work.models import OrderTest, WorkOrder
from valvecare.work.reads import facts_of, latest_test
from valvecare.work.rules import OrderState, why_not_test


@transaction.atomic
def record_test(
    order_id: int,
    method: ProofMethod,
    *,
    version: int,
    actor: Any,
    at: datetime,
    result: ProofResult | None = None,
    bypass_flow_m3_per_h: float | None = None,
    uncertainty_share: float | None = None,
    required_m3_per_h: float | None = None,
    restriction: str = "",
    words: str = "",
    done_at: datetime | None = None,
    done_by: str = "",
    guided: GuidedProof | None = None,
) -> WorkOrder:
    """Add a function test. Passed with the pump: the order is proven; otherwise it is not.

    A bench test never proves the chain of pump, valve, return line and vessel.
    """
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="tested",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    method = ProofMethod(method)
    facts = facts_of(order)
    tested = fact_time(done_at, at=at, not_before=facts.started_at)
    refuse_if(why_not_test(facts, done_at=tested))
    test = add_function_test(
        order.valve,
        method,
        done_at=tested,
        actor=actor,
        at=at,
        result=result,
        bypass_flow_m3_per_h=bypass_flow_m3_per_h,
        uncertainty_share=uncertainty_share,
        required_m3_per_h=required_m3_per_h,
        restriction=restriction,
        words=words,
        guided=guided,
    )
    person = who_did_it(order, done_by)
    OrderTest.objects.create(order=order, revision=order.revision, test=test, done_by=person)
    if guided is None:
        forget_test_steps(order)
    latest = latest_test(order)
    proven = (
        latest is not None
        and latest.result == ProofResult.PASS
        and latest.method in METHODS_WITH_PUMP
    )
    state = OrderState.PROVEN if proven else OrderState.UNDER_WAY
    kept = keep(
        order,
        "tested",
        actor=actor,
        at=at,
        words=f"{order}: function test {method}: {test.result}. {words}".strip(),
        data={
            "test": test.pk,
            "method": method.value,
            "result": test.result,
            "bypass_flow_m3_per_h": bypass_flow_m3_per_h,
            "uncertainty_share": uncertainty_share,
            "required_m3_per_h": required_m3_per_h,
            "done_at": tested.isoformat(),
            "done_by": (person or actor).get_username(),
        },
        state=state.value,
    )
    judge_group_of(order.valve, at)
    return kept
