"""Policies with their history for the admin; acts and due items to look at only."""

from typing import Any

from django import forms
from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest

from valvecare.core.errors import Forbidden, Refused
from valvecare.core.permits import may_anywhere
from valvecare.due.actions import (
    change_condition_rule,
    change_policy,
    set_condition_rule,
    set_policy,
)
from valvecare.due.actions.condition_rules import CHANGEABLE as RULE_CHANGEABLE
from valvecare.due.actions.condition_rules import FACTS as RULE_FACTS
from valvecare.due.actions.condition_rules import SCOPE as RULE_SCOPE
from valvecare.due.actions.condition_rules import check_condition_rule
from valvecare.due.actions.policies import CHANGEABLE, PERMIT, check_policy
from valvecare.due.models import Act, ConditionFinding, ConditionRule, DueItem, Policy
from valvecare.web import clock
from valvecare.web.admin import OwnHistoryAdmin, ReadOnlyAdmin

SCOPE = ("kind", "valve", "group", "design_code", "variant", "dn", "valid_from")


class PolicyForm(forms.ModelForm):
    """The form asks the action's own check, so that a refusal is shown beside the input."""

    actor: Any = None
    plain_only = forms.BooleanField(
        required=False, help_text="Only the plain design; else an empty variant means every one."
    )
    seen_version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    class Meta:
        model = Policy
        fields = (*SCOPE, *CHANGEABLE)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["seen_version"].initial = self.instance.version
        if self.instance.pk is not None:
            self.fields["plain_only"].widget = forms.HiddenInput()

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        if found.pop("plain_only", False):
            found["variant"] = ""
        if self.instance.pk is not None and found.get("seen_version") != self.instance.version:
            self.add_error(None, "Somebody changed this policy; open it again.")
        if not self.errors:
            for name in {*SCOPE, *CHANGEABLE} & set(found):
                setattr(self.instance, name, found[name])
            try:
                check_policy(self.instance, self.actor)
            except (Refused, Forbidden) as refusal:
                self.add_error(None, str(refusal))
        return found


@admin.register(Policy)
class PolicyAdmin(OwnHistoryAdmin):
    form: type[forms.ModelForm] = PolicyForm
    list_display: Any = (
        "kind",
        "who",
        "months",
        "run_hours",
        "starts",
        "valid_from",
        "valid_to",
        "source",
        "owner",
    )
    list_filter = ("kind", "design_code")
    search_fields: Any = ("design_code", "valve__tag", "group__code", "source")
    autocomplete_fields = ()
    raw_id_fields = ("valve", "group")
    list_select_related = ("valve", "group")

    def get_queryset(self, request: HttpRequest) -> Any:
        return Policy.objects.for_user(request.user)

    def get_form(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        form = super().get_form(request, *args, **kwargs)
        return type(form.__name__, (form,), {"actor": request.user})

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return SCOPE if obj is not None else ()

    def save_model(self, request: HttpRequest, obj: Policy, form: Any, change: bool) -> None:
        given = form.cleaned_data
        if change:
            changes = {name: given[name] for name in form.changed_data if name in CHANGEABLE}
            stored = change_policy(
                obj.pk, changes, version=given["seen_version"], actor=request.user, at=clock.now()
            )
        else:
            facts = {name: given[name] for name in (*SCOPE, *CHANGEABLE)}
            stored = set_policy(actor=request.user, at=clock.now(), **facts)
        obj.pk, obj.version = stored.pk, stored.version

    def delete_model(self, request: HttpRequest, obj: Policy) -> None:
        raise PermissionDenied

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_due")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, PERMIT)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, PERMIT)

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.has_view_permission(request)


class ConditionRuleForm(forms.ModelForm):
    """As the policy's form: what the action would refuse is shown beside the input."""

    actor: Any = None
    seen_version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    is_ended = forms.BooleanField(required=False, label="End this rule")

    class Meta:
        model = ConditionRule
        fields = (*RULE_SCOPE, *RULE_FACTS)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["seen_version"].initial = self.instance.version
        if self.instance.pk is None:
            self.fields["is_ended"].widget = forms.HiddenInput()

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        if self.instance.pk is not None and found.get("seen_version") != self.instance.version:
            self.add_error(None, "Somebody changed this rule; open it again.")
        if self.instance.ended_at is not None:
            self.add_error(None, "This rule has ended; set a new one.")
        if not self.errors:
            for name in {*RULE_SCOPE, *RULE_FACTS} & set(found):
                setattr(self.instance, name, found[name])
            try:
                check_condition_rule(self.instance, self.actor)
            except Forbidden as refusal:
                self.add_error(None, str(refusal))
        return found


@admin.register(ConditionRule)
class ConditionRuleAdmin(PolicyAdmin):
    form = ConditionRuleForm
    list_display = ("name", "who", "basis", "task_kind", "lead_days", "ended_at", "source", "owner")
    list_filter = ("basis", "task_kind")
    search_fields = ("name", "design_code", "valve__tag", "group__code", "source")

    def get_queryset(self, request: HttpRequest) -> Any:
        return ConditionRule.objects.for_user(request.user)

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        fixed = (*RULE_SCOPE, "basis", "task_kind")
        return (*fixed, "judged_on", "judged_counts") if obj is not None else ()

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        given = form.cleaned_data
        if change:
            changes = {name: given[name] for name in form.changed_data if name in RULE_CHANGEABLE}
            stored = change_condition_rule(
                obj.pk,
                changes,
                version=given["seen_version"],
                actor=request.user,
                at=clock.now(),
                is_ended=given["is_ended"],
            )
        else:
            facts = {name: given[name] for name in (*RULE_SCOPE, *RULE_FACTS)}
            stored = set_condition_rule(actor=request.user, at=clock.now(), **facts)
        obj.pk, obj.version = stored.pk, stored.version


class DueViewAdmin(ReadOnlyAdmin):
    """To look at, cut to the person's sites."""

    def get_queryset(self, request: HttpRequest) -> Any:
        return self.model.objects.for_user(request.user)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_due")


@admin.register(Act)
class ActAdmin(DueViewAdmin):
    list_display = ("done_on", "kind", "valve", "origin", "note", "recorded_at", "recorded_by")
    list_filter = ("kind",)
    search_fields = ("valve__tag", "origin")
    list_select_related = ("valve", "recorded_by")
    date_hierarchy = "done_on"


@admin.register(DueItem)
class DueItemAdmin(DueViewAdmin):
    list_display = ("valve", "kind", "state", "share_used", "governed_by", "due_on", "reason")
    list_filter = ("state", "kind", "governed_by", ("site", admin.RelatedOnlyFieldListFilter))
    search_fields = ("valve__tag", "group__code")
    list_select_related = ("valve", "site")


@admin.register(ConditionFinding)
class ConditionFindingAdmin(DueViewAdmin):
    list_display = ("valve", "rule", "kind", "likely_on", "words", "opened_at", "closed_at")
    list_filter = ("kind", ("closed_at", admin.EmptyFieldListFilter))
    search_fields = ("valve__tag", "rule__name")
    list_select_related = ("valve", "rule")
