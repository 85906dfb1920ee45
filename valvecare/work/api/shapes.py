"""What goes in and out of the endpoints: types, lengths, required. No business here."""

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
from valvecare.work.rules.procedures import Phase, WorkStepKind
from valvecare.work.rules.step_answers import ANSWERS


def _words(kind: Any) -> list[tuple[str, str]]:
    return [(word.value, word.value) for word in kind]


class Word(serializers.ChoiceField):
    """A word of a closed list; becomes the enumeration's member, or None when empty."""

    def __init__(self, kind: Any, **kwargs: Any) -> None:
        self.kind = kind
        super().__init__(choices=_words(kind), **kwargs)

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
    state = serializers.ChoiceField(required=False, choices=_words(OrderState))
    kind = serializers.ChoiceField(required=False, choices=_words(OrderKind))
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
        choices=_words(Meaning), required=False, help_text="What your signature says."
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
        help_text="A joint that is not as planned goes to the engineer; the gate stays open.",
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
        child=serializers.ChoiceField(choices=_words(Damage)),
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


# ---- out


class _Valve(serializers.Serializer):
    id = serializers.IntegerField()
    tag = serializers.CharField()


class _JobWindow(serializers.Serializer):
    name = serializers.CharField()
    starts_on = serializers.DateField()


class JobRow(serializers.Serializer):
    """One order of the list."""

    id = serializers.IntegerField()
    number = serializers.CharField()
    url = serializers.CharField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    group = serializers.CharField()
    pump = serializers.CharField()
    valve = _Valve()
    kind = serializers.ChoiceField(choices=_words(OrderKind))
    state = serializers.ChoiceField(choices=_words(OrderState))
    due_on = serializers.DateField()
    share_used = serializers.FloatField(allow_null=True)
    governed_by = serializers.CharField()
    why = serializers.CharField()
    window = _JobWindow(allow_null=True)
    updated_at = serializers.DateTimeField()


class JobPage(serializers.Serializer):
    results = JobRow(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


class _AskLine(serializers.Serializer):
    part = serializers.ChoiceField(choices=_words(PartName))
    quantity = serializers.ChoiceField(choices=_words(Measured))
    unit = serializers.CharField()
    limit = serializers.CharField()
    needs_gauge = serializers.BooleanField()


class _SignatureLine(serializers.Serializer):
    signed = serializers.CharField()
    revision = serializers.IntegerField()
    name = serializers.CharField()
    at = serializers.DateTimeField()
    meaning = serializers.CharField()
    content_hash = serializers.CharField(help_text="SHA-256 of the canonical JSON.")
    is_intact = serializers.BooleanField()
    words = serializers.CharField()


class _StepLine(serializers.Serializer):
    state = serializers.ChoiceField(choices=_words(OrderState))
    is_done = serializers.BooleanField()
    is_now = serializers.BooleanField()


class _GateLine(serializers.Serializer):
    kind = serializers.ChoiceField(choices=_words(GateKind))
    passed_at = serializers.DateTimeField(allow_null=True)
    by = serializers.CharField(allow_null=True, help_text="Who recorded it.")
    done_by = serializers.CharField(allow_null=True, help_text="Who did it, if somebody else.")
    words = serializers.CharField()
    recorded = serializers.DictField(help_text="What the gate asks for, as it was recorded.")
    is_next = serializers.BooleanField()
    why_not = serializers.CharField()


class _MeasuredLine(serializers.Serializer):
    quantity = serializers.ChoiceField(choices=_words(Measured))
    value = serializers.FloatField()
    unit = serializers.CharField()
    gauge = serializers.CharField()


class _FindingLine(serializers.Serializer):
    part = serializers.ChoiceField(choices=_words(PartName))
    is_asked = serializers.BooleanField()
    found = serializers.CharField()
    value = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    grade = serializers.CharField()
    grade_words = serializers.CharField()
    decision = serializers.CharField()
    not_checked_because = serializers.CharField()
    rule_says = serializers.CharField(help_text="What the rule says; empty: it was not asked.")
    rule_words = serializers.CharField()
    disagree_because = serializers.CharField()
    for_engineer = serializers.BooleanField()
    stage = serializers.CharField()
    measured = serializers.ListField(child=serializers.CharField())
    values = _MeasuredLine(many=True)
    kinds = serializers.ListField(child=serializers.CharField())
    gauge = serializers.CharField(help_text="Of a value that is no measurement of the rule.")
    by = serializers.CharField(allow_null=True)
    done_by = serializers.CharField(allow_null=True, help_text="Who did it, if somebody else.")
    at = serializers.DateTimeField(allow_null=True)


class _PartUsedLine(serializers.Serializer):
    name = serializers.CharField()
    quantity = serializers.IntegerField()
    lot = serializers.CharField()
    serial = serializers.CharField()
    part = serializers.CharField()
    words = serializers.CharField()


class _KeptLine(serializers.Serializer):
    lot_id = serializers.IntegerField()
    item = serializers.CharField()
    lot = serializers.CharField()
    quantity = serializers.IntegerField()
    place = serializers.CharField()
    fit = serializers.CharField()


class _ProofLine(serializers.Serializer):
    id = serializers.IntegerField()
    done_at = serializers.DateTimeField()
    method = serializers.ChoiceField(choices=_words(ProofMethod))
    result = serializers.ChoiceField(choices=_words(ProofResult))
    bypass_flow_m3_per_h = serializers.FloatField(allow_null=True)
    uncertainty_share = serializers.FloatField(allow_null=True)
    required_m3_per_h = serializers.FloatField(allow_null=True)
    restriction = serializers.CharField()
    words = serializers.CharField()


class _DeferralLine(serializers.Serializer):
    why = serializers.CharField()
    risk = serializers.CharField()
    until = serializers.DateField()
    asked_by = serializers.CharField()
    signature = serializers.CharField()
    signed_by = serializers.CharField(allow_null=True)


class _ReleaseLine(serializers.Serializer):
    until = serializers.DateField()
    restriction = serializers.CharField()
    words = serializers.CharField()
    signed_by = serializers.CharField()
    signed_at = serializers.DateTimeField()


class _SlotLine(serializers.Serializer):
    window = serializers.CharField()
    crew = serializers.CharField()
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    hours = serializers.FloatField()


class _PhotoLine(serializers.Serializer):
    id = serializers.IntegerField()
    part = serializers.CharField(help_text="Empty: the valve as found.")
    words = serializers.CharField()
    width = serializers.IntegerField()
    height = serializers.IntegerField()


class _OutLine(serializers.Serializer):
    by = serializers.CharField()
    since = serializers.DateTimeField()
    heard_at = serializers.DateTimeField(help_text="When this phone last had a connection.")


class _Pass(serializers.Serializer):
    number = serializers.IntegerField()
    name = serializers.CharField()
    torque_nm = serializers.FloatField()
    positions = serializers.ListField(child=serializers.IntegerField())
    instruction = serializers.CharField()
    gap_positions = serializers.ListField(child=serializers.IntegerField())
    wait_before_s = serializers.FloatField()


class _TorquePlan(serializers.Serializer):
    """What is to be set; `setting_nm` null: `words` say what is not known."""

    words = serializers.CharField()
    setting_nm = serializers.FloatField(allow_null=True)
    low_nm = serializers.FloatField(allow_null=True, help_text="Below it the gasket may leak.")
    high_nm = serializers.FloatField(allow_null=True, help_text="Above it bolt or gasket suffer.")
    exact_nm = serializers.FloatField(allow_null=True)
    preload_min_kn = serializers.FloatField(allow_null=True)
    preload_max_kn = serializers.FloatField(allow_null=True)
    lubricant = serializers.CharField()
    friction = serializers.CharField()
    gasket = serializers.CharField()
    wrench = serializers.CharField()
    wrench_step_nm = serializers.FloatField(allow_null=True)
    wrench_until = serializers.DateField(allow_null=True)
    source = serializers.CharField()  # type: ignore[assignment]
    steps = _Pass(many=True)
    checks = serializers.ListField(child=serializers.CharField())
    advice = serializers.ListField(child=serializers.CharField())
    query = serializers.DictField(help_text="Inputs of the calculation 'joint-torque'.")


class _WaitingJoint(serializers.Serializer):
    id = serializers.IntegerField()
    words = serializers.CharField()
    because = serializers.CharField()
    by = serializers.CharField()
    at = serializers.DateTimeField()


class _JointCard(serializers.Serializer):
    bolt_count = serializers.IntegerField(allow_null=True)
    thread = serializers.CharField()
    grade = serializers.CharField()
    order = serializers.ListField(child=serializers.IntegerField())
    order_words = serializers.CharField()
    plan = _TorquePlan()
    plan_on = serializers.DateField(help_text="The wrench is in calibration on this day.")
    record = serializers.DictField(allow_null=True, help_text="As the gate was passed.")
    waiting = _WaitingJoint(allow_null=True)
    refused_because = serializers.CharField()


class _VerdictChangeLine(serializers.Serializer):
    at = serializers.DateTimeField()
    before = serializers.CharField()
    now = serializers.CharField()
    reason = serializers.CharField()
    restriction = serializers.CharField(allow_blank=True)


class _OrderStep(serializers.Serializer):
    number = serializers.IntegerField()
    phase = serializers.ChoiceField(choices=_words(Phase))
    kind = serializers.ChoiceField(choices=_words(WorkStepKind))
    words = serializers.CharField()
    cautions = serializers.ListField(child=serializers.CharField())
    own_signal = serializers.CharField()
    own_caution = serializers.CharField()
    part = serializers.CharField()
    gate = serializers.CharField()
    quantity = serializers.CharField()
    unit = serializers.CharField()
    test_step = serializers.CharField()
    witness = serializers.CharField(help_text="Who must look; empty: no hold point.")
    is_mandatory = serializers.BooleanField()
    is_answered = serializers.BooleanField(
        help_text="Has an answer of its own; else it is settled by its gate, finding or test."
    )
    at_the_part = serializers.BooleanField()
    why = serializers.CharField(help_text="Why it applies to this valve.")
    is_unsure = serializers.BooleanField(help_text="Shown because a fact is not known.")
    is_settled = serializers.BooleanField()
    is_open = serializers.BooleanField()
    outcome = serializers.CharField()
    because = serializers.CharField()
    value = serializers.FloatField(allow_null=True)
    gauge = serializers.CharField()
    by = serializers.CharField(allow_null=True)
    done_by = serializers.CharField(allow_null=True)
    at = serializers.DateTimeField(allow_null=True)
    witnessed_by = serializers.CharField(allow_null=True)
    witnessed_at = serializers.DateTimeField(allow_null=True)


class OrderOut(serializers.Serializer):
    """One order with the facts of its present revision."""

    id = serializers.IntegerField()
    number = serializers.CharField()
    version = serializers.IntegerField()
    revision = serializers.IntegerField()
    site = serializers.CharField()
    time_zone = serializers.CharField()
    group = serializers.CharField()
    pump = serializers.CharField()
    valve_id = serializers.IntegerField()
    valve = serializers.CharField()
    design = serializers.CharField()
    serial = serializers.CharField()
    kind = serializers.ChoiceField(choices=_words(OrderKind))
    state = serializers.ChoiceField(choices=_words(OrderState))
    why = serializers.CharField()
    raised_by = serializers.CharField()
    raised_at = serializers.DateTimeField()
    due_on = serializers.DateField()
    share_used = serializers.FloatField(allow_null=True)
    governed_by = serializers.CharField()
    assigned_to = serializers.CharField(allow_null=True)
    readiness = serializers.DictField(child=serializers.CharField())
    ready_items = serializers.ListField(child=serializers.CharField())
    pause_why = serializers.CharField()
    pause_until = serializers.DateField(allow_null=True)
    started_at = serializers.DateTimeField(allow_null=True)
    as_found = serializers.CharField()
    as_found_words = serializers.CharField()
    mode = serializers.CharField()
    mechanism = serializers.CharField()
    cause = serializers.CharField()
    detection = serializers.CharField()
    run_hours_since = serializers.FloatField(allow_null=True)
    starts_since = serializers.FloatField(allow_null=True)
    remarks = serializers.CharField()
    done_at = serializers.DateTimeField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    is_imported = serializers.BooleanField()
    needs_proof = serializers.BooleanField()
    required_m3_per_h = serializers.FloatField(allow_null=True)
    updated_at = serializers.DateTimeField()
    verdict_change = _VerdictChangeLine(
        allow_null=True, help_text="The verdict of the valve changed under this order."
    )
    slot = _SlotLine(allow_null=True)
    progress = _StepLine(many=True)
    gates = _GateLine(many=True)
    findings = _FindingLine(many=True)
    parts_used = _PartUsedLine(many=True)
    joint = _JointCard(allow_null=True, help_text="Null: this order does not open the valve.")
    kept = _KeptLine(many=True)
    kit_blocked = serializers.ListField(
        child=serializers.CharField(), help_text="Why the kit is not shown green yet."
    )
    photos = _PhotoLine(many=True)
    out_with = _OutLine(many=True, help_text="Who has the order out on a phone.")
    tests = _ProofLine(many=True)
    deferrals = _DeferralLine(many=True)
    releases = _ReleaseLine(many=True)
    closed_revisions = serializers.ListField(child=serializers.DictField())
    asks = _AskLine(many=True, help_text="What is measured on each part, with its limit.")
    reminders = serializers.ListField(child=serializers.CharField())
    signatures = _SignatureLine(many=True)
    verbs = serializers.ListField(child=serializers.CharField())
    procedure = serializers.CharField(help_text="Code and version; empty: none is fixed.")
    procedure_withdrawn = serializers.CharField(help_text="Why; empty: it was not withdrawn.")
    steps = _OrderStep(many=True, help_text="Steps of the procedure that apply to this valve.")
    to_witness = serializers.ListField(
        child=serializers.IntegerField(), help_text="Hold points you may witness now."
    )
