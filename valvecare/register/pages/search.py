"""The Register page and the search box."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, path, reverse
from django.views.decorators.http import require_safe

from valvecare.core.permits import may_anywhere
from valvecare.register import reads


def _url(request: HttpRequest, hit: reads.Hit) -> str:
    """The address of what was found; empty when this installation has no page for it."""
    match = request.resolver_match
    space = match.namespace if match else None
    try:
        return reverse(f"valvecare:{hit.url_name}", args=hit.args, current_app=space)
    except NoReverseMatch:
        return ""


@login_required
@require_safe
def register(request: HttpRequest, code: str | None = None) -> HttpResponse:
    """Groups, pumps and valves of the person's sites, or of one site."""
    sites = reads.register_overview(request.user, site=code)
    if code is not None and not sites:
        raise Http404
    user: Any = request.user
    may_change = user.is_staff and may_anywhere(user, "change_register")
    context = {"sites": sites, "code": code, "may_change": may_change}
    return render(request, "valvecare/register/register.html", context)


@login_required
@require_safe
def search(request: HttpRequest) -> HttpResponse:
    """One exact hit is opened at once; otherwise the list, exact ones first."""
    text = request.GET.get("q", "").strip()[:100]
    hits = reads.search(request.user, text)
    exact = [hit for hit in hits if hit.is_exact]
    if len(exact) == 1 and (url := _url(request, exact[0])):
        return redirect(url)
    found = [(hit, _url(request, hit)) for hit in hits]
    return render(request, "valvecare/register/search.html", {"query": text, "found": found})


urls = [
    path("register/", register, name="register"),
    path("register/<str:code>/", register, name="register-site"),
    path("search", search, name="search"),
]
