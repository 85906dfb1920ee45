"""A count sheet: blind while counting, with differences afterwards."""

from dataclasses import dataclass
from typing import Any

from valvecare.core.errors import NotFound
from valvecare.parts.models import StockCount
from valvecare.parts.reads.facts import in_view
from valvecare.parts.rules import CountState


@dataclass(frozen=True, slots=True)
class CountLineOut:
    id: int
    item: str
    lot: str
    bin: str
    counted: int | None
    difference: int | None


@dataclass(frozen=True, slots=True)
class CountSheet:
    id: int
    version: int
    store: str
    state: CountState
    counted_by: str
    lines: list[CountLineOut]


def count_sheet(count_id: int, user: Any) -> CountSheet:
    """Raises `NotFound` for counts this person may not see."""
    count = (
        in_view(StockCount, user).select_related("store", "counted_by").filter(pk=count_id).first()
    )
    if count is None:
        raise NotFound("There is no such count for you.")
    lines = count.lines.select_related("lot__kit", "lot__part", "lot__bin__store")
    return CountSheet(
        count.pk,
        count.version,
        count.store.name,
        CountState(count.state),
        count.counted_by.get_username() if count.counted_by else "",
        [
            CountLineOut(
                line.pk,
                str(line.lot.item),
                line.lot.code,
                line.lot.bin.code,
                line.counted,
                line.difference,
            )
            for line in lines.order_by("lot__bin__code", "id")
        ],
    )


def open_counts(user: Any) -> list[StockCount]:
    """Counts under way at the person's sites."""
    rows = in_view(StockCount, user).filter(
        state__in=(CountState.COUNTING.value, CountState.COUNTED.value)
    )
    return list(rows.select_related("store__site"))
