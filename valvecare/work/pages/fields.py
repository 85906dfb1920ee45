"""Fields of the forms at the valve: numbers typed on a phone, closed lists, photographs, times."""

import re
from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from valvecare.core.errors import Refused
from valvecare.core.pictures import MAX_BYTES, Picture, clean_picture
from valvecare.work.rules.photos import PHOTOS_PER_STEP

_NUMBER = re.compile(r"^-?\d{1,9}(\.\d{1,9})?$", re.ASCII)


class NumberField(forms.CharField):
    """A number typed on a phone: point or comma, the unit beside the field."""

    def __init__(self, unit: str, *, low: float, high: float, **kwargs: Any) -> None:
        self.unit, self.low, self.high = unit, low, high
        widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
        kwargs.setdefault("help_text", f"{low:g} to {high:g} {unit}".strip())
        super().__init__(widget=widget, required=False, max_length=20, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value).strip()
        if not text:
            return None
        if text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        if not _NUMBER.match(text):
            raise forms.ValidationError("Give a number in figures, for example 29.4.")
        number = float(text)
        if not self.low <= number <= self.high:
            raise forms.ValidationError(
                f"Give a number from {self.low:g} to {self.high:g} {self.unit}.".replace(" .", ".")
            )
        return number


class WordField(forms.TypedChoiceField):
    """One word of a closed list; becomes the member of the enumeration, None when empty."""

    def __init__(self, kind: type[StrEnum], *, words: Any = None, **kwargs: Any) -> None:
        known = words or {word: word.value for word in kind}
        choices = [(word.value, text) for word, text in known.items()]
        if not kwargs.get("required", True):
            choices = [("", "–"), *choices]
        super().__init__(choices=choices, coerce=kind, empty_value=None, **kwargs)


class CodeField(forms.ChoiceField):
    """A code of a closed list with its words."""

    def __init__(self, codes: Mapping[str, str], **kwargs: Any) -> None:
        choices = [("", "–"), *((code, f"{code} {words}") for code, words in codes.items())]
        super().__init__(choices=choices, required=False, **kwargs)


class PhotosInput(forms.ClearableFileInput):
    """A plain file input that opens the camera of a phone."""

    allow_multiple_selected = True
    template_name = "django/forms/widgets/file.html"


class PhotosField(forms.FileField):
    """Some photographs; each is decoded and becomes a `Picture` of our own making."""

    def __init__(self) -> None:
        kinds = "image/jpeg,image/png,image/webp"
        super().__init__(
            label="Photographs",
            required=False,
            widget=PhotosInput(attrs={"accept": kinds, "capture": "environment"}),
            help_text=f"Up to {PHOTOS_PER_STEP}, {MAX_BYTES / 1e6:g} MB each.",
        )

    def clean(self, data: Any, initial: Any = None) -> list[Picture]:
        files = [file for file in data or [] if file]
        if len(files) > PHOTOS_PER_STEP:
            raise forms.ValidationError(f"At most {PHOTOS_PER_STEP} photographs in one step.")
        found = []
        for file in files:
            file.seek(0)
            try:
                found.append(clean_picture(file.read(MAX_BYTES + 1)))
            except Refused as refused:
                raise forms.ValidationError(str(refused)) from None
        return found


class DoneAtField(forms.CharField):
    """When it was done, in the site's own time; empty means just now."""

    def __init__(self, zone: str) -> None:
        self.zone = zone
        super().__init__(
            label="Done when, if not just now",
            required=False,
            max_length=25,
            widget=forms.DateTimeInput(attrs={"type": "datetime-local"}),
            help_text=f"Site time, {zone}.",
        )

    def clean(self, value: Any) -> Any:
        text = super().clean(value).strip()
        if not text:
            return None
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            raise forms.ValidationError("Give a day and a time.") from None
        return found if found.tzinfo else found.replace(tzinfo=ZoneInfo(self.zone))
