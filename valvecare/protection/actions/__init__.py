"""Use cases of protection: judge valves, note what was seen inside."""

from valvecare.protection.actions.judge import judge_all, judge_valves, mark_stale
from valvecare.protection.actions.note import note_inspection

__all__ = ["judge_all", "judge_valves", "mark_stale", "note_inspection"]
