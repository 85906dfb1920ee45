"""Stores and bins: kept by the storekeeper, and what lies in one bin."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import NotFound
from valvecare.core.permits import may_anywhere, sites_where
from valvecare.parts import actions
from valvecare.parts.models import Bin, Store
from valvecare.parts.pages.acts import act, gone_to
from valvecare.parts.pages.forms import ActForm
from valvecare.parts.pages.lists import may_look
from valvecare.parts.reads import bin_page, in_view, stores_of
from valvecare.register.models import Site
from valvecare.web import clock


class StoreForm(ActForm):
    submit = "Add the store"
    site = forms.ModelChoiceField(Site.objects.none(), label="Site")
    name = forms.CharField(label="Name of the store", max_length=60)

    def __init__(self, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        rows = Site.objects.filter(pk__in=sites_where(user, "change_parts"), retired_at=None)
        self.fields["site"].queryset = rows  # type: ignore[attr-defined]

    def inputs(self) -> dict[str, Any]:
        return {"site_id": self.cleaned_data["site"].pk, "name": self.cleaned_data["name"]}


class BinForm(ActForm):
    submit, is_main = "Add the bin", True
    store = forms.ModelChoiceField(Store.objects.none(), label="Store")
    code = forms.CharField(label="Code of the bin", max_length=24)

    def __init__(self, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        where = sites_where(user, "change_parts")
        rows = Store.objects.filter(site__in=where, retired_at=None).select_related("site")
        self.fields["store"].queryset = rows  # type: ignore[attr-defined]

    def inputs(self) -> dict[str, Any]:
        return {"store_id": self.cleaned_data["store"].pk, "code": self.cleaned_data["code"]}


class RenameForm(ActForm):
    submit = "Rename"
    code = forms.CharField(label="Code of the bin", max_length=24)


class RetireForm(ActForm):
    submit = "Retire the bin"
    reason = forms.CharField(label="Why it is used no more", max_length=300)


def _stores(
    request: HttpRequest, bound: ActForm | None = None, *, status: int = 200
) -> HttpResponse:
    may_look(request)
    may_change = may_anywhere(request.user, "change_parts")
    context: dict[str, Any] = {"stores": stores_of(request.user), "may_change": may_change}
    if may_change:
        context["bin_form"] = bound if isinstance(bound, BinForm) else BinForm(request.user)
        context["store_form"] = bound if isinstance(bound, StoreForm) else StoreForm(request.user)
        context["opened"] = isinstance(bound, StoreForm)
    return render(request, "valvecare/parts/stores.html", context, status=status)


@require_safe
@login_required
def stores(request: HttpRequest) -> HttpResponse:
    """The stores of the person's sites with their bins."""
    return _stores(request)


def _add(request: HttpRequest, form: ActForm, action: Callable[..., Any]) -> HttpResponse:
    if not form.is_valid():
        return _stores(request, form, status=400)
    given = {**form.inputs(), "actor": request.user, "at": clock.now()}
    status = act(request, form, lambda: action(**given))
    return _stores(request, form, status=status) if status else gone_to(request, "stores")


@require_POST
@login_required
def add_store(request: HttpRequest) -> HttpResponse:
    return _add(request, StoreForm(request.user, request.POST), actions.add_store)


@require_POST
@login_required
def add_bin(request: HttpRequest) -> HttpResponse:
    return _add(request, BinForm(request.user, request.POST), actions.add_bin)


VERBS: dict[str, tuple[type[ActForm], Callable[..., Any]]] = {
    "rename": (RenameForm, actions.rename_bin),
    "retire": (RetireForm, actions.retire_bin),
}


def _bin(
    request: HttpRequest, pk: int, bound: tuple[str, ActForm] | None = None, *, status: int = 200
) -> HttpResponse:
    may_look(request)
    try:
        page = bin_page(pk, request.user, clock.now())
    except NotFound as error:
        raise Http404 from error
    row = in_view(Bin, request.user).get(pk=pk)
    panels = []
    if may_anywhere(request.user, "change_parts") and not page.is_retired:
        initial = {"version": row.version, "code": row.code}
        for verb, (form, _) in VERBS.items():
            is_bound = bound is not None and bound[0] == verb
            panels.append(
                (verb, bound[1] if bound and is_bound else form(initial=initial), is_bound)
            )
    context = {"page": page, "panels": panels}
    return render(request, "valvecare/parts/bin.html", context, status=status)


@require_safe
@login_required
def bin_(request: HttpRequest, pk: int) -> HttpResponse:
    """What lies in one bin; where the label of a bin leads."""
    return _bin(request, pk)


@require_POST
@login_required
def bin_act(request: HttpRequest, pk: int, verb: str) -> HttpResponse:
    chosen = VERBS.get(verb)
    if chosen is None:
        raise Http404
    form_class, action = chosen
    form = form_class(request.POST)
    if not form.is_valid():
        return _bin(request, pk, (verb, form), status=400)
    given = {**form.inputs(), "version": form.cleaned_data["version"] or 0}
    given |= {"actor": request.user, "at": clock.now()}
    status = act(request, form, lambda: action(pk, **given))
    return _bin(request, pk, (verb, form), status=status) if status else gone_to(request, "stores")
