"""Make a bypass that passes when shut a task, where a condition rule asks for it.

Passing is a cost, not a loss of protection: the verdict says it in words, and this is the way it
comes into the work. Protection judges the line, `due` keeps the finding and the date.
"""

from collections import Counter
from collections.abc import Callable, Collection
from datetime import datetime

from django.db import transaction

from valvecare.due.actions import hold_line_rule, note_whole_look, renew_valves, say_of_lines
from valvecare.due.reads.conditions import line_rules
from valvecare.protection.reads.facts import policy_on
from valvecare.protection.reads.line_runs import line_runs
from valvecare.register.models import ProtectionValve


def judge_lines(
    at: datetime, beat: Callable[[], None], *, valve_ids: Collection[int] | None = None
) -> set[int]:
    """Judge the lines of these valves, or once a day (UTC) and after a change those of every rule.

    Returns the valves whose due items were brought up to date. Twice at once is as once: each
    batch holds the row of its rule from the readings to the finding.
    """
    if valve_ids is not None and not valve_ids:
        return set()
    pumps: set[int] = set()
    if valve_ids is not None:
        rows = ProtectionValve.objects.in_service().filter(pk__in=list(valve_ids))
        pumps = set(rows.values_list("pump_id", flat=True))
        if not pumps:
            return set()
    changed: set[int] = set()
    for pk, version, judged_on in line_rules():
        if valve_ids is None and judged_on == at.date():
            continue
        found, counts, is_done = _by_rule(pk, version, pumps, at, beat)
        changed |= found
        if valve_ids is None and is_done:
            note_whole_look(pk, version, counts, at=at)
    if changed:
        renew_valves(sorted(changed), at=at, beat=beat)
    return changed


def _by_rule(
    pk: int, version: int, pumps: Collection[int], at: datetime, beat: Callable[[], None]
) -> tuple[set[int], Counter[str], bool]:
    changed: set[int] = set()
    counts: Counter[str] = Counter()
    low = 0
    while True:
        with transaction.atomic():
            held = hold_line_rule(pk, version, low=low, pumps=pumps)
            if held is None:
                return changed, counts, False
            rule, targets = held
            if not targets:
                return changed, counts, True
            runs = line_runs(rule, targets, policy_on(at.date()), at)
            found, said = say_of_lines(rule, targets, runs, at=at)
            changed |= found
            counts += said
            low = targets[-1].valve
        beat()
