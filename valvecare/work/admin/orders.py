"""Lists of orders for planners: to look at, to filter, and to act on many at once.

Orders are changed by the actions only, so there is no change form here. The class is registered
by `planning.admin`, which adds placing.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.template.response import TemplateResponse

from valvecare.core.errors import ActionError, Refused
from valvecare.core.permits import may, may_anywhere
from valvecare.register.admin.base import IsRetiredFilter, act_on_chosen
from valvecare.register.models import Site
from valvecare.web import clock
from valvecare.web.admin import ReadOnlyAdmin
from valvecare.work.actions.agree import agree
from valvecare.work.actions.gauges import (
    add_gauge,
    bring_back_gauge,
    change_gauge,
    retire_gauge,
)
from valvecare.work.models import Gauge, WorkOrder
from valvecare.work.rules import OrderState, why_not_in_state

AT_MOST = 200
"""Orders in one bulk action; each is one transaction of its own."""


@dataclass(frozen=True)
class ResultLine:
    """What became of one order of a selection."""

    order: str
    is_done: bool
    words: str


@dataclass(frozen=True)
class Seen:
    """An order of a selection with the version the planner saw."""

    id: int
    version: int


def seen_in(request: HttpRequest) -> list[Seen]:
    """The `id:version` pairs of a confirmed selection; anything else is left out."""
    found = []
    for text in request.POST.getlist("seen"):
        pk, _, version = text.partition(":")
        if pk.isdigit() and version.isdigit():
            found.append(Seen(int(pk), int(version)))
    return found[:AT_MOST]


def one_by_one(seen: list[Seen], act: Callable[[Seen], WorkOrder]) -> list[ResultLine]:
    """Run the action on each order; a refusal of one does not touch the others."""
    lines = []
    for one in seen:
        name = f"WO-{one.id:06d}"
        try:
            order = act(one)
        except Refused as refusal:
            words = " ".join(str(reason) for reason in refusal.reasons)
            lines.append(ResultLine(name, False, words))
        except ActionError as error:
            lines.append(ResultLine(name, False, str(error)))
        else:
            lines.append(ResultLine(str(order), True, f"Now {order.state}."))
    return lines


def results(
    request: HttpRequest, model_admin: Any, title: str, lines: list[ResultLine]
) -> HttpResponse:
    """The page that says for every order what became of it."""
    context = {
        **model_admin.admin_site.each_context(request),
        "title": title,
        "lines": lines,
        "done": sum(line.is_done for line in lines),
        "opts": model_admin.opts,
    }
    return TemplateResponse(request, "valvecare/work/admin_results.html", context)


class WorkOrderAdmin(ReadOnlyAdmin):
    """Orders of the planner's sites."""

    list_display = (
        "number",
        "valve",
        "group",
        "kind",
        "state",
        "due_on",
        "share_used",
        "governed_by",
        "assigned_to",
        "why",
    )
    list_filter = (
        "state",
        "kind",
        ("site", admin.RelatedOnlyFieldListFilter),
        ("valve__pump__group", admin.RelatedOnlyFieldListFilter),
        "governed_by",
        "raised_by",
        "due_on",
    )
    search_fields = ("valve__tag", "valve__pump__tag", "valve__serial")
    search_help_text = "Tag of the valve or pump, serial number, or order number (WO-000123)."
    list_select_related = ("valve__pump__group", "assigned_to")
    list_per_page = 100
    show_full_result_count = False
    ordering = ("due_on", "id")
    actions: Any = ("agree_selected",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return WorkOrder.objects.for_user(request.user)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_work_order")

    def get_search_results(
        self, request: HttpRequest, queryset: Any, search_term: str
    ) -> tuple[Any, bool]:
        digits = search_term.strip().upper().removeprefix("WO-")
        if search_term.strip().upper().startswith("WO-") and digits.isdigit():
            return queryset.filter(pk=int(digits[:18])), False
        return super().get_search_results(request, queryset, search_term)

    @admin.display(ordering="pk", description="order")
    def number(self, order: WorkOrder) -> str:
        return order.number

    @admin.display(ordering="valve__pump__group__code", description="group")
    def group(self, order: WorkOrder) -> str:
        return str(order.valve.pump.group)

    def has_agree_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, "agree_work_order")

    @admin.action(description="Agree…", permissions=["agree"])
    def agree_selected(self, request: HttpRequest, queryset: "QuerySet[WorkOrder]") -> Any:
        """Shows what would change, then agrees each order with the version that was shown."""
        if "confirmed" in request.POST:
            lines = one_by_one(
                seen_in(request),
                lambda one: agree(one.id, version=one.version, actor=request.user, at=clock.now()),
            )
            return results(request, self, "Agreed", lines)
        orders = list(queryset.order_by("due_on", "pk").select_related("valve")[: AT_MOST + 1])
        if len(orders) > AT_MOST:
            self.message_user(request, f"Select at most {AT_MOST} orders.", messages.ERROR)
            return None
        changes = []
        for order in orders:
            reason = why_not_in_state(OrderState(order.state), (OrderState.RAISED,), "agreed")
            changes.append((order, str(reason) if reason else ""))
        context = {
            **self.admin_site.each_context(request),
            "title": "Agree these orders?",
            "lines": changes,
            "opts": self.opts,
            "selected": [str(order.pk) for order in orders],
        }
        return TemplateResponse(request, "valvecare/work/admin_agree.html", context)


class GaugeForm(forms.ModelForm):
    """A gauge with the version that was seen."""

    actor: Any = None
    seen_version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["seen_version"].initial = self.instance.version

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        if self.instance.pk is not None and found.get("seen_version") != self.instance.version:
            self.add_error(None, "Somebody changed this; open it again.")
        site = self.instance.site if self.instance.pk is not None else found.get("site")
        if site is not None and not may(self.actor, "change_gauges", site.pk):
            self.add_error(None, f"You may not change the gauges of {site}.")
        return found


@admin.register(Gauge)
class GaugeAdmin(admin.ModelAdmin):
    """Gauges of the person's sites, written by the same actions as over the interface."""

    form = GaugeForm
    list_display = ("code", "site", "kind", "range_low", "range_high", "unit", "calibrated_until")
    list_filter = (
        IsRetiredFilter,
        ("site", admin.RelatedOnlyFieldListFilter),
        "kind",
        "calibrated_until",
    )
    list_select_related = ("site",)
    search_fields = ("code",)
    actions: Any = ("retire_chosen", "bring_back_chosen")

    @admin.action(description="Retire, with a reason…", permissions=["change"])
    def retire_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        return act_on_chosen(
            self,
            request,
            queryset,
            name="retire_chosen",
            title="Take these gauges out of service?",
            button="Retire",
            act=lambda row, **who: retire_gauge(row.pk, **who),
        )

    @admin.action(description="Bring back, with a reason…", permissions=["change"])
    def bring_back_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        return act_on_chosen(
            self,
            request,
            queryset,
            name="bring_back_chosen",
            title="Bring these gauges back?",
            button="Bring back",
            act=lambda row, **who: bring_back_gauge(row.pk, **who),
        )

    def get_queryset(self, request: HttpRequest) -> Any:
        return Gauge.objects.for_user(request.user)

    def get_form(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        form = super().get_form(request, *args, **kwargs)
        return type(form.__name__, (form,), {"actor": request.user})

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        kwargs["queryset"] = Site.objects.for_user(request.user)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return ("site", "code") if obj is not None else ()

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        who: dict[str, Any] = {"actor": request.user, "at": clock.now()}
        plain = {field.name for field in Gauge._meta.fields} & set(form.cleaned_data)
        given = {name: form.cleaned_data[name] for name in plain}
        try:
            if change:
                changes = {name: given[name] for name in form.changed_data if name in given}
                seen = form.cleaned_data["seen_version"]
                stored = change_gauge(obj.pk, changes, version=seen, **who)
            else:
                stored = add_gauge(given.pop("site").code, given.pop("code"), **given, **who)
            obj.pk, obj.version = stored.pk, stored.version
        except ActionError as error:
            raise PermissionDenied(str(error)) from error

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_work_order")

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.has_view_permission(request)

    def has_add_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, "change_gauges")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        if obj is None:
            return may_anywhere(request.user, "change_gauges")
        return not obj.is_retired and may(request.user, "change_gauges", obj.site_id)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False
