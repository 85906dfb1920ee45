"""Jobs the invented people have in hand on the demo day: a visitor can start at the valve."""

from datetime import date, datetime
from typing import Any

from django.contrib.auth import get_user_model

from valvecare.models import Crew, Kit, ProtectionValve, Window, WorkOrder
from valvecare.parts.actions import reserve
from valvecare.planning.actions.place import place
from valvecare.project.demo.world import people
from valvecare.work.actions.agree import agree
from valvecare.work.actions.assign import assign
from valvecare.work.actions.raise_work_order import raise_work_order
from valvecare.work.actions.ready import ready
from valvecare.work.rules import OrderKind, ready_items

PROOFS = {
    "kit": "Kept in the store for this order.",
    "permit": "Permit 26-0412 prepared by the shift.",
    "rods and spring": "As the spring verdict of the job pack says.",
    "lifting": "Chain hoist of the bay, in date.",
    "crew and skill": "Both have done this design before.",
    "test slot": "Agreed with the control room after the job.",
}
"""Invented words for the go/no-go list."""


def orders(at: datetime) -> None:
    """One look and listen at each of two sites, a function test and a strip-down ready to start."""
    _agreed("AF-FW-2V", OrderKind.LOOK_AND_LISTEN, "af-technician-c", at)
    _agreed("NH-FW-2V", OrderKind.LOOK_AND_LISTEN, "nh-technician-a", at, why="Its sister failed.")
    test = _agreed("SM-IN-4V", OrderKind.FUNCTION_TEST, "sm-crew-1", at)
    _readied(test, "SM train slot 2026-05-05", "SM crew 1", at, hours=4.0)
    strip = _agreed(
        "AF-SH-3V",
        OrderKind.STRIP_DOWN,
        "af-technician-c",
        at,
        why="Its sister failed with a worn pin; inspect it before the July stop.",
    )
    kit = Kit.objects.get(name="BIR40-100B-soft")
    reserve(strip.pk, kit_id=kit.pk, actor=people(), at=at)
    strip.refresh_from_db()
    _readied(strip, "AF maintenance day 2026-05-12", "AF crew", at)


def _person(login: str) -> Any:
    return get_user_model()._default_manager.get_by_natural_key(login)


def _agreed(valve: str, kind: OrderKind, login: str, at: datetime, *, why: str = "") -> WorkOrder:
    """The order raised for this valve, or one raised now; agreed and given to a technician."""
    owner, row = people(), ProtectionValve.objects.get(tag=valve)
    order = WorkOrder.objects.open().filter(valve=row, kind=kind.value).first()
    if order is None:
        order = raise_work_order(row.pk, kind, why=why, due_on=date(2026, 7, 1), actor=owner, at=at)
    order = agree(order.pk, version=order.version, actor=owner, at=at)
    return assign(order.pk, login, version=order.version, actor=owner, at=at)


def _readied(
    order: WorkOrder, window: str, crew: str, at: datetime, *, hours: float | None = None
) -> None:
    """Placed in this window, every line of its go/no-go list shown green."""
    owner = people()
    order = place(
        order.pk,
        Window.objects.get(name=window).pk,
        Crew.objects.get(name=crew).pk,
        version=order.version,
        actor=owner,
        at=at,
        hours=hours,
        because="Agreed with the shift.",
    )
    proofs = {item.value: PROOFS[item.value] for item in ready_items(OrderKind(order.kind))}
    ready(order.pk, proofs, version=order.version, actor=owner, at=at)
