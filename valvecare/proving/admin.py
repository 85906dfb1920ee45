"""Test policies to change; runs to look at."""

from typing import Any

from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest

from valvecare.core.permits import may_anywhere
from valvecare.proving.actions import keep_test_policy
from valvecare.proving.models import TestPolicy, TestRun
from valvecare.web import clock
from valvecare.web.admin import ReadOnlyAdmin

PERMIT = "change_policy"


@admin.register(TestPolicy)
class TestPolicyAdmin(admin.ModelAdmin):
    """Shared by all sites: the reliability engineer adds and changes, nobody deletes."""

    list_display = (
        "valid_from",
        "switching_band_share",
        "head_band_share",
        "leak_limit_share",
        "reverse_swing_limit_s",
        "header_decay_limit_bar",
        "probability",
        "source",
        "owner",
    )

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
        keep_test_policy(
            obj, form.changed_data, is_new=not change, actor=request.user, at=clock.now()
        )


@admin.register(TestRun)
class TestRunAdmin(ReadOnlyAdmin):
    """To look at, cut to the person's sites."""

    list_display = ("order", "begun_at", "method", "result", "finished_at")
    list_filter = ("result", "method")
    list_select_related = ("order",)
    search_fields = ("order__valve__tag",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return TestRun.objects.for_user(request.user)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_work_order")
