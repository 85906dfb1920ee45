"""How an open condition finding brings a task forward. Arrays of items, as in `rules.decide`."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from valvecare.due.rules.decide import COMING_UP, NO_RECORD, OVERDUE, Decisions
from valvecare.due.rules.words import TRIGGERS

CONDITION = len(TRIGGERS)
"""The index of a condition in `Decisions.governing`, `runner_up` and `set_by`."""


@dataclass(frozen=True, slots=True)
class ConditionColumns:
    """The most urgent open finding of each of n items.

    mark: changes with the finding, 0 = none. share: of the way to the limit, 1 = reached.
    earliest, likely, latest: when the task is wanted, NaT = cannot say.
    """

    mark: NDArray[np.int64]
    share: NDArray[np.float64]
    earliest: NDArray[np.datetime64]
    likely: NDArray[np.datetime64]
    latest: NDArray[np.datetime64]


def condition_share(
    began: NDArray[np.datetime64], likely: NDArray[np.datetime64], today: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Share of the way from the first point to the likely date, as the calendar counts it."""
    whole = (likely - began).astype(np.float64)
    gone = np.maximum((today - began).astype(np.float64), 0.0)
    return np.where(whole > 0, gone / np.where(whole > 0, whole, 1.0), 1.0)


def with_conditions(
    found: Decisions,
    conditions: ConditionColumns,
    *,
    today: NDArray[np.datetime64],
    is_limited: NDArray[np.bool_],
) -> Decisions:
    """The decisions with open findings beside the clocks: whichever comes first.

    A finding governs when its likely date lies before that of the clocks and no clock is reached;
    the task is then overdue from that date on and coming up until then. Where a policy applies
    but nothing is there to count from, the item stays without a record (it is shown first
    anyway) and only takes the dates. A finding never makes a task later.
    """
    has = conditions.mark != 0
    if not has.any():
        return found
    is_first = has & (np.isnat(found.likely) | (conditions.likely < found.likely))
    stays = (found.state == NO_RECORD) & is_limited
    governs = is_first & ~stays & (found.state != OVERDUE)
    state = np.where(
        governs, np.where(conditions.likely <= today, OVERDUE, COMING_UP), found.state
    ).astype(np.int8)
    earliest, likely, latest = (
        np.where(has, np.fmin(band, other), band)
        for band, other in (
            (found.earliest, conditions.earliest),
            (found.likely, conditions.likely),
            (found.latest, conditions.latest),
        )
    )
    return replace(
        found,
        state=state,
        governing=np.where(governs, CONDITION, found.governing).astype(np.int8),
        runner_up=np.where(governs, found.governing, found.runner_up).astype(np.int8),
        is_unconfirmed=found.is_unconfirmed & ~governs,
        earliest=np.where(earliest <= likely, earliest, np.datetime64("NaT", "D")),
        likely=likely,
        latest=latest,
        set_by=np.where(is_first, CONDITION, found.set_by).astype(np.int8),
    )
