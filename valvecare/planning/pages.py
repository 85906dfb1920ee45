"""Plan: the windows to come and what waits for one; placing one order with a preview."""

import uuid
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods, require_safe

from valvecare.core.errors import ActionError, Conflict, NotFound, Refused
from valvecare.core.permits import may, may_anywhere
from valvecare.planning.actions import check_place, place
from valvecare.planning.models import Crew, Window
from valvecare.planning.reads import plan_of
from valvecare.planning.rules import Placement
from valvecare.web import clock
from valvecare.web.idempotency import fingerprint_of, once
from valvecare.web.problems import Clash, Unprocessable
from valvecare.work.models import WorkOrder


class PlaceForm(forms.Form):
    """Where one order shall go."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    idempotency_key = forms.CharField(widget=forms.HiddenInput, max_length=80)
    window = forms.ModelChoiceField(Window.objects.none())
    crew = forms.ModelChoiceField(Crew.objects.none())
    not_before = forms.DateField(
        required=False, label="Not before", widget=forms.DateInput(attrs={"type": "date"})
    )
    hours = forms.DecimalField(
        required=False,
        min_value=0,
        max_value=999,
        label="Crew hours",
        help_text="Empty: the job hours of the design.",
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )
    because = forms.CharField(
        required=False,
        max_length=300,
        label="Reason, if a warning shall not stand in the way",
    )

    def __init__(self, order: WorkOrder, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        ahead = Window.objects.for_user(user).filter(site=order.site_id, ends_at__gt=clock.now())
        self.fields["window"].queryset = ahead  # type: ignore[attr-defined]
        self.fields["crew"].queryset = (  # type: ignore[attr-defined]
            Crew.objects.for_user(user).filter(site=order.site_id)
        )

    def where(self) -> dict[str, Any]:
        """Window, crew and days, as the preview and the action take them."""
        given = self.cleaned_data
        return {
            "window_id": given["window"].pk,
            "crew_id": given["crew"].pk,
            "hours": None if given["hours"] is None else float(given["hours"]),
            "not_before": given["not_before"],
        }


@require_safe
@login_required
def plan(request: HttpRequest) -> HttpResponse:
    """Windows to come with their load, and agreed orders that wait for one."""
    if not may_anywhere(request.user, "view_plan"):
        raise PermissionDenied
    context = {
        "plan": plan_of(request.user, clock.now(), site=request.GET.get("site", "")),
        "may_place": may_anywhere(request.user, "place_work_order"),
        "now": clock.now(),
    }
    return render(request, "valvecare/planning/plan.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def place_order(request: HttpRequest, pk: int) -> HttpResponse:
    """Choose, look what would happen, place. `look` writes nothing."""
    order = (
        WorkOrder.objects.for_user(request.user)
        .select_related("site", "valve__pump__group")
        .filter(pk=pk)
        .first()
    )
    if order is None:
        raise Http404
    if request.method != "POST":
        initial = {"version": order.version, "idempotency_key": uuid.uuid4().hex}
        slot = getattr(order, "slot", None)
        if slot is not None:
            initial |= {"window": slot.window_id, "crew": slot.crew_id}
        return _page(request, order, PlaceForm(order, request.user, initial=initial))
    form = PlaceForm(order, request.user, request.POST)
    if not form.is_valid():
        return _page(request, order, form, status=400)
    try:
        if "look" in request.POST:
            found = check_place(order.pk, actor=request.user, **form.where())
            return _page(request, order, form, found=found)
        return _placed(request, order, form)
    except (ActionError, Clash, Unprocessable) as error:
        return _refused(request, order, error)


def _placed(request: HttpRequest, order: WorkOrder, form: PlaceForm) -> HttpResponse:
    given = form.cleaned_data

    def effect() -> tuple[int, str, dict[str, str]]:
        place(
            order.pk,
            **form.where(),
            because=given["because"],
            version=given["version"],
            actor=request.user,
            at=clock.now(),
        )
        return 303, "", {}

    print_ = fingerprint_of("POST", request.path, repr(sorted(form.where().items())).encode())
    once(request.user, given["idempotency_key"], print_, effect)
    response = HttpResponse(status=303)
    response["Location"] = reverse("valvecare:work-order", args=[order.pk])
    return response


def _refused(request: HttpRequest, order: WorkOrder, error: Exception) -> HttpResponse:
    """The form as it was sent, with the words of the refusal."""
    data = request.POST.copy()
    status, words = 409, [str(error)]
    if isinstance(error, Conflict):
        data["version"], data["idempotency_key"] = str(error.current), uuid.uuid4().hex
        status = 412
    elif isinstance(error, Refused):
        words = [str(reason) for reason in error.reasons]
    elif isinstance(error, NotFound):
        status = 404
    elif isinstance(error, ActionError):
        status = 403
    form = PlaceForm(order, request.user, data)
    form.is_valid()
    for text in words:
        form.add_error(None, text)
    return _page(request, order, form, status=status)


def _page(
    request: HttpRequest,
    order: WorkOrder,
    form: PlaceForm,
    *,
    found: Placement | None = None,
    status: int = 200,
) -> HttpResponse:
    context = {
        "order": order,
        "form": form,
        "found": found,
        "may_place": may(request.user, "place_work_order", order.site_id),
    }
    return render(request, "valvecare/planning/place.html", context, status=status)


urls = [
    path("plan/", plan, name="plan"),
    path("plan/work-orders/<int:pk>/", place_order, name="place-order"),
]
