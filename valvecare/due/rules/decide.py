"""The decision itself, for arrays of items: shares, state, governing limit, dates, marks.

Items are rows, triggers are columns in the order of `TRIGGERS`. The arithmetic is
`engineering.calendars` and `engineering.due_dates`; here the numbers become states and marks.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.due.rules.words import TRIGGERS, DueState, TriggerNote
from valvecare.engineering import due_dates
from valvecare.engineering.calendars import calendar_shares
from valvecare.engineering.due_dates import first_dates, governing_shares, shares_used

STATES: tuple[DueState, ...] = tuple(DueState)
NOTES: tuple[TriggerNote, ...] = tuple(TriggerNote)
NO_RECORD, OVERDUE, COMING_UP, NOT_YET = range(len(STATES))
NOT_USED, KNOWN, NO_ACT, NO_METER, NO_READING = range(len(NOTES))
CALENDAR, RUN_HOURS, STARTS = range(len(TRIGGERS))
COUNTERS = (RUN_HOURS, STARTS)
NEVER_US = np.iinfo(np.int64).max
_NAT = np.datetime64("NaT", "D")


@dataclass(frozen=True, slots=True)
class ClockColumns:
    """What the kernel needs: n items by 3 triggers.

    limit: months, h, starts; NaN = the policy has no such limit. anchor_on (n): site-local date
    of the act, NaT = none. used, is_lower_bound, has_series, stale_at_us: counters (column 0 is
    ignored); used NaN = not known, stale_at_us `NEVER_US` = no age limit. earliest, likely,
    latest: the band of each trigger, NaT = cannot say or never.
    """

    limit: NDArray[np.float64]
    anchor_on: NDArray[np.datetime64]
    used: NDArray[np.float64]
    is_lower_bound: NDArray[np.bool_]
    has_series: NDArray[np.bool_]
    stale_at_us: NDArray[np.int64]
    earliest: NDArray[np.datetime64]
    likely: NDArray[np.datetime64]
    latest: NDArray[np.datetime64]


@dataclass(frozen=True, slots=True)
class Decisions:
    """One row per item; indices point into `STATES`, `TRIGGERS` (-1 = none) and `NOTES`.

    One past the last of `TRIGGERS` is a condition; see `rules.advance`.
    """

    state: NDArray[np.int8]
    governing: NDArray[np.int8]
    runner_up: NDArray[np.int8]
    share: NDArray[np.float64]  # by trigger, exact, NaN = not known
    shown: NDArray[np.float64]  # by trigger, as shown
    note: NDArray[np.int8]  # by trigger
    is_lower_bound: NDArray[np.bool_]  # by trigger
    is_stale: NDArray[np.bool_]  # by trigger: the last reading is old
    is_silent: NDArray[np.bool_]  # by trigger: unheard while the pump's other counter gains
    is_unconfirmed: NDArray[np.bool_]  # the likely date has passed, no reading confirms it
    earliest: NDArray[np.datetime64]
    likely: NDArray[np.datetime64]
    latest: NDArray[np.datetime64]
    set_by: NDArray[np.int8]


def shown_share(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Two decimals for people; 1.00 only when reached, so that 0.997 does not look due."""
    rounded = np.round(share, 2)
    return np.where(share < 1, np.minimum(rounded, 0.99), rounded)


def _shares(
    clocks: ClockColumns,
    today: NDArray[np.datetime64],
    applies: NDArray[np.bool_],
    has_act: NDArray[np.bool_],
) -> NDArray[np.float64]:
    share = np.full(clocks.limit.shape, np.nan)
    months = np.where(applies[:, CALENDAR], clocks.limit[:, CALENDAR], 1).astype(np.int64)
    # An act later than today can only come from a clock set back: nothing is used yet.
    as_of = np.where(has_act, np.maximum(today, clocks.anchor_on), today)
    share[:, CALENDAR] = calendar_shares(clocks.anchor_on, as_of, months=months)
    counters = slice(RUN_HOURS, None)
    share[:, counters] = shares_used(clocks.used[:, counters], clocks.limit[:, counters])
    return np.where(applies & has_act[:, None], share, np.nan)


def decide(
    clocks: ClockColumns, *, today: NDArray[np.datetime64], at_us: int, margin: float
) -> Decisions:
    """Decide every item.

    today: the site-local date of each item, (n,). at_us: the instant, microseconds since 1970.
    margin: share from which a task is coming up.
    """
    applies = ~np.isnan(clocks.limit)
    has_act = ~np.isnat(clocks.anchor_on)
    share = _shares(clocks, today, applies, has_act)
    mark = clocks.is_lower_bound & applies
    found = governing_shares(share, applies=applies, is_lower_bound=mark)
    is_dated = applies & has_act[:, None]
    bands = first_dates(
        *(
            np.where(is_dated, band, _NAT)
            for band in (clocks.earliest, clocks.likely, clocks.latest)
        )
    )
    is_known = ~np.isnan(share)
    note = np.select(
        [~applies, ~has_act[:, None], is_known, ~clocks.has_series],
        [NOT_USED, NO_ACT, KNOWN, NO_METER],
        NO_READING,
    ).astype(np.int8)
    is_stale = is_known & (at_us >= clocks.stale_at_us)
    is_stale[:, CALENDAR] = False
    gains = is_known & ~is_stale & (clocks.used > 0)
    unheard = is_dated & (~is_known | is_stale)
    is_silent = np.zeros_like(is_stale)
    is_silent[:, RUN_HOURS] = unheard[:, RUN_HOURS] & gains[:, STARTS]
    is_silent[:, STARTS] = unheard[:, STARTS] & gains[:, RUN_HOURS]
    is_reached = found.state == due_dates.REACHED
    is_known_at_all = found.governing != due_dates.NONE
    is_past = ~np.isnat(bands.likely) & (bands.likely <= today)
    is_unconfirmed = is_known_at_all & ~is_reached & is_past
    state = np.select(
        [~is_known_at_all, is_reached, is_unconfirmed | (found.share >= margin)],
        [NO_RECORD, OVERDUE, COMING_UP],
        NOT_YET,
    ).astype(np.int8)
    # A limit that sets the likely date but cannot say its earliest leaves the item without one.
    in_order = bands.earliest <= bands.likely
    return Decisions(
        state=state,
        governing=found.governing,
        runner_up=found.runner_up,
        share=share,
        shown=shown_share(share),
        note=note,
        is_lower_bound=mark & is_known,
        is_stale=is_stale,
        is_silent=is_silent,
        is_unconfirmed=is_unconfirmed,
        earliest=np.where(in_order, bands.earliest, _NAT),
        likely=bands.likely,
        latest=bands.latest,
        set_by=bands.set_by,
    )


_SEED = np.uint64(0x9E3779B97F4A7C15)
_MIX = np.uint64(0xFF51AFD7ED558CCD)
_HALF = np.uint64(32)


def _mixed(columns: list[NDArray[Any]]) -> NDArray[np.int64]:
    """A 64-bit mark of each row; equal rows have equal marks (finaliser of MurmurHash3)."""
    mark = np.full(columns[0].shape[0], _SEED, dtype=np.uint64)
    for column in columns:
        mark = (mark ^ column.astype(np.int64).view(np.uint64)) * _MIX
        mark ^= mark >> _HALF
    return mark.view(np.int64)


def _whole(values: NDArray[np.float64], factor: float = 1.0) -> NDArray[np.int64]:
    return np.where(np.isnan(values), -1, np.round(values * factor)).astype(np.int64)


def decision_prints(
    found: Decisions,
    clocks: ClockColumns,
    *,
    policy_id: NDArray[np.int64],
    act_id: NDArray[np.int64],
    condition: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Marks of what is decided, and of everything the stored words say.

    An item is written when the second changes, and counts as changed when the first does. The
    words add the amounts in whole hours and starts, and the time from which a reading is old.
    condition: the mark of the open condition finding of each item, 0 = none.
    """
    one: list[NDArray[Any]] = [found.state, found.governing, found.runner_up, found.set_by]
    one += [policy_id, act_id, condition, found.is_unconfirmed, clocks.anchor_on.view(np.int64)]
    one += [band.view(np.int64) for band in (found.earliest, found.likely, found.latest)]
    for column in range(len(TRIGGERS)):
        flags = (
            found.note[:, column].astype(np.int64)
            + 8 * found.is_lower_bound[:, column]
            + 16 * found.is_stale[:, column]
            + 32 * found.is_silent[:, column]
        )
        limit = _whole(clocks.limit[:, column], 1000)
        one += [flags, _whole(found.shown[:, column], 100), limit]
    more = [_whole(clocks.used[:, column]) for column in COUNTERS]
    more += [
        np.where(found.is_stale[:, column], clocks.stale_at_us[:, column], 0) for column in COUNTERS
    ]
    mark = _mixed(one)
    return mark, _mixed([mark, *more])
