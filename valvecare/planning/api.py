"""REST of the plan: windows, crews, and placing an order."""

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import Forbidden
from valvecare.core.permits import may_anywhere
from valvecare.planning.actions import add_crew, add_window, check_place, place, unplace
from valvecare.planning.models import Crew, Window
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.fields import InstantField
from valvecare.web.filters import refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.shapes import Closed, Flag, Number, Text, Whole
from valvecare.web.views import Endpoint
from valvecare.work.api.answers import OrderOut
from valvecare.work.api.orders import IDEMPOTENCY_KEY, IF_MATCH
from valvecare.work.reads import order_card

_PAGING = [OpenApiParameter("cursor", str), OpenApiParameter("page_size", int)]


class SiteQuery(serializers.Serializer):
    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")


class WindowIn(Closed):
    site = Text(max_length=12, help_text="Code of the site.")
    name = Text(max_length=120)
    starts_at = InstantField()
    ends_at = InstantField()
    words = Text(required=False, allow_blank=True, default="", max_length=300)
    is_total_stop = Flag(required=False, default=False)
    still_needed = serializers.ListField(
        child=Text(max_length=24), required=False, default=list, max_length=100
    )
    works_weekends = Flag(required=False, default=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["ends_at"] <= attrs["starts_at"]:
            raise serializers.ValidationError({"ends_at": "A window ends after it starts."})
        return attrs


class WindowOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    name = serializers.CharField()
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    words = serializers.CharField()
    is_total_stop = serializers.BooleanField()
    still_needed = serializers.ListField(child=serializers.CharField())
    works_weekends = serializers.BooleanField()


class WindowPage(serializers.Serializer):
    results = WindowOut(many=True)
    next = serializers.CharField(allow_null=True)


class CrewIn(Closed):
    site = Text(max_length=12)
    name = Text(max_length=120)
    people = Whole(min_value=1, max_value=100)
    hours_per_day = Number(min_value=0.25, max_value=24)


class CrewOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    name = serializers.CharField()
    people = serializers.IntegerField()
    hours_per_day = serializers.FloatField()


class CrewPage(serializers.Serializer):
    results = CrewOut(many=True)
    next = serializers.CharField(allow_null=True)


class PlaceIn(Closed):
    window = Whole(min_value=1, max_value=2**31)
    crew = Whole(min_value=1, max_value=2**31)
    hours = Number(
        required=False,
        min_value=0.25,
        max_value=999,
        help_text="Elapsed crew hours; empty: the job hours of the design.",
    )
    not_before = serializers.DateField(required=False, help_text="Earliest day, site-local.")
    because = Text(
        required=False,
        allow_blank=True,
        default="",
        max_length=300,
        help_text="Why a warning does not stand in the way.",
    )


class UnplaceIn(Closed):
    why = Text(required=False, allow_blank=True, default="", max_length=300)


class _ReasonOut(serializers.Serializer):
    code = serializers.CharField()
    words = serializers.CharField()
    remedy = serializers.CharField()


class PlacementOut(serializers.Serializer):
    """What placing would do."""

    fits = serializers.BooleanField()
    days = serializers.DictField(child=serializers.FloatField(), help_text="Day: crew hours.")
    refusals = _ReasonOut(many=True)
    warnings = _ReasonOut(many=True)


def _window(row: Window) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "site": row.site.code,
        "name": row.name,
        "starts_at": row.starts_at,
        "ends_at": row.ends_at,
        "words": row.words,
        "is_total_stop": row.is_total_stop,
        "still_needed": [group.code for group in row.still_needed.all()],
        "works_weekends": row.works_weekends,
    }


def _crew(row: Crew) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "site": row.site.code,
        "name": row.name,
        "people": row.people,
        "hours_per_day": row.hours_per_day,
    }


def _may_look(request: Request) -> None:
    if request.auth is None and not may_anywhere(request.user, "view_plan"):
        raise Forbidden("view_plan")


def _page(request: Request, rows: Any, order: tuple[str, ...], out: Any) -> Response:
    shape = SiteQuery(data=request.query_params)
    refuse_unknown(request, shape.fields)
    shape.is_valid(raise_exception=True)
    if "site" in shape.validated_data:
        rows = rows.filter(site__code=shape.validated_data["site"])
    page = keyset_page(rows, request, order=order)
    body = {"results": [out(row) for row in page.rows], "next": page.next_url}
    return Response(body, headers=page.headers)


class Windows(Endpoint):
    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="windows_list",
        summary="List windows",
        parameters=[SiteQuery, *_PAGING],
        responses={200: WindowPage},
    )
    def get(self, request: Request) -> Response:
        _may_look(request)
        rows = Window.objects.for_user(request.user).select_related("site")
        return _page(request, rows.prefetch_related("still_needed"), ("starts_at", "id"), _window)

    @extend_schema(
        operation_id="windows_add",
        summary="Add a window",
        parameters=[IDEMPOTENCY_KEY],
        request=WindowIn,
        responses={201: WindowOut},
        examples=[
            OpenApiExample(
                "summer stop",
                request_only=True,
                value={
                    "site": "NH",
                    "name": "NH summer stop",
                    "starts_at": "2026-06-08T06:00:00+02:00",
                    "ends_at": "2026-06-26T18:00:00+02:00",
                    "is_total_stop": True,
                    "still_needed": ["NH-MU", "NH-BC"],
                },
            )
        ],
    )
    def post(self, request: Request) -> Response:
        def effect() -> Response:
            shape = WindowIn(data=request.data)
            shape.is_valid(raise_exception=True)
            given = dict(shape.validated_data)
            window = add_window(given.pop("site"), **given, actor=request.user, at=self.now)
            return Response(_window(window), status=201, headers=etag_headers(window))

        return idempotent(request, effect)


class Crews(Endpoint):
    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="crews_list",
        summary="List crews",
        parameters=[SiteQuery, *_PAGING],
        responses={200: CrewPage},
    )
    def get(self, request: Request) -> Response:
        _may_look(request)
        rows = Crew.objects.for_user(request.user).select_related("site")
        return _page(request, rows, ("name", "id"), _crew)

    @extend_schema(
        operation_id="crews_add",
        summary="Add a crew",
        parameters=[IDEMPOTENCY_KEY],
        request=CrewIn,
        responses={201: CrewOut},
        examples=[
            OpenApiExample(
                "a crew",
                request_only=True,
                value={"site": "NH", "name": "NH crew", "people": 2, "hours_per_day": 10},
            )
        ],
    )
    def post(self, request: Request) -> Response:
        def effect() -> Response:
            shape = CrewIn(data=request.data)
            shape.is_valid(raise_exception=True)
            given = dict(shape.validated_data)
            crew = add_crew(given.pop("site"), **given, actor=request.user, at=self.now)
            return Response(_crew(crew), status=201, headers=etag_headers(crew))

        return idempotent(request, effect)


_PLACE = {"window": 1, "crew": 1, "not_before": "2026-06-08"}


class PlaceOrder(Endpoint):
    @extend_schema(
        operation_id="work_orders_place",
        summary="Place an order in a window with a crew, or move it",
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=PlaceIn,
        responses={200: OrderOut},
        examples=[OpenApiExample("place", request_only=True, value=_PLACE)],
    )
    def post(self, request: Request, order_id: int) -> Response:
        def effect() -> Response:
            shape = PlaceIn(data=request.data)
            shape.is_valid(raise_exception=True)
            given, version = dict(shape.validated_data), version_from(request)
            order = place(
                order_id,
                given.pop("window"),
                given.pop("crew"),
                **given,
                version=version,
                actor=request.user,
                at=self.now,
            )
            card = order_card(order.pk, request.user)
            return Response(card, headers=etag_headers(card))

        return idempotent(request, effect)


class CheckPlace(Endpoint):
    @extend_schema(
        operation_id="work_orders_check_place",
        summary="What placing would do, without doing it",
        request=PlaceIn,
        responses={200: PlacementOut},
        examples=[OpenApiExample("place", request_only=True, value=_PLACE)],
    )
    def post(self, request: Request, order_id: int) -> Response:
        shape = PlaceIn(data=request.data)
        shape.is_valid(raise_exception=True)
        given = dict(shape.validated_data)
        found = check_place(
            order_id,
            given["window"],
            given["crew"],
            actor=request.user,
            hours=given.get("hours"),
            not_before=given.get("not_before"),
        )
        body = {
            "fits": found.fits,
            "days": {day.isoformat(): hours for day, hours in found.days.items()},
            "refusals": [_reason(reason) for reason in found.refusals],
            "warnings": [_reason(reason) for reason in found.warnings],
        }
        return Response(body)


def _reason(reason: Any) -> dict[str, str]:
    return {"code": reason.code, "words": reason.words, "remedy": reason.remedy}


class UnplaceOrder(Endpoint):
    @extend_schema(
        operation_id="work_orders_unplace",
        summary="Take an order out of its window",
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=UnplaceIn,
        responses={200: OrderOut},
        examples=[OpenApiExample("unplace", request_only=True, value={"why": "Kit is late."})],
    )
    def post(self, request: Request, order_id: int) -> Response:
        def effect() -> Response:
            shape = UnplaceIn(data=request.data)
            shape.is_valid(raise_exception=True)
            version = version_from(request)
            order = unplace(
                order_id,
                **shape.validated_data,
                version=version,
                actor=request.user,
                at=self.now,
            )
            card = order_card(order.pk, request.user)
            return Response(card, headers=etag_headers(card))

        return idempotent(request, effect)


_ORDER = "api/v1/work-orders/<int:order_id>"

urls = [
    path("api/v1/windows", Windows.as_view(), name="api-windows"),
    path("api/v1/crews", Crews.as_view(), name="api-crews"),
    path(f"{_ORDER}/place", PlaceOrder.as_view(), name="api-work-order-place"),
    path(f"{_ORDER}/check-place", CheckPlace.as_view(), name="api-work-order-check-place"),
    path(f"{_ORDER}/unplace", UnplaceOrder.as_view(), name="api-work-order-unplace"),
]
