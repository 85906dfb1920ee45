"""Read-only admin lists of what the program itself records: events and background runs."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from valvecare.core.models import Event, JobRun
from valvecare.core.permits import may_anywhere


class ReadOnlyAdmin(admin.ModelAdmin):
    """Nobody adds, changes or deletes here."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_events")

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.has_view_permission(request)


@admin.register(Event)
class EventAdmin(ReadOnlyAdmin):
    list_display = ("at", "type", "object_name", "site", "actor_name", "words")
    list_filter = ("type", ("site", admin.RelatedOnlyFieldListFilter))
    search_fields = ("object_name", "words", "actor_name")
    list_select_related = ("site",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return Event.objects.for_user(request.user)


@admin.register(JobRun)
class JobRunAdmin(ReadOnlyAdmin):
    list_display = ("name", "slot", "attempts", "started_at", "finished_at", "counts", "failed")
    list_filter = ("name",)

    @admin.display(boolean=True, description="failed")
    def failed(self, run: JobRun) -> bool:
        return bool(run.error)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return bool(request.user.is_active and request.user.is_superuser)
