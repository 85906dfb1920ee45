"""First half of a push: what each row says, and why it cannot be taken as it is.

Rows become arrays; every check is made on whole columns. A row is refused by itself and never
takes its neighbours with it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime, timedelta
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvecare.core.errors import Reason
from valvecare.readings.models import EPOCH
from valvecare.readings.rules import (
    COUNTER_MOST,
    EARLIEST_US,
    GAUGE_MOST,
    LATEST_US,
    QUALITY_BY_WORD,
    Quantity,
    Row,
    conversion,
    lowest_possible,
)

PENDING, CREATED, DUPLICATE, CONFLICT, REJECTED, SET_ASIDE = range(6)
STATUS_WORDS = ("pending", "created", "duplicate", "conflict", "rejected", "set aside")

_US = timedelta(microseconds=1)
_UNKNOWN, _AMBIGUOUS = -1, -2


@dataclass
class Verdicts:
    """Per pushed row: a status and, where there is something to say, a reason."""

    status: NDArray[np.int8]
    reasons: dict[int, Reason] = field(default_factory=dict)

    def give(self, index: int, status: int, reason: Reason | None = None) -> None:
        self.status[index] = status
        if reason is not None:
            self.reasons[index] = reason


@dataclass
class Table:
    """The series a push names, one element per series, in order of their ids (locked)."""

    id: NDArray[np.int64]
    site_id: NDArray[np.int64]
    tag: list[str]
    quantity: list[Quantity]
    unit: list[str]
    is_counter: NDArray[np.bool_]
    is_retired: NDArray[np.bool_]
    resolution: NDArray[np.float64]
    ceiling: NDArray[np.float64]
    modulus: NDArray[np.float64]
    plausible_min: NDArray[np.float64]
    plausible_max: NDArray[np.float64]
    points: NDArray[np.int64]
    first_us: NDArray[np.int64]
    last_us: NDArray[np.int64]
    last_value: NDArray[np.float64]
    newest_us: NDArray[np.int64]
    accumulated: NDArray[np.float64]
    lost: NDArray[np.int64]
    touched_us: NDArray[np.int64]
    has_meter_events: NDArray[np.bool_]
    has_waiting_jumps: NDArray[np.bool_]

    def one(self, pos: int) -> "Table":
        """The same table with one series only."""
        return Table(
            **{item.name: getattr(self, item.name)[pos : pos + 1] for item in fields(self)}
        )


@dataclass
class Points:
    """Rows that can be readings, one element per row: `row` is the index in the push."""

    row: NDArray[np.int64]
    pos: NDArray[np.int64]
    at_us: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.int8]

    def only(self, keep: NDArray[Any]) -> "Points":
        return Points(
            self.row[keep], self.pos[keep], self.at_us[keep], self.value[keep], self.quality[keep]
        )

    @property
    def size(self) -> int:
        return int(self.row.size)


@dataclass
class Read:
    """Rows whose own content is sound: instants, numbers and qualities as arrays."""

    row: NDArray[np.int64]
    at_us: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.int8]
    has_source_keys: bool

    def only(self, keep: Any) -> "Read":
        return Read(
            self.row[keep],
            self.at_us[keep],
            self.value[keep],
            self.quality[keep],
            self.has_source_keys,
        )


def _instants(
    rows: Sequence[Row], refuse: Callable[[int, str, str, str], None]
) -> NDArray[np.int64]:
    instants = [row.at for row in rows]
    try:  # plant systems read many series at the same instant
        known = {at: (at - EPOCH) // _US for at in set(instants)}
        return np.fromiter(map(known.__getitem__, instants), np.int64, len(instants))
    except TypeError:
        found = np.zeros(len(rows), dtype=np.int64)
    for index, row in enumerate(rows):
        at: Any = row.at
        if isinstance(at, datetime) and at.utcoffset() is not None:
            found[index] = (at - EPOCH) // _US
        else:
            refuse(
                index,
                "time_without_offset",
                f"The time {at!r} has no offset.",
                "Send RFC 3339 with Z or an offset; local time is never guessed.",
            )
    return found


def _numbers(
    rows: Sequence[Row], refuse: Callable[[int, str, str, str], None]
) -> NDArray[np.float64]:
    values: list[Any] = [row.value for row in rows]
    if not set(map(type, values)) <= {float, int}:
        for index, value in enumerate(values):
            if type(value) not in (float, int):
                refuse(index, "not_a_number", f"{value!r} is not a number.", "Send a JSON number.")
                values[index] = 0.0
    try:
        found = np.array(values, dtype=np.float64)
    except OverflowError:
        found = np.array(
            [v if isinstance(v, float) or abs(v) < 2**63 else np.inf for v in values], np.float64
        )
    for index in np.flatnonzero(~np.isfinite(found)).tolist():
        refuse(index, "not_finite", "The value is not a finite number.", "Leave the row out.")
    return found


def read_contents(rows: Sequence[Row | Reason], verdicts: Verdicts) -> Read:
    """Instants, numbers and qualities of the rows the edge could read; the rest is rejected."""
    index_of: Sequence[int] = range(len(rows))
    good: list[Row] = rows  # type: ignore[assignment]
    if Reason in set(map(type, rows)):
        for index, row in enumerate(rows):
            if isinstance(row, Reason):
                verdicts.give(index, REJECTED, row)
        index_of = [i for i, row in enumerate(rows) if not isinstance(row, Reason)]
        good = [row for row in rows if not isinstance(row, Reason)]
    bad: set[int] = set()

    def refuse(index: int, code: str, words: str, remedy: str) -> None:
        if index not in bad:
            bad.add(index)
            verdicts.give(index_of[index], REJECTED, Reason(code, words, remedy))

    at_us = _instants(good, refuse)
    value = _numbers(good, refuse)
    quality = np.zeros(len(good), dtype=np.int8)
    words = [row.quality for row in good]
    if words.count("good") < len(words):
        for index, given in enumerate(words):
            if isinstance(given, str) and given in QUALITY_BY_WORD:
                quality[index] = QUALITY_BY_WORD[given]
            else:
                told = f"The quality {given!r} is not known."
                refuse(index, "unknown_quality", told, "Send good, uncertain or bad.")
    keys = [row.source_key for row in good]
    has_keys = keys.count(None) < len(keys)
    if has_keys:
        for index, key in enumerate(keys):
            if key and "\0" in key:
                told = "The source_key holds a NUL character."
                refuse(index, "text_not_storable", told, "Leave the character out.")
    for index in np.flatnonzero(at_us < EARLIEST_US).tolist():
        told = "The time lies before 1990: a clock that lost its time shows such dates."
        refuse(index, "time_too_old", told, "Set the clock and send the true time.")
    where = np.array(index_of, dtype=np.int64)
    found = Read(where, at_us, value, quality, has_keys)
    if not bad:
        return found
    return found.only(np.array([i for i in range(len(good)) if i not in bad], dtype=np.int64))


def refuse_future(read: Read, at_us: int, skew_us: int, verdicts: Verdicts) -> Read:
    """Times beyond the allowed skew are rejected; those within it are taken and flagged."""
    ahead = read.at_us - at_us
    if not (ahead > 0).any():
        return read
    is_beyond = (ahead > skew_us) | (read.at_us >= LATEST_US)
    for index in np.flatnonzero(is_beyond).tolist():
        verdicts.give(
            int(read.row[index]),
            REJECTED,
            Reason(
                "future_time",
                f"The time lies {ahead[index] / 1e6:.0f} s in the future.",
                f"Set the sender's clock; up to {skew_us / 1e6:.0f} s are accepted.",
            ),
        )
    for index in np.flatnonzero((ahead > 0) & ~is_beyond).tolist():
        words = f"The sender's clock is {ahead[index] / 1e6:.0f} s ahead of ours."
        verdicts.reasons[int(read.row[index])] = Reason("ahead_of_clock", words)
    return read.only(~is_beyond)


def find_series(
    rows: Sequence[Any],
    read: Read,
    table: Table,
    site_codes: Mapping[int, str],
    site: str | None,
    verdicts: Verdicts,
) -> Points:
    """Which series each row belongs to. Nothing is created for a tag that is not known.

    `rows` are those of `read`, in its order.
    """
    positions: dict[Any, int] = {}
    for position, (site_id, tag) in enumerate(zip(table.site_id.tolist(), table.tag, strict=True)):
        positions[(site_codes[site_id], tag)] = position
        positions[tag] = _AMBIGUOUS if tag in positions else position
    keys: list[Any] = [row.series for row in rows]
    if site is not None or [row.site for row in rows].count(None) < len(rows):
        keys = [
            row.series if (row.site or site) is None else (row.site or site, row.series)
            for row in rows
        ]
    pos = np.fromiter(map(positions.get, keys, repeat(_UNKNOWN)), np.int64, len(keys))
    is_known = pos >= 0
    is_retired = np.zeros(pos.size, dtype=np.bool_)
    is_retired[is_known] = table.is_retired[pos[is_known]]
    if is_known.all() and not is_retired.any():
        return Points(read.row, pos, read.at_us, read.value, read.quality)
    for index in np.flatnonzero(~is_known | is_retired).tolist():
        tag = rows[index].series
        if is_known[index]:
            remedy = "Send no more readings for it, or add a new series."
            reason = Reason("retired_series", f"{tag} is retired.", remedy)
        elif pos[index] == _AMBIGUOUS:
            words = f"{tag} exists at more than one of your sites."
            reason = Reason("ambiguous_series", words, "Name the site of the row.")
        else:
            words = f"No series {tag!r} is known at your sites."
            remedy = "Add the series first; nothing is created by a push."
            reason = Reason("unknown_series", words, remedy)
        verdicts.give(int(read.row[index]), REJECTED, reason)
    found = Points(read.row, pos, read.at_us, read.value, read.quality)
    return found.only(is_known & ~is_retired)


def convert_units(rows: Sequence[Any], points: Points, table: Table, verdicts: Verdicts) -> Points:
    """Values in the series' units, or a refusal: nothing about a unit is guessed."""
    groups = {pair: n for n, pair in enumerate(set(zip(table.quantity, table.unit, strict=True)))}
    own = list(groups)
    group = np.array(
        [groups[pair] for pair in zip(table.quantity, table.unit, strict=True)], np.int64
    )
    given = [rows[index].unit for index in points.row.tolist()]
    units = {unit: n for n, unit in enumerate(set(given))}
    words = list(units)
    pairs = group[points.pos] * len(words) + np.fromiter(
        map(units.__getitem__, given), np.int64, len(given)
    )
    factor, offset, is_refused = None, None, np.zeros(points.size, dtype=np.bool_)
    for pair in np.unique(pairs).tolist():
        kind = conversion(*own[pair // len(words)], words[pair % len(words)])
        if isinstance(kind, Reason):
            is_refused |= pairs == pair
            for index in np.flatnonzero(pairs == pair).tolist():
                verdicts.give(int(points.row[index]), REJECTED, kind)
        elif not kind.is_same:
            if factor is None or offset is None:
                factor, offset = np.ones(points.size), np.zeros(points.size)
            factor[pairs == pair], offset[pairs == pair] = kind.factor, kind.offset
    if factor is not None and offset is not None:
        points.value = points.value * factor + offset
    return points.only(~is_refused) if is_refused.any() else points


def refuse_impossible_values(points: Points, table: Table, verdicts: Verdicts) -> Points:
    """Values that no meter of the series can show are rejected."""
    value, pos = points.value, points.pos
    is_counter = table.is_counter[pos]
    lowest = np.array(
        [lowest_possible(q, u) for q, u in zip(table.quantity, table.unit, strict=True)]
    )
    with np.errstate(invalid="ignore"):
        checks = (
            (
                is_counter & (value < 0),
                Reason("negative_counter", "A counter cannot be below 0."),
            ),
            (
                is_counter & (value >= table.modulus[pos]),
                Reason(
                    "above_modulus",
                    "The counter rolls over before it reaches this value.",
                    "Correct the reading, or the series' rollover_modulus.",
                ),
            ),
            (
                ~is_counter & (value < lowest[pos]) if table.id.size else is_counter,
                Reason("below_absolute_zero", "No temperature or absolute pressure is that low."),
            ),
            (
                np.abs(value) >= np.where(is_counter, COUNTER_MOST, GAUGE_MOST),
                Reason("value_out_of_bounds", "The value is larger than any meter shows."),
            ),
        )
    keep = np.ones(points.size, dtype=np.bool_)
    for is_wrong, reason in checks:
        for index in np.flatnonzero(is_wrong & keep).tolist():
            verdicts.give(int(points.row[index]), REJECTED, reason)
        keep &= ~is_wrong
    return points if keep.all() else points.only(keep)
