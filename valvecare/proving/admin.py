"""Test policies to change; runs to look at."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from valvecare.core.permits import may_anywhere
from valvecare.protection.admin import SharedAdmin
from valvecare.proving.models import TestPolicy, TestRun
from valvecare.web.admin import ReadOnlyAdmin


@admin.register(TestPolicy)
class TestPolicyAdmin(SharedAdmin):
    """The owner's limits. Runs keep those they began with."""

    list_display = (
        "valid_from",
        "switching_band_share",
        "head_band_share",
        "leak_limit_share",
        "reverse_swing_limit_s",
        "header_decay_limit_bar",
        "closed_in_share",
        "probability",
        "source",
        "owner",
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
