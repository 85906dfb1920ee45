"""Readings: the list of series, and the page of one with its plot and what can be done."""

from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import NotFound
from valvecare.readings import actions, reads
from valvecare.readings.models import Series
from valvecare.readings.pages.forms import (
    DaysForm,
    ListForm,
    MeterForm,
    SwapForm,
    WhyForm,
    WrongForm,
)
from valvecare.readings.reads.screen import PLOT_DAYS, SeriesPage
from valvecare.web import clock
from valvecare.web.page_acts import new_key, run_once, see_other
from valvecare.web.plots import Band, Limit, Line, Marker, TimeAxis, draw

_UNITS = {"1": "", "degC": "°C", "m3/h": "m³/h", "bar_g": "bar g", "bar_a": "bar a"}


@require_safe
@login_required
def readings(request: HttpRequest) -> HttpResponse:
    """All series a person can see, with their last values, ages, totals and doubts."""
    form = ListForm(request.user, request.GET)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        given = form.cleaned_data
        names = ("site", "quantity", "doubtful", "q")
        wanted = reads.SeriesFilterWords(**{name: given[name] for name in names})
        context["list"] = reads.series_listing(
            request.user, wanted, page=given["page"] or 1, at=clock.now()
        )
        context["wanted"] = wanted
    status = 200 if form.is_valid() else 400
    return render(request, "valvecare/readings/list.html", context, status=status)


def _figure(page: SeriesPage) -> Any:
    series, drawn = page.series, page.drawn
    unit = _UNITS.get(series.unit, series.unit)
    limits = [
        Limit(words, value)
        for words, value in (
            ("Plausible from", series.plausible_min),
            ("Plausible to", series.plausible_max),
            ("Rolls over at", series.rollover_modulus),
        )
        if value is not None and drawn.value.size and _is_near(page, value)
    ]
    first = float(drawn.time_s[0]) if drawn.time_s.size else 0.0
    markers = [
        Marker(event.at_us / 1e6, f"meter {event.kind}")
        for event in page.meter_events
        if drawn.time_s.size and event.at_us / 1e6 >= first
    ]
    bands = (
        [Band("lowest to highest of the day", drawn.time_s, drawn.low, drawn.high)]
        if drawn.low is not None and drawn.high is not None and not series.is_counter
        else []
    )
    kind = "steps" if series.is_counter else "line"
    label = "daily mean" if bands else series.quantity
    return draw(
        f"series-{series.pk}",
        title=f"{series.tag}, {series.quantity}",
        unit=unit,
        axis=TimeAxis(ZoneInfo(series.site.time_zone)),
        lines=[Line(label, drawn.time_s, drawn.value, kind=kind)],  # type: ignore[arg-type]
        limits=limits,
        markers=markers,
        bands=bands,
    )


def _use(page: SeriesPage) -> Any:
    """What a counter gained each day; empty for gauges."""
    if page.use is None or page.use.value.size < 2:
        return ""
    unit = _UNITS.get(page.series.unit, page.series.unit)
    return draw(
        f"use-{page.series.pk}",
        title=f"{page.series.tag}, gained each day (UTC)",
        unit=f"{unit} a day".strip(),
        axis=TimeAxis(ZoneInfo(page.series.site.time_zone)),
        lines=[Line("gain of the day", page.use.time_s, page.use.value, kind="steps")],
        height=180,
        from_zero=True,
    )


def _is_near(page: SeriesPage, limit: float) -> bool:
    """Draw a limit only where it does not flatten the values."""
    known = page.drawn.value[page.drawn.value == page.drawn.value]
    if not known.size:
        return False
    low, high = float(known.min()), float(known.max())
    room = max(high - low, abs(high) * 0.2, page.series.resolution)
    return low - 2 * room <= limit <= high + 2 * room


def _begun(series: Series) -> MeterForm:
    """The form of a changed meter, begun with the fall that nobody has declared yet."""
    zone = ZoneInfo(series.site.time_zone)
    fall = reads.undeclared_fall(series)
    given: dict[str, Any] = {"idempotency_key": new_key()}
    if fall is not None:
        given["at"] = None if fall.at is None else fall.at.astimezone(zone).replace(tzinfo=None)
        given["closing_value"] = f"{fall.closing_value:.10g}"
        given["opening_value"] = f"{fall.opening_value:.10g}"
    return MeterForm(zone, initial=given)


def _page(
    request: HttpRequest, pk: int, *, problem: str = "", meter: MeterForm | None = None
) -> HttpResponse:
    days = DaysForm(request.GET).wanted
    try:
        page = reads.series_page(request.user, pk, days=days, at=clock.now())
    except NotFound as error:
        raise Http404 from error
    context = {
        "page": page,
        "row": page.row,
        "series": page.series,
        "figure": _figure(page),
        "use": _use(page),
        "days": days,
        "ranges": PLOT_DAYS,
        "problem": problem,
        "key": new_key(),
        "meter": meter or _begun(page.series),
        "declares": meter is not None or "declare" in request.GET,
    }
    status = 400 if problem or meter else 200
    return render(request, "valvecare/readings/series.html", context, status=status)


@require_safe
@login_required
def series(request: HttpRequest, pk: int) -> HttpResponse:
    """One series: plot, facts, meter events, gaps, newest readings, what can be done."""
    return _page(request, pk)


def _seen(request: HttpRequest, pk: int) -> Series:
    try:
        return reads.one_series(request.user, pk)
    except NotFound as error:
        raise Http404 from error


def _back(request: HttpRequest, pk: int) -> HttpResponse:
    space = request.resolver_match.namespace if request.resolver_match else None
    if request.POST.get("back") == "quality":
        return see_other(reverse("valvecare:readings-quality", current_app=space))
    return see_other(reverse("valvecare:series", args=[pk], current_app=space))


@require_POST
@login_required
def declare_meter(request: HttpRequest, pk: int) -> HttpResponse:
    """Declare a replaced meter or a roll-over; the time is local at the site."""
    form = MeterForm(ZoneInfo(_seen(request, pk).site.time_zone), request.POST)
    if not form.is_valid():
        return _page(request, pk, meter=form)
    given = form.cleaned_data
    problem = run_once(
        request,
        given["idempotency_key"],
        lambda: actions.declare_meter_event(
            pk,
            kind=given["kind"],
            event_at=given["at"],
            closing_value=given["closing_value"],
            opening_value=given["opening_value"],
            words=given["words"],
            actor=request.user,
            at=clock.now(),
        ),
    )
    return _page(request, pk, problem=problem, meter=form) if problem else _back(request, pk)


@require_POST
@login_required
def call_wrong(request: HttpRequest, pk: int) -> HttpResponse:
    """Call one stored reading wrong."""
    _seen(request, pk)
    form = WrongForm(request.POST)
    if not form.is_valid():
        return _page(request, pk, problem="Say how it was checked.")
    given = form.cleaned_data
    problem = run_once(
        request,
        given["idempotency_key"],
        lambda: actions.call_reading_wrong(
            pk, at_us=given["at_us"], actor=request.user, at=clock.now(), why=given["why"]
        ),
    )
    return _page(request, pk, problem=problem) if problem else _back(request, pk)


@require_POST
@login_required
def confirm(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer a doubt: the readings are right."""
    _seen(request, pk)
    form = WhyForm(request.POST)
    if not form.is_valid():
        return _page(request, pk, problem="Say how it was checked.")
    given = form.cleaned_data
    problem = run_once(
        request,
        given["idempotency_key"],
        lambda: actions.confirm_series(pk, actor=request.user, at=clock.now(), why=given["why"]),
    )
    return _page(request, pk, problem=problem) if problem else _back(request, pk)


@require_POST
@login_required
def swap(request: HttpRequest, pk: int) -> HttpResponse:
    """Exchange the pumps of two series whose sensors were mixed up."""
    _seen(request, pk)
    form = SwapForm(request.POST)
    if not form.is_valid():
        return _page(request, pk, problem="Choose the other series again.")
    given = form.cleaned_data
    problem = run_once(
        request,
        given["idempotency_key"],
        lambda: actions.swap_series(
            pk,
            given["with_series"],
            versions=(given["version"], given["with_version"]),
            actor=request.user,
            at=clock.now(),
        ),
    )
    return _page(request, pk, problem=problem) if problem else _back(request, pk)


urls = [
    path("readings/", readings, name="readings"),
    path("readings/series/<int:pk>/", series, name="series"),
    path("readings/series/<int:pk>/meter", declare_meter, name="series-meter"),
    path("readings/series/<int:pk>/wrong", call_wrong, name="series-wrong"),
    path("readings/series/<int:pk>/confirm", confirm, name="series-confirm"),
    path("readings/series/<int:pk>/swap", swap, name="series-swap"),
]
