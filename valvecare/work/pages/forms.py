"""The forms at the valve: shape only. Every rule is asked by the action, in its own words."""

from datetime import datetime, timedelta
from typing import Any, ClassVar

from django import forms
from django.forms.renderers import Jinja2

from valvecare.engineering.joint_records import FastenerState
from valvecare.engineering.wear import Damage
from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.work.pages.fields import (
    CodeField,
    DoneAtField,
    NumberField,
    PhotosField,
    WordField,
)
from valvecare.work.reads import OrderCard
from valvecare.work.rules import (
    CAUSES,
    DETECTIONS,
    FAILURE_MODES,
    GRADE_WORDS,
    MECHANISMS,
    PASSES,
    AsFound,
    FindingGrade,
    GateKind,
    Meaning,
    Measured,
    PartDecision,
    PartName,
    ReadyItem,
    Rods,
    Stage,
)


def _day(label: str) -> forms.DateField:
    return forms.DateField(label=label, widget=forms.DateInput(attrs={"type": "date"}))


def _line(label: str, length: int = 300, *, required: bool = True) -> forms.CharField:
    return forms.CharField(label=label, max_length=length, required=required)


def _text(label: str, length: int = 500, *, required: bool = True) -> forms.CharField:
    widget = forms.Textarea(attrs={"rows": 3})
    return forms.CharField(label=label, max_length=length, required=required, widget=widget)


def _done_by() -> forms.CharField:
    return forms.CharField(
        label="Done by, if not by you",
        max_length=150,
        required=False,
        help_text="User name of who did it; you are kept as the one who typed it in.",
    )


CARRIED = ("version", "idempotency_key", "waited_s", "seen")
"""Fields of the envelope, not of the step."""

TYPED_IN_LATER = ("done_at", "done_by")


class VerbForm(forms.Form):
    """What every form carries: the version that was seen and a key made with the page."""

    default_renderer = Jinja2()
    """Django's own widgets, drawn in a fifth of the time: a page at the valve holds dozens."""
    submit: ClassVar[str]
    is_main: ClassVar[bool] = False
    has_done_at: ClassVar[bool] = False
    is_signed: ClassVar[bool] = False
    """Asks for the password again; such a form is never kept on a phone."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    idempotency_key = forms.CharField(widget=forms.HiddenInput, max_length=80)
    waited_s = forms.IntegerField(
        widget=forms.HiddenInput, required=False, min_value=0, max_value=90 * 86_400
    )
    """Seconds the entry lay on a phone; only a difference, so the phone's clock may be wrong."""
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=20)
    """Check sum of what the record held of this step when the form was made."""

    def __init__(self, card: OrderCard, *args: Any, **kwargs: Any) -> None:
        name = type(self).__name__.removesuffix("Form").lower()
        kwargs["auto_id"] = f"{name}-%s"
        super().__init__(*args, **kwargs)
        self.card = card
        if self.has_done_at:
            self.fields["done_at"] = DoneAtField(card.time_zone)
            self.fields["done_by"] = _done_by()
        self.shape()

    def shape(self) -> None:
        """Fit the fields to the order; the plain form has nothing to fit."""

    def inputs(self) -> dict[str, Any]:
        """The action's keyword arguments."""
        return {name: value for name, value in self.cleaned_data.items() if name not in CARRIED}

    def step(self, at: datetime) -> dict[str, Any]:
        """The action's keyword arguments; what lay on a phone was done when it was written."""
        given = self.inputs()
        waited = self.cleaned_data.get("waited_s") or 0
        if self.has_done_at and waited and given.get("done_at") is None:
            given["done_at"] = at - timedelta(seconds=waited)
        return given

    @property
    def about(self) -> str:
        """What this form of several is about, where its heading alone does not say it."""
        return ""

    @property
    def shown(self) -> list[forms.BoundField]:
        return [field for field in self.visible_fields() if field.name not in TYPED_IN_LATER]

    @property
    def later(self) -> list[forms.BoundField]:
        """What is asked only of a step typed in later, or for somebody else."""
        return [field for field in self.visible_fields() if field.name in TYPED_IN_LATER]

    @property
    def is_typed_in_later(self) -> bool:
        return any(field.errors or (self.is_bound and field.value()) for field in self.later)


class SignedForm(VerbForm):
    """A form that is signed: the password again, and what the signature says."""

    is_signed = True
    signs_as: ClassVar[Meaning]

    def shape(self) -> None:
        self.fields["meaning"] = forms.ChoiceField(
            label="What my signature says",
            choices=[(word.value, word.value) for word in Meaning],
            initial=self.signs_as.value,
        )
        self.fields["password"] = forms.CharField(
            label="Your password, to sign",
            max_length=200,
            strip=False,
            widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
            help_text="Signs with your name, the time, and a check sum of the record.",
        )

    def inputs(self) -> dict[str, Any]:
        return {name: value for name, value in super().inputs().items() if name != "password"}


def _ticks(label: str, choices: Any) -> forms.MultipleChoiceField:
    return forms.MultipleChoiceField(
        label=label,
        choices=[(word, word) for word in choices],
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )


def _yes_or_no(label: str, help_text: str = "") -> forms.TypedChoiceField:
    return forms.TypedChoiceField(
        label=label,
        choices=[("", "–"), ("yes", "yes"), ("no", "no")],
        coerce=lambda word: word == "yes",
        empty_value=None,
        required=False,
        help_text=help_text,
    )


class AgreeForm(VerbForm):
    submit, is_main = "Agree", True
    words = _line("Words, if any", required=False)


def ready_name(item: ReadyItem) -> str:
    """Name of the field in which an item of the go/no-go list is proven."""
    return f"item_{item.name.lower()}"


class ReadyForm(VerbForm):
    submit, is_main = "Everything is green: ready", True

    def shape(self) -> None:
        for item in self.card.ready_items:
            self.fields[ready_name(item)] = forms.CharField(
                label=item.value.capitalize(),
                max_length=200,
                required=False,
                help_text="What proves it.",
                initial=self.card.readiness.get(item.value, ""),
            )

    def inputs(self) -> dict[str, Any]:
        return {
            "proofs": {
                item.value: self.cleaned_data[ready_name(item)]
                for item in self.card.ready_items
                if self.cleaned_data[ready_name(item)]
            }
        }


class StartForm(VerbForm):
    submit, is_main, has_done_at = "Start work", True, True


JOINT_FIELDS = (
    "lubricant",
    "wrench",
    "torque_nm",
    "passes",
    "new_gasket",
    "fasteners",
    "friction",
    "friction_source",
    "disagree_because",
)


class IdentityForm(VerbForm):
    submit, is_main, has_done_at = "Confirm", True, True
    text = forms.CharField(
        label="Code on the label",
        max_length=200,
        help_text="Only where the valve has no label: the serial on its plate, or its tag.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )


class GateForm(VerbForm):
    submit, is_main, has_done_at = "Record", True, True
    gate = WordField(GateKind, widget=forms.HiddenInput)
    rods = WordField(Rods, label="What holds the cover", required=False)
    lubricant = _line("Lubricant of threads and faces", 80, required=False)
    wrench = _line("Torque wrench", 24, required=False)
    torque_nm = NumberField("N m", low=1, high=20_000, label="Torque set")
    passes = _ticks("Passes done", PASSES)
    new_gasket = _yes_or_no("New gasket fitted", "An opened joint gets a new one.")
    fasteners = WordField(FastenerState, label="Studs, bolts and nuts are", required=False)
    friction = NumberField(
        "",
        low=0.04,
        high=0.6,
        label="Friction coefficient, if another lubricant was used",
        help_text="From its data sheet; the torque is then computed for it.",
    )
    friction_source = _line("Where that coefficient comes from", 200, required=False)
    disagree_because = forms.CharField(
        label="Not as planned, because …",
        max_length=300,
        required=False,
        help_text="Where the joint still holds, the reason is kept with it. Where it may not, or "
        "with another lubricant, the engineer decides and the gate stays open.",
    )
    words = _line("Words, if any", 500, required=False)

    def shape(self) -> None:
        self.gate_kind = str(self.data.get("gate") or self.initial.get("gate") or "")
        if self.gate_kind != GateKind.JOINT_CLOSED.value:
            for name in JOINT_FIELDS:
                del self.fields[name]
        else:
            self.fields["wrench"].help_text = "The number on its label, for example TW-07."
            self.shape_joint()
        if self.gate_kind != GateKind.COVER_RELEASED.value:
            del self.fields["rods"]
        self.submit_words = f"Record: {self.gate_kind}"

    def shape_joint(self) -> None:
        """Say what is planned beside each field, where a setting can be planned; nothing is
        disputed where nothing is compared."""
        joint = self.card.joint
        if joint is None or not joint.is_compared:
            for name in ("friction", "friction_source", "disagree_because"):
                del self.fields[name]
            return
        plan = joint.plan
        if plan.setting_nm is None:
            self.fields["torque_nm"].help_text = plan.words
            return
        self.fields["lubricant"].help_text = f"Planned: {plan.lubricant}, {plan.friction}."
        self.fields[
            "wrench"
        ].help_text = (
            f"Planned: {plan.wrench}, step {plan.wrench_step_nm:g} N m. The number on its label."
        )
        self.fields["torque_nm"].help_text = (
            f"Planned: {plan.setting_nm:g} N m; the joint holds from {plan.low_nm:.4g} to "
            f"{plan.high_nm:.4g} N m."
        )

    def inputs(self) -> dict[str, Any]:
        given = {"rods": None, **super().inputs()}
        if "new_gasket" in given:
            given["new_gasket"] = bool(given["new_gasket"])
        return given


class AsFoundForm(VerbForm):
    submit, is_main, has_done_at = "Record as found", True, True
    is_again = False
    words = _text("What was read or seen before anything was changed")
    grade = WordField(
        AsFound,
        label="As-found grade",
        required=False,
        help_text="May wait until the parts have been seen. A failure needs mode and cause.",
    )
    mode = CodeField(FAILURE_MODES, label="Failure mode")
    mechanism = CodeField(MECHANISMS, label="Mechanism")
    cause = CodeField(CAUSES, label="Cause")
    detection = CodeField(DETECTIONS, label="Detected by")
    photos = PhotosField()
    photo_words = _line("What the photographs show", required=False)

    @property
    def about(self) -> str:
        return "its grade, once the parts are seen" if self.is_again else ""


class FindingForm(VerbForm):
    submit, is_main, has_done_at = "Record finding", True, True
    part = WordField(PartName, label="Part")
    found = _text("What was found", required=False)
    value = NumberField("", low=-1e6, high=1e6, label="Measured value", help_text="")
    unit = forms.CharField(
        label="Unit of the value", max_length=40, required=False, help_text="For example mm."
    )
    grade = WordField(
        FindingGrade,
        label="Grade",
        required=False,
        words={grade: f"{grade.value} – {words}" for grade, words in GRADE_WORDS.items()},
    )
    gauge = forms.CharField(
        label="Gauge",
        max_length=24,
        required=False,
        help_text="The number on its label. Its calibration must be in date.",
    )
    kinds = _ticks("Kinds of damage seen", Damage)
    stage = WordField(Stage, label="Measured", initial=Stage.AS_FOUND.value)
    decision = WordField(PartDecision, label="Decision", required=False)
    disagree_because = forms.CharField(
        label="I do not agree with the rule, because …", max_length=300, required=False
    )
    not_checked_because = forms.CharField(
        label="Or: not checked, because …", max_length=300, required=False
    )
    photos = PhotosField()
    photo_words = _line("What the photographs show", required=False)

    def shape(self) -> None:
        """Ask what this part is judged by, with the limit beside the field."""
        part = str(self.data.get("part") or self.initial.get("part") or "")
        self.asks = [ask for ask in self.card.asks if ask.part == part]
        self.fields["stage"].required = False
        line = next((line for line in self.card.findings if line.part == part), None)
        if line is not None and line.decision == PartDecision.LAP.value:
            self.initial["stage"] = Stage.AS_LEFT.value
        if self.asks:
            del self.fields["value"], self.fields["unit"]
            if not any(ask.needs_gauge for ask in self.asks):
                del self.fields["gauge"]
        asked: dict[str, forms.Field] = {}
        for ask in self.asks:
            name, label = measure_name(ask.quantity), ask.quantity.capitalize()
            asked[name] = (
                _yes_or_no(label, ask.limit)
                if ask.quantity == Measured.CONTACT_RING.value
                else NumberField(ask.unit, low=0, high=10_000, label=label, help_text=ask.limit)
            )
        self.fields |= asked
        self.order_fields(["part", "found", *asked, "value", "unit", "gauge", "kinds"])

    def fix_part(self) -> None:
        """The heading names the part, and its fields are asked: it is not to choose any more."""
        self.fields["part"].widget = forms.HiddenInput()

    def inputs(self) -> dict[str, Any]:
        given = super().inputs()
        gauge = given.get("gauge", "")
        given["stage"] = given["stage"] or Stage.AS_FOUND
        given["measurements"] = [
            {
                "quantity": ask.quantity,
                "value": float(value),
                "gauge": gauge if ask.needs_gauge else "",
            }
            for ask in self.asks
            for value in (given.pop(measure_name(ask.quantity)),)
            if value is not None
        ]
        return given


def measure_name(quantity: str) -> str:
    """Name of the field in which a quantity is given."""
    return f"measured_{Measured(quantity).name.lower()}"


class DecideForm(VerbForm):
    submit = "Decide as the engineer"
    part = WordField(PartName, label="Part")
    decision = WordField(PartDecision, label="Decision")
    because = _text("Because", 300)


class DecideJointForm(VerbForm):
    submit = "Decide on the joint"
    accept = forms.TypedChoiceField(
        label="The joint",
        choices=[("yes", "is accepted as it was tightened"), ("no", "is tightened again")],
        coerce=lambda word: word == "yes",
    )
    because = _text("Because", 300)


class PartsUsedForm(VerbForm):
    submit, has_done_at = "Add", True
    part = WordField(
        PartName,
        label="Part of the valve it replaces",
        required=False,
        help_text="Needed for every part judged 'replace'.",
    )
    name = _line("Part number or kit", 120)
    quantity = forms.IntegerField(
        label="How many",
        min_value=1,
        max_value=1000,
        initial=1,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
    )
    lot = _line("Lot", 60, required=False)
    serial = _line("Serial number", 60, required=False)
    words = _line("Words, if any", required=False)


class TestForm(VerbForm):
    __test__ = False
    submit, is_main, has_done_at = "Record test", True, True
    method = WordField(ProofMethod, label="How it was tested")
    bypass_flow_m3_per_h = NumberField("m³/h", low=0, high=1e5, label="Bypass flow")
    uncertainty_percent = NumberField("%", low=0, high=99, label="Uncertainty of the flow")
    required_m3_per_h = NumberField("m³/h", low=0.001, high=1e5, label="Required flow")
    result = WordField(
        ProofResult,
        label="Result, where no flow was measured",
        required=False,
        help_text="With numbers the numbers decide.",
    )
    restriction = _line("Restriction for operations, if any", required=False)
    words = _text("Words, if any", required=False)

    def inputs(self) -> dict[str, Any]:
        given = super().inputs()
        percent = given.pop("uncertainty_percent")
        return {**given, "uncertainty_share": None if percent is None else percent / 100}


class ReleaseForm(SignedForm):
    submit, signs_as = "Sign the provisional release", Meaning.APPROVED
    until = _day("Until")
    restriction = _line("Restriction for operations")
    words = _text("Statement", 300)


class CloseForm(SignedForm):
    submit, is_main, signs_as = "Sign and close the order", True, Meaning.PERFORMED
    remarks = _text("Remarks", 2000, required=False)


class HoldForm(VerbForm):
    submit = "Put on hold"
    why = _line("Why")
    until = _day("Until")


class ResumeForm(VerbForm):
    submit, is_main = "Go on", True


class AskToPutOffForm(VerbForm):
    submit = "Ask for the deferral"
    why = _line("Why")
    risk = _line("Risk")
    until = _day("Until")


class PutOffForm(SignedForm):
    submit, signs_as = "Sign the deferral", Meaning.APPROVED
    signature = _text("What I accept, and why", 300)


class DropForm(VerbForm):
    submit = "Drop"
    why = _line("Why")


class ReopenForm(VerbForm):
    submit = "Reopen"
    why = _line("Why")
    work_again = forms.TypedChoiceField(
        label="What is to be done",
        choices=[("no", "Only the record is amended"), ("yes", "The valve is opened again")],
        coerce=lambda word: word == "yes",
    )


class AssignForm(VerbForm):
    submit = "Assign"
    username = forms.CharField(
        label="User name of the technician",
        max_length=150,
        required=False,
        help_text="Empty: nobody.",
    )
