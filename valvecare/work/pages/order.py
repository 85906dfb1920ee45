"""The page of one order: progress, gates, cautions before their step, one form per verb."""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import ActionError, Conflict, Forbidden, NotFound, Refused
from valvecare.engineering.cautions import Caution, StepKind, cautions_for_step
from valvecare.web import clock
from valvecare.web.idempotency import fingerprint_of, once
from valvecare.web.menu import url_or_none
from valvecare.web.problems import Clash, Unprocessable
from valvecare.work.actions.agree import agree
from valvecare.work.actions.assign import assign
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.drop import drop
from valvecare.work.actions.hold import hold, resume
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.put_off import ask_to_put_off, put_off
from valvecare.work.actions.ready import ready
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_parts_used import record_parts_used
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.actions.start import start
from valvecare.work.models import WorkOrder
from valvecare.work.pages import forms
from valvecare.work.reads import OrderCard, order_card
from valvecare.work.rules import CAUTIONS_BEFORE, GateKind, PartName


@dataclass(frozen=True)
class PageVerb:
    """A verb on the page: its heading, its form, its action; folded away unless it is next."""

    name: str
    heading: str
    form: type[forms.VerbForm]
    act: Callable[..., WorkOrder]
    cautions: tuple[StepKind, ...] = ()


VERBS = {
    verb.name: verb
    for verb in (
        PageVerb("agree", "Agree", forms.AgreeForm, agree),
        PageVerb("ready", "Go or no-go", forms.ReadyForm, ready),
        PageVerb("start", "Start", forms.StartForm, start),
        PageVerb("as-found", "As found", forms.AsFoundForm, record_as_found),
        PageVerb("gates", "Next gate", forms.GateForm, pass_gate),
        PageVerb("findings", "Judge a part", forms.FindingForm, record_finding),
        PageVerb("parts-used", "Parts built in", forms.PartsUsedForm, record_parts_used),
        PageVerb("tests", "Function test", forms.TestForm, record_test, cautions=(StepKind.TEST,)),
        PageVerb(
            "close",
            "Close",
            forms.CloseForm,
            close_work_order,
            cautions=(StepKind.RETURN_TO_SERVICE,),
        ),
        PageVerb("resume", "Go on", forms.ResumeForm, resume),
        PageVerb("release", "Provisional release", forms.ReleaseForm, release_provisionally),
        PageVerb("put-off", "Sign the deferral", forms.PutOffForm, put_off),
        PageVerb("hold", "Put on hold", forms.HoldForm, hold),
        PageVerb("ask-to-put-off", "Ask for a deferral", forms.AskToPutOffForm, ask_to_put_off),
        PageVerb("assign", "Assign", forms.AssignForm, assign),
        PageVerb("drop", "Drop", forms.DropForm, drop),
        PageVerb("reopen", "Reopen", forms.ReopenForm, reopen),
    )
}


@dataclass(frozen=True)
class Panel:
    """One form on the page with the cautions that come before it."""

    verb: PageVerb
    form: forms.VerbForm
    cautions: tuple[Caution, ...]
    is_open: bool

    @property
    def submit(self) -> str:
        return getattr(self.form, "submit_words", self.form.submit)


def _cautions(steps: tuple[StepKind, ...]) -> tuple[Caution, ...]:
    """The cautions of these steps, each once, strongest first within its step."""
    found: dict[str, Caution] = {}
    for step in steps:
        for caution in cautions_for_step(step):
            found.setdefault(caution.id, caution)
    return tuple(found.values())


def _initial(verb: PageVerb, card: OrderCard, request: HttpRequest) -> dict[str, Any]:
    initial: dict[str, Any] = {"version": card.version, "idempotency_key": uuid.uuid4().hex}
    if verb.name == "gates":
        gate = _next_gate(card)
        initial["gate"] = gate.value if gate else ""
    if verb.name == "findings":
        part = request.GET.get("part", "")
        waiting = [line.part for line in card.findings if line.is_asked and not line.is_judged]
        known = {name.value for name in PartName}
        initial["part"] = part if part in known else next(iter(waiting), None)
    if verb.name == "as-found":
        initial |= {
            "words": card.as_found_words,
            "grade": card.as_found,
            "mode": card.mode,
            "mechanism": card.mechanism,
            "cause": card.cause,
            "detection": card.detection,
        }
    if verb.name == "tests" and card.required_m3_per_h is not None:
        initial["required_m3_per_h"] = f"{card.required_m3_per_h:g}"
    if verb.name == "assign":
        initial["username"] = card.assigned_to or ""
    return initial


def _next_gate(card: OrderCard) -> GateKind | None:
    """The next gate that has a form of its own."""
    return next(
        (line.kind for line in card.gates if line.is_next and line.kind is not GateKind.AS_FOUND),
        None,
    )


def _next_verb(card: OrderCard) -> str:
    """The verb that is unfolded: what comes next on the line of progress."""
    if "gates" in card.verbs:
        line = next((line for line in card.gates if line.is_next), None)
        if line is None:
            return "tests" if "tests" in card.verbs else "close"
        if line.kind is GateKind.AS_FOUND:
            return "as-found"
        waiting = any(row.is_asked and not row.is_judged for row in card.findings)
        return "findings" if line.kind is GateKind.PARTS_JUDGED and waiting else "gates"
    for verb in ("close", "resume", "start", "ready", "put-off", "agree"):
        if verb in card.verbs:
            return verb
    return ""


def _panels(
    card: OrderCard, request: HttpRequest, bound: tuple[str, forms.VerbForm] | None
) -> list[Panel]:
    opened = bound[0] if bound else _next_verb(card)
    if "part" in request.GET and "findings" in card.verbs and bound is None:
        opened = "findings"
    panels = []
    for verb in VERBS.values():
        gate = _next_gate(card)
        is_bound = bound is not None and bound[0] == verb.name
        if verb.name not in card.verbs and not is_bound:
            continue
        if verb.name == "gates" and gate is None and not is_bound:
            continue
        steps = verb.cautions
        if verb.name == "gates" and gate is not None:
            steps = CAUTIONS_BEFORE[gate]
        if verb.name == "findings":
            steps = CAUTIONS_BEFORE[GateKind.PARTS_JUDGED]
        form = (
            bound[1]
            if bound is not None and is_bound
            else verb.form(card, initial=_initial(verb, card, request))
        )
        panels.append(Panel(verb, form, _cautions(steps), verb.name == opened))
    panels.sort(key=lambda panel: not panel.is_open)
    return panels


def _page(
    request: HttpRequest,
    card: OrderCard,
    *,
    bound: tuple[str, forms.VerbForm] | None = None,
    status: int = 200,
) -> HttpResponse:
    context = {
        "card": card,
        "panels": _panels(card, request, bound),
        "place_url": url_or_none(request, "valvecare:place-order", card.id)
        if "place" in card.verbs
        else None,
        "now": clock.now(),
    }
    return render(request, "valvecare/work/order.html", context, status=status)


def _card(request: HttpRequest, pk: int) -> OrderCard:
    try:
        return order_card(pk, request.user)
    except NotFound as error:
        raise Http404 from error


@require_safe
@login_required
def order(request: HttpRequest, pk: int) -> HttpResponse:
    """One order with everything that may be done next."""
    return _page(request, _card(request, pk))


@require_POST
@login_required
def act(request: HttpRequest, pk: int, verb: str) -> HttpResponse:
    """Run one verb. A refusal comes back as an error of the form, with the input kept."""
    chosen = VERBS.get(verb)
    if chosen is None:
        raise Http404
    card = _card(request, pk)
    form = chosen.form(card, data=request.POST)
    if not form.is_valid():
        return _page(request, card, bound=(verb, form), status=400)

    def effect() -> tuple[int, str, dict[str, str]]:
        chosen.act(
            pk,
            **form.inputs(),
            version=form.cleaned_data["version"],
            actor=request.user,
            at=clock.now(),
        )
        return 303, "", {}

    fields = sorted(
        (name, values)
        for name, values in request.POST.lists()
        if name not in ("csrfmiddlewaretoken", "idempotency_key")
    )
    print_ = fingerprint_of("POST", request.path, repr(fields).encode())
    try:
        once(request.user, form.cleaned_data["idempotency_key"], print_, effect)
    except (ActionError, ValidationError, Clash, Unprocessable) as error:
        return _refusal(request, pk, verb, chosen, error)
    response = HttpResponse(status=303)
    namespace = request.resolver_match.namespace if request.resolver_match else None
    response["Location"] = reverse("valvecare:work-order", args=[pk], current_app=namespace)
    return response


def _refusal(
    request: HttpRequest, pk: int, verb: str, chosen: PageVerb, error: Exception
) -> HttpResponse:
    """The page as it now is, with the form as it was sent and why it was refused."""
    card = _card(request, pk)
    data = request.POST.copy()
    status = 409
    words: list[str] = [str(error)]
    if isinstance(error, Conflict):
        # what was typed is kept; sending it again is a new decision on the new version
        data["version"] = str(error.current)
        data["idempotency_key"] = uuid.uuid4().hex
        status = 412
    elif isinstance(error, Unprocessable):
        data["idempotency_key"] = uuid.uuid4().hex
        status = 422
    elif isinstance(error, Refused):
        words = [str(reason) for reason in error.reasons]
    elif isinstance(error, Forbidden):
        status = 403
    elif isinstance(error, ValidationError):
        words, status = error.messages, 400
    form = chosen.form(card, data=data)
    form.is_valid()
    for text in words:
        form.add_error(None, text)
    return _page(request, card, bound=(verb, form), status=status)


urls = [
    path("at-the-valve/work-orders/<int:pk>/", order, name="work-order"),
    path("at-the-valve/work-orders/<int:pk>/<slug:verb>/", act, name="work-order-act"),
]
