"""The form for one step of a draft, and the forms that begin a procedure or a version."""

from typing import Any

from django import forms

from valvecare.engineering.cautions import ALL_CAUTIONS, Signal
from valvecare.register.models import Site
from valvecare.work.models import OWNERS
from valvecare.work.rules import GateKind, OrderKind, PartName
from valvecare.work.rules.procedure_checks import MEASURED_WORDS, MOST_CONDITIONS, STEP_UNITS
from valvecare.work.rules.procedures import (
    YES_OR_NO,
    Condition,
    Fact,
    Phase,
    Witness,
    WorkStep,
    WorkStepKind,
)
from valvecare.work.rules.test_steps import STEP_IDS


def _choice(words: Any, label: str, help_text: str = "", *, required: bool = False) -> Any:
    found = [(str(word), str(word)) for word in words]
    return forms.ChoiceField(
        label=label,
        choices=found if required else [("", "–"), *found],
        required=required,
        help_text=help_text,
    )


class StepForm(forms.Form):
    """One step; what it lacks is named when the version is to be put in use."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    place = forms.IntegerField(label="Place in the order", min_value=1, max_value=999)
    phase = _choice(Phase, "Phase", required=True)
    kind = _choice(WorkStepKind, "Kind", required=True)
    words = forms.CharField(
        label="What is done", max_length=500, widget=forms.Textarea(attrs={"rows": 3})
    )
    is_mandatory = forms.BooleanField(
        label="Mandatory", required=False, help_text="Open, it keeps the order from closing."
    )
    witness = _choice(Witness, "Hold point: who must look", "Never who did the step.")
    cautions = forms.MultipleChoiceField(
        label="Cautions shown before it",
        required=False,
        choices=[(one.id, f"{one.signal}: {one.hazard}") for one in ALL_CAUTIONS],
        widget=forms.CheckboxSelectMultiple,
    )
    own_signal = _choice(Signal, "Signal word of your own caution", "As ANSI Z535 uses them.")
    own_caution = forms.CharField(
        label="Your own caution",
        max_length=500,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    part = _choice(PartName, "Part", "For the kinds judge part, fit part, measure.")
    gate = _choice(GateKind, "Gate", "For the kind gate.")
    quantity = forms.CharField(
        label="Quantity",
        max_length=60,
        required=False,
        help_text="For the kind measure. Kept with the finding of the part when it is one of: "
        f"{', '.join(MEASURED_WORDS)}.",
    )
    unit = _choice(STEP_UNITS, "Unit", "Of any other quantity.")
    test_step = _choice(STEP_IDS, "Step of the function test", "For the kind test.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for number in range(1, MOST_CONDITIONS + 1):
            self.fields[f"fact_{number}"] = _choice(Fact, f"Only where (condition {number})")
            self.fields[f"is_{number}"] = forms.CharField(
                label=f"is (condition {number})",
                max_length=40,
                required=False,
                help_text=f"yes or no for: {', '.join(sorted(YES_OR_NO))}." if number == 1 else "",
            )

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        for number in range(1, MOST_CONDITIONS + 1):
            if bool(found.get(f"fact_{number}")) != bool(found.get(f"is_{number}")):
                self.add_error(f"is_{number}", "A fact and its word belong together.")
        return found

    def step(self) -> WorkStep:
        """The step as it was typed."""
        given = self.cleaned_data
        names = ("phase", "kind", "words", "is_mandatory", "witness", "own_signal", "own_caution")
        more = ("part", "gate", "quantity", "unit", "test_step")
        return WorkStep(
            number=given["place"],
            cautions=tuple(given["cautions"]),
            when=tuple(
                Condition(given[f"fact_{number}"], given[f"is_{number}"])
                for number in range(1, MOST_CONDITIONS + 1)
                if given[f"fact_{number}"]
            ),
            **{name: given[name] for name in (*names, *more)},
        )


def initial_of(step: WorkStep) -> dict[str, Any]:
    """What the form shows of a step."""
    found: dict[str, Any] = {
        name: getattr(step, name)
        for name in StepForm.base_fields
        if name not in ("version", "place", "cautions")
    }
    found |= {"place": step.number, "cautions": list(step.cautions)}
    for number, one in enumerate(step.when[:MOST_CONDITIONS], 1):
        found |= {f"fact_{number}": one.fact, f"is_{number}": one.is_}
    return found


class ProcedureForm(forms.Form):
    """A procedure of the plant's own."""

    code = forms.SlugField(max_length=40, help_text="Short, for example ah-strip-down.")
    title = forms.CharField(max_length=120)
    kind = _choice(OrderKind, "Kind of order", required=True)
    site = forms.ModelChoiceField(
        queryset=Site.objects.none(),
        required=False,
        to_field_name="code",
        help_text="Empty: for every site; you must then be engineer at each.",
    )
    design_code = forms.CharField(
        max_length=24, required=False, help_text="Empty: for every design."
    )
    owner = _choice([role.value for role in OWNERS], "Owner", required=True)
    source = forms.CharField(max_length=200, help_text="Where the steps come from.")

    def __init__(self, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = Site.objects.for_user(user)  # type: ignore[attr-defined]
