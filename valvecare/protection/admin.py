"""Verdict policies and liquids to change; verdicts, tests and inspections to look at."""

from typing import Any

from django import forms
from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest

from valvecare.core.permits import may_anywhere
from valvecare.protection.actions import keep_policy_row
from valvecare.protection.models import (
    FunctionTest,
    Inspection,
    LiquidProperties,
    OperatingRelease,
    Verdict,
    VerdictPolicy,
)
from valvecare.web import clock
from valvecare.web.admin import ReadOnlyAdmin

PERMIT = "change_policy"


class SeenForm(forms.ModelForm):
    """A row with the version that was seen, so that nobody overwrites what another one changed."""

    seen_version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk is not None:
            self.initial["seen_version"] = self.instance.version

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        if self.instance.pk is not None and found.get("seen_version") != self.instance.version:
            self.add_error(None, "Somebody changed this row; open it again.")
        return found


class SharedAdmin(admin.ModelAdmin):
    """Rows that all sites share: the reliability engineer adds and changes, nobody deletes."""

    form = SeenForm

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_protection")

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.has_view_permission(request)

    def has_add_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, PERMIT)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, PERMIT)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def delete_model(self, request: HttpRequest, obj: Any) -> None:
        raise PermissionDenied

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        keep_policy_row(
            obj,
            [name for name in form.changed_data if name != "seen_version"],
            version=form.cleaned_data["seen_version"] if change else None,
            actor=request.user,
            at=clock.now(),
        )


@admin.register(VerdictPolicy)
class VerdictPolicyAdmin(SharedAdmin):
    list_display = (
        "valid_from",
        "margin_share",
        "line_sensor_k",
        "time_constant_share",
        "power_share",
        "source",
        "owner",
    )


@admin.register(LiquidProperties)
class LiquidPropertiesAdmin(SharedAdmin):
    list_display = ("name", "source")
    search_fields = ("name",)


class EvidenceAdmin(ReadOnlyAdmin):
    """To look at, cut to the person's sites."""

    list_select_related = ("valve",)
    search_fields = ("valve__tag",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return self.model.objects.for_user(request.user)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_protection")


@admin.register(Verdict)
class VerdictAdmin(EvidenceAdmin):
    list_display = ("valve", "word", "code", "since", "until", "judged_at", "is_current", "reason")
    list_filter = ("is_current", "word", "code")


@admin.register(FunctionTest)
class FunctionTestAdmin(EvidenceAdmin):
    list_display = ("valve", "done_at", "method", "bypass_flow_m3_per_h", "result", "restriction")
    list_filter = ("result", "method")


@admin.register(Inspection)
class InspectionAdmin(EvidenceAdmin):
    list_display = ("valve", "done_at", "kind", "as_found", "mode", "words", "origin")
    list_filter = ("as_found", "kind")


@admin.register(OperatingRelease)
class OperatingReleaseAdmin(EvidenceAdmin):
    list_display = ("valve", "until", "restriction", "signed_by", "signed_at", "origin")
