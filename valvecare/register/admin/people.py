"""Roles, machine tokens and the story of events in the admin."""

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.auth import get_user_model
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest
from django.template.response import TemplateResponse
from django.urls import path
from django.utils import timezone

from valvecare.core.errors import ActionError
from valvecare.core.models import PlantCredential
from valvecare.core.permits import may_anywhere, sites_where
from valvecare.register.actions import (
    add_member,
    end_membership,
    issue_plant_credential,
    revoke_plant_credential,
    rotate_plant_credential,
)
from valvecare.register.actions.credentials import credentials_seen_by, sites_of
from valvecare.register.admin.base import SiteScopedAdmin
from valvecare.register.models import Membership, Site
from valvecare.register.rules import MAX_TOKEN_DAYS, Scope, choices
from valvecare.web import clock

ONLY = admin.RelatedOnlyFieldListFilter


class MembershipForm(forms.ModelForm):
    """A login name instead of a list of all people."""

    request: HttpRequest
    login = forms.CharField(max_length=150, help_text="Login name of the person.")
    reason = forms.CharField(required=False, max_length=500)

    class Meta:
        model = Membership
        fields = ("site", "role")

    def clean_login(self) -> str:
        users = get_user_model()
        given = self.cleaned_data["login"]
        user = users._default_manager.filter(**{users.USERNAME_FIELD: given}).first()
        if user is None:
            raise forms.ValidationError("There is no person with this login name.")
        self.instance.user = user
        return str(given)

    def clean(self) -> Any:
        given = super().clean()
        refusal = getattr(self.request, "valvecare_refusal", None)
        if refusal is not None:
            raise forms.ValidationError(str(refusal))
        return given


@admin.register(Membership)
class MembershipAdmin(SiteScopedAdmin):
    form = MembershipForm
    list_display = ("user", "site", "role")
    list_filter = (("site", ONLY), "role")
    list_select_related = ("user", "site")
    search_fields = (f"user__{get_user_model().USERNAME_FIELD}",)
    change_permit = "change_members"
    actions = ("end_chosen",)

    def get_queryset(self, request: HttpRequest) -> Any:
        return Membership.objects.for_user(request.user)

    def get_fields(self, request: HttpRequest, obj: Any = None) -> list[str]:
        return ["user", "site", "role"] if obj else ["login", "site", "role", "reason"]

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return obj is None and super().has_change_permission(request)

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        field = super().formfield_for_foreignkey(db_field, request, **kwargs)
        if db_field.name == "site":
            field.queryset = field.queryset.filter(
                pk__in=sites_where(request.user, self.change_permit)
            )
        return field

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        reason = form.cleaned_data.get("reason", "")
        who = {"actor": request.user, "at": clock.now(), "reason": reason}
        obj.pk = add_member(obj.site, obj.user, obj.role, **who).pk

    def history_view(self, request: HttpRequest, object_id: Any, extra_context: Any = None) -> Any:
        self.own(request, object_id)
        return admin.ModelAdmin.history_view(self, request, object_id, extra_context)

    def history_form_view(self, *args: Any, **kwargs: Any) -> Any:
        raise Http404

    @admin.action(description="End, with a reason…", permissions=["change"])
    def end_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        return self._do(
            request,
            queryset,
            name="end_chosen",
            title="End these roles?",
            button="End",
            act=lambda row, version, **who: end_membership(row.pk, **who),
        )


class TokenForm(forms.Form):
    days = forms.IntegerField(min_value=1, max_value=MAX_TOKEN_DAYS, initial=90)


class IssueForm(TokenForm):
    name = forms.CharField(max_length=100, help_text="The plant system that will hold the token.")
    sites = forms.ModelMultipleChoiceField(Site.objects.none())
    scopes = forms.MultipleChoiceField(choices=choices(Scope), widget=forms.CheckboxSelectMultiple)
    field_order = ("name", "sites", "scopes", "days")


@admin.register(PlantCredential)
class PlantCredentialAdmin(SiteScopedAdmin):
    """Life of a token is judged by the machine's clock, also in a demo with a fixed day."""

    form = forms.ModelForm
    list_display = ("name", "where", "what", "state", "expires_at", "last_used_at", "issued_by")
    list_select_related = ("service_user", "issued_by")
    search_fields = ("name",)
    view_permit = change_permit = "change_credentials"
    actions = ("revoke_chosen",)
    change_list_template = "valvecare/register/admin_tokens.html"
    change_form_template = "valvecare/register/admin_token.html"

    def get_queryset(self, request: HttpRequest) -> Any:
        user: Any = request.user
        rows = credentials_seen_by(user)
        if not user.is_superuser:
            here = sites_where(user, self.change_permit)
            rows = rows.filter(
                service_user__in=Membership.objects.filter(site__in=here).values("user_id")
            )
        return rows.prefetch_related("service_user__valvecare_memberships__site")

    def get_fields(self, request: HttpRequest, obj: Any = None) -> list[str]:
        return ["name", "where", "what", "state", "issued_at", "issued_by", "expires_at",
                "revoked_at", "last_used_at"]  # fmt: skip

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> list[str]:
        return self.get_fields(request, obj)

    @admin.display(description="sites")
    def where(self, credential: PlantCredential) -> str:
        held = credential.service_user.valvecare_memberships.all()
        return ", ".join(sorted({one.site.code for one in held}))

    @admin.display(description="scopes")
    def what(self, credential: PlantCredential) -> str:
        return ", ".join(credential.scopes)

    @admin.display()
    def state(self, credential: PlantCredential) -> str:
        if credential.revoked_at:
            return "revoked"
        return "expired" if credential.expires_at <= timezone.now() else "live"

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def get_urls(self) -> Any:
        wrap = self.admin_site.admin_view
        return [
            path("issue/", wrap(self.issue_view), name="valvecare_plantcredential_issue"),
            path(
                "<int:pk>/rotate/", wrap(self.rotate_view), name="valvecare_plantcredential_rotate"
            ),
            *super().get_urls(),
        ]

    def issue_view(self, request: HttpRequest) -> Any:
        if not may_anywhere(request.user, self.change_permit):
            raise PermissionDenied
        form = IssueForm(request.POST or None)
        form.fields["sites"].queryset = Site.objects.filter(  # type: ignore[attr-defined]
            pk__in=sites_where(request.user, self.change_permit), retired_at__isnull=True
        )
        return self._token_page(
            request,
            form,
            "Issue a machine token",
            lambda given, **who: issue_plant_credential(**given, **who),
        )

    def rotate_view(self, request: HttpRequest, pk: int) -> Any:
        credential = self.own(request, str(pk))
        sites = ", ".join(site.code for site in sites_of(credential))
        return self._token_page(
            request,
            TokenForm(request.POST or None),
            f"Rotate the token of {credential} ({sites})",
            lambda given, **who: rotate_plant_credential(pk, given["days"], **who),
        )

    def _token_page(self, request: HttpRequest, form: Any, title: str, act: Any) -> Any:
        token = credential = None
        if request.method == "POST" and form.is_valid():
            try:
                credential, token = act(form.cleaned_data, actor=request.user, at=timezone.now())
            except ActionError as refusal:
                form.add_error(None, str(refusal))
        context = {
            **self.admin_site.each_context(request),
            "title": title,
            "opts": self.model._meta,
            "form": form,
            "token": token,
            "credential": credential,
        }
        answer = TemplateResponse(request, "valvecare/register/admin_issue.html", context)
        answer["Cache-Control"] = "no-store"
        return answer

    def history_view(self, request: HttpRequest, object_id: Any, extra_context: Any = None) -> Any:
        self.own(request, object_id)
        return admin.ModelAdmin.history_view(self, request, object_id, extra_context)

    def history_form_view(self, *args: Any, **kwargs: Any) -> Any:
        raise Http404

    @admin.action(description="Revoke at once, with a reason…", permissions=["change"])
    def revoke_chosen(self, request: HttpRequest, queryset: Any) -> Any:
        return self._do(
            request,
            queryset,
            name="revoke_chosen",
            title="Revoke these tokens?",
            button="Revoke",
            act=lambda row, version, at, **who: revoke_plant_credential(
                row.pk, at=timezone.now(), **who
            ),
        )


class LastAdministratorGuard(admin.ModelAdmin):
    """Mix into a user admin: the last active administrator cannot be switched off there.

    `class MyUserAdmin(LastAdministratorGuard, UserAdmin)`; our own host does so.
    """

    def get_form(self, request: Any, obj: Any = None, change: bool = False, **kwargs: Any) -> Any:
        form: Any = super().get_form(request, obj, change=change, **kwargs)

        class Guarded(form):
            def clean(self) -> Any:
                given = super().clean()
                if obj is not None and given is not None:
                    refuse_losing_administrator(obj, given)
                return given

        return Guarded

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        """People leave by `active` off; what they did stays under their name."""
        return False


def refuse_losing_administrator(user: Any, given: Any) -> None:
    """Raise ValidationError when `user` would be the last active administrator to go."""
    from valvecare.register import rules

    others = get_user_model()._default_manager.filter(is_superuser=True, is_active=True)
    reason = rules.why_not_lose_administrator(
        was=user.is_superuser and user.is_active,
        stays=bool(
            given.get("is_superuser", user.is_superuser) and given.get("is_active", user.is_active)
        ),
        others=others.exclude(pk=user.pk).count(),
    )
    if reason is not None:
        raise forms.ValidationError(str(reason))
