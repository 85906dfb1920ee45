"""Build the whole demo world once: register, policies, history, readings, sweep."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from datetime import time as clock_time
from typing import Any

from django.utils import timezone

from valvecare.core.jobs import run_job
from valvecare.models import DueItem, Verdict
from valvecare.project.demo import conditions, feed, in_hand, stock, story, world
from valvecare.project.demo.shape import DEMO_DAY
from valvecare.work.actions.load_procedures import load_default_set

DEMO_NOW = datetime.combine(DEMO_DAY, clock_time(12), tzinfo=UTC)


def build(say: Callable[[str], None]) -> None:
    """Enter, push, sweep. `say` is told each step."""
    started = time.perf_counter()
    world.register()
    load_default_set(at=world.BUILT_AT)
    story.policies()
    story.test_policy()
    conditions.condition_rules()
    story.plan(DEMO_NOW)
    stock.fill()
    say("Register, policies and plan of three invented sites entered.")
    feed.make_series()
    tally = feed.push_everything(feed.Plant(timezone.now()))
    counts = ", ".join(f"{count:,} {word}" for word, count in sorted(tally.counts.items()))
    say(f"{tally.rows:,} readings pushed over HTTP: {counts}.")
    for line in tally.refused:
        say(f"  {line}")
    story.history(DEMO_NOW)
    say("31 past jobs entered.")
    slot = f"demo-{timezone.now().isoformat()}"
    check = run_job("readings.check", now=timezone.now, at=DEMO_NOW, slot=slot)
    say(f"Readings checked for sense: {check.counts if check else 'nothing'}.")
    run = run_job("sweep", now=timezone.now, at=DEMO_NOW, slot=slot)
    stock.trap(DEMO_NOW)
    in_hand.orders(DEMO_NOW)
    say(f"Swept: {run.counts if run else 'nothing'}. {time.perf_counter() - started:.1f} s in all.")


def due_lines() -> list[dict[str, Any]]:
    """One line per valve: the strip-down that governs it, worst first; 'no record' leads."""
    verdicts = {row.valve_id: row for row in Verdict.objects.filter(is_current=True)}
    tests = {row.valve_id: row for row in DueItem.objects.filter(kind="function test")}
    lines = []
    items = DueItem.objects.filter(kind="strip-down").select_related("valve", "site", "group")
    for item in sorted(items, key=lambda row: (row.share_used is not None, -(row.share_used or 0))):
        test, verdict = tests.get(item.valve_id), verdicts.get(item.valve_id)
        lines.append(
            {
                "valve": item.valve.tag,
                "site": item.site.code,
                "group": item.group.code,
                "kind": item.kind,
                "due_on": item.due_on.isoformat() if item.due_on else None,
                "share_used": item.share_used,
                "governed_by": item.governed_by or item.state,
                "reason": item.reason,
                "verdict": verdict.word if verdict else None,
                "verdict_reason": verdict.reason if verdict else None,
                "restriction": verdict.restriction if verdict else None,
                "function_test_due_on": test.due_on.isoformat() if test and test.due_on else None,
                "function_test_state": test.state if test else None,
            }
        )
    return lines
