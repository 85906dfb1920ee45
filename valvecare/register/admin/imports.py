"""The import page: file, preview of what would happen, then the same plan for good."""

import base64
import binascii
import zlib
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseRedirect
from django.template.response import TemplateResponse
from django.urls import reverse

from valvecare.core.errors import ActionError, Refused
from valvecare.core.permits import may_anywhere
from valvecare.register.actions.import_register import import_register
from valvecare.register.actions.import_rows import ImportResult
from valvecare.register.rules import SheetKind
from valvecare.web import clock

MAX_PAGE_BYTES = 5_000_000
SHOWN = 200


class ImportForm(forms.Form):
    file = forms.FileField(required=False, help_text="CSV or XLSX; up to 5 MB here.")
    kind = forms.ChoiceField(
        choices=[("", "as the file's or sheet's name says"), *((k, k) for k in SheetKind)],
        required=False,
    )
    locale = forms.ChoiceField(
        choices=[("en", "decimal point: 1.5"), ("de", "decimal comma: 1,5")], label="Numbers"
    )
    good_rows_only = forms.BooleanField(
        required=False, label="With errors, import the good rows all the same"
    )
    correction = forms.BooleanField(
        required=False, label="Only the record was wrong: evidence dates stay"
    )
    reason = forms.CharField(
        required=False, max_length=500, help_text="Needed when curves or speeds change."
    )


def _kept(data: bytes) -> str:
    """The file for the confirming page, which has no other memory of it."""
    return base64.b64encode(zlib.compress(data, 6)).decode()


def _given_back(text: str) -> bytes:
    try:
        unpacker = zlib.decompressobj()
        return unpacker.decompress(base64.b64decode(text, validate=True), MAX_PAGE_BYTES + 1)
    except (binascii.Error, zlib.error, ValueError) as error:
        raise forms.ValidationError("The kept file is damaged; choose it again.") from error


def import_page(admin: Any, request: HttpRequest) -> Any:
    """GET: the form. POST: preview. POST with `confirm`: import just what the preview showed."""
    if not may_anywhere(request.user, "change_register"):
        raise PermissionDenied
    form = ImportForm(request.POST or None, request.FILES or None)
    result: ImportResult | None = None
    kept = name = ""
    if request.method == "POST" and form.is_valid():
        confirm = request.POST.get("confirm", "")
        try:
            data, name = _file(request)
            kept = _kept(data)
            given = {key: form.cleaned_data[key] for key in form.fields if key != "file"}
            result = import_register(
                data,
                name,
                actor=request.user,
                at=clock.now(),
                dry_run=not confirm,
                confirm=confirm,
                **given,
            )
        except (ActionError, forms.ValidationError) as refusal:
            reasons = refusal.reasons if isinstance(refusal, Refused) else [refusal]
            for reason in reasons:
                words = getattr(reason, "messages", [str(reason)])
                form.add_error(None, " ".join(words))
        if result is not None and result.was_written:
            words = f"{result.added} added, {result.changed} changed, {result.unchanged} unchanged."
            messages.success(request, f"Imported {name}: {words}")
            return HttpResponseRedirect(reverse("admin:valvecare_register_import"))
    context = {
        **admin.admin_site.each_context(request),
        "title": "Import the register",
        "opts": admin.model._meta,
        "form": form,
        "result": result,
        "errors": result.errors[:SHOWN] if result else (),
        "changes": result.changes[:SHOWN] if result else (),
        "kept": kept if result else "",
        "name": name,
    }
    return TemplateResponse(request, "valvecare/register/admin_import.html", context)


def _file(request: HttpRequest) -> tuple[bytes, str]:
    upload: Any = request.FILES.get("file")
    if upload is not None:
        data, name = upload.read(MAX_PAGE_BYTES + 1), str(upload.name)
    elif request.POST.get("kept"):
        data, name = _given_back(request.POST["kept"]), request.POST.get("name", "file")[:200]
    else:
        raise forms.ValidationError("Choose a file.")
    if len(data) > MAX_PAGE_BYTES:
        raise forms.ValidationError(
            "The file has more than 5 MB; use the command import_register or the API."
        )
    return data, name
