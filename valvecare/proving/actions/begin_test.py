"""Begin a guided function test: method, instruments, abort limits, line-up."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from valvecare.core.errors import Reason, Refused
from valvecare.core.events import record
from valvecare.proving.actions.run import tell_order
from valvecare.proving.models import TestRun
from valvecare.proving.reads import begin_view
from valvecare.proving.rules import (
    AbortLimit,
    LineUp,
    Vessel,
    not_applicable,
    vessel_share,
    why_no_limits,
    why_not_abort_limits,
    why_not_instruments,
    why_not_line_up,
    why_not_method,
    why_not_vessel,
)
from valvecare.register.models import ProtectionValve
from valvecare.work.actions.measure import usable_gauge, who_did_it
from valvecare.work.actions.order import (
    fact_time,
    keep,
    refuse_if,
    site_day,
    taken_at_the_valve,
)
from valvecare.work.reads import facts_of
from valvecare.work.rules import OrderState, why_not_test
from valvecare.work.rules.test_methods import LEVEL
from valvecare.work.rules.test_steps import Watched


@transaction.atomic
def begin_test(
    order_id: int,
    method: str,
    *,
    version: int,
    actor: Any,
    at: datetime,
    instruments: Sequence[str],
    abort_limits: Mapping[Watched, AbortLimit],
    line_up: LineUp,
    method_words: str = "",
    vessel: Vessel | None = None,
    done_at: datetime | None = None,
    done_by: str = "",
) -> TestRun:
    """Begin a run on an order under way whose gates are passed. One open run per revision.

    A proven order is under way again: the test that begins decides anew. The limits and the
    judgement of the methods are kept as they stand now. Raises `Refused` with every reason,
    `Conflict`, `Forbidden`, `NotFound`.
    """
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="tested",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    facts = facts_of(order)
    begun = fact_time(done_at, at=at, not_before=facts.started_at)
    refuse_if(why_not_test(facts, done_at=begun))
    valve = ProtectionValve.objects.select_related("pump__group__site").get(pk=order.valve_id)
    day = site_day(order, begun)
    view = begin_view(valve, day)
    refuse_if(why_no_limits(view.missing), why_not_vessel(vessel))
    if view.limits is not None and vessel is not None:
        share = vessel_share(vessel, view.limits.required_m3_per_h)
        view = begin_view(valve, day, level_share=share)
    gauges = [
        usable_gauge(order, code, used_at=begun, value=None, unit="")
        for code in dict.fromkeys(instruments)
    ]
    refuse_if(
        why_not_method(method, view.methods, words=method_words, nothing=view.methods_words),
        why_not_abort_limits(abort_limits),
        why_not_line_up(line_up),
    )
    refuse_if(why_not_instruments(method, [gauge.kind for gauge in gauges]))
    run = TestRun(
        order=order,
        revision=order.revision,
        method=method,
        method_words=method_words,
        methods=[asdict(row) for row in view.methods],
        limits=asdict(view.limits) if view.limits else {},
        abort_limits={
            watched.value: asdict(limit) for watched, limit in sorted(abort_limits.items())
        },
        line_up=asdict(line_up),
        instruments=[gauge.code for gauge in gauges],
        vessel=asdict(vessel) if vessel is not None and method == LEVEL else None,
        not_applicable=not_applicable(valve.pump.group.installed, line_up),
        begun_at=begun,
        begun_by=actor,
        done_by=who_did_it(order, done_by),
        recorded_at=at,
    )
    run.clean_fields(exclude=["order", "begun_by", "done_by", "vessel", "not_applicable"])
    try:
        with transaction.atomic():
            run.save(force_insert=True)
    except IntegrityError:
        raise Refused(
            Reason(
                "test_open",
                "A test of this order is open already.",
                "Go on with it, or finish it first.",
            )
        ) from None
    words = f"{order}: function test begun, {method}. {method_words}".strip()
    record("test_run.begun", run, actor=actor, at=at, words=words, site=order.site, valve=valve)
    keep(
        order,
        "test_begun",
        actor=actor,
        at=at,
        words=words,
        data={"run": run.pk},
        state=OrderState.UNDER_WAY.value,
    )
    tell_order(run)
    return run
