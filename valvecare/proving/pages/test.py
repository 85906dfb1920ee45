"""A guided test at the valve: what comes before it, a page per step, the result.

As on the page of an order a step is sent by its form or by the phone's script, which asks for
JSON: the same view, the same form, the same action.
"""

import json
import uuid
from collections.abc import Callable
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import ActionError, Conflict, Forbidden, NotFound, Refused
from valvecare.engineering.cautions import Caution, caution
from valvecare.proving.actions import answer_step, begin_test, finish_test, record_readings
from valvecare.proving.pages.forms import (
    BeginForm,
    FinishForm,
    NotDoneForm,
    ReadingsForm,
    gauges_of,
)
from valvecare.proving.pages.plots import handover_plots
from valvecare.proving.reads import RunCard, begin_view_of_order, run_card_of_order
from valvecare.proving.rules import ABORT, TestQuantity
from valvecare.proving.rules.cautions import BEGIN_CAUTIONS, STEP_CAUTIONS
from valvecare.web import clock
from valvecare.web.idempotency import once
from valvecare.web.problems import Clash, Unprocessable
from valvecare.work.pages.forms import VerbForm
from valvecare.work.pages.order import (
    as_it_is,
    card_or_404,
    fingerprint,
    refused_json,
    wants_json,
    wrong_fields,
)
from valvecare.work.pages.phone import bring
from valvecare.work.reads import OrderCard
from valvecare.work.rules.test_steps import STEP_IDS, TEST_STEPS, WATCHED_UNITS, Watched

Bound = tuple[str, VerbForm] | None


def _run(request: HttpRequest, pk: int) -> RunCard | None:
    try:
        return run_card_of_order(pk, request.user)
    except NotFound as error:
        raise Http404 from error


def _new(card: OrderCard) -> dict[str, Any]:
    return {"version": card.version, "idempotency_key": uuid.uuid4().hex}


def _cautions(names: tuple[str, ...]) -> list[Caution]:
    return [caution(name) for name in names]


# ---- overview: before the start, under way, result


def _overview(
    request: HttpRequest, card: OrderCard, *, bound: Bound = None, status: int = 200
) -> HttpResponse:
    run = _run(request, card.id)
    context: dict[str, Any] = {"card": card, "run": run, "may_test": "tests" in card.verbs}
    if (run is None or not run.is_open) and (bound is None or bound[0] == "begin"):
        view = begin_view_of_order(card.id, request.user, at=clock.now())
        context["view"] = view
        context["begin"] = (
            bound[1] if bound is not None else BeginForm(card, view, initial=_new(card))
        )
        context["cautions"] = _cautions(BEGIN_CAUTIONS)
    if run is not None:
        context |= _of_run(run)
        context["finish"] = (
            bound[1]
            if bound is not None and bound[0] == "finish"
            else FinishForm(card, initial=_new(card))
        )
    return render(request, "valvecare/proving/test.html", context, status=status)


def _of_run(run: RunCard) -> dict[str, Any]:
    judged = run.judgement
    stops = [*judged.step("T2").stops, *judged.step("T4").stops]
    switched = [
        (words, row.value)
        for quantity, words in (
            (TestQuantity.BYPASS_SHUTS, "Bypass shut"),
            (TestQuantity.BYPASS_OPENS, "Bypass opened"),
        )
        for row in [r for r in run.readings if r.quantity == quantity and not r.replaced][-1:]
    ]
    return {
        "steps": [
            {"plan": plan, "line": judged.step(plan.id), "slug": plan.id.lower()}
            for plan in TEST_STEPS
        ],
        "unanswered": [line.step for line in judged.steps if not line.is_answered],
        "plots": handover_plots(
            run.valve,
            stops,
            required_m3_per_h=run.limits["required_m3_per_h"],
            switching_m3_per_h=run.limits["switching_m3_per_h"],
            switched=switched,
        ),
        "watched": [
            (name, WATCHED_UNITS[Watched(name)], row) for name, row in run.abort_limits.items()
        ],
        "abort": ABORT,
    }


@require_safe
@login_required
def test(request: HttpRequest, pk: int) -> HttpResponse:
    """The guided test of an order: begin it, see where it stands, finish it, its result."""
    return _overview(request, card_or_404(request, pk))


test.__test__ = False  # type: ignore[attr-defined]


# ---- one step


def _step_page(
    request: HttpRequest, card: OrderCard, step: str, *, bound: Bound = None, status: int = 200
) -> HttpResponse:
    run = _run(request, card.id)
    if run is None:
        raise Http404
    at = STEP_IDS.index(step)
    name = bound[0] if bound is not None else ""
    form = bound[1] if bound is not None else None
    gauges = gauges_of(run, step) if run.may_record and step not in run.not_applicable else {}
    context = {
        "card": card,
        "run": run,
        "plan": TEST_STEPS[at],
        "slug": step.lower(),
        "line": run.judgement.step(step),
        "readings": run.readings_of(step),
        "cautions": _cautions(STEP_CAUTIONS[step]),
        "before": STEP_IDS[at - 1].lower() if at else "",
        "after": STEP_IDS[at + 1].lower() if at + 1 < len(STEP_IDS) else "",
        "abort": ABORT,
    }
    if run.may_record and step not in run.not_applicable:
        context["form"] = (
            form
            if name == "readings"
            else ReadingsForm(card, run, step, gauges, initial=_new(card))
        )
        context["not_done"] = form if name == "not-done" else NotDoneForm(card, initial=_new(card))
    return render(request, "valvecare/proving/step.html", context, status=status)


def _step_of(slug: str) -> str:
    if slug.upper() not in STEP_IDS:
        raise Http404
    return slug.upper()


@require_safe
@login_required
def step(request: HttpRequest, pk: int, slug: str) -> HttpResponse:
    """One step: cautions, what to do, what is read, how it is judged as it stands."""
    return _step_page(request, card_or_404(request, pk), _step_of(slug))


# ---- what is sent


def _send(
    request: HttpRequest,
    pk: int,
    form: VerbForm,
    effect: Callable[[dict[str, Any], Any], int],
    *,
    page: Callable[..., HttpResponse],
    name: str,
    where: str,
) -> HttpResponse:
    """Run one effect once; `page` shows the form again when it was refused."""
    if not form.is_valid():
        if wants_json(request):
            return refused_json(400, wrong_fields(form))
        return page(bound=(name, form), status=400)

    def work() -> tuple[int, str, dict[str, str]]:
        at = clock.now()
        return 303, json.dumps({"version": effect(form.step(at), at)}), {}

    try:
        _, body, _, _ = once(
            request.user, form.cleaned_data["idempotency_key"], fingerprint(request), work
        )
    except (ActionError, ValidationError, Clash, Unprocessable) as error:
        status, outcome, words = _refusal(error)
        if wants_json(request):
            now = card_or_404(request, pk)
            return refused_json(
                status, words, outcome=outcome, version=now.version, now=as_it_is(now)
            )
        data = request.POST.copy()
        data["idempotency_key"] = uuid.uuid4().hex
        if isinstance(error, Conflict):
            data["version"] = str(error.current)
        form.data = data
        for text in words:
            form.add_error(None, text)
        return page(bound=(name, form), status=status)
    if wants_json(request):
        version = json.loads(body)["version"]
        return JsonResponse({"outcome": "accepted", "version": version, "url": where})
    response = HttpResponse(status=303)
    response["Location"] = where
    return response


def _refusal(error: Exception) -> tuple[int, str, list[str]]:
    """Status, outcome for the phone, and the words of a refusal."""
    if isinstance(error, Conflict):
        return 412, "conflict", [str(error)]
    if isinstance(error, Unprocessable):
        return 422, "refused", [str(error)]
    if isinstance(error, Clash):
        return 409, "busy", [str(error)]
    if isinstance(error, Refused):
        return 409, "refused", [str(reason) for reason in error.reasons]
    if isinstance(error, Forbidden):
        return 403, "refused", [str(error)]
    if isinstance(error, ValidationError):
        return 400, "refused", error.messages
    return 404, "refused", [str(error)]


def _url(request: HttpRequest, name: str, *args: Any) -> str:
    space = request.resolver_match.namespace if request.resolver_match else None
    return reverse(f"valvecare:{name}", args=args, current_app=space)


@require_POST
@login_required
def begin(request: HttpRequest, pk: int) -> HttpResponse:
    """Begin the test."""
    card = card_or_404(request, pk)
    view = begin_view_of_order(pk, request.user, at=clock.now())
    form = BeginForm(card, view, data=request.POST)

    def effect(given: dict[str, Any], at: Any) -> int:
        version = form.cleaned_data["version"]
        run = begin_test(pk, **given, version=version, actor=request.user, at=at)
        return run.order.version

    return _send(
        request,
        pk,
        form,
        effect,
        page=lambda **more: _overview(request, card_or_404(request, pk), **more),
        name="begin",
        where=_url(request, "order-test", pk),
    )


@require_POST
@login_required
def finish(request: HttpRequest, pk: int) -> HttpResponse:
    """End the test; the rule decides."""
    card, run = card_or_404(request, pk), _run(request, pk)
    if run is None:
        raise Http404
    form = FinishForm(card, data=request.POST)

    def effect(given: dict[str, Any], at: Any) -> int:
        version = form.cleaned_data["version"]
        finish_test(run.id, **given, version=version, actor=request.user, at=at)
        return card_or_404(request, pk).version

    return _send(
        request,
        pk,
        form,
        effect,
        page=lambda **more: _overview(request, card_or_404(request, pk), **more),
        name="finish",
        where=_url(request, "order-test", pk),
    )


@require_POST
@login_required
def readings(request: HttpRequest, pk: int, slug: str) -> HttpResponse:
    """Record what was read in one step."""
    name, card, run = _step_of(slug), card_or_404(request, pk), _run(request, pk)
    if run is None:
        raise Http404
    form = ReadingsForm(card, run, name, gauges_of(run, name), data=request.POST)

    def effect(given: dict[str, Any], at: Any) -> int:
        record_readings(
            run.id, **given, actor=request.user, at=at, all_or_none=True, next_stop=True
        )
        return form.cleaned_data["version"]

    return _send(
        request,
        pk,
        form,
        effect,
        page=lambda **more: _step_page(request, card_or_404(request, pk), name, **more),
        name="readings",
        where=_url(request, "order-test-step", pk, slug),
    )


@require_POST
@login_required
def not_done(request: HttpRequest, pk: int, slug: str) -> HttpResponse:
    """Say why one step is not done."""
    name, card, run = _step_of(slug), card_or_404(request, pk), _run(request, pk)
    if run is None:
        raise Http404
    form = NotDoneForm(card, data=request.POST)

    def effect(given: dict[str, Any], at: Any) -> int:
        answer_step(run.id, name, **given, actor=request.user, at=at)
        return form.cleaned_data["version"]

    return _send(
        request,
        pk,
        form,
        effect,
        page=lambda **more: _step_page(request, card_or_404(request, pk), name, **more),
        name="not-done",
        where=_url(request, "order-test-step", pk, slug),
    )


def brought_back(request: HttpRequest, pk: int, slug: str = "") -> HttpResponse:
    """As for the order: the phone names it beside the address its entries went to."""
    return bring(request, pk)


_TEST = "at-the-valve/work-orders/<int:pk>/test/"

urls = [
    path(_TEST, test, name="order-test"),
    path(f"{_TEST}begin/", begin, name="order-test-begin"),
    path(f"{_TEST}finish/", finish, name="order-test-finish"),
    path(f"{_TEST}brought-back/", brought_back, name="order-test-back"),
    path(f"{_TEST}<slug:slug>/", step, name="order-test-step"),
    path(f"{_TEST}<slug:slug>/readings/", readings, name="order-test-readings"),
    path(f"{_TEST}<slug:slug>/not-done/", not_done, name="order-test-not-done"),
    path(f"{_TEST}<slug:slug>/brought-back/", brought_back, name="order-test-step-back"),
]
