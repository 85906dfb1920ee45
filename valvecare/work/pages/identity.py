"""Confirm identity: the first step at the valve, by label or by plate."""

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods

from valvecare.core.errors import NotFound
from valvecare.web import clock
from valvecare.web.page_acts import new_key, run_once, see_other
from valvecare.work.actions.confirm_identity import confirm_identity
from valvecare.work.reads import order_card


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def identity(request: HttpRequest, pk: int) -> HttpResponse:
    """A field for the scanned or typed code; the wrong valve is refused by name."""
    try:
        card = order_card(pk, request.user)
    except NotFound as error:
        raise Http404 from error
    problem, text = "", request.GET.get("code", "")[:200]
    if request.method == "POST":
        text = request.POST.get("code", "")[:200]
        version = request.POST.get("version", "")
        number = int(version) if version.isascii() and version.isdigit() else 0
        problem = run_once(
            request,
            request.POST.get("idempotency_key", "")[:80],
            lambda: confirm_identity(
                pk, version=number, actor=request.user, at=clock.now(), text=text
            ),
        )
        if not problem:
            space = request.resolver_match.namespace if request.resolver_match else None
            return see_other(reverse("valvecare:work-order", args=[pk], current_app=space))
    context = {"card": card, "text": text, "problem": problem, "key": new_key()}
    return render(request, "valvecare/work/identity.html", context, status=409 if problem else 200)


urls = [path("at-the-valve/work-orders/<int:pk>/identity/", identity, name="order-identity")]
