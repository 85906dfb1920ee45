"""What comes out of the endpoints: the list of jobs, and one order with its facts."""

from rest_framework import serializers

from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.work.api.shapes import words_of
from valvecare.work.rules import (
    GateKind,
    Measured,
    OrderKind,
    OrderState,
    PartName,
)
from valvecare.work.rules.procedures import Phase, WorkStepKind


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
    kind = serializers.ChoiceField(choices=words_of(OrderKind))
    state = serializers.ChoiceField(choices=words_of(OrderState))
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
    part = serializers.ChoiceField(choices=words_of(PartName))
    quantity = serializers.ChoiceField(choices=words_of(Measured))
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
    state = serializers.ChoiceField(choices=words_of(OrderState))
    is_done = serializers.BooleanField()
    is_now = serializers.BooleanField()


class _GateLine(serializers.Serializer):
    kind = serializers.ChoiceField(choices=words_of(GateKind))
    passed_at = serializers.DateTimeField(allow_null=True)
    by = serializers.CharField(allow_null=True, help_text="Who recorded it.")
    done_by = serializers.CharField(allow_null=True, help_text="Who did it, if somebody else.")
    words = serializers.CharField()
    recorded = serializers.DictField(help_text="What the gate asks for, as it was recorded.")
    is_next = serializers.BooleanField()
    why_not = serializers.CharField()


class _MeasuredLine(serializers.Serializer):
    quantity = serializers.ChoiceField(choices=words_of(Measured))
    value = serializers.FloatField()
    unit = serializers.CharField()
    gauge = serializers.CharField()


class _FindingLine(serializers.Serializer):
    part = serializers.ChoiceField(choices=words_of(PartName))
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
    method = serializers.ChoiceField(choices=words_of(ProofMethod))
    result = serializers.ChoiceField(choices=words_of(ProofResult))
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
    is_compared = serializers.BooleanField(help_text="What is set is compared with a plan.")
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
    phase = serializers.ChoiceField(choices=words_of(Phase))
    kind = serializers.ChoiceField(choices=words_of(WorkStepKind))
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
    kind = serializers.ChoiceField(choices=words_of(OrderKind))
    state = serializers.ChoiceField(choices=words_of(OrderState))
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
