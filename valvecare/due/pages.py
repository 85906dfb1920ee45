"""Due: the list of what is due, filtered by the query string, and why each task is due."""

from typing import Any

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.core.errors import NotFound
from valvecare.due.reads import DueFilter, due_list, why
from valvecare.due.reads.listed import places
from valvecare.due.rules import DueState, TaskKind, Trigger
from valvecare.web import clock


def _options(words: Any, every: str) -> list[tuple[str, str]]:
    return [("", every), *((word.value, word.value) for word in words)]


class FilterForm(forms.Form):
    """The shape of the query string. A name or word that is not known is an error."""

    site = forms.ChoiceField(required=False, label="Site")
    group = forms.ChoiceField(required=False, label="Pump group")
    kind = forms.ChoiceField(
        required=False, label="Task", choices=_options(TaskKind, "All kinds of task")
    )
    governed_by = forms.ChoiceField(
        required=False, label="Governed by", choices=_options(Trigger, "Any limit")
    )
    state = forms.ChoiceField(required=False, choices=_options(DueState, "All states"))
    page = forms.IntegerField(required=False, min_value=1, max_value=1_000_000)

    def __init__(self, user: Any, data: Any) -> None:
        super().__init__(data)
        sites, groups = places(user)
        self.fields["site"].choices = [("", "All sites"), *sites]  # type: ignore[attr-defined]
        self.fields["group"].choices = [("", "All groups"), *groups]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        for name in sorted(set(self.data) - set(self.fields)):
            known = ", ".join(name for name in self.fields if name != "page")
            self.add_error(None, f"There is no filter called '{name}'; known are {known}.")
        return self.cleaned_data

    def wanted(self) -> DueFilter:
        """The filter a valid form asks for."""
        names = ("site", "group", "state", "governed_by", "kind")
        return DueFilter(**{name: self.cleaned_data[name] for name in names})

    @property
    def selects(self) -> list[Any]:
        """The fields shown as selects; the state has links of its own."""
        return [self[name] for name in ("site", "group", "kind", "governed_by")]


@require_safe
@login_required
def due(request: HttpRequest) -> HttpResponse:
    """What is due, no record first, then by share used. The query string holds the filters."""
    form = FilterForm(request.user, request.GET)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        wanted = form.wanted()
        context["wanted"] = wanted
        context["list"] = due_list(request.user, wanted, page=form.cleaned_data["page"] or 1)
    return render(
        request, "valvecare/due/list.html", context, status=200 if form.is_valid() else 400
    )


@require_safe
@login_required
def due_why(request: HttpRequest, pk: int) -> HttpResponse:
    """Why one task is due when it is: every limit with its inputs, formula and dates."""
    try:
        found = why(request.user, pk, at=clock.now())
    except NotFound as error:
        raise Http404(str(error)) from error
    context = {"why": found, "item": found.item, "site": found.item.site}
    return render(request, "valvecare/due/why.html", context)


urls = [
    path("due/", due, name="due"),
    path("due/<int:pk>/", due_why, name="due-why"),
]
