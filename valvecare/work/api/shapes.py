"""What goes into the endpoints: types, lengths, required. No business here."""

from typing import Any

from rest_framework import serializers

from valvecare.engineering.joint_records import FastenerState
from valvecare.engineering.wear import Damage
from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.web.fields import InstantField, QueryWhole
from valvecare.web.shapes import Closed, Flag, Number, Text, Whole
from valvecare.work.rules import (
    PASSES,
    AsFound,
    FindingGrade,
    GateKind,
    Meaning,
    Measured,
    OrderKind,
    OrderState,
    PartDecision,
    PartName,
    Rods,
    Stage,
)
from valvecare.work.rules.step_answers import ANSWERS


def words_of(kind: Any) -> list[tuple[str, str]]:
    """The choices of a closed list."""
    return [(word.value, word.value) for word in kind]


class Word(serializers.ChoiceField):
    """A word of a closed list; becomes the enumeration's member, or None when empty."""

    def __init__(self, kind: Any, **kwargs: Any) -> None:
        self.kind = kind
        super().__init__(choices=words_of(kind), **kwargs)

    def to_internal_value(self, data: Any) -> Any:
        found = super().to_internal_value(data)
        return self.kind(found) if found != "" else None


_DONE_AT = "When it was done; empty: now."


class Statement(Text):
    def __init__(self, length: int = 500, **kwargs: Any) -> None:
        super().__init__(max_length=length, **kwargs)


class JobQuery(serializers.Serializer):
    """Filters of the list. `updated_since` also lists orders that were closed or dropped."""

    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")
    group = serializers.CharField(required=False, max_length=24, help_text="Code of the group.")
    valve = QueryWhole(required=False, min_value=1, max_value=2**31, help_text="Id.")
    state = serializers.ChoiceField(required=False, choices=words_of(OrderState))
    kind = serializers.ChoiceField(required=False, choices=words_of(OrderKind))
    due_before = serializers.DateField(required=False)
    updated_since = InstantField(required=False)


class RaiseOrder(Closed):
    valve = Whole(min_value=1, max_value=2**31, help_text="Id of the protection valve.")
    kind = Word(OrderKind)
    why = Statement()
    due_on = serializers.DateField(help_text="Site-local day.")


class Empty(Closed):
    pass


class Words(Closed):
    words = Statement(required=False, allow_blank=True, default="")


class Why(Closed):
    why = Statement(300)


class Assign(Closed):
    username = Text(max_length=150, allow_blank=True, help_text="Empty: nobody any more.")


class Ready(Closed):
    proofs = serializers.DictField(
        child=Text(max_length=200),
        allow_empty=True,
        help_text="Item of the go/no-go list: what proves it.",
    )

    def validate_proofs(self, value: dict[str, str]) -> dict[str, str]:
        if len(value) > 20:
            raise serializers.ValidationError("At most 20 items.")
        return value


class DoneBy(Closed):
    """Who did it and when, where somebody else types it in or later."""

    done_by = Text(
        required=False,
        allow_blank=True,
        default="",
        max_length=150,
        help_text="User name of who did it; empty: you.",
    )
    done_at = InstantField(required=False, help_text=_DONE_AT)


class Start(DoneBy):
    pass


class ConfirmIdentity(DoneBy):
    text = Text(
        max_length=200,
        help_text="As scanned or typed: the code on the label, or the address it stands for; "
        "only where the valve has no label its serial or its tag.",
    )


class StepAnswer(Closed):
    """An answer to one step of the order's procedure, by its number."""

    step = Whole(min_value=1, max_value=999)
    outcome = serializers.ChoiceField(choices=[(word.value, word.value) for word in ANSWERS])
    because = Text(required=False, allow_blank=True, default="", max_length=300)
    value = Number(required=False, allow_null=True, default=None, min_value=-1e6, max_value=1e6)
    gauge = Text(required=False, allow_blank=True, default="", max_length=24)


class RecordSteps(DoneBy):
    """Answers to steps; all or none."""

    answers = StepAnswer(many=True, allow_empty=False)
    done_at = InstantField(required=False, help_text=_DONE_AT)


class WitnessStep(Closed):
    """A second person has looked at a hold point. Only with your own login."""

    step = Whole(min_value=1, max_value=999)
    words = Statement(300, required=False, allow_blank=True, default="")
    done_at = InstantField(required=False, help_text="When you looked; empty: now.")


class Signed(Closed):
    """What is signed asks for the password again. Send it over TLS only."""

    password = Text(
        max_length=200, trim_whitespace=False, write_only=True, help_text="Your own password."
    )
    meaning = serializers.ChoiceField(
        choices=words_of(Meaning), required=False, help_text="What your signature says."
    )


class PassGate(DoneBy):
    gate = Word(GateKind)
    words = Statement(required=False, allow_blank=True, default="")
    rods = Word(Rods, required=False, help_text="Needed for 'cover released'.")
    lubricant = Text(required=False, max_length=80, help_text="Needed for 'joint closed'.")
    wrench = Text(
        required=False, max_length=24, help_text="Label of the torque wrench; for 'joint closed'."
    )
    torque_nm = Number(
        required=False, min_value=1, max_value=20_000, help_text="As set; for 'joint closed'."
    )
    passes = serializers.ListField(
        child=serializers.ChoiceField(choices=PASSES),
        required=False,
        max_length=len(PASSES),
        help_text="Every pass, in its order; for 'joint closed'.",
    )
    new_gasket = Flag(required=False, help_text="An opened joint gets a new one.")
    fasteners = Word(
        FastenerState, required=False, help_text="Needed where a torque is computed for the joint."
    )
    friction = Number(
        required=False,
        min_value=0.04,
        max_value=0.6,
        help_text="Coefficient of a lubricant that was not planned; the torque is recomputed.",
    )
    friction_source = Statement(200, required=False, allow_blank=True, default="")
    disagree_because = Statement(
        300,
        required=False,
        allow_blank=True,
        default="",
        help_text="Why the joint is not as planned. Where it still holds, this is kept with it; "
        "else it goes to the engineer and the gate stays open.",
    )


class RecordAsFound(DoneBy):
    words = Statement(help_text="What was read or seen before anything was changed.")
    grade = Word(AsFound, required=False)
    mode = Text(required=False, allow_blank=True, default="", max_length=4)
    mechanism = Text(required=False, allow_blank=True, default="", max_length=4)
    cause = Text(required=False, allow_blank=True, default="", max_length=4)
    detection = Text(required=False, allow_blank=True, default="", max_length=4)


class _Value(Closed):
    quantity = Word(Measured)
    value = Number(min_value=-1e6, max_value=1e6)
    gauge = Text(
        required=False, allow_blank=True, default="", max_length=24, help_text="On its label."
    )


class DecidePart(Closed):
    part = Word(PartName)
    decision = Word(PartDecision)
    because = Statement(300)


class DecideJoint(Closed):
    accept = Flag(help_text="False: it is tightened again.")
    because = Statement(300)


class RecordFinding(DoneBy):
    part = Word(PartName)
    found = Statement(required=False, allow_blank=True, default="")
    value = Number(required=False, min_value=-1e6, max_value=1e6)
    unit = Text(required=False, allow_blank=True, default="", max_length=40)
    grade = Word(FindingGrade, required=False)
    decision = Word(PartDecision, required=False)
    not_checked_because = Statement(300, required=False, allow_blank=True, default="")
    gauge = Text(
        required=False,
        allow_blank=True,
        default="",
        max_length=24,
        help_text="Label of the gauge `value` was read from.",
    )
    measurements = _Value(many=True, required=False, help_text="What this part is judged by.")
    kinds = serializers.ListField(
        child=serializers.ChoiceField(choices=words_of(Damage)),
        required=False,
        max_length=len(Damage),
        help_text="Kinds of damage seen.",
    )
    stage = Word(Stage, required=False, help_text="'as left': measured again after lapping.")
    disagree_because = Statement(
        300,
        required=False,
        allow_blank=True,
        default="",
        help_text="Where the rule says otherwise.",
    )


class RecordPartsUsed(DoneBy):
    name = Text(max_length=120)
    quantity = Whole(required=False, default=1, min_value=1, max_value=1000)
    lot = Text(required=False, allow_blank=True, default="", max_length=60)
    serial = Text(required=False, allow_blank=True, default="", max_length=60)
    part = Word(
        PartName, required=False, default=None, help_text="The part of the valve it replaces."
    )
    words = Statement(300, required=False, allow_blank=True, default="")


class RecordTest(DoneBy):
    method = Word(ProofMethod)
    result = Word(
        ProofResult, required=False, help_text="Only where no flow was measured; numbers decide."
    )
    bypass_flow_m3_per_h = Number(required=False, min_value=0, max_value=100_000)
    uncertainty_share = Number(
        required=False, min_value=0, max_value=0.99, help_text="0.05 means 5 %."
    )
    required_m3_per_h = Number(required=False, min_value=0.001, max_value=100_000)
    restriction = Statement(300, required=False, allow_blank=True, default="")
    words = Statement(required=False, allow_blank=True, default="")


class Release(Signed):
    until = serializers.DateField()
    restriction = Statement(300)
    words = Statement(300, help_text="The statement that is signed.")


class Close(Signed):
    remarks = Text(required=False, allow_blank=True, default="", max_length=2000)


class Hold(Closed):
    why = Statement(300)
    until = serializers.DateField()


class AskToPutOff(Closed):
    why = Statement(300)
    risk = Statement(300)
    until = serializers.DateField()


class PutOff(Signed):
    signature = Statement(300, help_text="What is accepted, in words.")


class Reopen(Closed):
    why = Statement(300)
    work_again = Flag(
        help_text="True: the valve is opened again. False: only the record is amended."
    )
