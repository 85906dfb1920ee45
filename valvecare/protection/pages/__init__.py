"""Protection, the first page: can each valve still protect its pump, and what is due."""

from typing import Any

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.core.errors import NotFound
from valvecare.due.pages import PlaceForm
from valvecare.protection.pages.plots import plots_of
from valvecare.protection.reads import overview
from valvecare.protection.reads.standing import StandingFilter
from valvecare.protection.reads.valves import shift_view, valve_list
from valvecare.protection.reads.why import passing_of_verdict, why
from valvecare.protection.rules import Word
from valvecare.web import clock


@require_safe
@login_required
def protection(request: HttpRequest) -> HttpResponse:
    """All sites of the person, or one (`?site=`). Every number links to exactly those tasks."""
    now = clock.now()
    found = overview(request.user, now, site_code=request.GET.get("site", ""))
    context = {
        "overview": found,
        "now": now,
        "one_site": bool(request.GET.get("site")),
    }
    return render(request, "valvecare/protection/overview.html", context)


class ValveFilterForm(PlaceForm):
    """The filters of the list of valves."""

    word = forms.ChoiceField(required=False, choices=[("", "All"), *((w.value,) * 2 for w in Word)])


@require_safe
@login_required
def valves(request: HttpRequest) -> HttpResponse:
    """Valves in service by verdict, worst first. The query string holds the filters."""
    form = ValveFilterForm(request.user, request.GET)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        given = form.cleaned_data
        wanted = StandingFilter(word=given["word"], site=given["site"], group=given["group"])
        context["wanted"] = wanted
        context["list"] = valve_list(request.user, wanted, clock.now(), page=given["page"] or 1)
    return render(
        request,
        "valvecare/protection/valves.html",
        context,
        status=200 if form.is_valid() else 400,
    )


@require_safe
@login_required
def verdict_why(request: HttpRequest, pk: int) -> HttpResponse:
    """Why the verdict of one valve says what it says: every number to its formula and source."""
    try:
        found = why(request.user, pk, clock.now())
    except NotFound as error:
        raise Http404(str(error)) from error
    passing = passing_of_verdict(found.verdict)
    context = {
        "why": found,
        "standing": found.standing,
        "verdict": found.verdict,
        "policy": found.policy,
        "passing": passing,
        "guided": next((test for test in found.tests if test.evidence), None),
        "plots": plots_of(found, passing),
    }
    return render(request, "valvecare/protection/why.html", context)


@require_safe
@login_required
def shift(request: HttpRequest) -> HttpResponse:
    """One plain sentence per pump with what the shift must keep to. Made to be printed."""
    site = request.GET.get("site", "")
    now = clock.now()
    context = {"groups": shift_view(request.user, site, now), "now": now, "site": site}
    return render(request, "valvecare/protection/shift.html", context)


urls = [
    path("", protection, name="protection"),
    path("valves/", valves, name="valves"),
    path("valves/<int:pk>/verdict/", verdict_why, name="verdict-why"),
    path("shift/", shift, name="shift"),
]
