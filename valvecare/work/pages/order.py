"""The page of one order: progress, gates, cautions before their step, one form per verb.

A step is sent by the form of the page, or by the phone's script, which asks for JSON: the same
view, the same form, the same action; only the words of the answer differ.
"""

import hashlib
import json
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import ActionError, Conflict, Forbidden, NotFound, Refused
from valvecare.web import clock
from valvecare.web.idempotency import fingerprint_of, once
from valvecare.web.menu import url_or_none
from valvecare.web.problems import Clash, Unprocessable
from valvecare.web.signing import fresh_credential
from valvecare.work.pages import forms
from valvecare.work.pages.compare import Pair, pairs_of, seen_now, settle
from valvecare.work.pages.panels import STEPS_AT_THE_VALVE, VERBS, PageVerb, panels_of
from valvecare.work.reads import OrderCard, order_card


def _page(
    request: HttpRequest,
    card: OrderCard,
    *,
    bound: tuple[str, forms.VerbForm] | None = None,
    pairs: Sequence[Pair] = (),
    status: int = 200,
) -> HttpResponse:
    context = {
        "card": card,
        "panels": panels_of(card, request, bound, pairs),
        "unseen": [line for line in card.steps if line.is_settled and line.is_open],
        "steps_done": sum(not line.is_open for line in card.steps),
        "place_url": url_or_none(request, "valvecare:place-order", card.id)
        if "place" in card.verbs
        else None,
        "test_url": url_or_none(request, "valvecare:order-test", card.id)
        if "tests" in card.verbs or card.tests
        else None,
        "may_take": bool(STEPS_AT_THE_VALVE & set(card.verbs)),
        "now": clock.now(),
    }
    return render(request, "valvecare/work/order.html", context, status=status)


def card_or_404(request: HttpRequest, pk: int) -> OrderCard:
    try:
        return order_card(pk, request.user)
    except NotFound as error:
        raise Http404 from error


@require_safe
@login_required
def order(request: HttpRequest, pk: int) -> HttpResponse:
    """One order with everything that may be done next."""
    return _page(request, card_or_404(request, pk))


NOT_PRINTED = ("csrfmiddlewaretoken", "idempotency_key", "waited_s", "password")
"""Fields that may differ when the same step is sent again, and what must not be kept."""


def wants_json(request: HttpRequest) -> bool:
    return request.get_preferred_type(["text/html", "application/json"]) == "application/json"


def fingerprint(request: HttpRequest) -> str:
    """SHA-256 over method, path, fields and the bytes of every file."""
    fields = sorted(
        (name, values) for name, values in request.POST.lists() if name not in NOT_PRINTED
    )
    files = []
    for name, uploads in sorted(request.FILES.lists()):
        for upload in uploads:
            digest = hashlib.sha256(b"".join(upload.chunks()))
            files.append((name, digest.hexdigest()))
    # without files as ever, so that stored answers stay valid
    return fingerprint_of("POST", request.path, repr(fields + files).encode())


@sensitive_post_parameters("password")
@require_POST
@login_required
def act(request: HttpRequest, pk: int, verb: str) -> HttpResponse:
    """Run one verb. A refusal comes back as an error of the form, with the input kept."""
    chosen = VERBS.get(verb)
    if chosen is None:
        raise Http404
    card = card_or_404(request, pk)
    data, left, is_all_theirs = settle(request.POST, verb, card)
    if is_all_theirs and not request.FILES:
        # theirs stands: there is nothing to write
        return _accepted(request, pk, {"version": card.version})
    form = chosen.form(card, data=data, files=request.FILES)
    is_whole = form.is_valid()
    if left:
        return _still_to_choose(request, card, verb, form, left)
    if not is_whole:
        if wants_json(request):
            return refused_json(400, wrong_fields(form))
        return _page(request, card, bound=(verb, form), status=400)

    signed: dict[str, Any] = {}

    def effect() -> tuple[int, str, dict[str, str]]:
        at = clock.now()
        done = chosen.act(
            pk,
            **form.step(at),
            **signed,
            version=form.cleaned_data["version"],
            actor=request.user,
            at=at,
        )
        told: dict[str, Any] = {"version": done.version}
        if verb == "start" and done.procedure_id is not None:
            told["more"] = True  # the steps of its procedure are known only now
        return 303, json.dumps(told), {}

    try:
        if form.is_signed:
            # outside the transaction, so that a failed try stays counted
            password = form.cleaned_data["password"]
            signed["credential"] = fresh_credential(request, password, at=clock.now())
        _, body, _, _ = once(
            request.user, form.cleaned_data["idempotency_key"], fingerprint(request), effect
        )
    except (ActionError, ValidationError, Clash, Unprocessable) as error:
        return _refusal(request, pk, verb, chosen, error)
    return _accepted(request, pk, json.loads(body) if body else {"version": None})


def _still_to_choose(
    request: HttpRequest, card: OrderCard, verb: str, form: forms.VerbForm, left: Sequence[str]
) -> HttpResponse:
    """Both sides once more, with what was chosen already."""
    labels = [str(form.fields[name].label or name) for name in left if name in form.fields]
    words = f"Choose yours or theirs: {', '.join(labels)}."
    if wants_json(request):
        return refused_json(400, [words])
    typed = VERBS[verb].form(card, data=request.POST)
    typed.is_valid()
    form.add_error(None, words)
    pairs = pairs_of(verb, card, typed, asked=True)
    return _page(request, card, bound=(verb, form), pairs=pairs, status=400)


def _accepted(request: HttpRequest, pk: int, told: dict[str, Any]) -> HttpResponse:
    namespace = request.resolver_match.namespace if request.resolver_match else None
    url = reverse("valvecare:work-order", args=[pk], current_app=namespace)
    if wants_json(request):
        return JsonResponse({"outcome": "accepted", **told, "url": url})
    response = HttpResponse(status=303)
    response["Location"] = f"{url}#next"
    return response


def wrong_fields(form: forms.VerbForm) -> list[str]:
    """The errors of a form as sentences, each with the field's label."""
    return [
        f"{form.fields[name].label or name}: {text}" if name in form.fields else str(text)
        for name, texts in form.errors.items()
        for text in texts
    ]


def refused_json(status: int, words: Iterable[str], **more: Any) -> JsonResponse:
    return JsonResponse({"outcome": "refused", **more, "words": list(words)}, status=status)


def as_it_is(card: OrderCard) -> list[dict[str, str]]:
    """What a person must see of the order before deciding on a step written earlier."""
    lines = [("State", f"{card.state}, version {card.version}, revision {card.revision}")]
    lines += [
        (f"Gate '{gate.kind}'", f"passed by {gate.by or 'nobody named'}. {gate.words}".strip())
        for gate in card.gates
        if gate.passed_at
    ]
    if card.as_found_words:
        lines.append(("As found", f"{card.as_found or 'not graded'}. {card.as_found_words}"))
    lines += [
        (
            line.part.capitalize(),
            f"not checked, because {line.not_checked_because}"
            if line.not_checked_because
            else f"{line.decision}, grade {line.grade}. {line.found}",
        )
        for line in card.findings
        if line.is_judged
    ]
    lines += [("Function test", f"{test.result}, {test.method}") for test in card.tests]
    return [{"what": what, "words": words} for what, words in lines]


def _refusal(
    request: HttpRequest, pk: int, verb: str, chosen: PageVerb, error: Exception
) -> HttpResponse:
    """The page as it now is, with the form as it was sent and why it was refused."""
    card = card_or_404(request, pk)
    data = settle(request.POST, verb, card)[0].copy()
    pairs: list[Pair] = []
    status = 409
    outcome = "refused"
    words: list[str] = [str(error)]
    if isinstance(error, Conflict):
        # what was typed is kept; sending it again is a new decision on the new version
        overtaken = chosen.form(card, data=data)
        overtaken.is_valid()
        pairs = pairs_of(verb, card, overtaken)
        data["version"], data["seen"] = str(error.current), seen_now(verb, card, data)
        data["idempotency_key"] = uuid.uuid4().hex
        status, outcome = 412, "conflict"
    elif isinstance(error, Unprocessable):
        data["idempotency_key"] = uuid.uuid4().hex
        status = 422
    elif isinstance(error, Clash):
        outcome = "busy"
    elif isinstance(error, Refused):
        words = [str(reason) for reason in error.reasons]
    elif isinstance(error, Forbidden):
        status = 403
    elif isinstance(error, ValidationError):
        words, status = error.messages, 400
    if wants_json(request):
        return refused_json(
            status,
            words,
            outcome=outcome,
            version=card.version,
            now=as_it_is(card),
            seen=data.get("seen", ""),
            compare=[asdict(pair) for pair in pairs],
        )
    form = chosen.form(card, data=data, files=request.FILES)
    form.is_valid()
    for text in words:
        form.add_error(None, text)
    return _page(request, card, bound=(verb, form), pairs=pairs, status=status)


urls = [
    path("at-the-valve/work-orders/<int:pk>/", order, name="work-order"),
    path("at-the-valve/work-orders/<int:pk>/<slug:verb>/", act, name="work-order-act"),
]
