"""What the endpoints of readings take and give. Shapes only; input and output are two classes."""

from typing import Any

from django.urls import reverse
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from valvecare.readings.models import Series, instant
from valvecare.readings.rules import (
    MeterEventKind,
    PlantEventKind,
    Quality,
    Quantity,
    RowStatus,
    SetAsideState,
)
from valvecare.register.rules import choices
from valvecare.web.fields import InstantField
from valvecare.web.shapes import Closed, Number, Related, Text, Whole, shape_of

FEW = 5
QUALITIES = [(quality.word, quality.word) for quality in Quality]


def related(context: Any, name: str, row: Any) -> dict[str, Any]:
    """Another record as `{id, name, url}`."""
    request = context["request"]
    space = request.resolver_match.namespace
    url = reverse(f"valvecare:{name}", args=[row.pk], current_app=space)
    return {"id": row.pk, "name": str(row), "url": request.build_absolute_uri(url)}


def page_of(shape: type[serializers.Serializer]) -> type[serializers.Serializer]:
    """The shape of one page of a list."""
    return type(
        f"{shape.__name__}Page",
        (serializers.Serializer,),
        {
            "results": shape(many=True),
            "next": serializers.CharField(allow_null=True, help_text="Address of the next page."),
        },
    )


class Instant(serializers.DateTimeField):
    """Microseconds since 1970 out as RFC 3339 in UTC."""

    def to_representation(self, value: Any) -> Any:
        return super().to_representation(instant(value))


# --- push


class RowIn(serializers.Serializer):
    """One reading. Key: series (at its site) and instant; the first value of a key stays."""

    series = serializers.CharField(max_length=80, help_text="Tag of the series.")
    site = serializers.CharField(
        max_length=12,
        required=False,
        help_text="Code of the site; needed when the tag is not unique.",
    )
    at = serializers.DateTimeField(help_text="RFC 3339 with Z or an offset; never local time.")
    value = serializers.FloatField(help_text="A finite JSON number, not text.")
    unit = serializers.CharField(
        max_length=16,
        help_text="Required. Converted by the table of units or refused; pressures say gauge or "
        "absolute (bar_g, bar_a).",
    )
    quality = serializers.ChoiceField(
        choices=QUALITIES, default="good", help_text="Bad readings are kept and count for nothing."
    )
    source_key = serializers.CharField(
        max_length=80, required=False, help_text="Your own mark of the row; kept as it is."
    )


class PushIn(serializers.Serializer):
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=80, required=False, help_text="Who sends; the login's name when left out."
    )
    site = serializers.CharField(
        max_length=12, required=False, help_text="Site of the rows that name none."
    )
    rows = RowIn(many=True)


class RowVerdictOut(serializers.Serializer):
    index = serializers.IntegerField(help_text="Place of the row in the request, from 0.")
    status = serializers.ChoiceField(choices=choices(RowStatus))
    code = serializers.CharField(required=False, help_text="Stable; why, where there is a why.")
    detail = serializers.CharField(required=False, help_text="A sentence.")


class CountsOut(serializers.Serializer):
    created = serializers.IntegerField()
    duplicate = serializers.IntegerField()
    conflict = serializers.IntegerField()
    rejected = serializers.IntegerField()
    set_aside = serializers.IntegerField()


class PushOut(serializers.Serializer):
    push = serializers.IntegerField(help_text="Number of this push in the log.")
    counts = CountsOut()
    results = RowVerdictOut(many=True)


class _Few(serializers.ListField):
    """The first of a list that may be long in the log."""

    def to_representation(self, data: Any) -> Any:
        return super().to_representation(data[:FEW])


class PushLogOut(serializers.Serializer):
    id = serializers.IntegerField()
    source = serializers.CharField()  # type: ignore[assignment]
    at = serializers.DateTimeField()
    rows = serializers.IntegerField()
    created = serializers.IntegerField()
    duplicates = serializers.IntegerField()
    conflicts = serializers.IntegerField()
    rejected = serializers.IntegerField()
    set_aside = serializers.IntegerField()
    codes = serializers.DictField(child=serializers.IntegerField())
    examples = serializers.DictField(child=_Few(child=serializers.CharField()))
    duration_ms = serializers.IntegerField()


# --- series

_OPTIONAL = (
    "rollover_modulus",
    "max_starts_per_hour",
    "plausible_min",
    "plausible_max",
    "expected_period_s",
    "note",
)
SeriesIn = shape_of(
    "SeriesIn",
    Series,
    ("tag", "quantity", "unit", "resolution", *_OPTIONAL),
    required=("tag", "quantity", "unit", "resolution"),
    further={"pump": Whole(min_value=1, max_value=2**63 - 1, help_text="Id of the pump.")},
)
SeriesChangeIn = shape_of("SeriesChangeIn", Series, ("resolution", *_OPTIONAL))


class SeriesStateOut(serializers.Serializer):
    points = serializers.IntegerField()
    first_at = Instant(source="first_us", allow_null=True)
    last_at = Instant(source="last_us", allow_null=True)
    last_value = serializers.FloatField(allow_null=True)
    accumulated = serializers.FloatField(help_text="Counters: sum of valid increments.")
    lost_segments = serializers.IntegerField()
    is_lower_bound = serializers.BooleanField(help_text="True: something was lost, look.")
    doubtful_code = serializers.CharField(help_text="Empty: no doubt.")
    doubtful_words = serializers.CharField()


class SeriesOut(serializers.Serializer):
    id = serializers.IntegerField()
    tag = serializers.CharField()
    site = serializers.CharField()
    pump = serializers.SerializerMethodField()
    quantity = serializers.ChoiceField(choices=choices(Quantity))
    kind = serializers.CharField()
    unit = serializers.CharField()
    resolution = serializers.FloatField()
    rollover_modulus = serializers.FloatField(allow_null=True)
    max_starts_per_hour = serializers.FloatField(allow_null=True)
    plausible_min = serializers.FloatField(allow_null=True)
    plausible_max = serializers.FloatField(allow_null=True)
    expected_period_s = serializers.FloatField(allow_null=True)
    note = serializers.CharField()
    retired_at = serializers.DateTimeField(allow_null=True)
    version = serializers.IntegerField()
    state = SeriesStateOut(allow_null=True)

    @extend_schema_field(Related)
    def get_pump(self, series: Series) -> dict[str, Any]:
        return related(self.context, "api-pump", series.pump)


class ReadingOut(serializers.Serializer):
    at = Instant(source="at_us")
    value = serializers.FloatField()
    quality = serializers.ChoiceField(choices=QUALITIES)
    source = serializers.CharField()  # type: ignore[assignment]
    source_key = serializers.CharField(allow_null=True)


class DayOut(serializers.Serializer):
    day = serializers.DateField(help_text="UTC day.")
    n = serializers.IntegerField()
    increment = serializers.FloatField()
    valid_s = serializers.FloatField()
    lost = serializers.IntegerField()
    v_min = serializers.FloatField()
    v_max = serializers.FloatField()
    v_mean = serializers.FloatField(help_text="Gauges only; 0 for counters.")
    v_last = serializers.FloatField()


class MeterEventIn(Closed):
    kind = serializers.ChoiceField(choices=choices(MeterEventKind))
    at = InstantField()
    closing_value = Number(help_text="Last value of the old meter, in the series' unit.")
    opening_value = Number(help_text="First value of the new meter.")
    words = Text(required=False, allow_blank=True, max_length=200, default="")


class MeterEventOut(serializers.Serializer):
    id = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=choices(MeterEventKind))
    at = serializers.DateTimeField()
    closing_value = serializers.FloatField()
    opening_value = serializers.FloatField()
    words = serializers.CharField()
    recorded_at = serializers.DateTimeField()


class HowCheckedIn(Closed):
    why = Text(max_length=300, help_text="How it was checked; stands in the record.")


class ReadingJudgementIn(Closed):
    why = Text(required=False, allow_blank=True, max_length=300, default="")


class WrongReadingIn(HowCheckedIn):
    at = InstantField(help_text="The instant of the reading.")


class SeriesSwapIn(Closed):
    with_series = Whole(min_value=1, max_value=2**63 - 1)
    with_version = Whole(min_value=1, max_value=2**31 - 1)


class SetAsideOut(serializers.Serializer):
    id = serializers.IntegerField()
    site = serializers.CharField()
    series = serializers.IntegerField(source="series_id", allow_null=True)
    tag = serializers.CharField()
    at = serializers.DateTimeField()
    value = serializers.FloatField()
    unit = serializers.SerializerMethodField()
    code = serializers.CharField()
    words = serializers.CharField()
    state = serializers.ChoiceField(choices=choices(SetAsideState))
    received_at = Instant(source="received_us")
    judged_at = serializers.DateTimeField(allow_null=True)
    judged_why = serializers.CharField()
    raw = serializers.DictField()
    version = serializers.IntegerField()

    def get_unit(self, item: Any) -> str:
        return str(item.series.unit) if item.series else ""


# --- plant events


class PlantEventIn(serializers.Serializer):
    pump = serializers.CharField(max_length=40, help_text="Tag of the pump.")
    site = serializers.CharField(max_length=12, required=False)
    kind = serializers.ChoiceField(choices=choices(PlantEventKind))
    at = serializers.DateTimeField(help_text="RFC 3339 with Z or an offset.")
    duration_s = serializers.FloatField(required=False, help_text="Required for low load.")
    speed_rpm = serializers.FloatField(required=False, help_text="Reverse rotation: how fast.")
    words = serializers.CharField(required=False, max_length=300)
    source_key = serializers.CharField(required=False, max_length=80)


class PlantEventsIn(serializers.Serializer):
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=80, required=False
    )
    events = PlantEventIn(many=True)


class PlantEventsOut(serializers.Serializer):
    results = RowVerdictOut(many=True)


class PlantEventOut(serializers.Serializer):
    id = serializers.IntegerField()
    pump = serializers.SerializerMethodField()
    kind = serializers.ChoiceField(choices=choices(PlantEventKind))
    at = serializers.DateTimeField()
    duration_s = serializers.FloatField(allow_null=True)
    speed_rpm = serializers.FloatField(allow_null=True)
    words = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    source_key = serializers.CharField()

    @extend_schema_field(Related)
    def get_pump(self, event: Any) -> dict[str, Any]:
        return related(self.context, "api-pump", event.pump)
