"""Whichever comes first: which limit governs, how much of it is used, and when it is reached.

Two questions, two answers, never mixed. **How much is used?** The trigger with the largest share
governs; a share of 1 is reached, and reached is due. **When?** The date band is the field-wise
minimum over the triggers; the trigger that sets the likely date is named apart, because a limit
used faster can be reached first although another is used further today.

Items are rows, triggers are columns. One item is an array of one row: the same kernel.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.errors import OutOfRange, require_between

NONE = -1  # no such trigger


class DueState(StrEnum):
    """What the shares say. Only `not_reached` is good news."""

    REACHED = "reached"  # a share of 1 or more
    NOT_REACHED = "not_reached"  # every trigger known, none reached
    INCOMPLETE = "incomplete"  # none reached as far as known, but a trigger is not known
    NO_RECORD = "no_record"  # triggers exist, none of them is known
    NO_LIMIT = "no_limit"  # no trigger applies


DUE_STATES: tuple[DueState, ...] = tuple(DueState)
REACHED, NOT_REACHED, INCOMPLETE, NO_RECORD, NO_LIMIT = range(len(DUE_STATES))


@dataclass(frozen=True, slots=True)
class Shares:
    """One row per item. Indices point at columns, `NONE` where there is no such trigger."""

    state: NDArray[np.int8]
    governing: NDArray[np.int8]
    share: NDArray[np.float64]
    runner_up: NDArray[np.int8]
    runner_up_share: NDArray[np.float64]
    is_lower_bound: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Bands:
    """One row per item; NaT = cannot say (earliest, likely) or never (latest)."""

    earliest: NDArray[np.datetime64]
    likely: NDArray[np.datetime64]
    latest: NDArray[np.datetime64]
    set_by: NDArray[np.int8]
    next_by: NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Trigger:
    """One limit of one item. `share` None = the limit applies but its use is not known."""

    name: str
    share: float | None
    earliest: date | None = None
    likely: date | None = None
    latest: date | None = None
    is_lower_bound: bool = False


@dataclass(frozen=True, slots=True)
class Due:
    """Numbers and names; the words belong to the caller."""

    state: DueState
    governed_by: str | None
    share_used: float | None
    runner_up: str | None
    runner_up_share: float | None
    is_lower_bound: bool
    not_known: tuple[str, ...]
    earliest: date | None
    likely: date | None
    latest: date | None
    date_set_by: str | None
    date_runner_up: str | None


def shares_used(used: ArrayLike, limit: ArrayLike) -> NDArray[np.float64]:
    """Share of counter limits used: amount since the act over the limit.

    Parameters
    ----------
    used : amount since the last act, at least 0, in the unit of the limit; NaN = not known
    limit : the limit, above 0; NaN = this trigger does not apply

    Returns
    -------
    array of floats; 1 = reached; NaN where either is NaN. Never 0 for want of a record.

    Raises
    ------
    OutOfRange : a negative or infinite amount, a limit not above 0 or infinite

    Assumptions
    -----------
    Use counts evenly towards the limit.

    Source
    ------
    Definition of this project (docs/methods/due-date.md).

    Examples
    --------
    >>> shares_used([8040, float("nan")], [12000, 12000]).tolist()
    [0.67, nan]
    """
    amount = np.asarray(used, dtype=np.float64)
    bound = np.asarray(limit, dtype=np.float64)
    if ((amount < 0) | np.isinf(amount)).any():
        raise OutOfRange("used", float(np.nanmin(amount)), "at least 0 and finite, or not known")
    if ((bound <= 0) | np.isinf(bound)).any():
        raise OutOfRange("limit", float(np.nanmin(bound)), "above 0 and finite, or left out")
    return np.asarray(amount / bound, dtype=np.float64)


def _two_largest(
    table: NDArray[np.float64],
) -> tuple[NDArray[np.int8], NDArray[np.float64], NDArray[np.int8], NDArray[np.float64]]:
    """Column and value of the largest and the second of each row; on a tie the earlier column.

    Minus infinity is no value. Column by column: rows are many, columns few.
    """
    rows = table.shape[0]
    first, second = np.full(rows, NONE, dtype=np.int8), np.full(rows, NONE, dtype=np.int8)
    largest, following = np.full(rows, -np.inf), np.full(rows, -np.inf)
    for column in range(table.shape[1]):
        value = table[:, column]
        is_first = value > largest
        is_second = ~is_first & (value > following)
        np.copyto(following, value, where=is_second)
        np.copyto(second, np.int8(column), where=is_second)
        np.copyto(following, largest, where=is_first)
        np.copyto(second, first, where=is_first)
        np.copyto(largest, value, where=is_first)
        np.copyto(first, np.int8(column), where=is_first)
    return first, largest, second, following


def governing_shares(
    share: ArrayLike, *, applies: ArrayLike, is_lower_bound: ArrayLike = False
) -> Shares:
    """Which trigger governs each item, by the largest share used.

    Parameters
    ----------
    share : shape (n items, k triggers), at least 0; NaN = not known
    applies : same shape, True where the item has that limit; shares elsewhere are ignored
    is_lower_bound : same shape or one value, True where the share is 'at least' that much

    Returns
    -------
    Shares. On a tie the earlier column governs. `is_lower_bound` of an item: an applying trigger
    has the mark.

    Raises
    ------
    OutOfRange : a negative or infinite share, wrong shape

    Assumptions
    -----------
    Reached is due: the state is 'reached' at a share of exactly 1.

    Source
    ------
    Whichever comes first: common practice. States: docs/methods/due-date.md.

    Examples
    --------
    >>> nan = float("nan")
    >>> found = governing_shares([[0.97, 0.40, nan]], applies=[[True, True, False]])
    >>> int(found.governing[0]), float(found.share[0]), DUE_STATES[found.state[0]].value
    (0, 0.97, 'not_reached')
    """
    used = np.asarray(share, dtype=np.float64, order="F")  # columns are read one by one
    if used.ndim != 2 or used.shape[1] == 0 or used.shape[1] > 127:
        raise OutOfRange("share", f"shape {used.shape}", "items by 1 to 127 triggers")
    has_limit = np.array(np.broadcast_to(applies, used.shape), dtype=np.bool_, order="F")
    if ((used < 0) | np.isinf(used)).any():
        raise OutOfRange("share", float(np.nanmin(used)), "at least 0 and finite, or not known")
    is_known = has_limit & ~np.isnan(used)
    # Not known ranks below every share, so that it never wins against one; 0 is a real share.
    first, largest, second, next_largest = _two_largest(np.where(is_known, used, -np.inf))
    any_known = largest > -np.inf
    all_known = ~(has_limit & ~is_known).any(axis=1)
    state = np.select(
        [~has_limit.any(axis=1), ~any_known, largest >= 1.0, ~all_known],
        [NO_LIMIT, NO_RECORD, REACHED, INCOMPLETE],
        NOT_REACHED,
    )
    mark = np.array(np.broadcast_to(is_lower_bound, used.shape), dtype=np.bool_, order="F")
    return Shares(
        state=state.astype(np.int8),
        governing=first,
        share=np.where(any_known, largest, np.nan),
        runner_up=second,
        runner_up_share=np.where(next_largest > -np.inf, next_largest, np.nan),
        is_lower_bound=np.asarray((mark & has_limit).any(axis=1)),
    )


def first_dates(earliest: ArrayLike, likely: ArrayLike, latest: ArrayLike) -> Bands:
    """Whichever date comes first, field by field.

    Parameters
    ----------
    earliest, likely, latest : shape (n items, k triggers), `datetime64[D]`. NaT in `latest` =
        never; NaT in the others = that trigger cannot say or does not apply

    Returns
    -------
    Bands: `set_by` is the column that sets the likely date (on a tie the earlier column),
    `next_by` the second. Where that trigger cannot say its earliest and no other comes before the
    likely date, the earliest is NaT: cannot say.

    Raises
    ------
    OutOfRange : wrong shape, or a trigger whose dates are not in order

    Assumptions
    -----------
    Bands of different triggers are not combined into a narrower or wider one.

    Source
    ------
    Rule of this project, worked case R64 (docs/methods/due-date.md).

    Examples
    --------
    >>> found = first_dates([["2027-05-01", "2027-02-10"]], [["2027-05-01", "2027-04-03"]],
    ...     [["2027-05-01", "NaT"]])
    >>> str(found.earliest[0]), str(found.likely[0]), str(found.latest[0]), int(found.set_by[0])
    ('2027-02-10', '2027-04-03', '2027-05-01', 1)
    """
    early, middle, late = (
        np.asarray(field, dtype="datetime64[D]", order="F") for field in (earliest, likely, latest)
    )
    if early.ndim != 2 or early.shape[1] == 0 or not early.shape == middle.shape == late.shape:
        raise OutOfRange(
            "earliest, likely, latest",
            f"shapes {early.shape}, {middle.shape}, {late.shape}",
            "three tables of one shape, items by triggers",
        )
    if ((early > middle) | (middle > late) | (early > late)).any():
        raise OutOfRange("earliest, likely, latest", "a band out of order", "in order of time")
    sooner = np.where(np.isnat(middle), -np.inf, -middle.astype(np.int64).astype(np.float64))
    first, _, second, _ = _two_largest(sooner)
    soonest, expected = np.fmin.reduce(early, axis=1), np.fmin.reduce(middle, axis=1)
    return Bands(
        earliest=np.where(soonest > expected, np.datetime64("NaT", "D"), soonest),
        likely=expected,
        latest=np.fmin.reduce(late, axis=1),
        set_by=first,
        next_by=second,
    )


def dates_after(as_of: ArrayLike, days: ArrayLike) -> NDArray[np.datetime64]:
    """The local dates a number of days ahead, whole days only (rounded down: never late).

    Parameters
    ----------
    as_of : local date or dates
    days : days ahead, at least 0; NaN = none

    Returns
    -------
    array of `datetime64[D]`, NaT where `days` is NaN or lies beyond the year 9999

    Raises
    ------
    OutOfRange : negative days, `as_of` missing

    Assumptions
    -----------
    The count starts at the local date of the last reading the forecast rests on.

    Source
    ------
    Definition of this project (docs/methods/due-date.md).

    Examples
    --------
    >>> dates_after("2026-05-04", [56.5, float("nan")]).astype(str).tolist()
    ['2026-06-29', 'NaT']
    """
    start = np.asarray(as_of, dtype="datetime64[D]")
    ahead = np.asarray(days, dtype=np.float64)
    if np.isnat(start).any():
        raise OutOfRange("as_of", "NaT", "given")
    if (ahead < 0).any():
        raise OutOfRange("days", float(np.nanmin(ahead)), "at least 0, or left out")
    last = (np.datetime64("9999-12-31") - start).astype(np.float64)
    is_dated = ahead <= last
    whole = np.where(is_dated, np.floor(ahead), 0.0).astype(np.int64)
    return np.where(is_dated, start + whole.astype("timedelta64[D]"), np.datetime64("NaT", "D"))


def whichever_first(triggers: Sequence[Trigger]) -> Due:
    """Decide one item: state, governing trigger, date band, and what set the date.

    Parameters
    ----------
    triggers : the limits that apply to the item, any number, names different

    Returns
    -------
    Due

    Raises
    ------
    OutOfRange : as `governing_shares` and `first_dates`, and a name given twice

    Assumptions
    -----------
    As `governing_shares` and `first_dates`.

    Source
    ------
    As `governing_shares` and `first_dates`.

    Examples
    --------
    >>> due = whichever_first([Trigger("calendar", 0.52), Trigger("run_hours", 1.03)])
    >>> due.state.value, due.governed_by, due.runner_up
    ('reached', 'run_hours', 'calendar')
    """
    names = [trigger.name for trigger in triggers]
    if len(set(names)) != len(names):
        raise OutOfRange("triggers", ", ".join(names), "of different names")
    if not triggers:
        return Due(
            DueState.NO_LIMIT, None, None, None, None, False, (), None, None, None, None, None
        )
    used = [
        np.nan
        if trigger.share is None
        else require_between(f"{trigger.name} share", trigger.share, at_least=0)
        for trigger in triggers
    ]
    shares = governing_shares(
        [used], applies=True, is_lower_bound=[[trigger.is_lower_bound for trigger in triggers]]
    )
    bands = first_dates(
        *(
            np.array([[getattr(trigger, field) for trigger in triggers]], dtype="datetime64[D]")
            for field in ("earliest", "likely", "latest")
        )
    )

    def name(index: NDArray[np.int8]) -> str | None:
        return None if index[0] == NONE else names[int(index[0])]

    def number(value: NDArray[np.float64]) -> float | None:
        return None if np.isnan(value[0]) else float(value[0])

    def day(value: NDArray[np.datetime64]) -> date | None:
        found = value.astype(object)[0]
        return found if isinstance(found, date) else None

    return Due(
        state=DUE_STATES[int(shares.state[0])],
        governed_by=name(shares.governing),
        share_used=number(shares.share),
        runner_up=name(shares.runner_up),
        runner_up_share=number(shares.runner_up_share),
        is_lower_bound=bool(shares.is_lower_bound[0]),
        not_known=tuple(trigger.name for trigger in triggers if trigger.share is None),
        earliest=day(bands.earliest),
        likely=day(bands.likely),
        latest=day(bands.latest),
        date_set_by=name(bands.set_by),
        date_runner_up=name(bands.next_by),
    )
