"""State what protection found about lines behind shut bypasses: it judges, these are the findings.

The cooling curve needs pump, liquid and verdict policy, which `due` does not know. The caller holds
the rule by `hold_line_rule`, judges the lines it was given, and says so in the same transaction.
"""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from valvecare.due.actions.conditions import BATCH, held_rules
from valvecare.due.actions.findings import Told, open_findings, store
from valvecare.due.models import ConditionRule
from valvecare.due.reads.conditions import Target, targets_of
from valvecare.due.reads.screen import site_zones
from valvecare.due.rules import ConditionBasis
from valvecare.due.rules.condition import LineRun, passing_says
from valvecare.engineering.calendars import local_date


def hold_line_rule(
    pk: int, version: int, *, low: int = 0, pumps: Collection[int] = ()
) -> tuple[ConditionRule, list[Target]] | None:
    """The rule held until commit and its next valves after `low`; None when it changed or ended.

    pumps: only valves on these; empty: all. At most `BATCH` valves, none when all were given.
    """
    rule = held_rules(
        ConditionRule.objects.live().filter(
            pk=pk, version=version, basis=ConditionBasis.PASSING.value
        )
    ).first()
    return (rule, targets_of(rule, low=low, most=BATCH, pumps=pumps)) if rule else None


def say_of_lines(
    rule: ConditionRule, targets: Sequence[Target], runs: Mapping[int, LineRun], *, at: datetime
) -> tuple[set[int], Counter[str]]:
    """Open, renew and close the findings of these valves by what their lines show.

    runs: by valve; a valve without one has too few readings. Returns the valves whose findings
    changed, and how often each answer was given.
    """
    held = open_findings(rule, [one.valve for one in targets])
    zones = site_zones()
    todays = {site: local_date(at, zones[site]) for site in {one.site for one in targets}}
    said = [
        (
            one,
            passing_says(
                runs.get(one.valve, LineRun()),
                is_open=one.valve in held,
                found_on=todays[one.site],
            ),
        )
        for one in targets
    ]
    changed = store(Told(rule, said, held), at=at, todays=todays)
    return changed, Counter(says.code for _, says in said)


def note_whole_look(pk: int, version: int, counts: Mapping[str, int], *, at: datetime) -> None:
    """The rule was held against every valve of it today (UTC); not again before tomorrow."""
    ConditionRule.objects.filter(pk=pk, version=version).update(
        judged_on=at.date(), judged_counts=dict(sorted(counts.items()))
    )
