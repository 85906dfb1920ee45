"""Place an order in a window with a crew, move it, take it out again."""

from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound
from valvecare.planning.models import Crew, Slot, Window
from valvecare.planning.reads import board_of, check, hours_of
from valvecare.planning.rules import Placement, why_not_because
from valvecare.register.models import ProtectionValve, PumpGroup
from valvecare.work.actions.order import refuse_if, taken
from valvecare.work.actions.place import enter_window, leave_window
from valvecare.work.models import WorkOrder
from valvecare.work.rules import PLACEABLE, OrderState, why_not_in_state


def _visible(model: Any, pk: int, actor: Any, *, lock: bool) -> Any:
    rows = model.objects.for_user(actor).filter(pk=pk)
    if lock:
        # the subquery of the tenancy filter is not locked, only this row
        rows = model.objects.filter(pk__in=rows.values("pk")).select_for_update()
    found = rows.first()
    if found is None:
        raise NotFound(f"There is no such {model._meta.verbose_name} for you.")
    return found


def _valve_of(order: WorkOrder) -> ProtectionValve:
    valves = ProtectionValve.objects.select_related("design", "pump")
    found: ProtectionValve = valves.get(pk=order.valve_id)
    return found


def check_place(
    order_id: int,
    window_id: int,
    crew_id: int,
    *,
    actor: Any,
    hours: float | None = None,
    not_before: date | None = None,
) -> Placement:
    """What placing would do, without doing it (for previews)."""
    order = WorkOrder.objects.for_user(actor).filter(pk=order_id).first()
    if order is None:
        raise NotFound("There is no such work order for you.")
    wrong_state = why_not_in_state(OrderState(order.state), PLACEABLE, "placed")
    if wrong_state is not None:
        return Placement({}, (wrong_state,), ())
    return _check(
        order,
        _visible(Window, window_id, actor, lock=False),
        _visible(Crew, crew_id, actor, lock=False),
        hours=hours,
        not_before=not_before,
    )[0]


def _check(
    order: WorkOrder,
    window: Window,
    crew: Crew,
    *,
    hours: float | None,
    not_before: date | None,
) -> tuple[Placement, float | None]:
    valve = _valve_of(order)
    board = board_of(order.site_id, [valve.pump.group_id]).without(order.pk)
    known = hours_of(order, valve, hours)
    still_needed = frozenset(window.still_needed.values_list("pk", flat=True))
    placement = check(
        order,
        valve,
        window,
        crew,
        board=board,
        hours=known,
        not_before=not_before,
        still_needed=still_needed,
    )
    return placement, known


@transaction.atomic
def place(
    order_id: int,
    window_id: int,
    crew_id: int,
    *,
    version: int,
    actor: Any,
    at: datetime,
    hours: float | None = None,
    not_before: date | None = None,
    because: str = "",
) -> WorkOrder:
    """agreed -> placed, or move a placed order. Refused with every reason that stands against it.

    Window, crew and group are locked, in this order, before the bookings are read.
    """
    order = taken(order_id, version=version, actor=actor, permit="place_work_order")
    refuse_if(why_not_in_state(OrderState(order.state), PLACEABLE, "placed"))
    window = _visible(Window, window_id, actor, lock=True)
    crew = _visible(Crew, crew_id, actor, lock=True)
    group_id = _valve_of(order).pump.group_id
    list(PumpGroup.objects.filter(pk=group_id).select_for_update())
    placement, known = _check(order, window, crew, hours=hours, not_before=not_before)
    refuse_if(*placement.refusals)
    refuse_if(*why_not_because(placement.warnings, because))
    days = {day.isoformat(): round(amount, 4) for day, amount in placement.days.items()}
    slot = Slot.objects.filter(order=order).first() or Slot(order=order)
    slot.window, slot.crew = window, crew
    slot.starts_on, slot.ends_on = min(placement.days), max(placement.days)
    slot.hours, slot.days, slot.because = float(known or 0), days, because
    slot.clean_fields(exclude=["order", "window", "crew"])
    slot.clean()
    slot.save()
    words = f"{order} placed in {window} with {crew}, {slot.starts_on} to {slot.ends_on}."
    return enter_window(
        order,
        words=f"{words} {because}".strip(),
        data={
            "window": window.name,
            "crew": crew.name,
            "days": days,
            "because": because,
            "warnings": [reason.code for reason in placement.warnings],
        },
        actor=actor,
        at=at,
    )


@transaction.atomic
def unplace(order_id: int, *, version: int, actor: Any, at: datetime, why: str = "") -> WorkOrder:
    """placed or readied -> agreed; the slot is given back."""
    order = taken(order_id, version=version, actor=actor, permit="place_work_order")
    leave_window(order, why=why, actor=actor, at=at)
    Slot.objects.filter(order=order).delete()
    return order
