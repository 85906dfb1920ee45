"""What goes in and out of the endpoints of a guided test: types, lengths, required."""

from typing import Any

from rest_framework import serializers

from valvecare.protection.rules import ProofResult
from valvecare.proving.rules import AbortLimit, LineUp, TestQuantity, Vessel
from valvecare.web.fields import InstantField
from valvecare.web.shapes import Closed, Flag, Number, Text, Whole
from valvecare.work.api.shapes import DoneBy, Statement, Word
from valvecare.work.rules.test_methods import PROOF_METHODS
from valvecare.work.rules.test_steps import STEP_IDS, Watched

_METHODS = [(name, name) for name in PROOF_METHODS]
_STEPS = [(step, step) for step in STEP_IDS]
_BIG = 2**31


class AbortLimitIn(Closed):
    quantity = Word(Watched)
    limit = Number(required=False, allow_null=True, default=None, min_value=0, max_value=1e5)
    because = Statement(
        200, required=False, allow_blank=True, default="", help_text="Why it is not watched."
    )


class LineUpIn(Closed):
    suction_open = Flag()
    return_open = Flag()
    return_sealed_open = Flag()
    vented = Flag()
    parallel_pump = Statement(200, help_text="What was decided about the other pumps.")
    has_warm_keeping_line = Flag()


class VesselIn(Closed):
    """Where the level of the return vessel is the method; standard uncertainties (k = 1)."""

    surface_m2 = Number(min_value=0.01, max_value=1e4)
    u_surface_m2 = Number(min_value=1e-6, max_value=1e4)
    other_outflow_m3_per_h = Number(min_value=-1e5, max_value=1e5)
    u_other_outflow_m3_per_h = Number(min_value=1e-6, max_value=1e5)


class BeginTest(DoneBy):
    method = serializers.ChoiceField(choices=_METHODS)
    method_words = Statement(
        300, required=False, allow_blank=True, default="", help_text="Why not the best method."
    )
    instruments = serializers.ListField(
        child=Text(max_length=24), max_length=40, help_text="Labels of the gauges taken along."
    )
    abort_limits = serializers.ListField(child=AbortLimitIn(), max_length=len(Watched))
    line_up = LineUpIn()
    vessel = VesselIn(required=False, allow_null=True, default=None)

    def inputs(self) -> dict[str, Any]:
        """The action's keyword arguments."""
        given = dict(self.validated_data)
        vessel = given.pop("vessel")
        return {
            **given,
            "abort_limits": {
                row["quantity"]: AbortLimit(row["limit"], row["because"])
                for row in given["abort_limits"]
            },
            "line_up": LineUp(**given["line_up"]),
            "vessel": Vessel(**vessel) if vessel is not None else None,
        }


class ReadingIn(Closed):
    key = Text(max_length=100, help_text="Of your own making; the same key is one reading.")
    step = serializers.ChoiceField(choices=_STEPS)
    quantity = Word(TestQuantity)
    value = Number(min_value=-1e6, max_value=1e6, help_text="Seen or heard: 1 yes, 0 no.")
    stop = Whole(required=False, allow_null=True, default=None, min_value=1, max_value=30)
    gauge = Text(required=False, allow_blank=True, default="", max_length=24)
    read_at = InstantField(required=False, help_text="Empty: now.")
    done_by = Text(required=False, allow_blank=True, default="", max_length=150)
    instead_of = Whole(
        required=False,
        allow_null=True,
        default=None,
        min_value=1,
        max_value=_BIG,
        help_text="Id of a wrong reading that this one replaces.",
    )
    because = Statement(200, required=False, allow_blank=True, default="")


class ReadingsIn(Closed):
    readings = serializers.ListField(child=ReadingIn(), min_length=1, max_length=1000)


class RowReasonOut(serializers.Serializer):
    code = serializers.CharField()
    detail = serializers.CharField()
    fix = serializers.CharField()


class ReadingResultOut(serializers.Serializer):
    index = serializers.IntegerField()
    status = serializers.ChoiceField(
        choices=[(word, word) for word in ("created", "duplicate", "refused")]
    )
    id = serializers.IntegerField(allow_null=True)
    crossed = serializers.CharField(help_text="The abort limit this reading crossed: stop now.")
    reasons = RowReasonOut(many=True)


class NotDone(Closed):
    step = serializers.ChoiceField(choices=_STEPS)
    because = Statement(300)
    done_at = InstantField(required=False, help_text="Empty: now.")


class FinishTest(Closed):
    restriction = Statement(300, required=False, allow_blank=True, default="")
    words = Statement(300, required=False, allow_blank=True, default="")
    done_by = Text(required=False, allow_blank=True, default="", max_length=150)


class MethodOut(serializers.Serializer):
    method = serializers.CharField()
    able = serializers.BooleanField()
    relative_uncertainty = serializers.FloatField(
        allow_null=True, help_text="Standard (k = 1), of the flow."
    )
    reason = serializers.CharField()


class FlowOut(serializers.Serializer):
    label = serializers.CharField()  # type: ignore[assignment]
    value_m3_per_h = serializers.FloatField()
    band_m3_per_h = serializers.FloatField(help_text="Half-width, k = 2.")
    required_m3_per_h = serializers.FloatField()
    proven_from_m3_per_h = serializers.FloatField()
    margin_share = serializers.FloatField(help_text="Lower bound over the requirement, less 1.")
    outcome = serializers.CharField()
    words = serializers.CharField()


class CheckOut(serializers.Serializer):
    name = serializers.CharField()
    outcome = serializers.CharField()
    words = serializers.CharField()


class TestStopOut(serializers.Serializer):
    step = serializers.CharField()
    stop = serializers.IntegerField()
    main_m3_per_h = serializers.FloatField()
    bypass_m3_per_h = serializers.FloatField()
    total = FlowOut()


class TestStepOut(serializers.Serializer):
    step = serializers.CharField()
    outcome = serializers.CharField(
        help_text="fail, test not able, undecided, not done, pass, not applicable"
    )
    checks = CheckOut(many=True)
    lacking = serializers.ListField(child=serializers.CharField())
    because = serializers.CharField()
    notes = serializers.ListField(child=serializers.CharField())
    flow = FlowOut(allow_null=True)
    stops = TestStopOut(many=True)


class JudgementOut(serializers.Serializer):
    """The steps as judged from the readings so far."""

    outcome = serializers.CharField()
    result = serializers.ChoiceField(
        choices=[(word.value, word.value) for word in ProofResult],
        help_text="What would be recorded now.",
    )
    proves_capacity = serializers.BooleanField()
    words = serializers.CharField()
    steps = TestStepOut(many=True)
    flow = FlowOut(allow_null=True)
    rule_version = serializers.CharField()


class TestReadingOut(serializers.Serializer):
    id = serializers.IntegerField()
    step = serializers.CharField()
    quantity = serializers.CharField()
    stop = serializers.IntegerField(allow_null=True)
    value = serializers.FloatField()
    unit = serializers.CharField()
    spread = serializers.FloatField(allow_null=True, help_text="Standard uncertainty, k = 1.")
    gauge = serializers.CharField()
    read_at = serializers.DateTimeField()
    done_by = serializers.CharField()
    recorded_by = serializers.CharField()
    crossed = serializers.CharField()
    instead_of = serializers.IntegerField(allow_null=True)
    because = serializers.CharField()
    replaced = serializers.BooleanField()


class TestRunOut(serializers.Serializer):
    """One run as it stands, judged now or as at its end. The ETag is the order's version."""

    id = serializers.IntegerField()
    version = serializers.IntegerField()
    order = serializers.IntegerField()
    order_version = serializers.IntegerField()
    order_number = serializers.CharField()
    order_state = serializers.CharField()
    revision = serializers.IntegerField()
    site = serializers.CharField()
    time_zone = serializers.CharField()
    valve_id = serializers.IntegerField()
    valve = serializers.CharField()
    pump = serializers.CharField()
    group = serializers.CharField()
    method = serializers.CharField()
    method_words = serializers.CharField()
    methods = MethodOut(many=True)
    limits = serializers.DictField(help_text="As at the start; the unit is in each name.")
    abort_limits = serializers.DictField()
    line_up = serializers.DictField()
    instruments = serializers.ListField(child=serializers.CharField())
    not_applicable = serializers.DictField()
    begun_at = serializers.DateTimeField()
    begun_by = serializers.CharField()
    done_by = serializers.CharField()
    finished_at = serializers.DateTimeField(allow_null=True)
    result = serializers.CharField()
    words = serializers.CharField()
    restriction = serializers.CharField()
    rule_version = serializers.CharField()
    test = serializers.IntegerField(allow_null=True, help_text="Id of the function test.")
    readings = TestReadingOut(many=True)
    judgement = JudgementOut()
    crossed = serializers.ListField(child=serializers.CharField())
    may_record = serializers.BooleanField()


class RecordedOut(serializers.Serializer):
    results = ReadingResultOut(many=True)
    run = TestRunOut()


class GaugeChoiceOut(serializers.Serializer):
    code = serializers.CharField()
    kind = serializers.CharField()
    words = serializers.CharField()
    is_usable = serializers.BooleanField()


class TestOptionsOut(serializers.Serializer):
    limits = serializers.DictField(allow_null=True)
    missing = serializers.DictField()
    methods = MethodOut(many=True)
    methods_words = serializers.CharField()
    gauges = GaugeChoiceOut(many=True)
