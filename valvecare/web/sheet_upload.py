"""A file of sheets that a page takes twice: once for the preview, once for good.

The confirming page has no other memory of the file than a hidden field of the page before.
"""

import base64
import binascii
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django import forms
from django.http import HttpRequest

from valvecare.core.errors import ActionError, Refused

MAX_PAGE_BYTES = 5_000_000


class SheetForm(forms.Form):
    """File, what it holds, how it writes numbers. `kinds` are the words of the sheets."""

    file = forms.FileField(required=False, help_text="CSV or XLSX; up to 5 MB here.")
    kind = forms.ChoiceField(required=False, label="What a CSV file holds")
    locale = forms.ChoiceField(
        choices=[("en", "decimal point: 1.5"), ("de", "decimal comma: 1,5")], label="Numbers"
    )
    good_rows_only = forms.BooleanField(
        required=False, label="With errors, import the good rows all the same"
    )
    reason = forms.CharField(required=False, max_length=500)
    kinds: tuple[str, ...] = ()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names = [("", "as the file's or sheet's name says"), *((k, k) for k in self.kinds)]
        self.fields["kind"].choices = names  # type: ignore[attr-defined]


@dataclass(frozen=True)
class Uploaded:
    """What the import said of the file; `kept` is the file for the next page's hidden field."""

    form: Any
    result: Any = None
    kept: str = ""
    name: str = ""


def upload(request: HttpRequest, form: SheetForm, run: Callable[..., Any]) -> Uploaded:
    """Run the import as a dry run, or for good when the page confirms what it showed.

    Refusals become errors of the form.
    """
    if request.method != "POST" or not form.is_valid():
        return Uploaded(form)
    confirm = request.POST.get("confirm", "")
    try:
        data, name = _file(request)
        given = {key: form.cleaned_data[key] for key in form.fields if key != "file"}
        result = run(data, name, dry_run=not confirm, confirm=confirm, **given)
        return Uploaded(form, result, _kept(data), name)
    except (ActionError, forms.ValidationError) as refusal:
        reasons = refusal.reasons if isinstance(refusal, Refused) else [refusal]
        for reason in reasons:
            form.add_error(None, " ".join(getattr(reason, "messages", [str(reason)])))
        return Uploaded(form)


def _kept(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data, 6)).decode()


def _given_back(text: str) -> bytes:
    try:
        unpacker = zlib.decompressobj()
        return unpacker.decompress(base64.b64decode(text, validate=True), MAX_PAGE_BYTES + 1)
    except (binascii.Error, zlib.error, ValueError) as error:
        raise forms.ValidationError("The kept file is damaged; choose it again.") from error


def _file(request: HttpRequest) -> tuple[bytes, str]:
    given: Any = request.FILES.get("file")
    if given is not None:
        data, name = given.read(MAX_PAGE_BYTES + 1), str(given.name)
    elif request.POST.get("kept"):
        data, name = _given_back(request.POST["kept"]), request.POST.get("name", "file")[:200]
    else:
        raise forms.ValidationError("Choose a file.")
    if len(data) > MAX_PAGE_BYTES:
        raise forms.ValidationError("The file has more than 5 MB; use the command or the API.")
    return data, name
