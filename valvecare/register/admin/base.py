"""The base of our admin classes: rows of your sites, changes through the same actions, no delete.

A host may mix in another base class; nothing here replaces the host's admin site.
"""

from collections.abc import Callable, Iterable
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.contrib.admin.helpers import ACTION_CHECKBOX_NAME
from django.core.exceptions import ValidationError as DjangoValidationError
from django.db import models
from django.http import (
    HttpRequest,
    HttpResponse,
    HttpResponseRedirect,
    StreamingHttpResponse,
)
from django.template.response import TemplateResponse

from valvecare.core.errors import ActionError
from valvecare.core.permits import may, may_anywhere
from valvecare.register.actions import (
    add_record,
    bring_back_record,
    change_record,
    retire_record,
)
from valvecare.register.actions.export_register import csv_lines
from valvecare.register.actions.records import PERMIT, seen_by
from valvecare.web import clock
from valvecare.web.admin import OwnHistoryAdmin


class RecordForm(forms.ModelForm):
    """A record's fields, the version that was read, and the reason of the change."""

    request: HttpRequest
    seen_version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    reason = forms.CharField(
        required=False,
        max_length=500,
        widget=forms.TextInput(attrs={"size": 80}),
        help_text="Kept with the history. Needed when the hydraulics of a pump change.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.initial["seen_version"] = self.instance.version

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or {}
        refusal = getattr(self.request, "valvecare_refusal", None)
        if refusal is not None:
            raise DjangoValidationError(str(refusal))
        return given

    def moved(self) -> dict[str, Any]:
        """The model's fields that the person changed, with their new values."""
        names = {field.name for field in self._meta.model._meta.concrete_fields}
        return {name: self.cleaned_data[name] for name in self.changed_data if name in names}


def act_on_chosen(
    model_admin: Any,
    request: HttpRequest,
    queryset: Any,
    *,
    name: str,
    title: str,
    button: str,
    act: Callable[..., Any],
) -> HttpResponse | None:
    """A page that lists what will happen and asks for the reason; then one result per row."""
    if "go" not in request.POST:
        context = {
            **model_admin.admin_site.each_context(request),
            "title": title,
            "button": button,
            "rows": queryset[:500],
            "action": name,
            "chosen": ACTION_CHECKBOX_NAME,
            "opts": model_admin.model._meta,
        }
        return TemplateResponse(request, "valvecare/register/admin_act.html", context)
    reason = request.POST.get("reason", "")
    for row in queryset:
        version = request.POST.get(f"version-{row.pk}", "")
        try:
            act(
                row,
                version=int(version) if version.isascii() and version.isdigit() else 0,
                actor=request.user,
                at=clock.now(),
                reason=reason,
            )
        except (ActionError, DjangoValidationError) as refusal:
            words = "; ".join(getattr(refusal, "messages", [str(refusal)]))
            messages.error(request, f"{row}: {words}")
        else:
            messages.success(request, f"{row}: done.")
    return HttpResponseRedirect(request.get_full_path())


class SiteScopedAdmin(OwnHistoryAdmin):
    """List, change page, choices and history are cut to the person's sites.

    A refusal of an action comes back as an error of the form, with what was typed kept.
    """

    form: Any = RecordForm
    show_full_result_count = False
    list_per_page = 100
    actions: Any = ("retire_chosen", "bring_back_chosen", "export_chosen")
    view_permit = "view_register"
    sheet_kind: Any = None
    """Kind of sheet that 'export chosen' writes; None: no such action."""

    @property
    def change_permit(self) -> str:
        return PERMIT[self.model]

    # sight and permits
    def get_queryset(self, request: HttpRequest) -> Any:
        rows = seen_by(self.model, request.user)
        return rows.order_by(*(self.get_ordering(request) or self.model._meta.ordering))

    def _holds(self, request: HttpRequest, permit: str, obj: Any) -> bool:
        user: Any = request.user
        if not (user.is_active and user.is_staff):
            return False
        if obj is None or obj.pk is None or not hasattr(obj, "site_of"):
            return may_anywhere(user, permit)
        return may(user, permit, obj.site_of().pk)

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self._holds(request, self.view_permit, None)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return self._holds(request, self.view_permit, obj)

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return self._holds(request, self.change_permit, None)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        if obj is not None and getattr(obj, "is_retired", False):
            return False
        return self._holds(request, self.change_permit, obj)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        target = db_field.remote_field.model
        if hasattr(target, "site_path") or hasattr(target, "retired_at"):
            kwargs["queryset"] = seen_by(target, request.user).filter(retired_at__isnull=True)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    # the form
    def get_form(self, request: HttpRequest, obj: Any = None, **kwargs: Any) -> Any:
        form = super().get_form(request, obj, **kwargs)
        return type(form.__name__, (form,), {"request": request})

    def extra_fields(self) -> tuple[str, ...]:
        return ("reason", "seen_version")

    def get_fields(self, request: HttpRequest, obj: Any = None) -> list[str]:
        names = [
            field.name
            for field in self.model._meta.concrete_fields
            if field.editable and not field.primary_key
        ]
        may_write = (
            self.has_change_permission(request, obj) if obj else self.has_add_permission(request)
        )
        if may_write and not getattr(request, "valvecare_history", False):
            names += self.extra_fields()
        return names

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Iterable[str]:
        if getattr(request, "valvecare_history", False):
            return self.get_fields(request, obj)
        return super().get_readonly_fields(request, obj)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        reason = form.cleaned_data.get("reason", "")
        who = {"actor": request.user, "at": clock.now(), "reason": reason}
        if change:
            version = form.cleaned_data.get("seen_version") or 0
            change_record(self.model, obj.pk, form.moved(), version=version, **who)
        else:
            add_record(obj, **who)

    def changeform_view(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        try:
            return super().changeform_view(request, *args, **kwargs)
        except (ActionError, DjangoValidationError) as refusal:
            request.valvecare_refusal = (  # type: ignore[attr-defined]
                refusal if isinstance(refusal, ActionError) else "; ".join(refusal.messages)
            )
            return super().changeform_view(request, *args, **kwargs)

    def history_form_view(
        self, request: HttpRequest, object_id: Any, version_id: Any, extra_context: Any = None
    ) -> Any:
        request.valvecare_history = True  # type: ignore[attr-defined]
        return super().history_form_view(request, object_id, version_id, extra_context)

    # what replaces deleting
    def _do(self, request: HttpRequest, queryset: Any, **what: Any) -> HttpResponse | None:
        return act_on_chosen(self, request, queryset, **what)

    @admin.action(description="Retire, with a reason…", permissions=["change"])
    def retire_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        return self._do(
            request,
            queryset,
            name="retire_chosen",
            title="Retire these records?",
            button="Retire",
            act=lambda row, **who: retire_record(self.model, row.pk, **who),
        )

    @admin.action(description="Bring back, with a reason…", permissions=["change"])
    def bring_back_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        return self._do(
            request,
            queryset,
            name="bring_back_chosen",
            title="Bring these records back?",
            button="Bring back",
            act=lambda row, **who: bring_back_record(self.model, row.pk, **who),
        )

    @admin.action(description="Export as CSV", permissions=["view"])
    def export_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        answer = StreamingHttpResponse(
            csv_lines(self.sheet_kind, queryset), content_type="text/csv; charset=utf-8"
        )
        answer["Content-Disposition"] = f'attachment; filename="{self.sheet_kind.value}.csv"'
        return answer

    def get_actions(self, request: HttpRequest) -> Any:
        found = super().get_actions(request)
        if self.sheet_kind is None:
            found.pop("export_chosen", None)
        if not hasattr(self.model, "retired_at"):
            found.pop("retire_chosen", None)
            found.pop("bring_back_chosen", None)
        return found


class IsRetiredFilter(admin.SimpleListFilter):
    """In service or spare by default; retired ones on demand."""

    title = "retired"
    parameter_name = "retired"

    def lookups(self, request: Any, model_admin: Any) -> list[tuple[str, str]]:
        return [("yes", "retired"), ("all", "all")]

    def choices(self, changelist: Any) -> Any:
        found = list(super().choices(changelist))
        found[0]["display"] = "not retired"
        return found

    def queryset(self, request: Any, queryset: "models.QuerySet[Any]") -> Any:
        if self.value() == "all":
            return queryset
        return queryset.filter(retired_at__isnull=self.value() != "yes")
