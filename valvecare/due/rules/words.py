"""Closed word lists of due dates. The word is stored and shown."""

from enum import StrEnum


class TaskKind(StrEnum):
    STRIP_DOWN = "strip-down"
    FUNCTION_TEST = "function test"
    BYPASS_ONLY_INSPECTION = "bypass-only inspection"
    LOOK_AND_LISTEN = "look and listen"
    EXCHANGE = "exchange"
    RECEIVING_CHECK = "receiving check"
    SISTER_INSPECTION = "sister inspection"


class Trigger(StrEnum):
    """What can make a task due."""

    CALENDAR = "calendar"
    RUN_HOURS = "run-hours"
    STARTS = "starts"
    CONDITION = "condition"


TRIGGERS: tuple[Trigger, ...] = (Trigger.CALENDAR, Trigger.RUN_HOURS, Trigger.STARTS)
"""The limits a policy sets. Columns of every array stand in this order."""


class ConditionBasis(StrEnum):
    """What a condition rule looks at."""

    LIMIT = "limit"
    TREND = "trend to limit"
    EVENT = "event"
    PASSING = "passing when shut"


class DueState(StrEnum):
    """In the order in which a list shows them."""

    NO_RECORD = "no record"
    OVERDUE = "overdue"
    COMING_UP = "coming up"
    NOT_YET = "not yet"


class TriggerNote(StrEnum):
    """What must be said beside one trigger of an item. Codes are stable."""

    NOT_USED = "not_used"  # the policy sets no such limit
    KNOWN = "known"
    NO_ACT = "no_act"  # nothing recorded that would have started the clock
    NO_METER = "no_meter"  # the pump has no such counter
    NO_READING = "no_reading"  # a counter, but no reading of it yet


RESTARTS: dict[TaskKind, frozenset[TaskKind]] = {
    TaskKind.STRIP_DOWN: frozenset({TaskKind.STRIP_DOWN, TaskKind.BYPASS_ONLY_INSPECTION}),
    TaskKind.EXCHANGE: frozenset(
        {TaskKind.STRIP_DOWN, TaskKind.BYPASS_ONLY_INSPECTION, TaskKind.EXCHANGE}
    ),
    TaskKind.SISTER_INSPECTION: frozenset(
        {TaskKind.STRIP_DOWN, TaskKind.BYPASS_ONLY_INSPECTION, TaskKind.SISTER_INSPECTION}
    ),
    TaskKind.BYPASS_ONLY_INSPECTION: frozenset({TaskKind.BYPASS_ONLY_INSPECTION}),
    TaskKind.FUNCTION_TEST: frozenset({TaskKind.FUNCTION_TEST}),
    TaskKind.LOOK_AND_LISTEN: frozenset({TaskKind.LOOK_AND_LISTEN}),
    TaskKind.RECEIVING_CHECK: frozenset({TaskKind.RECEIVING_CHECK}),
}
"""Which clocks a finished task restarts. A corrective repair of one part restarts none; the
function test after a strip-down is an act of its own and restarts its own clock."""


def restarts(kind: TaskKind) -> tuple[TaskKind, ...]:
    """The kinds of task whose clocks a finished task of this kind restarts, in word order."""
    return tuple(sorted(RESTARTS[kind]))


CONFIDENCE = 0.90
"""Two-sided: 5 % of cases before the earliest date, 5 % after the latest. Project default."""

USAGE_WEEKS = 52
"""Window of the rate of use. A year, so that seasons weigh as they come."""

STALE_PERIODS = 3.0
STALE_LEAST_S = 86_400.0
STALE_UNKNOWN_S = 14 * 86_400.0
"""A reading is old after three expected periods, a day at least; two weeks where no period is
stated. Project defaults."""
