"""Condition rules of the invented owner, set by the usual action."""

from valvecare.due.actions import set_condition_rule
from valvecare.models import PumpGroup
from valvecare.project.demo.shape import records
from valvecare.project.demo.world import BUILT_AT, people


def condition_rules() -> None:
    """For every valve, or for one pump group."""
    groups = {row.code: row for row in PumpGroup.objects.all()}
    for row in records("condition_rules"):
        group = groups[row.pop("group")] if "group" in row else None
        set_condition_rule(actor=people(), at=BUILT_AT, group=group, **row)
