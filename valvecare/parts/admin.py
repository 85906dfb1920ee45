"""Parts in the admin: the catalogue is kept here, the stock is looked at; moves go by the acts."""

from typing import Any

from django import forms
from django.contrib import admin
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from valvecare.core.permits import may_anywhere
from valvecare.core.records import change as change_row
from valvecare.core.records import create
from valvecare.parts import actions
from valvecare.parts.models import (
    Bin,
    Kit,
    KitLine,
    Lot,
    Movement,
    PartNumber,
    PartsPolicy,
    Purchase,
    Reservation,
    Store,
    Supersession,
)
from valvecare.parts.reads import in_view
from valvecare.register.admin import SiteScopedAdmin
from valvecare.register.admin.base import IsRetiredFilter, RecordForm
from valvecare.web import clock
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


class KeptAdmin(SiteScopedAdmin):
    """What storekeepers keep: the catalogue of all sites, the places of their own."""

    view_permit = "view_parts"
    kept_by = "change_parts"
    actions: Any = ("retire_kept",)

    @property
    def change_permit(self) -> str:
        return self.kept_by

    def get_queryset(self, request: HttpRequest) -> Any:
        rows = (
            in_view(self.model, request.user)
            if hasattr(self.model, "site_path")
            else self.model._default_manager.all()
        )
        return rows.order_by(*(self.get_ordering(request) or self.model._meta.ordering))

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        target = db_field.remote_field.model
        rows = (
            target.objects.for_user(request.user)
            if hasattr(target, "site_path")
            else target.objects.all()
        )
        kwargs["queryset"] = rows.filter(retired_at=None)
        return admin.ModelAdmin.formfield_for_foreignkey(self, db_field, request, **kwargs)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        who: dict[str, Any] = {"actor": request.user, "at": clock.now(), "permit": self.kept_by}
        who["reason"] = form.cleaned_data.get("reason", "")
        if not change:
            create(obj, **who)
            return
        version = form.cleaned_data.get("seen_version") or 0
        change_row(self.get_queryset(request), obj.pk, form.moved(), version=version, **who)

    def history_view(self, request: HttpRequest, object_id: Any, extra_context: Any = None) -> Any:
        if hasattr(self.model, "history"):
            return super().history_view(request, object_id, extra_context)
        self.own(request, object_id)
        return admin.ModelAdmin.history_view(self, request, object_id, extra_context)

    def retiring(self) -> Any:
        """The action that retires one row: `act(pk, version=, actor=, at=, reason=)`."""
        return {
            PartNumber: actions.retire_part,
            Kit: actions.retire_kit,
            Store: actions.retire_store,
            Bin: actions.retire_bin,
        }[self.model]

    @admin.action(description="Retire, with a reason…", permissions=["change"])
    def retire_kept(self, request: HttpRequest, queryset: Any) -> Any:
        act = self.retiring()
        return self._do(
            request,
            queryset,
            name="retire_kept",
            title="Retire these records?",
            button="Retire",
            act=lambda row, **who: act(row.pk, **who),
        )


@admin.register(PartNumber)
class PartNumberAdmin(KeptAdmin):
    list_display = ("code", "name", "place", "has_serial", "shelf_life_months", "lead_weeks")
    list_filter = (IsRetiredFilter, "has_serial", "is_consumable")
    search_fields = ("code", "name")


class KitLines(forms.BaseInlineFormSet):
    def wanted(self) -> dict[str, int]:
        """Part number: how many, as the person left them."""
        return {
            data["part"].code: data["quantity"]
            for data in self.cleaned_data
            if data and not data.get("DELETE")
        }


class KitLineInline(admin.TabularInline):
    model = KitLine
    formset = KitLines
    extra = 2
    autocomplete_fields = ("part",)

    def _may(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "change_parts")

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_parts")

    has_add_permission = _may
    has_change_permission = _may
    has_delete_permission = _may


class KitForm(RecordForm):
    def clean_media(self) -> list[str]:
        media = self.cleaned_data["media"]
        if not isinstance(media, list) or not all(isinstance(one, str) for one in media):
            raise ValidationError('A list of words, for example ["water"] or ["any"].')
        return media


@admin.register(Kit)
class KitAdmin(KeptAdmin):
    form = KitForm
    list_display = ("name", "design", "use", "lead_weeks", "express_weeks")
    list_filter = (IsRetiredFilter, "use")
    list_select_related = ("design",)
    search_fields = ("name",)
    inlines = (KitLineInline,)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        """Fields and lines in one action, see `save_related`."""

    def save_related(self, request: HttpRequest, form: Any, formsets: Any, change: bool) -> None:
        who: dict[str, Any] = {"actor": request.user, "at": clock.now()}
        [lines] = [formset.wanted() for formset in formsets]
        obj = form.instance
        if change:
            actions.change_kit(
                obj.pk,
                form.moved(),
                version=form.cleaned_data.get("seen_version") or 0,
                lines=lines,
                reason=form.cleaned_data.get("reason", ""),
                **who,
            )
        else:
            names = {field.name for field in Kit._meta.concrete_fields} & set(form.cleaned_data)
            given = {name: form.cleaned_data[name] for name in names - {"design"}}
            obj.pk = actions.add_kit(obj.design_id, lines, **given, **who).pk
        for formset in formsets:
            formset.new_objects = formset.changed_objects = formset.deleted_objects = []


@admin.register(Store)
class StoreAdmin(KeptAdmin):
    list_display = ("name", "site")
    list_filter = (IsRetiredFilter, ("site", admin.RelatedOnlyFieldListFilter))
    list_select_related = ("site",)
    search_fields = ("name",)


@admin.register(Bin)
class BinAdmin(KeptAdmin):
    list_display = ("code", "store")
    list_filter = (IsRetiredFilter, ("store", admin.RelatedOnlyFieldListFilter))
    list_select_related = ("store",)
    search_fields = ("code",)


class SupersessionForm(forms.ModelForm):
    request: HttpRequest

    class Meta:
        model = Supersession
        fields = ("old", "new", "is_both_ways", "note")


@admin.register(Supersession)
class SupersessionAdmin(KeptAdmin):
    """Added and withdrawn, never changed."""

    form = SupersessionForm
    actions: Any = ("withdraw",)
    list_display = ("old", "new", "is_both_ways", "note")
    list_select_related = ("old", "new")
    search_fields = ("old__code", "new__code")
    autocomplete_fields = ("old", "new")

    def extra_fields(self) -> tuple[str, ...]:
        return ()

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return obj is None and super().has_change_permission(request)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        given = form.cleaned_data
        made = actions.supersede(
            given["old"].code,
            given["new"].code,
            is_both_ways=given["is_both_ways"],
            note=given["note"],
            actor=request.user,
            at=clock.now(),
        )
        obj.pk = made.pk

    @admin.action(description="Withdraw, with a reason…", permissions=["change"])
    def withdraw(self, request: HttpRequest, queryset: Any) -> Any:
        return self._do(
            request,
            queryset,
            name="withdraw",
            title="Withdraw these supersessions?",
            button="Withdraw",
            act=lambda row, actor, at, reason, **_: actions.withdraw_supersession(
                row.pk, actor=actor, at=at, why=reason
            ),
        )


@admin.register(PartsPolicy)
class PartsPolicyAdmin(KeptAdmin):
    """A new row from a day on; what was in force stays readable."""

    kept_by = "change_policy"
    actions: Any = ()
    list_display = ("valid_from", "margin_days", "stock_target", "horizon_weeks", "owner")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


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
