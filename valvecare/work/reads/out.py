"""Orders that are out on a phone: entries of theirs may come in late."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from valvecare.work.models import TakenAlong, number_of
from valvecare.work.rules import OrderState

ENDED = (OrderState.CLOSED.value, OrderState.DROPPED.value)


@dataclass(frozen=True, slots=True)
class OutOnPhone:
    """One order out with one person: since when, and when that phone last had a connection."""

    order_id: int
    number: str
    site: str
    time_zone: str
    valve: str
    kind: str
    state: str
    by: str
    since: datetime
    heard_at: datetime


def out_on_phones(user: Any, *, site: str = "") -> Sequence[OutOnPhone]:
    """Open orders of the person's sites that are out, the longest silent first. One query."""
    rows = TakenAlong.objects.for_user(user).filter(back_at=None)
    rows = rows.exclude(order__state__in=ENDED).select_related("order__site", "order__valve", "by")
    if site:
        rows = rows.filter(order__site__code=site)
    return tuple(
        OutOnPhone(
            row.order_id,
            number_of(row.order_id),
            row.order.site.code,
            row.order.site.time_zone,
            row.order.valve.tag,
            row.order.kind,
            row.order.state,
            row.by.get_username(),
            row.at,
            row.heard_at,
        )
        for row in rows.order_by("heard_at", "id")
    )
