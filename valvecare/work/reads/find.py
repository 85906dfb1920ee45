"""Orders, found by the search box by their number: WO-000123, wo-123."""

import re
from typing import Any

from valvecare.register.reads import Hit, register_finder
from valvecare.work.models import WorkOrder, number_of

_NUMBER = re.compile(r"WO-?0*([1-9][0-9]{0,17})", re.IGNORECASE)


@register_finder
def find_orders(user: Any, text: str) -> list[Hit]:
    """The order of this number; a part of a number finds nothing. One query."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return []
    rows = (
        WorkOrder.objects.for_user(user)
        .filter(pk=int(match[1]))
        .values_list("pk", "valve__tag", "kind", "state", "site__code")
    )
    return [
        Hit(
            "order",
            number_of(pk),
            f"{site} · {kind} of {valve} · {state}",
            "work-order",
            (pk,),
            is_exact=True,
        )
        for pk, valve, kind, state, site in rows
    ]
