"""Confirm identity: the page a scanned label leads to; the step itself is a verb of the order."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_http_methods

from valvecare.work.pages.order import act, card_or_404
from valvecare.work.pages.panels import identity_panel


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def identity(request: HttpRequest, pk: int) -> HttpResponse:
    """A field for the scanned or typed code; the wrong valve is refused by name."""
    if request.method == "POST":
        return act(request, pk, "identity")
    card = card_or_404(request, pk)
    panel = identity_panel(card, request, text=request.GET.get("code", "")[:200])
    return render(request, "valvecare/work/identity.html", {"card": card, "panel": panel})


urls = [path("at-the-valve/work-orders/<int:pk>/identity/", identity, name="order-identity")]
