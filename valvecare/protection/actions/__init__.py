"""Use cases of protection: judge valves, record tests, note what was seen inside."""

from valvecare.protection.actions.judge import (
    Judged,
    judge_all,
    judge_group_of,
    judge_touched,
    judge_valves,
)
from valvecare.protection.actions.judge_lines import judge_lines
from valvecare.protection.actions.note import note_inspection, note_release
from valvecare.protection.actions.policies import keep_policy_row
from valvecare.protection.actions.record_function_test import (
    add_function_test,
    record_function_test,
)

__all__ = [
    "Judged",
    "add_function_test",
    "judge_all",
    "judge_group_of",
    "judge_lines",
    "judge_touched",
    "judge_valves",
    "keep_policy_row",
    "note_inspection",
    "note_release",
    "record_function_test",
]
