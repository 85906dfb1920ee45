"""Forms of the store: shape only. Every rule is asked by the action, in its own words."""

import uuid
from typing import Any, ClassVar

from django import forms

from valvecare.core.permits import sites_where
from valvecare.parts.models import Bin, Kit, PartNumber, Purchase
from valvecare.parts.reads import LotPage
from valvecare.parts.rules import PurchaseState


def _whole(label: str, *, low: int = 1, initial: int | None = 1) -> forms.IntegerField:
    return forms.IntegerField(
        label=label,
        min_value=low,
        max_value=10_000,
        initial=initial,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
    )


def _line(label: str, length: int = 300, *, required: bool = False, help: str = "") -> Any:
    return forms.CharField(label=label, max_length=length, required=required, help_text=help)


def _day(label: str, help: str = "") -> forms.DateField:
    widget = forms.DateInput(attrs={"type": "date"})
    return forms.DateField(label=label, required=False, widget=widget, help_text=help)


class ActForm(forms.Form):
    """What every form carries: the version that was seen and a key made with the page."""

    submit: ClassVar[str] = "Save"
    is_main: ClassVar[bool] = False

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1, required=False)
    idempotency_key = forms.CharField(widget=forms.HiddenInput, max_length=80)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", f"{type(self).__name__.removesuffix('Form').lower()}-%s")
        kwargs["initial"] = {"idempotency_key": uuid.uuid4().hex, **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            if isinstance(field, forms.ModelChoiceField) and field.empty_label is not None:
                field.empty_label = "Choose" if field.required else "–"

    def inputs(self) -> dict[str, Any]:
        """The action's keyword arguments."""
        hidden = ("version", "idempotency_key")
        return {name: value for name, value in self.cleaned_data.items() if name not in hidden}

    @property
    def shown(self) -> list[forms.BoundField]:
        return list(self.visible_fields())


class LotForm(ActForm):
    """A form about one lot, fitted to it."""

    def __init__(self, page: LotPage, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": page.line.version, **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        self.page = page
        self.shape()

    def shape(self) -> None:
        """Fit the fields to the lot; the plain form has nothing to fit."""


class IssueForm(LotForm):
    submit, is_main = "Issue", True
    order_id = forms.TypedChoiceField(
        label="For the order it is kept for", required=False, coerce=int, empty_value=None
    )
    other_order = _line("Or another order", 20, help="Its number, for example WO-000123.")
    quantity = _whole("How many")

    def shape(self) -> None:
        choices = [(row.order_id, f"{row.order}: {row.quantity}") for row in self.page.kept]
        self.fields["order_id"].choices = [("", "–"), *choices]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or {}
        given["order_id"] = _order_of(given.pop("other_order", ""), given.get("order_id"))
        return given


def _order_of(typed: str, chosen: int | None) -> int:
    number = typed.strip().upper().removeprefix("WO-")
    if not number and chosen is not None:
        return chosen
    if not (number.isascii() and number.isdigit() and len(number) < 18):
        raise forms.ValidationError("Name the order, for example WO-000123.")
    return int(number)


class ReturnForm(LotForm):
    submit = "Take back"
    order_id = forms.TypedChoiceField(label="From the order", coerce=int)
    quantity = _whole("How many")
    is_whole = forms.TypedChoiceField(
        label="Is it whole?",
        choices=[("", "Choose"), ("yes", "Yes, nothing is missing"), ("no", "No")],
        coerce=lambda word: word == "yes",
    )
    missing = forms.MultipleChoiceField(
        label="What is missing", required=False, widget=forms.CheckboxSelectMultiple
    )
    why = _line("Words, if any")

    def shape(self) -> None:
        out = {row.order_id: row.order for row in self.page.movements if row.kind == "issued"}
        self.fields["order_id"].choices = list(out.items())  # type: ignore[attr-defined]
        parts = [(code, code) for code in self.page.parts]
        self.fields["missing"].choices = parts  # type: ignore[attr-defined]
        if not parts:
            del self.fields["missing"]


class WhyForm(LotForm):
    why = _line("Why")


class QuarantineForm(WhyForm):
    submit = "Put into quarantine"


class FreeForm(WhyForm):
    submit = "Free it"


class BreakUpForm(WhyForm):
    submit = "Break up into loose parts"


class ScrapForm(WhyForm):
    submit = "Scrap"
    quantity = _whole("How many")


class ReceiveForm(ActForm):
    submit, is_main = "Receive", True
    place = forms.ModelChoiceField(Bin.objects.none(), label="Bin")
    kit = forms.ModelChoiceField(Kit.objects.none(), required=False, label="Kit")
    part = forms.ModelChoiceField(PartNumber.objects.none(), required=False, label="Or part number")
    lot = _line("Lot", 56, required=True, help="As on the packing.")
    quantity = _whole("How many")
    shelf_until = _day("May be used until", "Last day; of everything with rubber.")
    cured_on = _day("Or cured on", "Part numbers only: their shelf life is added.")
    certificate = _line("Certificate", help="Its number or address.")
    serials = forms.CharField(
        label="Serial numbers",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="One a line, where the pieces carry them.",
    )
    marking = _line("Check: marking and revision", 200, required=True, help="What is on the piece.")
    dimensions = _line("Check: dimensions", 200, help="Measured, with unit.")
    free_fall = _line("Check: free fall of a disc in its guide", 200)
    is_accepted = forms.TypedChoiceField(
        label="Accepted?",
        choices=[("", "Choose"), ("yes", "Yes, onto the shelf"), ("no", "No, into quarantine")],
        coerce=lambda word: word == "yes",
    )
    words = _line("Words, needed when not accepted", 500)
    purchase = forms.ModelChoiceField(
        Purchase.objects.none(), required=False, label="Brought by the purchase"
    )

    def __init__(self, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        where = sites_where(user, "change_parts")
        choices: dict[str, Any] = {
            "place": Bin.objects.filter(store__site__in=where, retired_at=None).select_related(
                "store"
            ),
            "kit": Kit.objects.filter(retired_at__isnull=True),
            "part": PartNumber.objects.filter(retired_at__isnull=True),
            "purchase": Purchase.objects.filter(
                site__in=where, state=PurchaseState.ASKED.value
            ).select_related("kit", "part"),
        }
        for name, rows in choices.items():
            self.fields[name].queryset = rows  # type: ignore[attr-defined]

    def inputs(self) -> dict[str, Any]:
        given = super().inputs()
        seen = {
            "marking": given.pop("marking"),
            "dimensions": given.pop("dimensions"),
            "free fall": given.pop("free_fall"),
        }
        kit, part, purchase = given.pop("kit"), given.pop("part"), given.pop("purchase")
        place, lot = given.pop("place"), given.pop("lot")
        return {
            **given,
            "bin_id": place.pk,
            "lot_code": lot,
            "kit_id": kit.pk if kit else None,
            "part_id": part.pk if part else None,
            "purchase_id": purchase.pk if purchase else None,
            "serials": [text.strip() for text in given["serials"].splitlines() if text.strip()],
            "checks": {name: text for name, text in seen.items() if text},
        }


class ReserveForm(ActForm):
    submit, is_main = "Reserve", True
    order_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    kit_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1)


class PurchaseForm(ActForm):
    submit = "Order"
    order_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1, required=False)
    kit_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    site_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    is_express = forms.BooleanField(widget=forms.HiddenInput, required=False)


class ReleaseForm(ActForm):
    submit = "Let go"
    why = _line("Why")


class BeginCountForm(ActForm):
    submit = "Begin a count"
    store_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1)


class CountForm(ActForm):
    """The blind sheet: a number per line, none filled in."""

    submit, is_main = "Counted", True

    def __init__(self, sheet: Any, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": sheet.version}
        super().__init__(*args, **kwargs)
        for line in sheet.lines:
            self.fields[f"line-{line.id}"] = _whole(
                f"{line.bin}: {line.item}, lot {line.lot}", low=0, initial=None
            )

    def inputs(self) -> dict[str, Any]:
        return {
            "counted": {
                int(name.removeprefix("line-")): value for name, value in super().inputs().items()
            }
        }


class JudgeCountForm(ActForm):
    submit = "Approve"
    why = _line("Explanation of the differences")

    def __init__(self, sheet: Any, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": sheet.version}
        super().__init__(*args, **kwargs)
