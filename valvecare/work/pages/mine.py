"""'At the valve': the work of today and this week."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.core.permits import may_anywhere
from valvecare.web import clock
from valvecare.work.reads import my_work


@require_safe
@login_required
def mine(request: HttpRequest) -> HttpResponse:
    """Orders of the person's sites, their own first; `?mine=1` only their own."""
    only_mine = request.GET.get("mine") == "1"
    work = my_work(request.user, clock.now(), only_mine=only_mine)
    context = {
        "work": work,
        "only_mine": only_mine,
        "may_decide": may_anywhere(request.user, "decide_part"),
    }
    return render(request, "valvecare/work/mine.html", context)


urls = [path("at-the-valve/", mine, name="my-work")]
