"""The whole procedure of one order: every step that applies, with its answer and its witness."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.work.pages.order import card_or_404
from valvecare.work.pages.step_order import phases_of


@require_safe
@login_required
def procedure(request: HttpRequest, pk: int) -> HttpResponse:
    """The steps by phase; those of a phase that is not done with are unfolded."""
    card = card_or_404(request, pk)
    context = {"card": card, "phases": phases_of(card)}
    return render(request, "valvecare/work/procedure.html", context)


urls = [
    path("at-the-valve/work-orders/<int:pk>/procedure/", procedure, name="order-procedure"),
]
