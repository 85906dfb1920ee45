"""Readings set aside, data quality and the log of senders."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.permits import may_anywhere
from valvecare.readings import actions, reads
from valvecare.readings.pages.forms import JudgeForm
from valvecare.readings.rules import SetAsideState
from valvecare.web import clock
from valvecare.web.page_acts import new_key, run_once, see_other

SHOWN = 100
_DONE = {"accept": "accepted", "dismiss": "dismissed"}


def _set_aside(request: HttpRequest, *, form: JudgeForm | None = None) -> HttpResponse:
    waiting = reads.set_aside_for(request.user).filter(state=SetAsideState.WAITING.value)
    judged = reads.set_aside_for(request.user).exclude(state=SetAsideState.WAITING.value)
    context = {
        "waiting": waiting.order_by("id")[:SHOWN],
        "total": waiting.count(),
        "judged": judged[:20],
        "form": form,
        "key": new_key(),
        "may_judge": may_anywhere(request.user, "judge_readings"),
    }
    return render(
        request, "valvecare/readings/set_aside.html", context, status=400 if form else 200
    )


@require_safe
@login_required
def set_aside(request: HttpRequest) -> HttpResponse:
    """What waits for a person, oldest first, and what was judged last."""
    return _set_aside(request)


@require_POST
@login_required
def judge(request: HttpRequest) -> HttpResponse:
    """Accept or dismiss the ticked readings, each by itself: one refusal stops no other."""
    form = JudgeForm(request.POST)
    if not form.is_valid():
        return _set_aside(request, form=form)
    given = form.cleaned_data
    act: Callable[..., Any] = (
        actions.accept_set_aside if given["act"] == "accept" else actions.dismiss_set_aside
    )
    done, refused = 0, []
    for pk, version in form.chosen:
        problem = run_once(
            request,
            f"{given['idempotency_key'][:60]}-{pk}",
            lambda pk=pk, version=version: act(  # type: ignore[misc]
                pk, version=version, actor=request.user, at=clock.now(), why=given["why"]
            ),
        )
        if problem:
            refused.append(problem)
        else:
            done += 1
    if done:
        messages.success(request, f"{done} {_DONE[given['act']]}.")
    for words in sorted(set(refused)):
        messages.error(request, words)
    space = request.resolver_match.namespace if request.resolver_match else None
    return see_other(reverse("valvecare:readings-set-aside", current_app=space))


@require_safe
@login_required
def quality(request: HttpRequest) -> HttpResponse:
    """Series whose readings make no sense, each with what can be done about it."""
    at = clock.now()
    doubtful = reads.doubtful_series(request.user)
    context = {
        "series": doubtful[:SHOWN],
        "total": doubtful.count(),
        "silent": [one for one in reads.sources(request.user, at=at) if one.is_silent],
        "may_judge": may_anywhere(request.user, "judge_readings"),
        "key": new_key(),
        "at": at,
    }
    return render(request, "valvecare/readings/quality.html", context)


@require_safe
@login_required
def sources(request: HttpRequest) -> HttpResponse:
    """Who sends, when last, and what became of the last pushes."""
    wanted = request.GET.get("source", "")
    source_id = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 10 else None
    context = {
        "sources": reads.sources(request.user, at=clock.now()),
        "pushes": reads.latest_pushes(request.user, source_id),
        "chosen": source_id,
    }
    return render(request, "valvecare/readings/sources.html", context)


urls = [
    path("readings/set-aside/", set_aside, name="readings-set-aside"),
    path("readings/set-aside/judge", judge, name="readings-judge"),
    path("readings/quality/", quality, name="readings-quality"),
    path("readings/sources/", sources, name="readings-sources"),
]
