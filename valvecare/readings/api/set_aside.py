"""What was set aside (list, accept, dismiss) and events the plant reports."""

from collections.abc import Callable
from typing import Any

import msgspec
from django.urls import path
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.readings import actions, reads
from valvecare.readings.actions.record_plant_events import MOST, PlantEventRow
from valvecare.readings.api.bodies import Body, PushedBody, parsed, read_bounded, reason_of
from valvecare.readings.api.push import sender_name
from valvecare.readings.api.series import IF_MATCH, body_of
from valvecare.readings.api.shapes import (
    PlantEventOut,
    PlantEventsIn,
    PlantEventsOut,
    ReadingJudgementIn,
    SetAsideOut,
    page_of,
)
from valvecare.readings.models import PlantEvent, SetAside
from valvecare.readings.rules import PlantEventKind, SetAsideState
from valvecare.register.rules import Scope, choices
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.filters import IdFilter, filtered, parameters_of
from valvecare.web.pagination import keyset_page
from valvecare.web.problems import PayloadTooLarge
from valvecare.web.views import Endpoint

READ = {"GET": [Scope.READINGS_READ.value]}


class SetAsideFilter(filters.FilterSet):
    state = filters.ChoiceFilter("state", choices=choices(SetAsideState))
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    series = IdFilter("series_id", help_text="Id of the series.")

    class Meta:
        model = SetAside
        fields: list[str] = []


class SetAsideList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="set_aside_list",
        summary="Pushed rows that wait for a person, or were judged; newest first",
        tags=["readings"],
        parameters=parameters_of(SetAsideFilter),
        responses=page_of(SetAsideOut),
    )
    def get(self, request: Request) -> Response:
        rows = filtered(request, reads.set_aside_for(request.user), SetAsideFilter)
        page = keyset_page(rows, request, order=("-id",))
        results = SetAsideOut(page.rows, many=True).data
        return Response({"results": results, "next": page.next_url}, headers=page.headers)


_why = OpenApiExample("checked", {"why": "read from the meter by hand"}, request_only=True)


class _Judgement(Endpoint):
    judge: Callable[..., SetAside]

    def do(self, request: Request, pk: int) -> Response:
        given = body_of(ReadingJudgementIn, request)
        item = type(self).judge(
            pk, version=version_from(request), actor=request.user, at=self.now, why=given["why"]
        )
        return Response(SetAsideOut(item).data, headers=etag_headers(item))


class Accept(_Judgement):
    judge = staticmethod(actions.accept_set_aside)

    @extend_schema(
        operation_id="set_aside_accept",
        summary="Store the reading after all",
        tags=["readings"],
        parameters=[IF_MATCH],
        request=ReadingJudgementIn,
        responses=SetAsideOut,
        examples=[_why],
    )
    def post(self, request: Request, pk: int) -> Response:
        return self.do(request, pk)


class Dismiss(_Judgement):
    judge = staticmethod(actions.dismiss_set_aside)

    @extend_schema(
        operation_id="set_aside_dismiss",
        summary="Leave the reading out for good",
        tags=["readings"],
        parameters=[IF_MATCH],
        request=ReadingJudgementIn,
        responses=SetAsideOut,
        examples=[_why],
    )
    def post(self, request: Request, pk: int) -> Response:
        return self.do(request, pk)


class _Events(msgspec.Struct, forbid_unknown_fields=True):
    events: list[msgspec.Raw]
    source: str | None = None


_event = msgspec.json.Decoder(PlantEventRow)


class EventRows(BaseParser):
    media_type = "application/json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        data = read_bounded(stream, parser_context["request"].headers)
        try:
            body = msgspec.json.decode(data, type=_Events)
        except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
            raise ParseError(f"The body cannot be read: {error}") from error
        if len(body.events) > MOST:
            raise PayloadTooLarge(f"{len(body.events)} events; at most {MOST} in one request.")
        rows: list[Any] = []
        for raw in body.events:
            try:
                rows.append(_event.decode(raw))
            except (msgspec.DecodeError, RecursionError) as error:
                rows.append(reason_of(error))
        return Body(rows, body.source)


class PlantEventFilter(filters.FilterSet):
    kind = filters.ChoiceFilter("kind", choices=choices(PlantEventKind))
    site = filters.CharFilter("pump__group__site__code", help_text="Code of the site.")
    pump = IdFilter("pump_id", help_text="Id of the pump.")

    class Meta:
        model = PlantEvent
        fields: list[str] = []


class PlantEvents(PushedBody):
    required_scopes = {**READ, "POST": [Scope.READINGS_WRITE.value]}
    parser_classes = (EventRows,)

    @extend_schema(
        operation_id="plant_events_list",
        summary="Events the plant reported, newest first",
        tags=["readings"],
        parameters=parameters_of(PlantEventFilter),
        responses=page_of(PlantEventOut),
    )
    def get(self, request: Request) -> Response:
        rows = filtered(request, reads.plant_events_for(request.user), PlantEventFilter)
        page = keyset_page(rows, request, order=("-id",))
        results = PlantEventOut(page.rows, many=True, context={"request": request}).data
        return Response({"results": results, "next": page.next_url}, headers=page.headers)

    @extend_schema(
        operation_id="plant_events_report",
        summary="Report reverse rotation, trips, lost suction, water hammer, time in low load",
        description="One event per pump, kind and instant; the same again is a duplicate.",
        tags=["readings"],
        request=PlantEventsIn,
        responses=PlantEventsOut,
        examples=[
            OpenApiExample(
                "reverse rotation (invented)",
                {
                    "source": "invented control system",
                    "events": [
                        {
                            "pump": "SM-IN-3P",
                            "kind": "reverse rotation",
                            "at": "2026-04-19T02:11:00Z",
                            "duration_s": 14,
                            "speed_rpm": 180,
                        }
                    ],
                },
                request_only=True,
            )
        ],
    )
    def post(self, request: Request) -> Response:
        body = parsed(request, Body)
        verdicts = actions.record_plant_events(
            body.rows, actor=request.user, at=self.now, source=sender_name(request, body.source)
        )
        return Response({"results": verdicts})


urls = [
    path("api/v1/set-aside", SetAsideList.as_view(), name="api-set-aside"),
    path("api/v1/set-aside/<int:pk>/accept", Accept.as_view(), name="api-set-aside-accept"),
    path("api/v1/set-aside/<int:pk>/dismiss", Dismiss.as_view(), name="api-set-aside-dismiss"),
    path("api/v1/plant-events", PlantEvents.as_view(), name="api-plant-events"),
]
