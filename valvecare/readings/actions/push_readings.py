"""The one way readings come in: API, bridges, files, the demo and the tests all call this.

Per chunk one transaction: lock the states of the named series (by id, so that two pushes never
wait for each other in a circle), judge every row, store the new ones, keep days and states.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from time import perf_counter
from typing import Any

import msgspec
import numpy as np
from django.db import connections, router, transaction
from numpy.typing import NDArray

from valvecare.core.conf import options
from valvecare.core.errors import Forbidden, Reason
from valvecare.core.jobs import wake
from valvecare.core.permits import PERMITS
from valvecare.readings.actions.keep_rows import (
    Effects,
    NewReadings,
    PushLog,
    insert_readings,
    keep,
)
from valvecare.readings.actions.place_points import (
    SegmentDelta,
    day_arrays,
    day_delta,
    new_states,
    segment_delta,
)
from valvecare.readings.actions.read_rows import (
    CONFLICT,
    CREATED,
    DUPLICATE,
    REJECTED,
    SET_ASIDE,
    STATUS_WORDS,
    Points,
    Read,
    Table,
    Verdicts,
    convert_units,
    find_series,
    read_contents,
    refuse_future,
    refuse_impossible_values,
)
from valvecare.readings.actions.rebuild_days import meter_changes
from valvecare.readings.actions.series_store import lock_series
from valvecare.readings.actions.sift_strays import JUMP, sift
from valvecare.readings.models import Reading, SeriesState, SetAside, Source, micros
from valvecare.readings.rules import CLOCK_CODES, MICRO, US_PER_S, Quality, Row, whole_micro
from valvecare.readings.sql import ensure_months, probes
from valvecare.register.models import Membership, Site

CHUNK = 10_000
EXAMPLES = 5


class Verdict(msgspec.Struct, omit_defaults=True, gc=False, frozen=True):
    """What became of one row: its index in the push, a status word, and why."""

    index: int
    status: str
    code: str | None = None
    detail: str | None = None


@dataclass(frozen=True)
class PushResult:
    """What became of a push. `reasons` holds a reason for every row that is not plainly new."""

    status: NDArray[np.int8]
    reasons: Mapping[int, Reason]
    push_id: int

    def _count(self, status: int) -> int:
        return int(np.count_nonzero(self.status == status))

    @property
    def counts(self) -> dict[str, int]:
        """Rows per status word."""
        return {
            word: self._count(code) for code, word in enumerate(STATUS_WORDS) if code >= CREATED
        }

    def verdicts(self) -> list[Verdict]:
        """One verdict per pushed row, in the order of the push. Not to be changed."""
        statuses = self.status.tolist()
        size = len(statuses)
        plain = {status: _plain_verdicts(status, size.bit_length()) for status in set(statuses)}
        if len(plain) == 1:
            found = plain[statuses[0]][:size]
        else:
            found = [plain[status][index] for index, status in enumerate(statuses)]
        for index, reason in self.reasons.items():
            found[index] = Verdict(index, STATUS_WORDS[statuses[index]], reason.code, str(reason))
        return found


@lru_cache(maxsize=64)
def _plain_verdicts(status: int, bits: int) -> list[Verdict]:
    """Verdicts without a reason for the first 2**bits rows: the same objects for every push."""
    return [Verdict(index, STATUS_WORDS[status]) for index in range(2**bits)]


def _is_administrator(actor: Any) -> bool:
    return actor is not None and getattr(actor, "is_active", False) and bool(actor.is_superuser)


def permitted_sites(actor: Any) -> dict[int, str]:
    """Codes of the sites this actor may push to, by id. Raises `Forbidden` when there are none."""
    if _is_administrator(actor):
        return dict(Site.objects.values_list("id", "code"))
    roles = sorted(role.value for role in PERMITS["push_readings"])
    held = Membership.objects.filter(
        user=actor if getattr(actor, "is_active", False) else None, role__in=roles
    )
    sites = dict(held.values_list("site_id", "site__code"))
    if not sites:
        raise Forbidden("push_readings", f"Roles that may: {', '.join(roles)}.")
    return sites


_SITES_AND_SOURCE = """
SELECT m.site_id, s.code, (SELECT id FROM valvecare_source WHERE name = %s)
FROM valvecare_membership m JOIN valvecare_site s ON s.id = m.site_id
WHERE m.user_id = %s AND m.role IN ({roles})
"""


def _sites_and_source(actor: Any, source: str) -> tuple[dict[int, str], int]:
    """Permitted sites as above, and the id of the source.

    One plain statement where both are known: at a small push the building of two queries takes
    longer than the rows.
    """
    if not _is_administrator(actor) and getattr(actor, "is_active", False):
        connection = connections[router.db_for_write(Reading)]
        roles = sorted(role.value for role in PERMITS["push_readings"])
        user = Membership._meta.get_field("user").get_db_prep_value(actor.pk, connection)
        with connection.cursor() as cursor:
            query = _SITES_AND_SOURCE.format(roles=", ".join(["%s"] * len(roles)))
            cursor.execute(query, [source, user, *roles])
            rows = cursor.fetchall()
        if rows and rows[0][2] is not None:
            return {site_id: code for site_id, code, _ in rows}, rows[0][2]
    sites = permitted_sites(actor)
    return sites, Source.objects.get_or_create(name=source)[0].pk


def push_readings(
    rows: Sequence[Row | Reason], *, actor: Any, at: datetime, source: str, site: str | None = None
) -> PushResult:
    """Judge and store pushed rows; the verdict of every row comes back.

    A `Reason` in place of a row is one the edge could not read: it is logged as rejected. `site`
    is the code for rows that name none. Sending the same rows again stores nothing and changes
    nothing. Raises `Forbidden` when the actor may push nowhere.
    """
    started = perf_counter()
    sites, source_id = _sites_and_source(actor, source)
    verdicts = Verdicts(np.zeros(len(rows), dtype=np.int8))
    now_us = micros(at)
    read = read_contents(rows, verdicts)
    read = refuse_future(read, now_us, options().CLOCK_SKEW_S * US_PER_S, verdicts)
    database = router.db_for_write(Reading)
    _ensure_months(database, read)
    chunk = _Chunk(rows, sites, site, source_id, now_us, verdicts, database, read.has_source_keys)

    def log() -> PushLog:
        actor_id = None if actor is None else actor.pk
        log_sites = sorted(chunk.touched_sites or sites)
        return _log(rows, verdicts, source_id, actor_id, at, started, log_sites)

    push_id = None
    cuts = [slice(start, start + CHUNK) for start in range(0, max(read.row.size, 1), CHUNK)]
    for cut in cuts:
        with transaction.atomic(using=database):
            push_id = chunk.take(read.only(cut), log if cut is cuts[-1] else None)
            if (verdicts.status == CREATED).any():
                wake("due.refresh")
    assert push_id is not None  # noqa: S101 the last chunk writes it
    return PushResult(verdicts.status, verdicts.reasons, push_id)


_known_months: set[tuple[str, np.datetime64]] = set()
"""Months this process has seen to exist, per database. A month is dropped only when it is old."""


def _ensure_months(database: str, read: Read) -> None:
    connection = connections[database]
    if connection.vendor != "postgresql" or not read.row.size:
        return
    months = np.unique(read.at_us.astype("datetime64[us]").astype("datetime64[M]"))
    seen = {(connection.settings_dict["NAME"], month) for month in months}
    if seen <= _known_months:
        return
    with transaction.atomic(using=database):
        ensure_months(connection, months.tolist())
    if not connection.in_atomic_block:  # else it may be rolled back
        _known_months.update(seen)


def _log(
    rows: Sequence[Row | Reason],
    verdicts: Verdicts,
    source_id: int,
    actor_id: int | None,
    at: datetime,
    started: float,
    site_ids: Sequence[int],
) -> PushLog:
    count = np.bincount(verdicts.status, minlength=len(STATUS_WORDS)).tolist()
    codes: Counter[str] = Counter()
    examples: dict[str, dict[str, None]] = {}
    for index, reason in verdicts.reasons.items():
        codes[reason.code] += 1
        row = rows[index]
        tags = examples.setdefault(reason.code, {})
        is_open = len(tags) < EXAMPLES or reason.code in CLOCK_CODES  # a clock: all its series
        if is_open and not isinstance(row, Reason):
            tags[str(row.series).replace("\0", "?")[:80]] = None
    return PushLog(
        source_id=source_id,
        actor_id=actor_id,
        at=at,
        counts=(len(rows), *count[CREATED:]),
        codes=dict(codes),
        examples={code: list(tags) for code, tags in examples.items()},
        duration_ms=round((perf_counter() - started) * 1000),
        site_ids=site_ids,
    )


def _no_effects() -> Effects:
    return Effects((), ())


@dataclass
class _Chunk:
    """What all chunks of one push share."""

    rows: Sequence[Any]
    sites: dict[int, str]
    site: str | None
    source_id: int
    now_us: int
    verdicts: Verdicts
    database: str
    has_source_keys: bool
    touched_sites: set[int] = field(default_factory=set)

    def take(self, read: Read, log: Callable[[], PushLog] | None) -> int | None:
        """Judge and store one chunk inside the open transaction; the id of the log written."""
        connection = connections[self.database]
        if not read.row.size:
            return keep(connection, None, _no_effects, log)
        rows = self.rows
        if read.row.size < len(rows):
            rows = [rows[index] for index in read.row.tolist()]
        table = lock_series(connection, {row.series for row in rows}, list(self.sites))
        points = find_series(rows, read, table, self.sites, self.site, self.verdicts)
        self.touched_sites |= set(table.site_id[np.unique(points.pos)].tolist())
        points = convert_units(self.rows, points, table, self.verdicts)
        points = refuse_impossible_values(points, table, self.verdicts)
        points = points.only(np.lexsort((points.at_us, points.pos)))
        points, repeats = self._first_of_each_key(points)
        points = self._not_stored_yet(connection, points, table)
        points = self._plausible(points, table)
        points, segments = self._sound(connection, points, table)
        for index, first in repeats:
            if self.verdicts.status[first] in (REJECTED, SET_ASIDE):
                self.verdicts.give(
                    index, int(self.verdicts.status[first]), self.verdicts.reasons[first]
                )
        self.verdicts.status[points.row] = CREATED
        if not points.size:
            return keep(connection, None, _no_effects, log)
        counts = points.quality < int(Quality.BAD)

        def effects() -> Effects:
            delta = day_delta(points.only(counts), segments, table)
            states = new_states(points, counts, delta, table, self.now_us)
            return Effects(day_arrays(delta, table), states)

        return keep(connection, self._new(points, table), effects, log)

    def _same(self, row: int, value: float, quality: int, kept: float, kept_quality: int) -> None:
        """The verdict of a row whose key is taken: the first stays."""
        if round(value * MICRO) != round(kept * MICRO):
            words = f"There is a reading of {kept:.10g} at this instant; {value:.10g} is not taken."
            remedy = "The first stays. If it is wrong, call it wrong on the series' page."
            self.verdicts.give(row, CONFLICT, Reason("other_value_stored", words, remedy))
        elif quality != kept_quality:
            words = f"The reading is stored with quality {Quality(kept_quality).word}."
            self.verdicts.give(row, DUPLICATE, Reason("other_quality_stored", words))
        else:
            self.verdicts.reasons.pop(row, None)
            self.verdicts.give(row, DUPLICATE)

    def _first_of_each_key(self, points: Points) -> tuple[Points, list[tuple[int, int]]]:
        """Keep the first row of each (series, instant); judge its repeats against it."""
        is_repeat = np.zeros(points.size, dtype=np.bool_)
        is_repeat[1:] = (points.pos[1:] == points.pos[:-1]) & (
            points.at_us[1:] == points.at_us[:-1]
        )
        if not is_repeat.any():
            return points, []
        first = np.maximum.accumulate(np.where(is_repeat, 0, np.arange(points.size)))
        repeats = []
        for index in np.flatnonzero(is_repeat).tolist():
            kept = int(first[index])
            row = int(points.row[index])
            self._same(
                row,
                float(points.value[index]),
                int(points.quality[index]),
                float(points.value[kept]),
                int(points.quality[kept]),
            )
            repeats.append((row, int(points.row[kept])))
        return points.only(~is_repeat), repeats

    def _not_stored_yet(self, connection: Any, points: Points, table: Table) -> Points:
        is_late = points.at_us <= table.newest_us[points.pos]
        late = np.flatnonzero(is_late)
        if not late.size:
            return points
        probed = points.only(late)
        stored = probes.existing(connection, table.id[probed.pos].tolist(), probed.at_us.tolist())
        known = points.only(late[stored.pair])
        self.verdicts.status[known.row] = DUPLICATE
        is_other = whole_micro(known.value) != whole_micro(stored.value)
        is_other |= known.quality != stored.quality
        for index in np.flatnonzero(is_other).tolist():
            self._same(
                int(known.row[index]),
                float(known.value[index]),
                int(known.quality[index]),
                float(stored.value[index]),
                int(stored.quality[index]),
            )
        for row in set(known.row[~is_other].tolist()) & self.verdicts.reasons.keys():
            del self.verdicts.reasons[row]
        keep = np.ones(points.size, dtype=np.bool_)
        keep[late[stored.pair]] = False
        return points.only(keep)

    def _plausible(self, points: Points, table: Table) -> Points:
        """Values outside the limits stated for the series wait for a person."""
        low, high = table.plausible_min[points.pos], table.plausible_max[points.pos]
        with np.errstate(invalid="ignore"):
            is_odd = (points.value < low) | (points.value > high)
        is_odd &= points.quality < int(Quality.BAD)
        if not is_odd.any():
            return points
        aside = [
            (
                index,
                Reason(
                    "implausible_value",
                    f"{points.value[index]:.6g} {table.unit[int(points.pos[index])]} lies outside "
                    f"the plausible {low[index]:.6g} to {high[index]:.6g}.",
                    "A person accepts or dismisses it.",
                ),
            )
            for index in np.flatnonzero(is_odd).tolist()
        ]
        self._set_aside(points, table, aside)
        return points.only(~is_odd)

    def _sound(
        self, connection: Any, points: Points, table: Table
    ) -> tuple[Points, SegmentDelta | None]:
        """Points of series that did not jump, with their segments; the others are sifted."""
        of_counter = (points.quality < int(Quality.BAD)) & table.is_counter[points.pos]
        if not of_counter.any():
            return points, None
        changes = meter_changes(table)
        chain = points.only(of_counter)
        near = self._near(connection, chain, table)
        segments = segment_delta(chain, near, table, changes)
        is_odd = table.has_waiting_jumps.copy()
        is_odd[segments.impossible_pos] = True
        if is_odd[chain.pos].any():
            is_apart = np.zeros(table.id.size, dtype=np.bool_)
            is_apart[chain.pos] = is_odd[chain.pos]
            keep_chain = ~is_apart[chain.pos]
            chain, near = chain.only(keep_chain), near.only(keep_chain)
            segments = segment_delta(chain, near, table, changes)
            self._sift(connection, points.only(is_apart[points.pos]), table)
            points = points.only(~is_apart[points.pos])
        return points, segments

    def _near(self, connection: Any, chain: Points, table: Table) -> probes.Neighbours:
        """Stored neighbours: from the state for readings at the end, by index probe for others."""
        near = probes.Neighbours(
            table.last_us[chain.pos],
            table.last_value[chain.pos],
            np.full(chain.size, -1, dtype=np.int64),
            np.full(chain.size, np.nan),
        )
        inner = np.flatnonzero(chain.at_us < table.last_us[chain.pos])
        if inner.size:
            late = chain.only(inner)
            found = probes.neighbours(connection, table.id[late.pos].tolist(), late.at_us.tolist())
            for column, probed in zip(near, found, strict=True):
                column[inner] = probed
        return near

    def _new(self, points: Points, table: Table) -> NewReadings:
        keys = None
        if self.has_source_keys:
            keys = [self.rows[row].source_key for row in points.row.tolist()]
        return NewReadings(points, table, self.source_id, keys, self.now_us)

    def _sift(self, connection: Any, points: Points, table: Table) -> None:
        """Series with an impossible jump: one by one, in time order, with their neighbours."""
        found = sift(points, table, self.now_us)
        kept = points.only(np.array(found.kept, dtype=np.int64))
        insert_readings(connection, self._new(kept, table))
        self.verdicts.status[kept.row] = CREATED
        self._set_aside(points, table, found.aside)
        found.settle()

    def _set_aside(self, points: Points, table: Table, aside: Sequence[tuple[int, Reason]]) -> None:
        waiting = []
        for index, reason in aside:
            row, pos = int(points.row[index]), int(points.pos[index])
            self.verdicts.give(row, SET_ASIDE, reason)
            waiting.append(
                SetAside(
                    site_id=int(table.site_id[pos]),
                    series_id=int(table.id[pos]),
                    tag=table.tag[pos],
                    at_us=int(points.at_us[index]),
                    value=float(points.value[index]),
                    quality=int(points.quality[index]),
                    source_id=self.source_id,
                    raw=raw_row(self.rows[row]),
                    code=reason.code,
                    words=str(reason)[:300],
                    received_us=self.now_us,
                )
            )
        if not waiting:
            return
        dismissed = {
            (item.series_id, item.at_us, item.value)
            for item in SetAside.objects.filter(
                series_id__in={item.series_id for item in waiting}, state="dismissed"
            )
        }
        SetAside.objects.bulk_create(waiting, ignore_conflicts=True)
        jumped = {str(item.series_id) for item in waiting if item.code == JUMP}
        SeriesState.objects.filter(series_id__in=jumped).update(has_waiting_jumps=True)
        for (index, _), item in zip(aside, waiting, strict=True):
            if (item.series_id, item.at_us, item.value) in dismissed:
                self.verdicts.give(
                    int(points.row[index]),
                    REJECTED,
                    Reason("dismissed_before", "A person dismissed this reading."),
                )


def raw_row(row: Row) -> dict[str, Any]:
    """The row as JSON can hold it."""
    return {
        "series": row.series,
        "site": row.site,
        "at": row.at.isoformat(),
        "value": row.value,
        "unit": row.unit,
        "quality": row.quality,
        "source_key": row.source_key,
    }
