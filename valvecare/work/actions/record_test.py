"""Prove the function, or show that it fails."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.protection.models import FunctionTest
from valvecare.protection.rules import (
    METHODS_WITH_FLOW,
    METHODS_WITH_PUMP,
    ProofMethod,
    ProofResult,
    judge_bypass_flow,
)
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.models import OrderTest, WorkOrder
from valvecare.work.reads import facts_of, latest_test
from valvecare.work.rules import (
    OrderState,
    why_not_proof_numbers,
    why_not_result,
    why_not_test,
)


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
    pump = order.valve.pump
    refuse_if(
        why_not_test(facts, done_at=tested),
        why_not_proof_numbers(
            measures_flow=method in METHODS_WITH_FLOW,
            flow=bypass_flow_m3_per_h,
            uncertainty_share=uncertainty_share,
            required=required_m3_per_h,
            register_minimum=pump.stable_min_flow_m3_per_h,
        ),
    )
    judged = None
    if (
        bypass_flow_m3_per_h is not None
        and uncertainty_share is not None
        and required_m3_per_h is not None
    ):
        judged = judge_bypass_flow(
            bypass_flow_m3_per_h,
            uncertainty_share=uncertainty_share,
            required_m3_per_h=required_m3_per_h,
        )
    refuse_if(why_not_result(result, judged))
    verdict = judged or result
    test = FunctionTest(
        valve=order.valve,
        done_at=tested,
        method=method.value,
        bypass_flow_m3_per_h=bypass_flow_m3_per_h,
        uncertainty_share=uncertainty_share,
        required_m3_per_h=required_m3_per_h,
        result=str(verdict),
        restriction=restriction,
        words=words,
        recorded_by=actor,
        recorded_at=at,
    )
    test.full_clean(exclude=["valve", "recorded_by"])
    test.save(force_insert=True)
    OrderTest.objects.create(order=order, revision=order.revision, test=test)
    latest = latest_test(order)
    proven = (
        latest is not None
        and latest.result == ProofResult.PASS
        and latest.method in METHODS_WITH_PUMP
    )
    state = OrderState.PROVEN if proven else OrderState.UNDER_WAY
    return keep(
        order,
        "tested",
        actor=actor,
        at=at,
        words=f"{order}: function test {method}: {verdict}. {words}".strip(),
        data={
            "test": test.pk,
            "method": method.value,
            "result": str(verdict),
            "bypass_flow_m3_per_h": bypass_flow_m3_per_h,
            "uncertainty_share": uncertainty_share,
            "required_m3_per_h": required_m3_per_h,
            "done_at": tested.isoformat(),
        },
        state=state.value,
    )
