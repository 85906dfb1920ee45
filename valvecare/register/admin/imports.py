"""The import page: file, preview of what would happen, then the same plan for good."""

from functools import partial
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseRedirect
from django.template.response import TemplateResponse
from django.urls import reverse

from valvecare.core.permits import may_anywhere
from valvecare.register.actions.import_register import import_register
from valvecare.register.rules import SheetKind
from valvecare.web import clock
from valvecare.web.sheet_upload import SheetForm, upload

SHOWN = 200


class ImportForm(SheetForm):
    kinds = tuple(SheetKind)
    correction = forms.BooleanField(
        required=False, label="Only the record was wrong: evidence dates stay"
    )
    reason = forms.CharField(
        required=False, max_length=500, help_text="Needed when curves or speeds change."
    )


def import_page(admin: Any, request: HttpRequest) -> Any:
    """GET: the form. POST: preview. POST with `confirm`: import just what the preview showed."""
    if not may_anywhere(request.user, "change_register"):
        raise PermissionDenied
    form = ImportForm(request.POST or None, request.FILES or None)
    sent = upload(request, form, partial(import_register, actor=request.user, at=clock.now()))
    result = sent.result
    if result is not None and result.was_written:
        words = f"{result.added} added, {result.changed} changed, {result.unchanged} unchanged."
        messages.success(request, f"Imported {sent.name}: {words}")
        return HttpResponseRedirect(reverse("admin:valvecare_register_import"))
    context = {
        **admin.admin_site.each_context(request),
        "title": "Import the register",
        "opts": admin.model._meta,
        "form": form,
        "result": result,
        "errors": result.errors[:SHOWN] if result else (),
        "changes": result.changes[:SHOWN] if result else (),
        "kept": sent.kept,
        "name": sent.name,
    }
    return TemplateResponse(request, "valvecare/register/admin_import.html", context)
