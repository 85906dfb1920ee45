"""Forms for the steps of a procedure: answers to several steps, and the word of a witness."""

from dataclasses import dataclass
from typing import Any

from django import forms

from valvecare.work.pages.fields import NumberField
from valvecare.work.pages.forms import VerbForm
from valvecare.work.reads.steps import OrderStep
from valvecare.work.rules.procedures import WorkStepKind
from valvecare.work.rules.step_answers import StepOutcome

_WORDS = {
    StepOutcome.DONE: "done",
    StepOutcome.NOT_DONE: "not done, because …",
    StepOutcome.NOT_APPLICABLE: "does not apply, because …",
}
_READ = {
    StepOutcome.DONE: "read, and kept to",
    StepOutcome.NOT_APPLICABLE: "does not apply, because …",
}


@dataclass(frozen=True)
class StepGroup:
    """One step in the form: the step, and its fields in their order."""

    line: OrderStep
    fields: list[forms.BoundField]


def _numbers(text: Any) -> list[int]:
    return [int(word) for word in str(text or "").split(",")[:100] if word.strip().isdigit()]


class StepsForm(VerbForm):
    """Answers to steps of the order's procedure; an empty answer leaves the step open."""

    submit, is_main, has_done_at = "Record these steps", True, True
    numbers = forms.CharField(widget=forms.HiddenInput, max_length=400)

    def shape(self) -> None:
        given = self.data.get("numbers") if self.is_bound else self.initial.get("numbers")
        known = {line.number: line for line in self.card.steps if line.is_answered}
        self.lines = [known[number] for number in _numbers(given) if number in known]
        for line in self.lines:
            self._ask(line)

    def _ask(self, line: OrderStep) -> None:
        number = line.number
        words = _READ if line.kind == WorkStepKind.CAUTION else _WORDS
        label = f"Step {number}"
        if line.kind == WorkStepKind.MEASURE:
            name = line.quantity.capitalize()
            self.fields[f"value_{number}"] = NumberField(
                line.unit, low=-1e6, high=1e6, label=f"{label}: {name}", help_text=""
            )
            self.fields[f"gauge_{number}"] = forms.CharField(
                label=f"{label}: gauge",
                max_length=24,
                required=False,
                help_text="The number on its label. Its calibration must be in date.",
            )
        self.fields[f"outcome_{number}"] = forms.ChoiceField(
            label=f"Answer to step {number}",
            required=False,
            choices=[("", "–"), *((word.value, text) for word, text in words.items())],
        )
        self.fields[f"because_{number}"] = forms.CharField(
            label=f"Because, if step {number} was not done or does not apply",
            max_length=300,
            required=False,
        )

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        for line in self.lines:
            number = line.number
            said = any(
                found.get(f"{name}_{number}") not in (None, "")
                for name in ("value", "gauge", "because")
            )
            if said and not found.get(f"outcome_{number}"):
                self.add_error(f"outcome_{number}", "Say whether it was done.")
        return found

    def inputs(self) -> dict[str, Any]:
        given = self.cleaned_data
        answers = [
            {
                "step": line.number,
                "outcome": given[f"outcome_{line.number}"],
                "because": given[f"because_{line.number}"],
                "value": given.get(f"value_{line.number}"),
                "gauge": given.get(f"gauge_{line.number}", ""),
            }
            for line in self.lines
            if given[f"outcome_{line.number}"]
        ]
        return {
            "answers": answers,
            "done_at": given.get("done_at"),
            "done_by": given.get("done_by", ""),
        }

    @property
    def shown(self) -> list[forms.BoundField]:
        return []

    @property
    def groups(self) -> list[StepGroup]:
        """The steps in their order, each with its fields."""
        return [
            StepGroup(
                line,
                [
                    self[f"{name}_{line.number}"]
                    for name in ("value", "gauge", "outcome", "because")
                    if f"{name}_{line.number}" in self.fields
                ],
            )
            for line in self.lines
        ]

    @property
    def about(self) -> str:
        """The phase and the numbers, for the heading and for the list on a phone."""
        if not self.lines:
            return ""
        first, last = self.lines[0], self.lines[-1]
        span = str(first.number) if first is last else f"{first.number} to {last.number}"
        return f"{first.phase}, {span}"


class WitnessForm(VerbForm):
    submit = "I have looked, and it is as recorded"
    hold_point = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    words = forms.CharField(label="Words, if any", max_length=300, required=False)

    def shape(self) -> None:
        given = self.data if self.is_bound else self.initial
        number = given.get("hold_point")
        numbers = _numbers(number)
        self.line = next((line for line in self.card.steps if line.number in numbers), None)

    def inputs(self) -> dict[str, Any]:
        given = super().inputs()
        return {"step": given["hold_point"], "words": given["words"]}

    @property
    def about(self) -> str:
        return f"step {self.line.number}" if self.line else ""
