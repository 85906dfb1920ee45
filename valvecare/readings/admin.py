"""Series for planners and engineers; pushes, events and what was set aside to look at only."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from valvecare.core.permits import may_anywhere
from valvecare.readings import actions, reads
from valvecare.readings.models import MeterEvent, PlantEvent, Push, Series, SetAside
from valvecare.register.admin import SiteScopedAdmin
from valvecare.web import clock
from valvecare.web.admin import ReadOnlyAdmin


@admin.register(Series)
class SeriesAdmin(SiteScopedAdmin):
    """A change of what judges segments makes the totals new, as over the API."""

    list_display = ("tag", "pump", "quantity", "unit", "site", "retired_at")
    list_filter = ("quantity", ("site", admin.RelatedOnlyFieldListFilter))
    search_fields = ("tag", "pump__tag")
    list_select_related = ("site", "pump")
    actions = ()
    view_permit = "view_readings"

    @property
    def change_permit(self) -> str:
        return "change_register"

    def get_queryset(self, request: HttpRequest) -> Any:
        return Series.objects.for_user(request.user).order_by("tag")

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        who: dict[str, Any] = {"actor": request.user, "at": clock.now()}
        if change:
            version = form.cleaned_data.get("seen_version") or 0
            actions.change_series(obj.pk, form.moved(), version=version, **who)
            return
        fields = {name: form.cleaned_data[name] for name in form.base_fields if name in _FIELDS}
        made = actions.add_series(obj.pump_id, fields, **who)
        obj.__dict__.update(made.__dict__)


_FIELDS = {field.name for field in Series._meta.concrete_fields if field.editable} - {"pump"}


class _LookOnly(ReadOnlyAdmin):
    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_readings")

    def get_queryset(self, request: HttpRequest) -> Any:
        return self.model._default_manager.for_user(request.user)


@admin.register(SetAside)
class SetAsideAdmin(_LookOnly):
    list_display = ("tag", "at", "value", "code", "state", "judged_by", "judged_at")
    list_filter = ("state", "code", ("site", admin.RelatedOnlyFieldListFilter))
    search_fields = ("tag",)


@admin.register(MeterEvent)
class MeterEventAdmin(_LookOnly):
    list_display = ("series", "kind", "at", "closing_value", "opening_value", "recorded_by")
    list_select_related = ("series", "recorded_by")


@admin.register(PlantEvent)
class PlantEventAdmin(_LookOnly):
    list_display = ("pump", "kind", "at", "duration_s", "speed_rpm", "source")
    list_filter = ("kind",)
    list_select_related = ("pump", "source")


@admin.register(Push)
class PushAdmin(_LookOnly):
    list_display = ("source", "at", "rows", "created", "duplicates", "conflicts", "rejected")
    list_select_related = ("source",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return reads.pushes_for(request.user)
