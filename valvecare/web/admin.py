"""Admin: history for who may see a record; lists of events and background runs."""

from typing import Any

from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest
from simple_history.admin import SimpleHistoryAdmin

from valvecare.core.models import Event, JobRun
from valvecare.core.permits import may_anywhere


class OwnHistoryAdmin(SimpleHistoryAdmin):
    """History for who sees the record, to be read only.

    The library shows the history of anything whose id is given and lets an old state be saved
    past our actions; here a record outside `get_queryset` has no history.
    """

    def history_view(self, request: HttpRequest, object_id: Any, extra_context: Any = None) -> Any:
        self.own(request, object_id)
        return super().history_view(request, object_id, extra_context)

    def history_form_view(
        self, request: HttpRequest, object_id: Any, version_id: Any, extra_context: Any = None
    ) -> Any:
        self.own(request, object_id)
        if request.method != "GET" or not str(version_id).isdigit():
            raise PermissionDenied
        return super().history_form_view(request, object_id, version_id, extra_context)

    def revert_disabled(self, request: HttpRequest, obj: Any = None) -> bool:
        return True

    def own(self, request: HttpRequest, object_id: Any) -> Any:
        """The record, when the person may see it; else 404."""
        obj = self.get_object(request, object_id)
        if obj is None:
            raise Http404
        return obj


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
