"""Prove the function, or show that it fails. Numbers decide where there are numbers."""

from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.due.actions import restart_clocks
from valvecare.due.rules import TaskKind
from valvecare.protection.actions.judge import judge_group_of
from valvecare.protection.models import FunctionTest
from valvecare.protection.rules import (
    METHODS_WITH_FLOW,
    METHODS_WITH_PUMP,
    GuidedProof,
    ProofMethod,
    ProofResult,
    judge_bypass_flow,
    why_not_proof_numbers,
    why_not_result,
    why_not_test_time,
    worst_result,
)
from valvecare.register.models import ProtectionValve


def add_function_test(
    valve: Any,
    method: ProofMethod,
    *,
    done_at: datetime,
    actor: Any,
    at: datetime,
    result: ProofResult | None = None,
    bypass_flow_m3_per_h: float | None = None,
    uncertainty_share: float | None = None,
    required_m3_per_h: float | None = None,
    restriction: str = "",
    words: str = "",
    guided: GuidedProof | None = None,
) -> FunctionTest:
    """Check and store one test; part of a larger action that judges the valve afterwards.

    Of a guided test the worse of steps and flow is the result. Raises `Refused` when numbers,
    method and stated result do not fit together.
    """
    method = ProofMethod(method)
    reasons = [
        why_not_proof_numbers(
            measures_flow=method in METHODS_WITH_FLOW,
            flow=bypass_flow_m3_per_h,
            uncertainty_share=uncertainty_share,
            required=required_m3_per_h,
            register_minimum=valve.pump.stable_min_flow_m3_per_h,
        )
    ]
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
    if guided is not None:
        judged = worst_result(judged, guided.result)
    reasons.append(why_not_result(result, judged))
    refused = [reason for reason in reasons if reason is not None]
    if refused:
        raise Refused(*refused)
    test = FunctionTest(
        valve=valve,
        done_at=done_at,
        method=method.value,
        bypass_flow_m3_per_h=bypass_flow_m3_per_h,
        uncertainty_share=uncertainty_share,
        required_m3_per_h=required_m3_per_h,
        result=str(judged or result),
        restriction=restriction,
        words=words,
        rule_version=guided.rule_version if guided else "",
        evidence=dict(guided.evidence) if guided else {},
        recorded_by=actor,
        recorded_at=at,
    )
    test.full_clean(exclude=["valve", "recorded_by"])
    test.save(force_insert=True)
    return test


@transaction.atomic
def record_function_test(
    valve_id: int, method: ProofMethod, *, actor: Any, at: datetime, done_at: datetime, **facts: Any
) -> FunctionTest:
    """A test outside any work order, for example the weekly no-flow run of a standby pump.

    A pass with the pump restarts the function test's clock. Raises `NotFound`, `Forbidden`,
    `Refused`. `facts` as in `add_function_test`.
    """
    valve = (
        ProtectionValve.objects.for_user(actor)
        .select_related("pump__group__site")
        .filter(pk=valve_id)
        .first()
    )
    if valve is None:
        raise NotFound("There is no such protection valve for you.")
    require(actor, "record_test", site_id=valve.site_of().pk)
    late: Reason | None = why_not_test_time(done_at, at=at, status=valve.status)
    if late is not None:
        raise Refused(late)
    test = add_function_test(valve, method, done_at=done_at, actor=actor, at=at, **facts)
    record(
        "function_test.recorded",
        test,
        actor=actor,
        at=at,
        words=f"{valve}: function test, {test.method}: {test.result}. {test.words}".strip(),
        data={
            "method": test.method,
            "result": test.result,
            "bypass_flow_m3_per_h": test.bypass_flow_m3_per_h,
            "uncertainty_share": test.uncertainty_share,
            "required_m3_per_h": test.required_m3_per_h,
            "done_at": done_at.isoformat(),
        },
    )
    if test.result == ProofResult.PASS and test.method in METHODS_WITH_PUMP:
        restart_clocks(
            valve,
            TaskKind.FUNCTION_TEST,
            done_at,
            origin=f"function test {test.pk}",
            actor=actor,
            at=at,
        )
    judge_group_of(valve, at)
    return test
