"""Forms of the readings pages: shape only. Every rule is asked by the action, in its own words."""

import re
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from valvecare.readings.reads.screen import PLOT_DAYS, quantities, sites_of
from valvecare.readings.rules import MeterEventKind
from valvecare.register.rules import choices

_NUMBER = re.compile(r"^\d{1,10}(\.\d{1,6})?$", re.ASCII)


class ListForm(forms.Form):
    """The shape of the query string of the list."""

    site = forms.ChoiceField(required=False, label="Site")
    quantity = forms.ChoiceField(required=False, label="Quantity")
    doubtful = forms.ChoiceField(
        required=False, label="Sense", choices=[("", "All"), ("yes", "Doubtful only")]
    )
    q = forms.CharField(required=False, label="Tag", max_length=80)
    page = forms.IntegerField(required=False, min_value=1, max_value=1_000_000)

    def __init__(self, user: Any, data: Any) -> None:
        super().__init__(data)
        self.fields["site"].choices = [("", "All sites"), *sites_of(user)]  # type: ignore[attr-defined]
        self.fields["quantity"].choices = [("", "All"), *quantities()]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        for name in sorted(set(self.data) - set(self.fields)):
            self.add_error(None, f"There is no filter called '{name}'.")
        return self.cleaned_data

    @property
    def shown(self) -> list[Any]:
        return [self[name] for name in ("site", "quantity", "doubtful", "q")]


class DaysForm(forms.Form):
    """How far back the plot goes."""

    days = forms.ChoiceField(required=False, choices=[(str(days), str(days)) for days in PLOT_DAYS])

    @property
    def wanted(self) -> int:
        return int(self.cleaned_data["days"] or 31) if self.is_valid() else 31


class ActForm(forms.Form):
    """Hidden in every form that changes something."""

    idempotency_key = forms.CharField(widget=forms.HiddenInput, min_length=8, max_length=80)


class WhyForm(ActForm):
    why = forms.CharField(label="How was it checked?", max_length=300)


class WrongForm(WhyForm):
    at_us = forms.IntegerField(widget=forms.HiddenInput, min_value=0, max_value=2**62)


class SwapForm(ActForm):
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    with_series = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    with_version = forms.IntegerField(widget=forms.HiddenInput, min_value=1)


class CounterField(forms.CharField):
    """A counter value, point or comma."""

    def __init__(self, **more: Any) -> None:
        widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
        super().__init__(widget=widget, max_length=20, **more)

    def clean(self, value: Any) -> Any:
        text = super().clean(value).strip()
        if text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        if not _NUMBER.match(text):
            raise forms.ValidationError("Give a number in figures, for example 41236.5.")
        return float(text)


class MeterForm(ActForm):
    """A changed meter; the time is local at the site."""

    kind = forms.TypedChoiceField(
        label="What happened", coerce=MeterEventKind, choices=choices(MeterEventKind)
    )
    at = forms.DateTimeField(
        label="When, local time of the site",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
    )
    closing_value = CounterField(label="Last value of the old meter")
    opening_value = CounterField(label="First value of the new meter")
    words = forms.CharField(label="Remarks", max_length=200, required=False)

    def __init__(self, zone: ZoneInfo, *args: Any, **kwargs: Any) -> None:
        self.zone = zone
        super().__init__(*args, **kwargs)

    def clean_at(self) -> datetime:
        local = self.cleaned_data["at"].replace(tzinfo=self.zone)
        if local.astimezone(UTC).astimezone(self.zone).replace(tzinfo=None) != local.replace(
            tzinfo=None
        ):
            raise forms.ValidationError(
                "The clocks were put forward over this time; it does not exist at the site."
            )
        if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset():
            raise forms.ValidationError(
                "The clocks were put back over this time, so it came twice. Give a time an hour "
                "earlier or later, or use the interface with an offset."
            )
        return local


class JudgeForm(ActForm):
    """Accept or dismiss what is ticked; each is `id:version`."""

    act = forms.ChoiceField(choices=[("accept", "accept"), ("dismiss", "dismiss")])
    why = forms.CharField(label="Why", max_length=300, required=False)
    picked = forms.MultipleChoiceField()

    def __init__(self, data: Any) -> None:
        super().__init__(data)
        given = data.getlist("picked")[:200]
        sound = [item for item in given if re.fullmatch(r"\d{1,18}:\d{1,9}", item, re.ASCII)]
        self.fields["picked"].choices = [(item, item) for item in sound]  # type: ignore[attr-defined]
        self.fields["picked"].error_messages["required"] = "Tick the readings you judge."

    @property
    def chosen(self) -> list[tuple[int, int]]:
        """(id, version) of the ticked readings."""
        pairs = (item.split(":") for item in self.cleaned_data["picked"])
        return [(int(pk), int(version)) for pk, version in pairs]
