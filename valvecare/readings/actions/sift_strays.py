"""The slow path of a push: a counter that jumped. Which reading is wrong, the new or its neighbour?

Readings are tried one by one in time order against the readings next to them. The rule is
`engineering.stray_points`: one that breaks both its segments while its neighbours agree without
it. A new one is set aside; a stored one is marked bad and put before a person; one that waits is
taken back when later readings bear it out.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np

from valvecare.core.errors import Reason
from valvecare.core.events import record
from valvecare.readings.actions.read_rows import Points, Table
from valvecare.readings.actions.rebuild_days import (
    days_around,
    meter_changes,
    rebuild_days,
    usable,
)
from valvecare.readings.models import Reading, SeriesState, SetAside, instant
from valvecare.readings.rules import (
    MeterChange,
    Quality,
    SetAsideState,
    judge_segments,
    stray_readings,
)

JUMP = "impossible_jump"
STRAY = "stray_reading"
_SIDE = 3
_MOST_WAITING = 1_000


@dataclass
class _Item:
    """A reading in the line: `index` into the push (new), or stored, or waiting."""

    at_us: int
    value: float
    index: int | None = None
    waiting: SetAside | None = None


@dataclass
class Sifted:
    """Indices kept and set aside; `settle` marks strays, takes back waiting ones, keeps days."""

    kept: list[int] = field(default_factory=list)
    aside: list[tuple[int, Reason]] = field(default_factory=list)
    changes: list["_SeriesChange"] = field(default_factory=list)

    def settle(self) -> None:
        for change in self.changes:
            change.settle()


@dataclass
class _SeriesChange:
    table: Table
    received_us: int
    instants: list[int] = field(default_factory=list)
    strays: list[_Item] = field(default_factory=list)
    taken_back: list[SetAside] = field(default_factory=list)

    def settle(self) -> None:
        """After the new readings are stored: the rest of what changed in this series."""
        series_id, tag = int(self.table.id[0]), self.table.tag[0]
        days = days_around(series_id, [*self.instants, *(item.at_us for item in self.strays)])
        for item in self.strays:
            reading = Reading.objects.get(series_id=series_id, at_us=item.at_us)
            Reading.objects.filter(series_id=series_id, at_us=item.at_us).update(
                quality=int(Quality.BAD)
            )
            words = f"{item.value:.12g} does not fit the readings before and after it."
            SetAside.objects.bulk_create(
                [
                    SetAside(
                        site_id=int(self.table.site_id[0]),
                        series_id=series_id,
                        tag=tag,
                        at_us=item.at_us,
                        value=item.value,
                        quality=reading.quality,
                        source_id=reading.source_id,
                        raw={"series": tag, "at": str(instant(item.at_us)), "value": item.value},
                        code=STRAY,
                        words=words,
                        received_us=self.received_us,
                    )
                ],
                # one that a person accepted before waits again: it is not put aside in silence
                update_conflicts=True,
                unique_fields=["series", "at_us", "value"],
                update_fields=["state", "code", "words", "received_us"],
            )
        for waiting in self.taken_back:
            store_waiting(waiting, self.received_us)
            waiting.state = SetAsideState.ACCEPTED.value
            waiting.judged_at = instant(self.received_us)
            waiting.judged_why = "What is known now bears it out."
            waiting.version += 1
            waiting.save(update_fields=["state", "judged_at", "judged_why", "version"])
            record(
                "reading.accepted",
                waiting,
                actor=None,
                at=waiting.judged_at,
                words=f"{waiting.tag}: {waiting.value:g} taken back, now explained.",
                data={"series": waiting.series_id, "at_us": waiting.at_us},
            )
        times = [*self.instants, *(item.at_us for item in self.strays)]
        times += [waiting.at_us for waiting in self.taken_back]
        if times:
            days |= days_around(series_id, times)
            rebuild_days(self.table, days, touched_us=min(times), received_us=self.received_us)


def store_waiting(waiting: SetAside, received_us: int) -> None:
    """Store a reading that was set aside; one that is stored as bad gets its value and quality."""
    key = {"series_id": waiting.series_id, "at_us": waiting.at_us}
    if not Reading.objects.filter(**key).update(value=waiting.value, quality=waiting.quality):
        Reading.objects.bulk_create(
            [
                Reading(
                    **key,
                    value=waiting.value,
                    quality=waiting.quality,
                    source_id=waiting.source_id,
                    received_us=received_us,
                )
            ]
        )


def sift(points: Points, table: Table, received_us: int) -> Sifted:
    """Judge the new readings (ascending by series, instant) of series that jumped."""
    found = Sifted()
    changes = meter_changes(table)
    order = range(points.size)
    for pos, group in groupby(order, key=lambda index: int(points.pos[index])):
        one = table.one(pos)
        change = _SeriesChange(one, received_us)
        found.changes.append(change)
        indices = list(group)
        found.kept += [i for i in indices if points.quality[i] >= int(Quality.BAD)]
        fresh = [i for i in indices if points.quality[i] < int(Quality.BAD)]
        waiting = _waiting(int(one.id[0]))
        line = _Line(
            one,
            changes.get(pos, []),
            _around(
                int(one.id[0]),
                [*(int(points.at_us[i]) for i in fresh), *(item.at_us for item in waiting)],
            ),
        )
        for index in fresh:
            line.try_new(_Item(int(points.at_us[index]), float(points.value[index]), index))
        for item in waiting:
            line.try_waiting(item)
        found.aside += [
            (item.index, reason) for item, reason in line.aside if item.index is not None
        ]
        gone = {item.index for item, _ in line.aside}
        found.kept += [index for index in fresh if index not in gone]
        change.instants = [int(points.at_us[i]) for i in indices if i not in gone]
        change.strays, change.taken_back = line.strays, line.taken_back
    found.kept.sort()
    return found


def take_back_waiting(table: Table, received_us: int) -> None:
    """Jumps of the one locked series that wait and are explained now come back by themselves."""
    waiting = _waiting(int(table.id[0]))
    if not waiting:
        SeriesState.objects.filter(series_id=int(table.id[0])).update(has_waiting_jumps=False)
        return
    near = _around(int(table.id[0]), [item.at_us for item in waiting])
    line = _Line(table, meter_changes(table).get(0, []), near)
    for item in waiting:
        line.try_waiting(item)
    change = _SeriesChange(table, received_us)
    change.strays, change.taken_back = line.strays, line.taken_back
    change.settle()


def _waiting(series_id: int) -> list[SetAside]:
    waiting = SetAside.objects.filter(
        series_id=series_id, state=SetAsideState.WAITING.value, code=JUMP
    )
    return list(waiting.order_by("at_us")[:_MOST_WAITING])


def _around(series_id: int, instants: Sequence[int]) -> list[_Item]:
    """Stored usable readings from a few before the first instant to a few after the last."""
    if not instants:
        return []
    first, last = min(instants), max(instants)
    rows = usable(series_id).values_list("at_us", "value")
    before = list(rows.filter(at_us__lt=first).order_by("-at_us")[: _SIDE + 1])[::-1]
    between = list(rows.filter(at_us__gte=first, at_us__lte=last).order_by("at_us"))
    after = list(rows.filter(at_us__gt=last).order_by("at_us")[: _SIDE + 1])
    return [_Item(*row) for row in (*before, *between, *after)]


class _Line:
    """The readings of one counter in time order, into which others are tried."""

    def __init__(self, table: Table, changes: Sequence[MeterChange], stored: list[_Item]) -> None:
        self.table, self.changes, self.items = table, changes, stored
        self.aside: list[tuple[_Item, Reason]] = []
        self.strays: list[_Item] = []
        self.taken_back: list[SetAside] = []

    def _flagged(self, position: int) -> Iterator[_Item]:
        """The strays among the item at `position` and its two neighbours."""
        low = max(0, position - _SIDE)
        window = self.items[low : position + _SIDE + 1]
        modulus = float(self.table.modulus[0])
        flags = stray_readings(
            [item.at_us for item in window],
            [item.value for item in window],
            resolution=float(self.table.resolution[0]),
            ceiling=float(self.table.ceiling[0]),
            modulus=None if np.isnan(modulus) else modulus,
            changes=self.changes,
        )
        for offset, (item, flag) in enumerate(zip(window, flags, strict=True)):
            if flag and abs(low + offset - position) <= 1:
                yield item

    def _remove(self, item: _Item) -> None:
        self.items.remove(item)
        if item.index is not None:
            words = f"{item.value:.12g} is more than the time since the last reading allows."
            remedy = "Declare a changed meter, or accept or dismiss the reading."
            self.aside.append((item, Reason(JUMP, words, remedy)))
        elif item.waiting is None:
            self.strays.append(item)

    def _insert(self, item: _Item) -> int:
        position = bisect_left(self.items, item.at_us, key=lambda other: other.at_us)
        self.items.insert(position, item)
        return position

    def try_new(self, item: _Item) -> None:
        for stray in list(self._flagged(self._insert(item))):
            self._remove(stray)

    def try_waiting(self, waiting: SetAside) -> None:
        """Take a waiting reading back when, strays beside it left out, both its segments count."""
        item = _Item(waiting.at_us, waiting.value, None, waiting)
        position = bisect_left(self.items, item.at_us, key=lambda other: other.at_us)
        if position == 0:
            return  # nothing before it to judge by
        if position < len(self.items) and self.items[position].at_us == item.at_us:
            return
        self.items.insert(position, item)
        strays = list(self._flagged(position))
        window = self.items[max(0, position - _SIDE) : position + _SIDE + 1]
        rest = [other for other in window if not any(other is stray for stray in strays)]
        if not any(other is item for other in rest) or self._is_lost_beside(rest, item):
            del self.items[position]
            return
        for stray in strays:
            self._remove(stray)
        self.taken_back.append(waiting)

    def _is_lost_beside(self, items: Sequence[_Item], item: _Item) -> bool:
        position = next(index for index, other in enumerate(items) if other is item)
        window = items[max(0, position - 1) : position + 2]
        size = len(window) - 1
        if size < 1:
            return False
        at = np.array([item.at_us for item in window], dtype=np.int64)
        value = np.array([item.value for item in window])
        judged = judge_segments(
            at[:-1],
            at[1:],
            value[:-1],
            value[1:],
            resolution=np.repeat(self.table.resolution, size),
            ceiling=np.repeat(self.table.ceiling, size),
            modulus=np.repeat(self.table.modulus, size),
            changes={
                index: inside
                for index in range(size)
                if (inside := [c for c in self.changes if at[index] <= c.at_us <= at[index + 1]])
            },
        )
        return bool(judged.is_lost.any())
