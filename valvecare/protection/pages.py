"""Protection, the first page: can each valve still protect its pump, and what is due."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.protection.reads import overview
from valvecare.web import clock


@require_safe
@login_required
def protection(request: HttpRequest) -> HttpResponse:
    """All sites of the person, or one (`?site=`). Every number links to exactly those tasks."""
    found = overview(request.user, site_code=request.GET.get("site", ""))
    context = {
        "overview": found,
        "now": clock.now(),
        "one_site": bool(request.GET.get("site")),
    }
    return render(request, "valvecare/protection/overview.html", context)


urls = [path("", protection, name="protection")]
