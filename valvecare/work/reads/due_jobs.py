"""The list plant systems poll: narrow columns, one query, the same cost at any depth."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import QuerySet

from valvecare.register.models import Site
from valvecare.work.models import WorkOrder, number_of

COLUMNS = (
    "id",
    "version",
    "kind",
    "state",
    "due_on",
    "share_used",
    "governed_by",
    "why",
    "updated_at",
    "valve_id",
    "valve__tag",
    "valve__pump__tag",
    "valve__pump__group__code",
    "site__code",
    "slot__window__name",
    "slot__starts_on",
)


@dataclass(frozen=True)
class JobFilter:
    """None or empty: not filtered by that. Codes for site and group, an id for the valve."""

    site: str = ""
    group: str = ""
    valve: int | None = None
    state: str = ""
    kind: str = ""
    due_before: date | None = None
    updated_since: datetime | None = None


def due_jobs(
    user: Any, wanted: JobFilter, *, ended_too: bool = False
) -> "QuerySet[WorkOrder, dict[str, Any]]":
    """Open orders this person may see, as rows of `COLUMNS`.

    With `updated_since`, or `ended_too`, closed and dropped orders are listed as well, so that a
    poller learns of their end.
    """
    orders = WorkOrder.objects.all()
    if wanted.updated_since is None and not ended_too:
        orders = orders.open()
    if wanted.site or not user.is_superuser:
        # the sites by their ids, not by a subquery whose size the database cannot guess: so the
        # index that gives the order is used at any depth
        sites = Site.objects.for_user(user)
        if wanted.site:
            sites = sites.filter(code=wanted.site)
        ids = sorted(sites.values_list("pk", flat=True))
        if ids:
            one = len(ids) == 1
            orders = orders.filter(**({"site_id": ids[0]} if one else {"site_id__in": ids}))
        else:
            # a contractor has no site, only the orders given to them
            orders = orders.filter(pk__in=WorkOrder.objects.for_user(user).values("pk"))
            if wanted.site:
                orders = orders.filter(site__code=wanted.site)
    if wanted.group:
        orders = orders.filter(valve__pump__group__code=wanted.group)
    if wanted.valve is not None:
        orders = orders.filter(valve_id=wanted.valve)
    if wanted.state:
        orders = orders.filter(state=wanted.state)
    if wanted.kind:
        orders = orders.filter(kind=wanted.kind)
    if wanted.due_before is not None:
        orders = orders.filter(due_on__lt=wanted.due_before)
    if wanted.updated_since is not None:
        orders = orders.filter(updated_at__gte=wanted.updated_since)
    return orders.values(*COLUMNS)


def job_row(row: Mapping[str, Any], *, url: str) -> dict[str, Any]:
    """One row as it goes out; `url` is the address of the list of orders, without a slash."""
    pk = row["id"]
    window = row["slot__window__name"]
    return {
        "id": pk,
        "number": number_of(pk),
        "url": f"{url}/{pk}",
        "version": row["version"],
        "site": row["site__code"],
        "group": row["valve__pump__group__code"],
        "pump": row["valve__pump__tag"],
        "valve": {"id": row["valve_id"], "tag": row["valve__tag"]},
        "kind": row["kind"],
        "state": row["state"],
        "due_on": row["due_on"],
        "share_used": row["share_used"],
        "governed_by": row["governed_by"],
        "why": row["why"],
        "window": {"name": window, "starts_on": row["slot__starts_on"]} if window else None,
        "updated_at": row["updated_at"],
    }
