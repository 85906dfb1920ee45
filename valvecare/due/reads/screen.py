"""Due items and their clocks as arrays, and the decision on them: one way for one and for all."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
from django.db.models import Case, IntegerField, QuerySet, Value, When
from numpy.typing import NDArray

from valvecare.core.conf import options
from valvecare.due.models import Clock, DueItem
from valvecare.due.reads.columns import As, Columns, any_of, columns
from valvecare.due.reads.conditions import beside_clocks
from valvecare.due.rules import (
    TRIGGERS,
    ClockColumns,
    Decisions,
    TaskKind,
    TriggerView,
    decide,
    decision_prints,
    with_conditions,
)
from valvecare.due.rules.decide import NEVER_US
from valvecare.engineering.calendars import local_date, local_dates
from valvecare.readings.models import micros
from valvecare.register.models import Site

KINDS = tuple(TaskKind)
_NAT = np.datetime64("NaT", "D")
_DAYS = {"earliest": "earliest_on", "likely": "likely_on", "latest": "latest_on"}


@dataclass(frozen=True, slots=True)
class Screened:
    """n items in id order: what is stored, what is decided, and the marks of both.

    `held["asked"]`: 1 where an open condition finding asks for the task. conditions: by row.
    """

    ids: NDArray[np.int64]
    held: Columns
    today: NDArray[np.datetime64]
    clocks: ClockColumns
    found: Decisions
    decision_print: NDArray[np.int64]
    words_print: NDArray[np.int64]
    conditions: Mapping[int, TriggerView] = field(default_factory=dict)

    @property
    def moved(self) -> NDArray[np.int64]:
        """Rows whose stored words no longer say what is decided."""
        return np.flatnonzero(self.words_print != self.held["words_print"])


def site_zones() -> dict[int, str]:
    """The time zone of every site."""
    return dict(Site.objects.values_list("pk", "time_zone"))


def _number_of(field: str, words: Sequence[StrEnum]) -> Any:
    cases = [When(**{field: word.value}, then=Value(n)) for n, word in enumerate(words)]
    return Case(*cases, output_field=IntegerField())


def trigger_column() -> Any:
    """The trigger as the number of its column."""
    return _number_of("trigger", TRIGGERS)


def kind_column() -> Any:
    """The kind of task as its number in the word list."""
    return _number_of("kind", KINDS)


def site_dates(
    at_us: NDArray[np.int64], site: NDArray[np.int64], zones: Mapping[int, str]
) -> NDArray[np.datetime64]:
    """The site-local date of each instant (microseconds since 1970)."""
    found = np.full(at_us.shape, _NAT)
    for one in np.unique(site):
        rows = site == one
        found[rows] = local_dates(at_us[rows] / 1e6, zones[int(one)])
    return found


def todays(
    at: datetime, site: NDArray[np.int64], zones: Mapping[int, str]
) -> NDArray[np.datetime64]:
    """The date at the site of each item at this instant."""
    sites, where = np.unique(site, return_inverse=True)
    dates = [local_date(at, zones[int(one)]) for one in sites]
    return np.array(dates, dtype="datetime64[D]")[where]


def read_items(items: "QuerySet[Any, Any]") -> Columns:
    """What the screening needs of items, in id order."""
    held = columns(
        items.order_by(),
        {
            "id": ("id", As.INT),
            "valve": ("valve_id", As.INT),
            "kind": (kind_column(), As.INT),
            "site": ("site_id", As.INT),
            "group": ("group_id", As.INT),
            "design": ("design_id", As.INT),
            "policy": ("policy_id", As.INT),
            "act": ("act_id", As.INT),
            "decision_print": ("decision_print", As.INT),
            "words_print": ("words_print", As.INT),
        },
    )
    order = np.argsort(held["id"], kind="stable")
    return {name: column[order] for name, column in held.items()}


def _read_clocks(clocks: "QuerySet[Any, Any]") -> Columns:
    return columns(
        clocks.order_by(),
        {
            "item": ("item_id", As.INT),
            "trigger": (trigger_column(), As.INT),
            "limit": ("limit", As.FLOAT),
            "anchor_on": ("anchor_on", As.DAY),
            "series": ("series_id", As.INT),
            "used": ("used", As.FLOAT),
            "stale_at_us": ("stale_at_us", As.INT),
            "is_lower_bound": ("is_lower_bound", As.FLAG),
            **{name: (field, As.DAY) for name, field in _DAYS.items()},
        },
    )


def _table(shape: tuple[int, int], empty: Any, rows: Any, values: NDArray[Any]) -> NDArray[Any]:
    table = np.full(shape, empty, dtype=values.dtype)
    table[rows] = values
    return table


def screen(
    items: "QuerySet[Any, Any]",
    clocks: "QuerySet[Any, Any]",
    *,
    at: datetime,
    zones: Mapping[int, str],
) -> Screened:
    """Decide these items from their clocks. `clocks` may hold rows of other items as well."""
    held, rows = read_items(items), _read_clocks(clocks)
    ids = held["id"]
    shape = (ids.size, len(TRIGGERS))
    if ids.size:
        row = np.minimum(np.searchsorted(ids, rows["item"]), ids.size - 1)
        mine = ids[row] == rows["item"]
    else:
        row = mine = np.zeros(0, dtype=np.int64)
    rows = {name: column[mine] for name, column in rows.items()}
    place = (row[mine], rows["trigger"])
    anchor_on = np.full(ids.size, _NAT)
    anchor_on[place[0]] = rows["anchor_on"]
    stale = np.where(rows["stale_at_us"] == 0, NEVER_US, rows["stale_at_us"])
    clock_columns = ClockColumns(
        limit=_table(shape, np.nan, place, rows["limit"]),
        anchor_on=anchor_on,
        used=_table(shape, np.nan, place, rows["used"]),
        is_lower_bound=_table(shape, False, place, rows["is_lower_bound"]),
        has_series=_table(shape, False, place, rows["series"] > 0),
        stale_at_us=_table(shape, NEVER_US, place, stale),
        **{name: _table(shape, _NAT, place, rows[name]) for name in _DAYS},
    )
    today = todays(at, held["site"], zones)
    found = decide(
        clock_columns,
        today=today,
        at_us=micros(at),
        margin=options().LOW_MARGIN_SHARE,
    )
    beside, views = beside_clocks(held, today)
    is_limited = np.asarray(~np.isnan(clock_columns.limit).all(axis=1))
    found = with_conditions(found, beside, today=today, is_limited=is_limited)
    held["asked"] = (beside.mark != 0).astype(np.int64)
    marks = decision_prints(
        found,
        clock_columns,
        policy_id=held["policy"],
        act_id=held["act"],
        condition=beside.mark,
    )
    return Screened(ids, held, today, clock_columns, found, *marks, conditions=views)


def screen_ids(ids: Any, *, at: datetime, zones: Mapping[int, str]) -> Screened:
    """Decide the items with these ids."""
    return screen(
        DueItem.objects.filter(any_of("pk", ids)),
        Clock.objects.filter(any_of("item_id", ids)),
        at=at,
        zones=zones,
    )


def stale_days(screened: Screened, zones: Mapping[int, str]) -> NDArray[np.datetime64]:
    """(n, 3): the site-local date of each reading that is old; NaT elsewhere. No query if none."""
    found = np.full(screened.found.is_stale.shape, _NAT)
    rows = np.flatnonzero(screened.found.is_stale.any(axis=1))
    if not rows.size:
        return found
    row_of = dict(zip(screened.ids.tolist(), range(screened.ids.size), strict=True))
    old = columns(
        Clock.objects.filter(any_of("item_id", screened.ids[rows].tolist())).order_by(),
        {
            "item": ("item_id", As.INT),
            "trigger": (trigger_column(), As.INT),
            "at_us": ("used_at_us", As.INT),
        },
    )
    row = np.array([row_of[one] for one in old["item"].tolist()], dtype=np.int64)
    is_old = screened.found.is_stale[row, old["trigger"]]
    row, column, at_us = row[is_old], old["trigger"][is_old], old["at_us"][is_old]
    found[row, column] = site_dates(at_us, screened.held["site"][row], zones)
    return found
