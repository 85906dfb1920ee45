"""The page of one valve: everything known about it, and what is not known."""

from dataclasses import dataclass
from typing import Any

from django.contrib.auth.decorators import login_required
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils.safestring import SafeString
from django.views.decorators.http import require_safe

from valvecare.core.models import Event
from valvecare.core.permits import may
from valvecare.due.reads import conditions_of, due_of
from valvecare.parts.reads import kit_check, kits_near
from valvecare.protection.models import FunctionTest
from valvecare.protection.pages.plots import tests_plot
from valvecare.protection.reads.standing import standing_of, standings
from valvecare.readings.models import Series
from valvecare.register.models import CurvePoint, ProtectionValve, Pump
from valvecare.web import clock
from valvecare.web.menu import url_or_none
from valvecare.web.plots import Line, Marker, NumberAxis, draw
from valvecare.web.words import plain_date, zone_of
from valvecare.work.models import WorkOrder

EVENTS_SHOWN = 20
ORDERS_SHOWN = 50
TESTS_SHOWN = 50
FLOW = NumberAxis("Main flow", "m³/h")


@dataclass(frozen=True, slots=True)
class Fact:
    """A line of a fact sheet; `value` None or 'not known' is marked as such."""

    label: str
    value: Any
    unit: str = ""


def _identity(valve: ProtectionValve) -> list[Fact]:
    design = valve.design
    return [
        Fact("Design", design and " ".join(filter(None, (design.code, design.variant)))),
        Fact("Size", design and f"DN{design.dn}, bypass DN{design.bypass_dn}"),
        Fact("Revision", design and design.revision),
        Fact("Serial number", valve.serial),
        Fact("Stamped on the body", valve.stamped_identity),
        Fact("Built", str(valve.built_year) if valve.built_year else None),
        Fact("Seals", valve.seal_material),
        Fact("Position in the pipe", valve.attitude),
        Fact("Principle", design and design.principle),
        Fact("Status", valve.status),
    ]


def _duty(valve: ProtectionValve, pump: Pump) -> list[Fact]:
    return [
        Fact("Required minimum flow of the pump", pump.stable_min_flow_m3_per_h, "m³/h"),
        Fact("Design bypass flow", valve.design_bypass_flow_m3_per_h, "m³/h"),
        Fact("Bypass Kv, main disc closed", valve.bypass_kv_m3_per_h, "m³/h"),
        Fact("Switching flow, bypass shut from", valve.switching_flow_m3_per_h, "m³/h"),
        Fact("Bypass returns to", pump.returns_to),
        Fact("Back pressure at the bypass", pump.back_pressure_bar_g, "bar g"),
        Fact("Allowed temperature rise", pump.allowed_rise_k, "K"),
    ]


def _pump(pump: Pump) -> list[Fact]:
    return [
        Fact("Role", pump.role),
        Fact("Medium", pump.medium),
        Fact("Speed", pump.speed_rpm, "1/min"),
        Fact("Best-efficiency flow", pump.best_flow_m3_per_h, "m³/h"),
        Fact("Duty flow", pump.duty_flow_m3_per_h, "m³/h"),
        Fact("Motor", pump.motor_rated_kw, "kW"),
        Fact("Suction pressure", pump.suction_pressure_bar_g, "bar g"),
        Fact("Suction temperature", pump.suction_temperature_degc, "°C"),
    ]


def _curve(valve: ProtectionValve, pump: Pump) -> SafeString | None:
    rows = list(
        CurvePoint.objects.filter(pump=pump)
        .order_by("flow_m3_per_h")
        .values_list("flow_m3_per_h", "head_m")
    )
    if len(rows) < 2:
        return None
    speed = f" at {pump.curve_speed_rpm:g} 1/min" if pump.curve_speed_rpm else ""
    flows = {
        "Required minimum flow": pump.stable_min_flow_m3_per_h,
        "Switching flow": valve.switching_flow_m3_per_h,
        "Duty flow": pump.duty_flow_m3_per_h,
    }
    return draw(
        "curve",
        title=f"Head of {pump.tag}{speed}",
        unit="m",
        axis=FLOW,
        lines=[Line("Curve", [flow for flow, _ in rows], [head for _, head in rows])],
        markers=[Marker(flow, words) for words, flow in flows.items() if flow],
        height=260,
    )


@require_safe
@login_required
def valve(request: HttpRequest, pk: int) -> HttpResponse:
    """Identity, duty, clocks, orders, tests, series and the story of one valve."""
    found = (
        ProtectionValve.objects.for_user(request.user)
        .select_related("design", "pump__group__site")
        .filter(pk=pk)
        .first()
    )
    if found is None:
        raise Http404
    pump = found.pump
    site = pump.group.site
    orders = list(
        WorkOrder.objects.filter(valve=found)
        .select_related("assigned_to")
        .order_by("-raised_at", "-id")[:ORDERS_SHOWN]
    )
    tests = list(FunctionTest.objects.filter(valve=found).order_by("-done_at", "-id")[:TESTS_SHOWN])
    events = Event.objects.filter(
        Q(valve=found) | Q(object_type="pump", object_id=str(pump.pk))
    ).order_by("-at", "-id")[: EVENTS_SHOWN + 1]
    story = list(events)
    changed_on = pump.hydraulics_changed_on
    now = clock.now()
    row = standings(request.user, now).filter(pk=found.pk).first()
    standing = standing_of(row) if row is not None else None
    required = standing.required_m3_per_h if standing is not None else None
    looks_at_parts = may(request.user, "view_parts", site.pk)
    today = now.astimezone(zone_of(site)).date()
    context = {
        "kits": kit_check(found, kits_near(found), today) if looks_at_parts else [],
        "looks_at_parts": looks_at_parts,
        "valve": found,
        "pump": pump,
        "group": pump.group,
        "site": site,
        "now": now,
        "identity": _identity(found),
        "duty": _duty(found, pump),
        "pump_facts": _pump(pump),
        "changed": f"{pump.hydraulics_change or 'Hydraulics changed'}, {plain_date(changed_on)}"
        if changed_on
        else "",
        "standing": standing,
        "items": due_of(found),
        "conditions": conditions_of(found),
        "open_orders": [order for order in orders if order.is_open],
        "ended_orders": [order for order in orders if not order.is_open],
        "order_url": url_or_none(request, "valvecare:work-order", 0) is not None,
        "tests": tests,
        "tests_plot": tests_plot(found.tag, tests, required, zone_of(site)),
        "curve": _curve(found, pump),
        "series": list(Series.objects.filter(pump=pump, retired_at=None).select_related("state")),
        "series_url": url_or_none(request, "valvecare:series", 0) is not None,
        "events": story[:EVENTS_SHOWN],
        "more_events": len(story) > EVENTS_SHOWN,
    }
    return render(request, "valvecare/work/valve.html", context)


urls = [path("valves/<int:pk>/", valve, name="valve")]
