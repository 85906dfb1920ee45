"""Sites, groups, pumps with their curve, designs, valves and calendar rules in the admin."""

from typing import Any

from django import forms
from django.contrib import admin
from django.http import HttpRequest
from django.urls import path

from valvecare.core.records import change, create
from valvecare.register import rules
from valvecare.register.actions import add_record, change_pump
from valvecare.register.admin.base import IsRetiredFilter, RecordForm, SiteScopedAdmin
from valvecare.register.admin.imports import import_page
from valvecare.register.models import (
    CalendarRule,
    CurvePoint,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import SheetKind
from valvecare.web import clock

ONLY = admin.RelatedOnlyFieldListFilter
LIST = "valvecare/register/admin_list.html"


@admin.register(Site)
class SiteAdmin(SiteScopedAdmin):
    list_display = ("code", "name", "time_zone", "business")
    list_filter = (IsRetiredFilter,)
    search_fields = ("code", "name")
    sheet_kind = SheetKind.SITES
    change_list_template = LIST

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return bool(request.user.is_active and request.user.is_superuser)

    def get_urls(self) -> Any:
        view = self.admin_site.admin_view(self.import_view)
        return [path("import/", view, name="valvecare_register_import"), *super().get_urls()]

    def import_view(self, request: HttpRequest) -> Any:
        return import_page(self, request)


@admin.register(PumpGroup)
class PumpGroupAdmin(SiteScopedAdmin):
    list_display = ("code", "site", "service", "installed", "needed", "common_return")
    list_filter = (IsRetiredFilter, ("site", ONLY))
    list_select_related = ("site",)
    search_fields = ("code", "service")
    sheet_kind = SheetKind.GROUPS
    change_list_template = LIST


class CurvePointForm(forms.ModelForm):
    class Meta:
        model = CurvePoint
        fields = ("flow_m3_per_h", "head_m", "shaft_power_kw")


class CurveFormSet(forms.BaseInlineFormSet):
    def points(self) -> list[tuple[float, float, float | None]]:
        return [
            (data["flow_m3_per_h"], data["head_m"], data.get("shaft_power_kw"))
            for data in self.cleaned_data
            if data and not data.get("DELETE")
        ]

    def clean(self) -> None:
        super().clean()
        if self.has_changed() and not any(self.errors):
            points = self.points()
            reason = rules.why_not_curve(points) if points else None
            if reason is not None:
                raise forms.ValidationError(str(reason))


class CurvePointInline(admin.TabularInline):
    model = CurvePoint
    form = CurvePointForm
    formset = CurveFormSet
    extra = 2
    verbose_name_plural = "curve, at the curve's speed and density"

    def has_view_permission(self, request: Any, obj: Any = None) -> bool:
        return True

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return self._may(request, obj)

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return self._may(request, obj)

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return self._may(request, obj)

    def _may(self, request: Any, obj: Any) -> bool:
        pumps = admin.site.get_model_admin(Pump) if admin.site.is_registered(Pump) else None
        return pumps is not None and pumps.has_change_permission(request, obj)


class PumpForm(RecordForm):
    changed_on = forms.DateField(
        required=False, help_text="Day the machine was changed; else today at the site."
    )
    correction = forms.BooleanField(
        required=False, help_text="Only the record was wrong: the evidence date stays."
    )


@admin.register(Pump)
class PumpAdmin(SiteScopedAdmin):
    form = PumpForm
    inlines = (CurvePointInline,)
    list_display = ("tag", "site", "group", "role", "medium", "best_flow_m3_per_h", "speed_rpm")
    list_filter = (IsRetiredFilter, ("group__site", ONLY), "role")
    list_select_related = ("group__site",)
    search_fields = ("tag", "group__code")
    autocomplete_fields = ("group",)
    readonly_fields = ("hydraulics_changed_on", "hydraulics_change")
    sheet_kind = SheetKind.PUMPS
    change_list_template = LIST

    @admin.display(ordering="group__site__code")
    def site(self, pump: Pump) -> str:
        return pump.group.site.code

    def extra_fields(self) -> tuple[str, ...]:
        return ("changed_on", "correction", *super().extra_fields())

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        if obj is not None and obj.is_retired:
            return False
        return any(self._holds(request, name, obj) for name in ("change_register", "change_pump"))

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        if not change:
            reason = form.cleaned_data.get("reason", "")
            add_record(obj, actor=request.user, at=clock.now(), reason=reason)

    def save_related(self, request: HttpRequest, form: Any, formsets: Any, change: bool) -> None:
        """Fields and curve in one action, so in one version and one history row."""
        given = form.cleaned_data
        points = None
        for formset in formsets:
            if formset.has_changed():
                points = formset.points()
            formset.new_objects = formset.changed_objects = formset.deleted_objects = []
        if not change and not points:
            return
        change_pump(
            form.instance.pk,
            form.moved() if change else {},
            points=points,
            version=(given.get("seen_version") or 0) if change else form.instance.version,
            actor=request.user,
            at=clock.now(),
            reason=given.get("reason", ""),
            changed_on=given.get("changed_on"),
            correction=bool(given.get("correction")),
        )


@admin.register(ValveDesign)
class ValveDesignAdmin(SiteScopedAdmin):
    list_display = ("code", "variant", "dn", "revision", "principle", "pressure_class_bar")
    list_filter = (IsRetiredFilter, "has_lever", "dn")
    search_fields = ("code", "principle")
    sheet_kind = SheetKind.DESIGNS
    change_list_template = LIST


@admin.register(ProtectionValve)
class ProtectionValveAdmin(SiteScopedAdmin):
    list_display = ("tag", "site", "group", "pump", "design", "serial", "built_year", "status")
    list_filter = (IsRetiredFilter, ("pump__group__site", ONLY), "status", "attitude")
    list_select_related = ("pump__group__site", "design")
    search_fields = ("tag", "serial", "stamped_identity", "pump__tag")
    autocomplete_fields = ("pump", "design")
    sheet_kind = SheetKind.VALVES
    change_list_template = LIST

    @admin.display(ordering="pump__group__site__code")
    def site(self, valve: ProtectionValve) -> str:
        return valve.pump.group.site.code

    @admin.display(ordering="pump__group__code")
    def group(self, valve: ProtectionValve) -> str:
        return valve.pump.group.code

    def formfield_for_choice_field(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        if db_field.name == "status":
            kwargs["choices"] = [
                (word, word) for word, _ in db_field.choices if word != rules.ValveStatus.RETIRED
            ]
        return super().formfield_for_choice_field(db_field, request, **kwargs)


@admin.register(CalendarRule)
class CalendarRuleAdmin(SiteScopedAdmin):
    list_display = ("name", "site", "from_month", "from_day", "to_month", "to_day")
    list_filter = (("site", ONLY),)
    list_select_related = ("site",)
    change_permit = "change_register"
    filter_horizontal = ("exempt_groups",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return CalendarRule.objects.for_user(request.user)

    def get_fields(self, request: HttpRequest, obj: Any = None) -> list[str]:
        names = super().get_fields(request, obj)
        return [*names[:6], "exempt_groups", *names[6:]]

    def formfield_for_manytomany(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        kwargs["queryset"] = PumpGroup.objects.for_user(request.user)
        return super().formfield_for_manytomany(db_field, request, **kwargs)

    def history_view(self, request: HttpRequest, object_id: Any, extra_context: Any = None) -> Any:
        self.own(request, object_id)
        return admin.ModelAdmin.history_view(self, request, object_id, extra_context)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        who: dict[str, Any] = {"actor": request.user, "at": clock.now()}
        who |= {"permit": self.change_permit, "reason": form.cleaned_data.get("reason", "")}
        if change:
            change_rule(obj, form, **who)
        else:
            create(obj, **who)


def change_rule(obj: Any, form: Any, **who: Any) -> None:
    """Change a calendar rule; the groups are kept by the form's own many-to-many step."""
    version = form.cleaned_data.get("seen_version") or 0
    rows = CalendarRule.objects.for_user(who["actor"])
    change(rows, obj.pk, form.moved(), version=version, **who)
