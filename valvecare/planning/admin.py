"""Windows and crews, and placing many orders at once with a preview and a result per order."""

from typing import Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest
from django.template.response import TemplateResponse

from valvecare.core import records
from valvecare.core.errors import ActionError
from valvecare.core.permits import may, may_anywhere
from valvecare.planning.actions import place
from valvecare.planning.models import Crew, Window
from valvecare.planning.reads import preview
from valvecare.register.models import PumpGroup, Site
from valvecare.web import clock
from valvecare.work.admin import AT_MOST, WorkOrderAdmin, one_by_one, results, seen_in
from valvecare.work.models import WorkOrder


class PlaceForm(forms.Form):
    """Where the selected orders shall go."""

    window = forms.ModelChoiceField(Window.objects.none())
    crew = forms.ModelChoiceField(Crew.objects.none())
    not_before = forms.DateField(
        required=False, widget=forms.DateInput(attrs={"type": "date"}), label="Not before"
    )
    hours = forms.FloatField(
        required=False,
        min_value=0.25,
        max_value=999,
        label="Crew hours, where the design names none",
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )
    because = forms.CharField(
        required=False,
        max_length=300,
        label="Reason, if a warning shall not stand in the way",
    )

    def __init__(self, user: Any, sites: set[int], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, model in (("window", Window), ("crew", Crew)):
            rows = model.objects.for_user(user).filter(site__in=sites)
            self.fields[name].queryset = rows  # type: ignore[attr-defined]


@admin.register(WorkOrder)
class PlannerWorkOrderAdmin(WorkOrderAdmin):
    actions = ("agree_selected", "place_selected")

    def has_place_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, "place_work_order")

    @admin.action(description="Place in a window…", permissions=["place"])
    def place_selected(self, request: HttpRequest, queryset: "QuerySet[WorkOrder]") -> Any:
        """Choose a window and a crew, see what would happen to each order, then place them."""
        orders = list(
            queryset.select_related("valve", "site", "slot__window").order_by("due_on", "pk")[
                : AT_MOST + 1
            ]
        )
        if len(orders) > AT_MOST:
            self.message_user(request, f"Select at most {AT_MOST} orders.", messages.ERROR)
            return None
        asked = "window" in request.POST
        form = PlaceForm(
            request.user,
            {order.site_id for order in orders},
            request.POST if asked else None,
        )
        lines = []
        if asked and form.is_valid():
            given = form.cleaned_data
            lines = preview(
                orders,
                given["window"],
                given["crew"],
                hours=given["hours"],
                not_before=given["not_before"],
                because=given["because"],
            )
            if "confirmed" in request.POST:
                return self._place(request, given, lines)
        context = {
            **self.admin_site.each_context(request),
            "title": "Place in a window",
            "orders": orders,
            "form": form,
            "lines": lines,
            "fitting": sum(line.placement.fits for line in lines),
            "opts": self.opts,
            "selected": [str(order.pk) for order in orders],
        }
        return TemplateResponse(request, "valvecare/planning/admin_place.html", context)

    def _place(self, request: HttpRequest, given: dict[str, Any], lines: list[Any]) -> Any:
        """Place what was shown as fitting, with the versions that were shown."""
        hours = {line.order.pk: line.hours for line in lines}
        found = one_by_one(
            [one for one in seen_in(request) if one.id in hours],
            lambda one: place(
                one.id,
                given["window"].pk,
                given["crew"].pk,
                version=one.version,
                actor=request.user,
                at=clock.now(),
                hours=hours[one.id],
                not_before=given["not_before"],
                because=given["because"],
            ),
        )
        return results(request, self, f"Placed in {given['window']}", found)


class PlanForm(forms.ModelForm):
    """A row of the plan with the version that was seen."""

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
        if site is not None and not may(self.actor, "change_plan", site.pk):
            self.add_error(None, f"You may not change the plan of {site}.")
        groups = found.get("still_needed")
        if site is not None and groups and any(group.site_id != site.pk for group in groups):
            self.add_error("still_needed", f"Name groups of {site} only.")
        return found


class PlanAdmin(admin.ModelAdmin):
    """Rows of the plan, cut to the person's sites and written by `core.records`."""

    form = PlanForm
    list_select_related = ("site",)
    list_filter = (("site", admin.RelatedOnlyFieldListFilter),)
    search_fields = ("name",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return self.model.objects.for_user(request.user)

    def get_form(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        form = super().get_form(request, *args, **kwargs)
        return type(form.__name__, (form,), {"actor": request.user})

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        if db_field.name == "site":
            kwargs["queryset"] = Site.objects.for_user(request.user)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def formfield_for_manytomany(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        kwargs["queryset"] = PumpGroup.objects.for_user(request.user)
        return super().formfield_for_manytomany(db_field, request, **kwargs)

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return ("site",) if obj is not None else ()

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        who: dict[str, Any] = {"actor": request.user, "at": clock.now(), "permit": "change_plan"}
        try:
            if not change:
                records.create(obj, **who)
                return
            plain = {field.name for field in self.model._meta.fields}
            changes = {name: form.cleaned_data[name] for name in form.changed_data if name in plain}
            stored = records.change(
                self.get_queryset(request),
                obj.pk,
                changes,
                version=form.cleaned_data["seen_version"],
                **who,
            )
            obj.version = stored.version
        except ActionError as error:
            raise PermissionDenied(str(error)) from error

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_plan")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, "change_plan")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        if obj is not None:
            return may(request.user, "change_plan", obj.site_id)
        return may_anywhere(request.user, "change_plan")

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.has_view_permission(request)


@admin.register(Window)
class WindowAdmin(PlanAdmin):
    list_display = ("name", "site", "starts_at", "ends_at", "is_total_stop", "words")
    date_hierarchy = "starts_at"
    filter_horizontal = ("still_needed",)


@admin.register(Crew)
class CrewAdmin(PlanAdmin):
    list_display = ("name", "site", "people", "hours_per_day")
