"""The search box: an exact hit jumps to its page, anything else is a list."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.web.menu import url_or_none
from valvecare.work.reads.find import OrderHit, find


@require_safe
@login_required
def search(request: HttpRequest) -> HttpResponse:
    """`?q=`: tag, serial number, stamped identity, pump, group or order number."""
    text = request.GET.get("q", "")
    found = find(request.user, text)
    if found.only is not None:
        is_order = isinstance(found.only, OrderHit)
        name = "valvecare:work-order" if is_order else "valvecare:valve"
        url = url_or_none(request, name, found.only.id)
        if url is not None:
            return redirect(url)
    return render(request, "valvecare/work/search.html", {"query": text.strip(), "found": found})


urls = [path("search/", search, name="search")]
