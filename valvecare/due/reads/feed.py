"""Due items for plant systems: narrow columns, one query, the same cost at any depth."""

from collections.abc import Mapping
from typing import Any

from django.db.models import QuerySet

from valvecare.due.models import DueItem

COLUMNS = (
    "id",
    "valve_id",
    "valve__tag",
    "pump__tag",
    "group__code",
    "site__code",
    "kind",
    "state",
    "share_used",
    "governed_by",
    "runner_up",
    "runner_up_share",
    "earliest_on",
    "likely_on",
    "latest_on",
    "due_on",
    "listed_on",
    "reason",
    "as_of",
    "changed_at",
)
ORDER = ("listed_on", "id")
"""Without a record first, then by due date, without a date last."""


def due_feed(user: Any) -> "QuerySet[DueItem, dict[str, Any]]":
    """Rows of `COLUMNS` this person may see, to be filtered and cut into pages in `ORDER`."""
    return DueItem.objects.for_user(user).values(*COLUMNS)


def feed_row(row: Mapping[str, Any], *, url: str) -> dict[str, Any]:
    """One row as it goes out; `url` is the address of the list, without a slash at its end."""
    return {
        "id": row["id"],
        "url": f"{url}/{row['id']}",
        "site": row["site__code"],
        "group": row["group__code"],
        "pump": row["pump__tag"],
        "valve": {"id": row["valve_id"], "tag": row["valve__tag"]},
        "kind": row["kind"],
        "state": row["state"],
        "share_used": row["share_used"],
        "governed_by": row["governed_by"] or None,
        "runner_up": row["runner_up"] or None,
        "runner_up_share": row["runner_up_share"],
        "due_on": row["due_on"],
        "earliest_on": row["earliest_on"],
        "likely_on": row["likely_on"],
        "latest_on": row["latest_on"],
        "reason": row["reason"],
        "as_of": row["as_of"],
        "changed_at": row["changed_at"],
    }
