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


class PlaceForm(forms.Form):
    """A query string with site and group. A name or code that is not known is an error.

    Few places are chosen from a list; where there are many the code is typed.
    """

    SELECTS: tuple[str, ...] = ("site", "group")

    site = forms.CharField(required=False, label="Site", max_length=12)
    group = forms.CharField(required=False, label="Pump group", max_length=24)
    page = forms.IntegerField(required=False, min_value=1, max_value=1_000_000)

    def __init__(self, user: Any, data: Any) -> None:
        super().__init__(data)
        for name, every, choices in zip(
            ("site", "group"), ("All sites", "All groups"), places(user), strict=True
        ):
            if choices is not None:
                self.fields[name] = forms.ChoiceField(
                    required=False, label=self.fields[name].label, choices=[("", every), *choices]
                )

    def clean(self) -> dict[str, Any]:
        for name in sorted(set(self.data) - set(self.fields)):
            known = ", ".join(name for name in self.fields if name != "page")
            self.add_error(None, f"There is no filter called '{name}'; known are {known}.")
        return self.cleaned_data

    @property
    def selects(self) -> list[Any]:
        """The fields shown in the filter box; the state has links of its own."""
        return [self[name] for name in self.SELECTS]


class FilterForm(PlaceForm):
    """The filters of the due list."""

    SELECTS = ("site", "group", "kind", "governed_by")

    kind = forms.ChoiceField(
        required=False, label="Task", choices=_options(TaskKind, "All kinds of task")
    )
    governed_by = forms.ChoiceField(
        required=False, label="Governed by", choices=_options(Trigger, "Any limit")
    )
    state = forms.ChoiceField(required=False, choices=_options(DueState, "All states"))

    def wanted(self) -> DueFilter:
        """The filter a valid form asks for."""
        names = ("site", "group", "state", "governed_by", "kind")
        return DueFilter(**{name: self.cleaned_data[name] for name in names})


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
