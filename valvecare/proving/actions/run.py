"""A run taken for writing: sight, permit, still open, one writer at a time."""

from typing import Any

from django.db.models import F

from valvecare.core.errors import NotFound
from valvecare.proving.models import TestRun
from valvecare.proving.rules import why_not_read
from valvecare.work.actions.order import refuse_if, require_worker
from valvecare.work.rules import OrderState, why_not_in_state


def taken_run(run_id: int, *, actor: Any) -> TestRun:
    """The run, its row held until commit. Readings only add, so no version is asked for.

    Raises `NotFound`, `Forbidden`, and `Refused` when the run or the order has ended.
    """
    if not TestRun.objects.for_user(actor).filter(pk=run_id).exists():
        raise NotFound("There is no such test for you.")
    TestRun.objects.filter(pk=run_id).update(version=F("version") + 1)
    run: TestRun = TestRun.objects.select_related("order__site", "order__valve__pump").get(
        pk=run_id
    )
    require_worker(run.order, actor)
    refuse_if(
        why_not_read(is_open=run.is_open, is_of_this_revision=run.is_of_this_revision),
        why_not_in_state(
            OrderState(run.order.state), (OrderState.UNDER_WAY, OrderState.PROVEN), "tested"
        ),
    )
    return run
