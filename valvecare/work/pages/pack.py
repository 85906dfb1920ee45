"""The job pack on the screen, and the job card on paper with the same step numbers."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils.http import urlencode
from django.utils.safestring import SafeString
from django.views.decorators.http import require_safe

from valvecare.core.errors import NotFound
from valvecare.web import clock
from valvecare.web.drawings import (
    PartMark,
    release_drawing,
    tightening_drawing,
    valve_drawing,
)
from valvecare.web.label_drawing import address_on_label, square_code
from valvecare.web.menu import url_or_none
from valvecare.web.pdf import is_installed, pdf_page
from valvecare.work.reads import JointCard
from valvecare.work.reads.job_pack import JobPack, job_pack
from valvecare.work.rules import GRADE_WORDS

CARD = "valvecare/work/job_card.html"


def _pack(request: HttpRequest, pk: int) -> JobPack:
    try:
        return job_pack(pk, request.user)
    except NotFound as error:
        raise Http404 from error


def _valve(pack: JobPack) -> SafeString:
    """The parts with the findings of this order, or of the last time where there is none yet."""
    now = {
        line.part: PartMark(line.part, line.grade, line.decision or line.not_checked_because)
        for line in pack.card.findings
        if line.is_judged
    }
    last = {
        row.part: PartMark(row.part, row.grade, f"last time: {row.decision or row.found}")
        for row in pack.last
        if row.part not in now
    }
    return valve_drawing(
        "parts",
        title=f"Parts of {pack.card.valve}",
        has_lever=pack.has_lever,
        marks=[*now.values(), *last.values()],
        grades={grade.value: words for grade, words in GRADE_WORDS.items()},
        asked=[line.part for line in pack.card.findings if line.is_asked],
    )


def drawings_of(pack: JobPack) -> dict[str, SafeString]:
    """The drawings that apply: release of the cover, order of tightening, parts."""
    found: dict[str, SafeString] = {}
    release, tightening = pack.release, pack.tightening
    if release is not None and release.bolt_count and release.way is not None:
        found["release"] = release_drawing(
            "release",
            title=f"Release of the cover of {pack.card.valve}: {release.way}",
            bolt_count=release.bolt_count,
            rods=release.rods,
            clamp=release.clamp,
            instructions=release.instructions,
        )
    if tightening is not None and tightening.order:
        found["tightening"] = tightening_drawing(
            "tightening",
            title=f"Tightening the cover of {pack.card.valve}: cross order",
            order=tightening.order,
        )
    if pack.card.findings or pack.last:
        found["parts"] = _valve(pack)
    return found


def torque_url(request: HttpRequest, joint: JointCard | None) -> str | None:
    """The calculation of the torque with this plan's figures filled in."""
    if joint is None or not joint.plan.query:
        return None
    url = url_or_none(request, "valvecare:calculation", "joint-torque")
    return f"{url}?{urlencode(joint.plan.query)}" if url else None


def _context(request: HttpRequest, pack: JobPack) -> dict[str, Any]:
    space = request.resolver_match.namespace if request.resolver_match else None
    url = reverse("valvecare:work-order", args=[pack.card.id], current_app=space)
    return {
        "pack": pack,
        "card": pack.card,
        "drawings": drawings_of(pack),
        "now": clock.now(),
        "torque_url": torque_url(request, pack.tightening),
        "address": address_on_label(request.build_absolute_uri(url)),
    }


def _card_context(request: HttpRequest, pack: JobPack) -> dict[str, Any]:
    context = _context(request, pack)
    square = square_code(context["address"], side="28mm")
    return context | {"square": square, "has_pdf": is_installed()}


@require_safe
@login_required
def pack(request: HttpRequest, pk: int) -> HttpResponse:
    """Everything known before the valve is touched, with go or no-go line by line."""
    return render(request, "valvecare/work/pack.html", _context(request, _pack(request, pk)))


@require_safe
@login_required
def job_card(request: HttpRequest, pk: int) -> HttpResponse:
    """The pack as a card of paper: steps to tick, lines to fill, a square that leads back."""
    return render(request, CARD, _card_context(request, _pack(request, pk)))


@require_safe
@login_required
def job_card_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """The same card as a file."""
    pack = _pack(request, pk)
    return pdf_page(
        request, CARD, _card_context(request, pack), name=f"job-card-{pack.card.number}"
    )


urls = [
    path("at-the-valve/work-orders/<int:pk>/pack/", pack, name="job-pack"),
    path("at-the-valve/work-orders/<int:pk>/card/", job_card, name="job-card"),
    path("at-the-valve/work-orders/<int:pk>/card.pdf", job_card_pdf, name="job-card-pdf"),
]
