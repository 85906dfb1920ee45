"""Catalogue, places and opening stock from a file: preview, then just what was shown."""

from functools import partial

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from valvecare.core.permits import may_anywhere
from valvecare.parts.actions.import_columns import COLUMNS
from valvecare.parts.actions.import_parts import MAX_ROWS, import_parts
from valvecare.parts.rules import PartsSheet
from valvecare.web import clock
from valvecare.web.sheet_upload import SheetForm, upload

SHOWN = 100


class PartsImportForm(SheetForm):
    kinds = tuple(PartsSheet)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def import_(request: HttpRequest) -> HttpResponse:
    """GET: the form. POST: preview. POST with `confirm`: what the preview showed, for good."""
    if not may_anywhere(request.user, "change_parts"):
        raise PermissionDenied
    form = PartsImportForm(request.POST or None, request.FILES or None)
    sent = upload(request, form, partial(import_parts, actor=request.user, at=clock.now()))
    result = sent.result
    context = {
        "form": form,
        "result": result,
        "errors": result.errors[:SHOWN] if result else (),
        "changes": result.changes[:SHOWN] if result else (),
        "kept": sent.kept,
        "name": sent.name,
        "may_confirm": result is not None
        and result.is_dry_run
        and bool(result.changes)
        and (not result.errors or form.cleaned_data["good_rows_only"]),
        "kinds": [
            (kind, [column.name for column in columns if column.is_key])
            for kind, columns in COLUMNS.items()
        ],
        "most": MAX_ROWS,
    }
    status = 400 if form.errors else 200
    return render(request, "valvecare/parts/import.html", context, status=status)
