"""Open a closed order again as a new revision; the closed one stays readable."""

from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from valvecare.core.errors import Reason, Refused
from valvecare.protection.actions import judge_group_of
from valvecare.work.actions.order import keep, refuse_if, taken
from valvecare.work.actions.use_procedure import version_for
from valvecare.work.models import (
    ClosedRevision,
    Finding,
    Gate,
    Measurement,
    OrderTest,
    PartUsed,
    StepRecord,
    TestedStep,
    WorkOrder,
)
from valvecare.work.reads import latest_test, order_content, tests_of
from valvecare.work.rules import OrderState, why_not_in_state, why_not_words

_CLOSING_FACTS = (
    "as_found",
    "as_found_words",
    "mode",
    "mechanism",
    "cause",
    "detection",
    "run_hours_since",
    "starts_since",
    "remarks",
)


def _record_of(order: WorkOrder) -> dict[str, Any]:
    kept = {name: getattr(order, name) for name in _CLOSING_FACTS}
    test = latest_test(order)
    return {
        **kept,
        "order": order_content(order.pk),
        "tests": tests_of(order.pk, order.revision),
        "closed_at": order.ended_at.isoformat() if order.ended_at else None,
        "done_at": order.done_at.isoformat() if order.done_at else None,
        "closed_by": order.closed_by.get_username() if order.closed_by else None,
        "test": test.pk if test else None,
        "test_result": test.result if test else None,
        "release": [
            {
                "until": row.until.isoformat(),
                "restriction": row.restriction,
                "words": row.words,
                "signed_by": row.signed_by.get_username(),
                "signed_at": row.signed_at.isoformat(),
            }
            for row in order.releases.filter(revision=order.revision).select_related("signed_by")
        ],
    }


@transaction.atomic
def reopen(
    order_id: int,
    why: str,
    *,
    work_again: bool,
    version: int,
    actor: Any,
    at: datetime,
) -> WorkOrder:
    """closed -> under way in a new revision. Signatures of the closed revision do not carry over.

    `work_again` False: only the record is amended, so the gates, findings, parts and tests are
    carried into the new revision. True: the valve is opened again and everything is done anew.
    """
    order = taken(order_id, version=version, actor=actor, permit="reopen_work_order")
    refuse_if(
        why_not_in_state(OrderState(order.state), (OrderState.CLOSED,), "reopened"),
        why_not_words(why, code="no_why", what="The reason for reopening"),
    )
    test = latest_test(order)
    ClosedRevision.objects.create(
        order=order,
        revision=order.revision,
        record=_record_of(order),
        reopened_at=at,
        reopened_by=actor,
        why=why,
    )
    revision = order.revision + 1
    proven = not work_again and test is not None and test.result == "pass" and test.with_pump
    changes: dict[str, Any] = {"revision": revision, "ended_at": None, "closed_by": None}
    if work_again:
        changes |= {name: None if name.endswith("since") else "" for name in _CLOSING_FACTS}
        changes |= {"started_at": at, "done_at": None, "procedure": version_for(order)}
    else:
        _carry_over(order, revision)
    try:
        with transaction.atomic():
            kept = keep(
                order,
                "reopened",
                actor=actor,
                at=at,
                words=f"{order} reopened as revision {revision}. {why}",
                data={"why": why, "revision": revision, "work_again": work_again},
                state=(OrderState.PROVEN if proven else OrderState.UNDER_WAY).value,
                **changes,
            )
    except IntegrityError:
        raise Refused(
            Reason(
                "open_order_exists",
                f"Another order of the kind {order.kind} is open for {order.valve}.",
                "End or use that order.",
            )
        ) from None
    judge_group_of(order.valve, at)
    return kept


def _carry_over(order: WorkOrder, revision: int) -> None:
    values = list(Measurement._default_manager.filter(order=order, revision=order.revision))
    new_ids: dict[int, int] = {}
    for model in (Gate, Finding, PartUsed, StepRecord):
        rows = list(model._default_manager.filter(order=order, revision=order.revision))
        old_ids = [row.pk for row in rows]
        for row in rows:
            row.pk, row.revision = None, revision
        made = model._default_manager.bulk_create(rows)
        if model is Finding:
            new_ids = dict(zip(old_ids, (row.pk for row in made), strict=True))
    for value in values:
        value.pk, value.revision = None, revision
        value.finding_id = new_ids[value.finding_id]
    Measurement._default_manager.bulk_create(values)
    now = {"order": order, "revision": order.revision}
    if OrderTest.objects.filter(**now).update(revision=revision):
        TestedStep.objects.filter(**now).update(revision=revision)
