"""One lot and everything that can be done with it; receiving; a count sheet."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from valvecare.core.errors import NotFound
from valvecare.core.permits import may_anywhere
from valvecare.parts import actions
from valvecare.parts.pages import forms
from valvecare.parts.pages.acts import act, gone_to
from valvecare.parts.pages.lists import may_look
from valvecare.parts.reads import LotPage, count_sheet, lot_page
from valvecare.parts.rules import CountState, LotState
from valvecare.web import clock


@dataclass(frozen=True)
class LotVerb:
    """A verb on the lot page: when it is offered, its form, its action."""

    name: str
    heading: str
    form: type[forms.LotForm]
    act: Callable[..., Any]
    is_versioned: bool
    when: Callable[[LotPage], bool]


def _has_good(page: LotPage) -> bool:
    return page.line.on_hand > 0 and page.line.state is not LotState.QUARANTINED


VERBS = {
    verb.name: verb
    for verb in (
        LotVerb("issue", "Issue", forms.IssueForm, actions.issue, False, _has_good),
        LotVerb(
            "return",
            "Take back what was not used",
            forms.ReturnForm,
            actions.return_unused,
            False,
            lambda page: any(row.kind == "issued" for row in page.movements),
        ),
        LotVerb(
            "break-up",
            "Break up",
            forms.BreakUpForm,
            actions.break_up,
            True,
            lambda page: bool(page.line.missing and page.line.on_hand),
        ),
        LotVerb(
            "quarantine",
            "Quarantine",
            forms.QuarantineForm,
            actions.quarantine,
            True,
            _has_good,
        ),
        LotVerb(
            "free",
            "Free from quarantine",
            forms.FreeForm,
            actions.free,
            True,
            lambda page: page.line.state is LotState.QUARANTINED and not page.line.missing,
        ),
        LotVerb(
            "scrap", "Scrap", forms.ScrapForm, actions.scrap, False, lambda p: p.line.on_hand > 0
        ),
    )
}


def _seen(request: HttpRequest, pk: int) -> LotPage:
    may_look(request)
    try:
        return lot_page(pk, request.user, clock.now())
    except NotFound as error:
        raise Http404 from error


def _lot(
    request: HttpRequest, page: LotPage, *, bound: Any = None, status: int = 200
) -> HttpResponse:
    may_change = may_anywhere(request.user, "change_parts")
    panels = []
    for verb in VERBS.values():
        is_bound = bound is not None and bound[0] == verb.name
        if is_bound or (may_change and verb.when(page)):
            panels.append((verb, bound[1] if is_bound else verb.form(page), is_bound))
    may_reserve = may_anywhere(request.user, "reserve_parts")
    context = {
        "page": page,
        "panels": panels,
        "release_form": forms.ReleaseForm(auto_id=False) if may_reserve else None,
    }
    return render(request, "valvecare/parts/lot.html", context, status=status)


@require_safe
@login_required
def lot(request: HttpRequest, pk: int) -> HttpResponse:
    """One lot with its ledger."""
    return _lot(request, _seen(request, pk))


@require_POST
@login_required
def do(request: HttpRequest, pk: int, verb: str) -> HttpResponse:
    """Run one verb of a lot."""
    chosen = VERBS.get(verb)
    if chosen is None:
        raise Http404
    page = _seen(request, pk)
    form = chosen.form(page, data=request.POST)
    if not form.is_valid():
        return _lot(request, page, bound=(verb, form), status=400)
    given = {**form.inputs(), "lot_id": pk, "actor": request.user, "at": clock.now()}
    if chosen.is_versioned:
        given["version"] = form.cleaned_data["version"] or 0
    status = act(request, form, lambda: chosen.act(**given))
    if status:
        return _lot(request, _seen(request, pk), bound=(verb, form), status=status)
    return gone_to(request, "lot", pk)


@require_POST
@login_required
def release(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a reservation go."""
    may_look(request)
    form = forms.ReleaseForm(request.POST)
    if form.is_valid():
        given = {**form.inputs(), "actor": request.user, "at": clock.now()}
        status = act(request, form, lambda: actions.release(pk, **given))
        if not status:
            return gone_to(request, "parts")
    else:
        status = 400
    if status == 404:
        raise Http404
    return render(request, "valvecare/parts/refused.html", {"form": form}, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def receive(request: HttpRequest) -> HttpResponse:
    """Take in what came, with its receiving check."""
    if not may_anywhere(request.user, "change_parts"):
        raise PermissionDenied
    status = 200
    if request.method == "POST":
        form = forms.ReceiveForm(request.user, request.POST)
        status = 400
        if form.is_valid():
            made: list[Any] = []
            given = {**form.inputs(), "actor": request.user, "at": clock.now()}
            status = act(request, form, lambda: made.append(actions.receive(**given)))
            if not status:
                return gone_to(request, "lot", made[0].pk) if made else gone_to(request, "parts")
    else:
        form = forms.ReceiveForm(request.user)
    context = {"form": form, "action": "valvecare:parts-receive"}
    return render(request, "valvecare/parts/receive.html", context, status=status)


@require_POST
@login_required
def begin_count(request: HttpRequest) -> HttpResponse:
    """Make the sheet of a blind count."""
    may_look(request)
    form = forms.BeginCountForm(request.POST)
    status = 400
    if form.is_valid():
        made: list[Any] = []
        given = {**form.inputs(), "actor": request.user, "at": clock.now()}
        status = act(request, form, lambda: made.append(actions.begin_count(**given)))
        if not status:
            return (
                gone_to(request, "parts-count", made[0].pk) if made else gone_to(request, "parts")
            )
    if status == 404:
        raise Http404
    return render(request, "valvecare/parts/refused.html", {"form": form}, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def count(request: HttpRequest, pk: int) -> HttpResponse:
    """The sheet: blind while counting, with its differences for the second person."""
    may_look(request)
    try:
        sheet = count_sheet(pk, request.user)
    except NotFound as error:
        raise Http404 from error
    counting = sheet.state is CountState.COUNTING
    kind: Any = forms.CountForm if counting else forms.JudgeCountForm
    form = kind(sheet)
    status = 200
    if request.method == "POST":
        form = kind(sheet, request.POST)
        status = 400
        if form.is_valid():
            chosen: Any = actions.approve_count
            if counting:
                chosen = actions.enter_count
            elif "reject" in request.POST:
                chosen = actions.reject_count
            given = {
                **form.inputs(),
                "version": form.cleaned_data["version"] or 0,
                "actor": request.user,
                "at": clock.now(),
            }
            status = act(request, form, lambda: chosen(pk, **given))
            if not status:
                return gone_to(request, "parts-count", pk)
    context = {"sheet": sheet, "form": form, "is_blind": counting}
    return render(request, "valvecare/parts/count.html", context, status=status)
