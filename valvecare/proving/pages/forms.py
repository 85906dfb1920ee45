"""The forms of a guided test: shape only. Every rule is asked by the action, in its own words."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django import forms

from valvecare.proving.reads import BeginView, RunCard
from valvecare.proving.rules import (
    GAUGE_UNITS,
    SPECS,
    STEPS_WITH_STOPS,
    AbortLimit,
    LineUp,
    TestQuantity,
    Vessel,
    asked,
    gauges_for,
    is_at_stop,
)
from valvecare.proving.rules.quantities import RANGES, WATCHED_READ
from valvecare.work.models import Gauge
from valvecare.work.pages.forms import NumberField, VerbForm
from valvecare.work.reads import OrderCard
from valvecare.work.rules.test_methods import LEVEL, PROOF_METHODS
from valvecare.work.rules.test_steps import WATCHED_UNITS, Watched


def _line(label: str, length: int = 300, help_text: str = "") -> forms.CharField:
    return forms.CharField(label=label, max_length=length, required=False, help_text=help_text)


class BeginForm(VerbForm):
    """Method, instruments, abort limits, line-up."""

    submit, is_main, has_done_at = "Begin the test", True, True

    def __init__(self, card: OrderCard, view: BeginView, *args: Any, **kwargs: Any) -> None:
        self.view = view
        super().__init__(card, *args, **kwargs)

    def shape(self) -> None:
        fields = self.fields
        able = [row.method for row in self.view.methods if row.able] or list(PROOF_METHODS)
        if LEVEL not in able:
            able.append(LEVEL)  # able once surface and other flows of the vessel are given
        fields["method"] = forms.ChoiceField(
            label="How the bypass flow is known",
            choices=[(name, name) for name in able],
            initial=self.view.best,
        )
        fields["method_words"] = _line("Why, if it is not the best one")
        fields["instruments"] = forms.MultipleChoiceField(
            label="Instruments taken along",
            choices=[
                (row.code, f"{row.code}, {row.kind}, {row.words}")
                for row in self.view.gauges
                if row.is_usable
            ],
            required=False,
            widget=forms.CheckboxSelectMultiple,
        )
        for watched in Watched:
            unit = WATCHED_UNITS[watched]
            fields[f"abort_{watched.name.lower()}"] = NumberField(
                unit, low=0, high=1e5, label=f"Break off above: {watched}", help_text=""
            )
            fields[f"because_{watched.name.lower()}"] = _line(
                f"Or {watched} is not watched, because …", 200
            )
        for name, label in (
            ("suction_open", "Suction open"),
            ("return_open", "Return line open"),
            ("return_sealed_open", "Return line SEALED open"),
            ("vented", "Vented fully, strainer looked at"),
        ):
            fields[name] = forms.BooleanField(label=label, required=False)
        fields["parallel_pump"] = _line("Parallel pump: what was decided", 200)
        fields["warm_keeping"] = forms.ChoiceField(
            label="Is there a warm-keeping line?",
            choices=[("", "–"), ("no", "no"), ("yes", "yes")],
            required=False,
        )
        for name, label, unit in (
            ("surface_m2", "Surface of the return vessel", "m²"),
            ("u_surface_m2", "its standard uncertainty", "m²"),
            ("other_outflow_m3_per_h", "Other flows out of the vessel, less those in", "m³/h"),
            ("u_other_outflow_m3_per_h", "their standard uncertainty", "m³/h"),
        ):
            fields[name] = NumberField(unit, low=-1e5, high=1e5, label=label, help_text="")

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        empty = [name for name in _VESSEL if found.get(name) is None and name not in self.errors]
        if len(empty) < len(_VESSEL):
            for name in empty:
                self.add_error(name, "Give all four figures of the vessel, or none.")
        return found

    @property
    def has_vessel(self) -> bool:
        """Something about the vessel was given: its fields are shown open."""
        return any(self[name].value() not in (None, "") for name in _VESSEL)

    def inputs(self) -> dict[str, Any]:
        given = super().inputs()
        vessel = {name: given.pop(name) for name in _VESSEL}
        whole = all(value is not None for value in vessel.values())
        return {
            "method": given["method"],
            "method_words": given["method_words"],
            "instruments": given["instruments"],
            "abort_limits": {
                watched: AbortLimit(
                    given[f"abort_{watched.name.lower()}"], given[f"because_{watched.name.lower()}"]
                )
                for watched in Watched
            },
            "line_up": LineUp(
                given["suction_open"],
                given["return_open"],
                given["return_sealed_open"],
                given["vented"],
                given["parallel_pump"],
                {"yes": True, "no": False}.get(given["warm_keeping"]),
            ),
            "vessel": Vessel(**vessel) if whole else None,
            "done_at": given.get("done_at"),
            "done_by": given.get("done_by", ""),
        }

    def parts(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields under their headings, in the order of the job."""
        level = [self[name] for name in _VESSEL]
        return [
            ("Method", [self["method"], self["method_words"]]),
            ("Only for the vessel's level", level),
            ("Instruments", [self["instruments"]]),
            (
                "Abort limits, agreed with operations",
                [
                    self[f"{what}_{watched.name.lower()}"]
                    for watched in Watched
                    for what in ("abort", "because")
                ],
            ),
            ("Line-up", [self[name] for name in _LINE_UP]),
        ]


_VESSEL = ("surface_m2", "u_surface_m2", "other_outflow_m3_per_h", "u_other_outflow_m3_per_h")
_LINE_UP = (
    "suction_open",
    "return_open",
    "return_sealed_open",
    "vented",
    "parallel_pump",
    "warm_keeping",
)


def gauges_of(run: RunCard, step: str) -> Mapping[TestQuantity, list[tuple[str, str]]]:
    """The gauges taken along by the quantity they can read in a step."""
    rows = Gauge.objects.filter(site__code=run.site, code__in=list(run.instruments))
    found: dict[TestQuantity, list[tuple[str, str]]] = {}
    listed = list(rows.order_by("code"))
    for quantity in asked(step, run.method):
        unit = GAUGE_UNITS.get(quantity, SPECS[quantity].unit)
        kinds = gauges_for(step, quantity, run.method)
        found[quantity] = [
            (row.code, row.code) for row in listed if row.kind in kinds and row.unit == unit
        ]
    return found


_SIDES = {TestQuantity.INLET_TEMPERATURE: "cold", TestQuantity.OUTLET_TEMPERATURE: "hot"}


class ReadingsForm(VerbForm):
    """What one step asks for; as often as needed, only what is filled is recorded."""

    submit, is_main, has_done_at = "Record readings", True, True

    def __init__(
        self,
        card: OrderCard,
        run: RunCard,
        step: str,
        gauges: Mapping[TestQuantity, Sequence[tuple[str, str]]],
        *args: Any,
        **kwargs: Any,
    ) -> None:
        self.run, self.test_step, self.gauges = run, step, gauges
        super().__init__(card, *args, **kwargs)

    def shape(self) -> None:
        self.quantities = asked(self.test_step, self.run.method)
        self.has_stops = self.test_step in STEPS_WITH_STOPS
        if self.has_stops:
            self.fields["stop"] = forms.IntegerField(
                label="Stop number, if it is not the next one",
                min_value=1,
                max_value=30,
                required=False,
                widget=forms.TextInput(attrs={"inputmode": "numeric"}),
                help_text="The flows recorded together make one stop.",
            )
        for quantity in self.quantities:
            self._ask(quantity)
        self.fields["instead_of"] = forms.IntegerField(
            label="Instead of reading number",
            min_value=1,
            required=False,
            widget=forms.TextInput(attrs={"inputmode": "numeric"}),
            help_text="To correct one reading; the old one stays on record.",
        )
        self.fields["because"] = _line("It was wrong, because …", 200)

    def _ask(self, quantity: TestQuantity) -> None:
        spec, name = SPECS[quantity], quantity.name.lower()
        label = str(quantity).capitalize()
        if spec.is_seen:
            self.fields[f"value_{name}"] = forms.ChoiceField(
                label=label,
                choices=[("", "–"), ("0", "no"), ("1", "yes")],
                required=False,
            )
            return
        low, high = RANGES[spec.unit]
        field = NumberField(
            spec.unit, low=low, high=high, label=label, help_text=self._told(quantity)
        )
        limit = self._abort(quantity)
        if limit is not None:
            field.widget.attrs["data-abort-above"] = f"{limit:g}"
            field.widget.attrs["data-abort-words"] = f"{WATCHED_READ[quantity]}, {spec.unit}"
        field.widget.attrs |= self._rise(quantity)
        self.fields[f"value_{name}"] = field
        choices = list(self.gauges.get(quantity, ()))
        seen = [row.gauge for row in self.run.readings if row.quantity == quantity.value]
        self.fields[f"gauge_{name}"] = forms.ChoiceField(
            label=f"{label}: read from",
            choices=[("", "gauge"), *choices],
            required=False,
            initial=seen[-1] if seen else choices[0][0] if len(choices) == 1 else "",
        )

    def _abort(self, quantity: TestQuantity) -> float | None:
        watched = WATCHED_READ.get(quantity)
        found = self.run.abort_limits.get(watched.value, {}) if watched is not None else {}
        limit: float | None = found.get("limit")
        return limit

    def _rise(self, quantity: TestQuantity) -> dict[str, str]:
        """What the phone needs to hold the rise over the pump against its limit by itself."""
        side = _SIDES.get(quantity)
        limit = self.run.abort_limits.get(Watched.RISE.value, {}).get("limit")
        if side is None or limit is None:
            return {}
        last = [
            f"{row.value:g}"
            for row in self.run.readings_of(self.test_step)
            if row.quantity == quantity.value and not row.replaced
        ]
        return {
            "data-rise-side": side,
            "data-rise-limit": f"{limit:g}",
            "data-rise-last": last[-1] if last else "",
        }

    def _told(self, quantity: TestQuantity) -> str:
        """What to know at this field: the limit to stop at, or the flow that is needed."""
        limit = self._abort(quantity)
        unit = SPECS[quantity].unit
        if limit is not None:
            return f"Stop the pump above {limit:g} {unit}."
        if quantity is TestQuantity.OUTLET_TEMPERATURE:
            rise = self.run.abort_limits.get(Watched.RISE.value, {}).get("limit")
            often = "Read it again every minute until it is steady."
            return f"{often} Stop the pump above {rise:g} K of rise." if rise else often
        if quantity is TestQuantity.BYPASS_FLOW and self.test_step == "T1":
            return f"Needed: {self.run.limits['required_m3_per_h']:g} m³/h and its uncertainty."
        return ""

    def rows(self) -> list[tuple[forms.BoundField, forms.BoundField | None]]:
        """Value and gauge of each quantity; no gauge where it is seen or heard."""
        names = [quantity.name.lower() for quantity in self.quantities]
        return [
            (
                self[f"value_{name}"],
                self[f"gauge_{name}"] if f"gauge_{name}" in self.fields else None,
            )
            for name in names
        ]

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        given = self._given(found)
        if not self.errors and not given:
            raise forms.ValidationError("Nothing is filled in: give at least one reading.")
        if found.get("instead_of") and len(given) > 1:
            raise forms.ValidationError("Correct one reading at a time.")
        return found

    def _given(self, cleaned: Mapping[str, Any]) -> list[tuple[TestQuantity, Any]]:
        pairs = [(q, cleaned.get(f"value_{q.name.lower()}")) for q in self.quantities]
        return [(quantity, value) for quantity, value in pairs if value not in (None, "")]

    def inputs(self) -> dict[str, Any]:
        """The rows; the time each was read is filled in by `step`."""
        found = self.cleaned_data
        return {
            "rows": [
                {
                    "step": self.test_step,
                    "quantity": quantity.value,
                    "value": float(value),
                    "gauge": found.get(f"gauge_{quantity.name.lower()}", ""),
                    "stop": found.get("stop") if is_at_stop(self.test_step, quantity) else None,
                    "done_by": found.get("done_by", ""),
                    "instead_of": found.get("instead_of"),
                    "because": found.get("because", ""),
                }
                for quantity, value in self._given(found)
            ],
            "done_at": found.get("done_at"),
        }

    def step(self, at: datetime) -> dict[str, Any]:
        given = super().step(at)
        read_at = given.pop("done_at", None)
        key = re.sub(r"[^\w-]", "", self.cleaned_data["idempotency_key"])
        return {"rows": [{**row, "read_at": read_at} for row in given["rows"]], "key": key}


class NotDoneForm(VerbForm):
    submit, has_done_at = "Record: not done", True
    because = forms.CharField(label="Not done, because …", max_length=300, required=False)

    def shape(self) -> None:
        del self.fields["done_by"]


class FinishForm(VerbForm):
    submit, is_main = "Finish: let the rule decide", True
    restriction = _line("Restriction for operations, if it did not pass")
    words = _line("Words, if any")
