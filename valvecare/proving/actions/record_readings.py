"""Add raw readings to a run; each row by itself: created, there already, or refused."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Max

from valvecare.core.errors import Reason, Refused
from valvecare.core.events import record
from valvecare.proving.actions.run import taken_run, tell_order
from valvecare.proving.models import TestReading, TestRun
from valvecare.proving.rules import (
    GAUGE_UNITS,
    SPECS,
    AbortLimit,
    TestQuantity,
    abort_words,
    gauges_for,
    is_at_stop,
    reading_spread,
    watched_by,
    why_not_step,
    why_not_value,
)
from valvecare.work.actions.measure import usable_gauge, who_did_it
from valvecare.work.actions.order import fact_time, refuse_if
from valvecare.work.rules.test_steps import Watched

MOST_ROWS = 1000


@dataclass(frozen=True, slots=True)
class ReadingResult:
    """What became of one row: 'created', 'duplicate' or 'refused' with the reasons."""

    index: int
    status: str
    id: int | None
    crossed: str
    reasons: tuple[Reason, ...] = ()


def _limits(run: TestRun) -> dict[Watched, AbortLimit]:
    return {Watched(name): AbortLimit(**limit) for name, limit in run.abort_limits.items()}


_OTHER_END = {
    TestQuantity.OUTLET_TEMPERATURE: TestQuantity.INLET_TEMPERATURE,
    TestQuantity.INLET_TEMPERATURE: TestQuantity.OUTLET_TEMPERATURE,
}


def _partner(rows: Sequence[Mapping[str, Any]], index: int) -> int | None:
    """The later row of the same sending that is the other temperature read with this one."""
    given = rows[index]
    pair = _OTHER_END.get(TestQuantity(given["quantity"]))
    for later in range(index + 1, len(rows)):
        one = rows[later]
        if one["step"] == given["step"] and one["quantity"] == given["quantity"]:
            return None
        if one["step"] == given["step"] and one["quantity"] == pair:
            return later
    return None


def _crossed(run: TestRun, row: TestReading, *, waits: bool = False) -> str:
    """The abort limit this reading crosses, alone or with the other temperature of its step.

    `waits`: the other temperature comes after it in the same sending and is held against it then.
    """
    quantity, limits = TestQuantity(row.quantity), _limits(run)
    watched = watched_by(quantity)
    if watched is not None:
        return abort_words(watched, row.value, limits)
    pair = _OTHER_END.get(quantity)
    if pair is None or waits:
        return ""
    other = (
        TestReading.objects.filter(
            run=run, step=row.step, quantity=pair.value, replaced_by__isnull=True
        )
        .order_by("read_at", "id")
        .last()
    )
    if other is None:
        return ""
    hot, cold = (row, other) if quantity is TestQuantity.OUTLET_TEMPERATURE else (other, row)
    return abort_words(Watched.RISE, hot.value - cold.value, limits)


def _unsaved(
    run: TestRun,
    given: Mapping[str, Any],
    *,
    key: str,
    actor: Any,
    at: datetime,
    waits: bool,
) -> TestReading:
    quantity, value = TestQuantity(given["quantity"]), float(given["value"])
    step, stop = str(given["step"]), given.get("stop")
    refuse_if(why_not_step(step, run.not_applicable))
    refuse_if(why_not_value(step, quantity, value, stop=stop, method=run.method))
    read_at = fact_time(given.get("read_at"), at=at, not_before=run.begun_at)
    spec, gauge, spread = SPECS[quantity], None, None
    if not spec.is_seen:
        gauge = usable_gauge(
            run.order,
            str(given.get("gauge", "")),
            used_at=read_at,
            value=value,
            unit=GAUGE_UNITS.get(quantity, spec.unit),
            is_difference=spec.is_difference,
        )
        kinds = gauges_for(step, quantity, run.method)
        if gauge.kind not in kinds:
            raise Refused(
                Reason(
                    "gauge_of_other_kind",
                    f"{gauge.code} is a {gauge.kind}; '{quantity}' is not read from one in {step} "
                    f"of this test ({run.method}).",
                    f"Name the {' or '.join(kinds)} it was read from.",
                    {"gauge": gauge.code},
                )
            )
        spread = reading_spread(
            quantity,
            value,
            expanded=gauge.uncertainty,
            expanded_share=gauge.uncertainty_share,
            step=gauge.step,
        )
    row = TestReading(
        run=run,
        key=key,
        step=step,
        quantity=quantity.value,
        stop=stop,
        value=value,
        unit=spec.unit,
        spread=spread,
        gauge=gauge,
        read_at=read_at,
        done_by=who_did_it(run.order, str(given.get("done_by", ""))),
        recorded_by=actor,
        recorded_at=at,
        instead_of=_replaced(run, given, step=step, quantity=quantity, stop=stop),
        because=str(given.get("because", "")),
    )
    row.clean_fields(exclude=["run", "gauge", "done_by", "recorded_by", "instead_of"])
    row.crossed = _crossed(run, row, waits=waits)
    return row


def _replaced(
    run: TestRun, given: Mapping[str, Any], *, step: str, quantity: TestQuantity, stop: int | None
) -> TestReading | None:
    """The wrong reading this one stands for: of the same step, quantity and stop, once."""
    number = given.get("instead_of")
    if number is None:
        return None
    old: TestReading | None = TestReading.objects.filter(
        run=run, pk=number, step=step, quantity=quantity.value, stop=stop, replaced_by__isnull=True
    ).first()
    if old is None or not str(given.get("because", "")).strip():
        raise Refused(
            Reason(
                "cannot_replace",
                f"Reading {number} cannot be replaced by this one.",
                "Name a reading of the same step, quantity and stop that still counts, and say "
                "why it is wrong.",
            )
        )
    return old


@transaction.atomic
def record_readings(
    run_id: int,
    rows: Sequence[Mapping[str, Any]],
    *,
    key: str,
    actor: Any,
    at: datetime,
    all_or_none: bool = False,
    next_stop: bool = False,
) -> list[ReadingResult]:
    """Add `{"step", "quantity", "value", "stop", "gauge", "read_at", "done_by", "key",
    "instead_of", "because"}`; a row without `key` gets one from `key` and its place.

    A row whose key is there already is a 'duplicate' and adds nothing. A refused row refuses
    itself only, or with `all_or_none` all of them. With `next_stop` the flows that name no stop
    together make the next one of their step. Raises `NotFound`, `Forbidden`, `Refused` for
    the run as a whole.
    """
    run = taken_run(run_id, actor=actor)
    if not 0 < len(rows) <= MOST_ROWS:
        raise Refused(
            Reason("rows_odd", f"{len(rows)} readings.", f"Give 1 to {MOST_ROWS} at a time.")
        )
    known = dict(TestReading.objects.filter(run=run).values_list("key", "pk"))
    if next_stop:
        rows = [{**row, "stop": _next_stop(run, row)} for row in rows]
    results: list[ReadingResult] = []
    made: list[TestReading] = []
    waiting: list[tuple[TestReading, int, int]] = []
    for index, given in enumerate(rows):
        own = str(given.get("key") or f"{key}-{index}")
        if own in known:
            results.append(ReadingResult(index, "duplicate", known[own], ""))
            continue
        try:
            with transaction.atomic():
                awaited = {other for _, _, other in waiting}
                partner = None if index in awaited else _partner(rows, index)
                row = _unsaved(run, given, key=own, actor=actor, at=at, waits=partner is not None)
                row.save(force_insert=True)
        except Refused as refused:
            results.append(ReadingResult(index, "refused", None, "", tuple(refused.reasons)))
            continue
        known[own] = row.pk
        made.append(row)
        if partner is not None:
            waiting.append((row, index, partner))
        results.append(ReadingResult(index, "created", row.pk, row.crossed))
    for row, index, partner in waiting:
        if results[partner].status != "created":  # it did not come: held against the one before
            row.crossed = _crossed(run, row)
            row.save(update_fields=["crossed"])
            results[index] = ReadingResult(index, "created", row.pk, row.crossed)
    refused_rows = [reason for result in results for reason in result.reasons]
    if all_or_none and refused_rows:
        raise Refused(*refused_rows)
    if made:
        _tell(run, made, actor=actor, at=at)
        tell_order(run)
    return results


def _next_stop(run: TestRun, given: Mapping[str, Any]) -> int | None:
    """The stop as given, or the next one of the step where its flows have stops."""
    stop: int | None = given.get("stop")
    if stop is not None or not is_at_stop(str(given["step"]), TestQuantity(given["quantity"])):
        return stop
    last = TestReading.objects.filter(run=run, step=given["step"]).aggregate(last=Max("stop"))
    return (last["last"] or 0) + 1


def _tell(run: TestRun, made: Sequence[TestReading], *, actor: Any, at: datetime) -> None:
    who: dict[str, Any] = {
        "actor": actor,
        "at": at,
        "site": run.order.site,
        "valve": run.order.valve,
    }
    listed = ", ".join(
        f"{row.step} {row.quantity} {row.value:g} {row.unit}".strip() for row in made
    )
    record(
        "test_run.read",
        run,
        words=f"{run.order}: {len(made)} readings. {listed}",
        data={"readings": [row.pk for row in made]},
        **who,
    )
    for row in made:
        if row.crossed:
            record(
                "test_run.abort_limit_crossed",
                run,
                words=f"{run.order}, {row.step}: {row.crossed}",
                data={"reading": row.pk, "step": row.step, "crossed": row.crossed},
                **who,
            )
