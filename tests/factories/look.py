"""Decided due tasks and evidence as rows, for pages that only show them. Invented."""

from datetime import UTC, date, datetime
from typing import Any

from django.utils import timezone

from tests.factories.register import valve_at
from valvecare.models import DueItem, FunctionTest, ProtectionValve, Verdict

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def task(
    valve: ProtectionValve,
    state: str,
    share: float | None = None,
    *,
    kind: str = "strip-down",
    governed_by: str = "calendar",
    due_on: date | None = None,
) -> DueItem:
    """A due item as the sweep would store it."""
    pump = valve.pump
    known = state != "no record"
    return DueItem.objects.create(
        valve=valve,
        kind=kind,
        site=pump.group.site,
        group=pump.group,
        pump=pump,
        design=valve.design,
        state=state,
        share_used=share if known else None,
        governed_by=governed_by if known else "",
        due_on=due_on,
        likely_on=due_on,
        earliest_on=due_on,
        latest_on=due_on,
        reason=f"Said by hand: {state}.",
        as_of=NOON,
        changed_at=NOON,
    )


def fleet(site: Any, shares: list[tuple[str, float | None]], **given: Any) -> list[DueItem]:
    """One valve with one task for each (state, share), each valve in a group of its own."""
    return [task(valve_at(site), state, share, **given) for state, share in shares]


def proof(valve: ProtectionValve, flow: float | None, result: str, **given: Any) -> FunctionTest:
    facts = {
        "done_at": NOON,
        "method": "clamp-on meter",
        "bypass_flow_m3_per_h": flow,
        "uncertainty_share": 0.05,
        "required_m3_per_h": 27.0,
        "recorded_at": NOON,
    }
    return FunctionTest.objects.create(valve=valve, result=result, **{**facts, **given})


def verdict(valve: ProtectionValve, word: str, **given: Any) -> Verdict:
    """The current answer for a valve, as the judge would store it."""
    facts = {
        "judged_at": NOON,
        "confirmed_at": timezone.now(),
        "seen_event": 2**60,
        "updated_at": NOON,
        "code": "said_by_hand",
        "reason": f"Said by hand: {word}.",
        "evidence": "invented",
        "grade": "measured with the pump",
        "rule_version": "test",
    }
    return Verdict.objects.create(valve=valve, word=word, **{**facts, **given})
