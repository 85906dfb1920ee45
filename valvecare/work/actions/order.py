"""The row of an order and its story: how every action here begins and ends."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.core.errors import Forbidden, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import PERMITS, Role, require, roles_at
from valvecare.core.take import take
from valvecare.work.models import WorkOrder
from valvecare.work.rules import OrderState, why_not_done_at, why_not_in_state

_RELATIONS = frozenset(
    field.name for field in WorkOrder._meta.get_fields() if field.is_relation and field.concrete
)


def refuse_if(*reasons: Reason | None) -> None:
    """Raise `Refused` with every reason that is one."""
    found = [reason for reason in reasons if reason is not None]
    if found:
        raise Refused(*found)


def site_day(order: WorkOrder, at: datetime) -> date:
    """The site's own day of this instant."""
    return at.astimezone(ZoneInfo(order.site.time_zone)).date()


def taken(order_id: int, *, version: int, actor: Any, permit: str) -> WorkOrder:
    """Take the order for writing and check the permit at its site."""
    visible = WorkOrder.objects.for_user(actor).select_related("site", "valve")
    order: WorkOrder = take(visible, order_id, version)
    require(actor, permit, site_id=order.site_id)
    return order


def require_worker(order: WorkOrder, actor: Any) -> None:
    """Raise `Forbidden` unless this person does work at the site; a contractor only on their own
    orders."""
    require(actor, "do_work", site_id=order.site_id)
    roles = roles_at(actor, order.site_id) & PERMITS["do_work"]
    if roles == {Role.CONTRACTOR} and order.assigned_to_id != actor.pk:
        raise Forbidden("do_work", "A contractor works on orders assigned to them.")


def taken_at_the_valve(
    order_id: int, *, version: int, actor: Any, verb: str, states: tuple[OrderState, ...]
) -> WorkOrder:
    """Take an order for a step at the valve: a worker, the right state.

    A contractor works only on orders assigned to them.
    """
    order = taken(order_id, version=version, actor=actor, permit="do_work")
    require_worker(order, actor)
    refuse_if(why_not_in_state(OrderState(order.state), states, verb))
    return order


def fact_time(done_at: datetime | None, *, at: datetime, not_before: datetime | None) -> datetime:
    """When a fact was made: as given, or now; never in the future or before what it follows."""
    if done_at is None:
        return at
    refuse_if(why_not_done_at(done_at, at=at, not_before=not_before))
    return done_at


def keep(
    order: WorkOrder,
    event: str,
    *,
    actor: Any,
    at: datetime,
    words: str,
    data: Mapping[str, Any] | None = None,
    **changes: Any,
) -> WorkOrder:
    """Set the named fields, check them, save them and append the event."""
    for name, value in changes.items():
        setattr(order, name, value)
    order.updated_at = at
    order.clean_fields(exclude=_RELATIONS)
    order.save(update_fields=[*changes, "updated_at"])
    record(f"work_order.{event}", order, actor=actor, at=at, words=words, data=data)
    return order
