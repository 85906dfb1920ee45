"""Parts in the admin: the catalogue and the stock, to be looked at; changes go through the acts."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from valvecare.core.permits import may_anywhere
from valvecare.parts.models import (
    Kit,
    KitLine,
    Lot,
    Movement,
    PartNumber,
    PartsPolicy,
    Purchase,
    Reservation,
)
from valvecare.parts.reads import in_view
from valvecare.web.admin import ReadOnlyAdmin


class PartsAdmin(ReadOnlyAdmin):
    """Looked at by those who may view parts; rows of their sites only."""

    list_per_page = 100
    show_full_result_count = False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_parts")

    def get_queryset(self, request: HttpRequest) -> Any:
        if hasattr(self.model, "site_path"):
            return in_view(self.model, request.user)
        return super().get_queryset(request)


@admin.register(PartNumber)
class PartNumberAdmin(PartsAdmin):
    list_display = ("code", "name", "place", "has_serial", "shelf_life_months")
    search_fields = ("code", "name")


class KitLineInline(admin.TabularInline):
    model = KitLine
    extra = 0
    can_delete = False

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_parts")


@admin.register(Kit)
class KitAdmin(PartsAdmin):
    list_display = ("name", "design", "use", "lead_weeks", "express_weeks")
    list_select_related = ("design",)
    search_fields = ("name",)
    inlines = (KitLineInline,)


@admin.register(PartsPolicy)
class PartsPolicyAdmin(PartsAdmin):
    list_display = ("valid_from", "margin_days", "stock_target", "horizon_weeks", "owner")


@admin.register(Lot)
class LotAdmin(PartsAdmin):
    list_display = ("code", "kit", "part", "site", "bin", "shelf_until", "on_hand", "reserved")
    list_select_related = ("kit", "part", "site", "bin__store")
    search_fields = ("code", "kit__name", "part__code")


@admin.register(Movement)
class MovementAdmin(PartsAdmin):
    list_display = ("at", "kind", "quantity", "lot", "order", "by", "why")
    list_select_related = ("lot__kit", "lot__part", "order__valve", "by")


@admin.register(Reservation)
class ReservationAdmin(PartsAdmin):
    list_display = ("lot", "order", "quantity", "state", "job_on")
    list_select_related = ("lot__kit", "lot__part", "order__valve")


@admin.register(Purchase)
class PurchaseAdmin(PartsAdmin):
    list_display = ("kit", "part", "site", "quantity", "asked_on", "arrives_on", "state")
    list_select_related = ("kit", "part", "site")
