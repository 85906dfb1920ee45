"""Series: list, add, change; their readings, days and meter events; doubts and wrong readings."""

from datetime import date, timedelta
from typing import Any

from django.urls import path, reverse
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.readings import actions, reads
from valvecare.readings.api.shapes import (
    DayOut,
    HowCheckedIn,
    MeterEventIn,
    MeterEventOut,
    ReadingOut,
    SeriesChangeIn,
    SeriesIn,
    SeriesOut,
    SeriesSwapIn,
    WrongReadingIn,
    page_of,
)
from valvecare.readings.models import Series, instant, micros
from valvecare.readings.rules import MeterEventKind, Quality, Quantity
from valvecare.register.rules import Scope, choices
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.fields import InstantField
from valvecare.web.filters import IdFilter, YesNoFilter, filtered, parameters_of, refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.views import Endpoint

READ = {"GET": [Scope.READINGS_READ.value]}
IF_MATCH = OpenApiParameter(
    "If-Match", str, "header", required=True, description="The ETag you read; 428 without it."
)
IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key", str, "header", description="Your own key; a repeat gets the first answer."
)
PAGING = [
    OpenApiParameter("cursor", str, description="From the `next` link; opaque."),
    OpenApiParameter("page_size", int, description="1 to 200, else 100."),
]
SERIES_EXAMPLE = {
    "pump": 17,
    "tag": "SM-HP-3P.HOURS",
    "quantity": "run hours",
    "unit": "h",
    "resolution": 0.1,
    "rollover_modulus": 100000,
    "expected_period_s": 3600,
}


class SeriesFilter(filters.FilterSet):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    pump = IdFilter("pump_id", help_text="Id of the pump.")
    tag = filters.CharFilter("tag", help_text="Exactly this tag.")
    quantity = filters.ChoiceFilter("quantity", choices=choices(Quantity))
    doubtful = YesNoFilter(method="by_doubt", help_text="true: readings make no sense.")
    retired = YesNoFilter(method="by_life", help_text="true: retired ones only.")

    class Meta:
        model = Series
        fields: list[str] = []

    def by_doubt(self, queryset: Any, name: str, value: str) -> Any:
        clear = {"state__doubtful_code": ""}
        return queryset.exclude(**clear) if value == "true" else queryset.filter(**clear)

    def by_life(self, queryset: Any, name: str, value: str) -> Any:
        return queryset.filter(retired_at__isnull=value == "false")


def body_of(shape: Any, request: Request, **more: Any) -> dict[str, Any]:
    """The validated body; 400 with a pointer per field."""
    given = shape(data=request.data, context={"request": request}, **more)
    given.is_valid(raise_exception=True)
    return dict(given.validated_data)


def series_answer(request: Request, pk: int, status: int = 200) -> Response:
    series = reads.one_series(request.user, pk)
    headers = etag_headers(series)
    if status == 201:
        space = request.resolver_match.namespace  # type: ignore[union-attr]
        url = reverse("valvecare:api-one-series", args=[pk], current_app=space)
        headers["Location"] = request.build_absolute_uri(url)
    data = SeriesOut(series, context={"request": request}).data
    return Response(data, status=status, headers=headers)


class SeriesList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="series_list",
        summary="List the series you can see, with what is kept of each",
        tags=["readings"],
        parameters=parameters_of(SeriesFilter),
        responses=page_of(SeriesOut),
    )
    def get(self, request: Request) -> Response:
        rows = filtered(request, reads.series_for(request.user), SeriesFilter)
        page = keyset_page(rows, request, order=("tag", "id"))
        results = SeriesOut(page.rows, many=True, context={"request": request}).data
        return Response({"results": results, "next": page.next_url}, headers=page.headers)

    @extend_schema(
        operation_id="series_add",
        summary="Add a counter or gauge to a pump",
        tags=["readings"],
        parameters=[IDEMPOTENCY_KEY],
        request=SeriesIn,
        responses={201: SeriesOut},
        examples=[OpenApiExample("hours (invented)", SERIES_EXAMPLE, request_only=True)],
    )
    def post(self, request: Request) -> Response:
        return idempotent(request, lambda: self.add(request))

    def add(self, request: Request) -> Response:
        fields = body_of(SeriesIn, request)
        pump = fields.pop("pump")
        series = actions.add_series(pump, fields, actor=request.user, at=self.now)
        return series_answer(request, series.pk, 201)


class OneSeries(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="series_read",
        summary="Read one series",
        tags=["readings"],
        responses=SeriesOut,
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        return series_answer(request, pk)

    @extend_schema(
        operation_id="series_change",
        summary="Change facts of a series; what judges segments makes its totals new",
        tags=["readings"],
        parameters=[IF_MATCH],
        request=SeriesChangeIn,
        responses=SeriesOut,
        examples=[OpenApiExample("modulus", {"rollover_modulus": 100000}, request_only=True)],
    )
    def patch(self, request: Request, pk: int) -> Response:
        reads.one_series(request.user, pk)
        changes = body_of(SeriesChangeIn, request, partial=True)
        version = version_from(request)
        actions.change_series(pk, changes, version=version, actor=request.user, at=self.now)
        return series_answer(request, pk)


def _instant_of(request: Request, name: str) -> int | None:
    text = request.query_params.get(name)
    if text is None:
        return None
    try:
        return micros(InstantField().to_internal_value(text.replace(" ", "+")))
    except ValidationError as error:
        raise ValidationError({name: error.detail}) from error


class SeriesReadings(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="series_readings",
        summary="Readings of a series, oldest first",
        tags=["readings"],
        parameters=[
            OpenApiParameter("from", str, description="RFC 3339 with offset; included."),
            OpenApiParameter("until", str, description="RFC 3339 with offset; excluded."),
            *PAGING,
        ],
        responses=page_of(ReadingOut),
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ("from", "until"))
        series = reads.one_series(request.user, pk)
        rows = reads.readings_of(series).values(
            "at_us", "value", "quality", "source__name", "source_key"
        )
        first, last = _instant_of(request, "from"), _instant_of(request, "until")
        if first is not None:
            rows = rows.filter(at_us__gte=first)
        if last is not None:
            rows = rows.filter(at_us__lt=last)
        page = keyset_page(rows, request, order=("at_us",))
        results = [
            {
                "at": instant(row["at_us"]).isoformat().replace("+00:00", "Z"),
                "value": row["value"],
                "quality": Quality(row["quality"]).word,
                "source": row["source__name"],
                "source_key": row["source_key"],
            }
            for row in page.rows
        ]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)


class SeriesDays(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="series_days",
        summary="Daily roll-up of a series (UTC days), oldest first",
        tags=["readings"],
        parameters=PAGING,
        responses=page_of(DayOut),
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        series = reads.one_series(request.user, pk)
        page = keyset_page(reads.days_of(series), request, order=("day",))
        results = [
            {
                "day": (date(1970, 1, 1) + timedelta(day.day)).isoformat(),
                "n": day.n,
                "increment": day.increment,
                "valid_s": day.valid_s,
                "lost": day.lost,
                "v_min": day.v_min,
                "v_max": day.v_max,
                "v_mean": day.v_mean,
                "v_last": day.v_last,
            }
            for day in page.rows
        ]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)


class SeriesMeterEvents(Endpoint):
    required_scopes = {**READ, "POST": [Scope.READINGS_WRITE.value]}

    @extend_schema(
        operation_id="meter_events_list",
        summary="Declared replacements and roll-overs of a counter",
        tags=["readings"],
        parameters=PAGING,
        responses=page_of(MeterEventOut),
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        series = reads.one_series(request.user, pk)
        page = keyset_page(reads.meter_events_of(series), request, order=("at_us",))
        results = MeterEventOut(page.rows, many=True).data
        return Response({"results": results, "next": page.next_url}, headers=page.headers)

    @extend_schema(
        operation_id="meter_event_declare",
        summary="Declare that a meter was replaced or rolled over; the same again is the same",
        tags=["readings"],
        request=MeterEventIn,
        responses={201: MeterEventOut},
        examples=[
            OpenApiExample(
                "replaced (invented)",
                {
                    "kind": "replaced",
                    "at": "2025-12-03T10:00:00+04:00",
                    "closing_value": 41236,
                    "opening_value": 12,
                },
                request_only=True,
            )
        ],
    )
    def post(self, request: Request, pk: int) -> Response:
        given = body_of(MeterEventIn, request)
        event = actions.declare_meter_event(
            pk,
            kind=MeterEventKind(given["kind"]),
            event_at=given["at"],
            closing_value=given["closing_value"],
            opening_value=given["opening_value"],
            words=given["words"],
            actor=request.user,
            at=self.now,
        )
        return Response(MeterEventOut(event).data, status=201)


class SeriesWrongReading(Endpoint):
    @extend_schema(
        operation_id="reading_call_wrong",
        summary="Call a stored reading wrong: it stays, is shown, and counts for nothing",
        tags=["readings"],
        request=WrongReadingIn,
        responses=SeriesOut,
        examples=[
            OpenApiExample(
                "zero of a restarted gateway",
                {"at": "2026-05-04T06:00:00Z", "why": "gateway restarted at 06:00"},
                request_only=True,
            )
        ],
    )
    def post(self, request: Request, pk: int) -> Response:
        given = body_of(WrongReadingIn, request)
        actions.call_reading_wrong(
            pk, at_us=micros(given["at"]), actor=request.user, at=self.now, why=given["why"]
        )
        return series_answer(request, pk)


class SeriesConfirm(Endpoint):
    @extend_schema(
        operation_id="series_confirm",
        summary="Answer a doubt: the readings are right, and how that was checked",
        tags=["readings"],
        request=HowCheckedIn,
        responses=SeriesOut,
        examples=[OpenApiExample("checked", {"why": "hand-held probe agrees"}, request_only=True)],
    )
    def post(self, request: Request, pk: int) -> Response:
        given = body_of(HowCheckedIn, request)
        actions.confirm_series(pk, actor=request.user, at=self.now, why=given["why"])
        return series_answer(request, pk)


class SeriesSwap(Endpoint):
    @extend_schema(
        operation_id="series_swap",
        summary="Two sensors were on each other's pump: exchange their pumps",
        tags=["readings"],
        parameters=[IF_MATCH],
        request=SeriesSwapIn,
        responses=SeriesOut,
        examples=[
            OpenApiExample("pair", {"with_series": 18, "with_version": 1}, request_only=True)
        ],
    )
    def post(self, request: Request, pk: int) -> Response:
        given = body_of(SeriesSwapIn, request)
        actions.swap_series(
            pk,
            given["with_series"],
            versions=(version_from(request), given["with_version"]),
            actor=request.user,
            at=self.now,
        )
        return series_answer(request, pk)


_AT = "api/v1/series"
urls = [
    path(_AT, SeriesList.as_view(), name="api-series"),
    path(f"{_AT}/<int:pk>", OneSeries.as_view(), name="api-one-series"),
    path(f"{_AT}/<int:pk>/readings", SeriesReadings.as_view(), name="api-series-readings"),
    path(f"{_AT}/<int:pk>/days", SeriesDays.as_view(), name="api-series-days"),
    path(f"{_AT}/<int:pk>/meter-events", SeriesMeterEvents.as_view(), name="api-meter-events"),
    path(f"{_AT}/<int:pk>/wrong-readings", SeriesWrongReading.as_view(), name="api-wrong-reading"),
    path(f"{_AT}/<int:pk>/confirm", SeriesConfirm.as_view(), name="api-series-confirm"),
    path(f"{_AT}/<int:pk>/swap", SeriesSwap.as_view(), name="api-series-swap"),
]
