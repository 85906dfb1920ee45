"""Enter a job done before this system, as a closed order with its findings and test."""

from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction

from valvecare.core.errors import NotFound, Reason
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.due.actions import restart_clocks
from valvecare.due.rules import TaskKind
from valvecare.protection.actions import judge_group_of, note_inspection
from valvecare.protection.models import FunctionTest
from valvecare.protection.rules import (
    ProofMethod,
    ProofResult,
    judge_bypass_flow,
    why_not_result,
)
from valvecare.register.models import ProtectionValve
from valvecare.work.actions.order import refuse_if
from valvecare.work.actions.raise_due import raise_due_at
from valvecare.work.models import Finding, OrderTest, WorkOrder
from valvecare.work.rules import (
    OPENS_THE_VALVE,
    OrderKind,
    OrderState,
    PastJob,
    RaisedBy,
    acts_of,
)


@transaction.atomic
def record_past_job(valve_id: int, job: PastJob, *, actor: Any, at: datetime) -> WorkOrder:
    """Store the job and restart the clocks it restarts. The same job twice is one record.

    The time of day is not known: noon at the site stands for the day.
    """
    valve = (
        ProtectionValve.objects.for_user(actor)
        .select_related("pump__group__site")
        .filter(pk=valve_id)
        .first()
    )
    if valve is None:
        raise NotFound("There is no such protection valve for you.")
    site = valve.site_of()
    require(actor, "change_register", site_id=site.pk)
    done_at = datetime.combine(job.done_on, time(12), tzinfo=ZoneInfo(site.time_zone))
    if done_at > at:
        refuse_if(
            Reason(
                "in_the_future",
                f"{job.done_on.isoformat()} has not passed yet.",
                "A past job lies in the past; raise an order for work to come.",
            )
        )
    order = WorkOrder(
        site=site,
        valve=valve,
        kind=job.kind.value,
        state=OrderState.CLOSED.value,
        why="Entered from older records.",
        raised_by=RaisedBy.PERSON.value,
        raised_by_user=actor,
        raised_at=at,
        due_on=job.done_on,
        started_at=done_at,
        as_found=job.as_found.value if job.as_found else "",
        mode=job.mode,
        run_hours_since=job.run_hours_since,
        starts_since=job.starts_since,
        remarks=job.remarks,
        done_at=done_at,
        closed_by=actor,
        ended_at=done_at,
        is_imported=True,
        updated_at=at,
    )
    order.clean_fields(exclude=["site", "valve", "raised_by_user", "assigned_to", "closed_by"])
    try:
        with transaction.atomic():
            order.save(force_insert=True)
    except IntegrityError:
        return WorkOrder.objects.get(
            valve=valve, kind=job.kind.value, done_at=done_at, is_imported=True
        )
    _add_facts(order, job, done_at=done_at, actor=actor, at=at)
    record(
        "work_order.past_job_recorded",
        order,
        actor=actor,
        at=at,
        words=f"{order}: {job.kind} of {job.done_on.isoformat()} entered from older records.",
    )
    for kind in acts_of(OrderKind(job.kind), test_passed=job.passed is True):
        restart_clocks(
            valve, TaskKind(kind.value), done_at, origin=order.number, actor=actor, at=at
        )
    if job.kind in OPENS_THE_VALVE and job.as_found is not None:
        note_inspection(
            valve,
            kind=job.kind.value,
            done_at=done_at,
            as_found=job.as_found.value,
            mode=job.mode,
            words=job.finding.found if job.finding is not None else job.remarks,
            crew=job.crew,
            seal_lot=job.seal_lot,
            origin=order.number,
            actor=actor,
            at=at,
        )
    raise_due_at(valve, at=at)
    judge_group_of(valve, at)
    return order


def _add_facts(
    order: WorkOrder, job: PastJob, *, done_at: datetime, actor: Any, at: datetime
) -> None:
    if job.finding is not None:
        found = job.finding
        row = Finding(
            order=order,
            revision=order.revision,
            part=found.part.value,
            found=found.found,
            value=found.value,
            unit=found.unit,
            decision=found.decision.value if found.decision else "",
            not_checked_because=found.not_checked_because,
            at=done_at,
            recorded_at=at,
        )
        row.clean_fields(exclude=["order", "by"])
        row.save(force_insert=True)
    if job.passed is None:
        return
    stated = ProofResult.PASS if job.passed else ProofResult.FAIL
    numbers: dict[str, Any] = {}
    if job.flow is not None:
        numbers = {
            "bypass_flow_m3_per_h": job.flow.bypass_flow_m3_per_h,
            "uncertainty_share": job.flow.uncertainty_share,
            "required_m3_per_h": job.flow.required_m3_per_h,
        }
        judged = judge_bypass_flow(
            job.flow.bypass_flow_m3_per_h,
            uncertainty_share=job.flow.uncertainty_share,
            required_m3_per_h=job.flow.required_m3_per_h,
        )
        refuse_if(why_not_result(stated, judged))
    test = FunctionTest(
        valve=order.valve,
        done_at=done_at,
        method=ProofMethod.NOT_RECORDED.value,
        result=stated.value,
        restriction=job.restriction,
        words=f"{stated} {job.test_words}".strip(),
        recorded_by=actor,
        recorded_at=at,
        **numbers,
    )
    test.full_clean(exclude=["valve", "recorded_by"])
    test.save(force_insert=True)
    OrderTest.objects.create(order=order, revision=order.revision, test=test)
