"""Gauges of a site: the list, and adding one."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.filters import refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.shapes import Closed, Number, Text
from valvecare.web.views import Endpoint
from valvecare.work.actions.gauges import (
    add_gauge,
    bring_back_gauge,
    change_gauge,
    retire_gauge,
)
from valvecare.work.api.orders import IDEMPOTENCY_KEY, IF_MATCH
from valvecare.work.api.shapes import Word
from valvecare.work.models import Gauge
from valvecare.work.rules import GaugeKind

_PAGING = [OpenApiParameter("cursor", str), OpenApiParameter("page_size", int)]


class GaugeQuery(serializers.Serializer):
    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")


class GaugeIn(Closed):
    site = Text(max_length=12, help_text="Code of the site.")
    code = Text(max_length=24, help_text="The number on its label.")
    kind = Word(GaugeKind)
    range_low = Number(min_value=-1e6, max_value=1e6)
    range_high = Number(min_value=-1e6, max_value=1e6)
    unit = Text(max_length=12)
    step = Number(min_value=1e-6, max_value=1e6)
    calibrated_until = serializers.DateField(help_text="Last day, at the site.")
    uncertainty = Number(
        required=False,
        allow_null=True,
        default=None,
        min_value=0,
        max_value=1e6,
        help_text="Expanded (k = 2), from its certificate, in its unit; null: not known.",
    )
    uncertainty_share = Number(
        required=False,
        allow_null=True,
        default=None,
        min_value=0,
        max_value=1,
        help_text="The same as a share of the reading.",
    )
    note = Text(required=False, allow_blank=True, default="", max_length=200)


class GaugeChange(Closed):
    range_low = Number(required=False, min_value=-1e6, max_value=1e6)
    range_high = Number(required=False, min_value=-1e6, max_value=1e6)
    step = Number(required=False, min_value=1e-6, max_value=1e6)
    calibrated_until = serializers.DateField(required=False, help_text="Last day, at the site.")
    uncertainty = Number(required=False, allow_null=True, min_value=0, max_value=1e6)
    uncertainty_share = Number(required=False, allow_null=True, min_value=0, max_value=1)
    note = Text(required=False, allow_blank=True, max_length=200)


class GaugeReason(Closed):
    reason = Text(max_length=300, allow_blank=True)


class GaugeOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    code = serializers.CharField()
    kind = serializers.ChoiceField(choices=[(kind.value, kind.value) for kind in GaugeKind])
    range_low = serializers.FloatField()
    range_high = serializers.FloatField()
    unit = serializers.CharField()
    step = serializers.FloatField()
    calibrated_until = serializers.DateField()
    uncertainty = serializers.FloatField(allow_null=True)
    uncertainty_share = serializers.FloatField(allow_null=True)
    note = serializers.CharField()
    retired_at = serializers.DateTimeField(allow_null=True)


class GaugePage(serializers.Serializer):
    results = GaugeOut(many=True)
    next = serializers.CharField(allow_null=True)


def _gauge(gauge: Gauge) -> dict[str, Any]:
    return {
        "id": gauge.pk,
        "version": gauge.version,
        "site": gauge.site.code,
        "code": gauge.code,
        "kind": gauge.kind,
        "range_low": gauge.range_low,
        "range_high": gauge.range_high,
        "unit": gauge.unit,
        "step": gauge.step,
        "calibrated_until": gauge.calibrated_until,
        "uncertainty": gauge.uncertainty,
        "uncertainty_share": gauge.uncertainty_share,
        "note": gauge.note,
        "retired_at": gauge.retired_at,
    }


class Gauges(Endpoint):
    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="gauges_list",
        summary="List gauges",
        parameters=[GaugeQuery, *_PAGING],
        responses={200: GaugePage},
    )
    def get(self, request: Request) -> Response:
        shape = GaugeQuery(data=request.query_params)
        refuse_unknown(request, shape.fields)
        shape.is_valid(raise_exception=True)
        rows = Gauge.objects.for_user(request.user).select_related("site")
        if "site" in shape.validated_data:
            rows = rows.filter(site__code=shape.validated_data["site"])
        page = keyset_page(rows, request, order=("code", "id"))
        body = {"results": [_gauge(row) for row in page.rows], "next": page.next_url}
        return Response(body, headers=page.headers)

    @extend_schema(
        operation_id="gauges_add",
        summary="Add a gauge",
        parameters=[IDEMPOTENCY_KEY],
        request=GaugeIn,
        responses={201: GaugeOut},
        examples=[
            OpenApiExample(
                "a torque wrench",
                request_only=True,
                value={
                    "site": "NH",
                    "code": "TW-08",
                    "kind": "torque wrench",
                    "range_low": 40,
                    "range_high": 400,
                    "unit": "N m",
                    "step": 5,
                    "calibrated_until": "2027-01-31",
                },
            )
        ],
    )
    def post(self, request: Request) -> Response:
        def effect() -> Response:
            shape = GaugeIn(data=request.data)
            shape.is_valid(raise_exception=True)
            given = dict(shape.validated_data)
            gauge = add_gauge(
                given.pop("site"), given.pop("code"), **given, actor=request.user, at=self.now
            )
            return Response(_gauge(gauge), status=201, headers=etag_headers(gauge))

        return idempotent(request, effect)


class GaugeOne(Endpoint):
    @extend_schema(
        operation_id="gauges_change",
        summary="Change a gauge, for example after its calibration",
        parameters=[IF_MATCH],
        request=GaugeChange,
        responses={200: GaugeOut},
        examples=[
            OpenApiExample(
                "calibrated", request_only=True, value={"calibrated_until": "2027-04-30"}
            )
        ],
    )
    def patch(self, request: Request, gauge_id: int) -> Response:
        shape = GaugeChange(data=request.data)
        shape.is_valid(raise_exception=True)
        gauge = change_gauge(
            gauge_id,
            shape.validated_data,
            version=version_from(request),
            actor=request.user,
            at=self.now,
        )
        return Response(_gauge(gauge), headers=etag_headers(gauge))


def _with_reason(operation: str, summary: str, act: Any) -> type[Endpoint]:
    @extend_schema(
        operation_id=operation,
        summary=summary,
        parameters=[IF_MATCH],
        request=GaugeReason,
        responses={200: GaugeOut},
        examples=[OpenApiExample("reason", request_only=True, value={"reason": "dropped"})],
    )
    def post(self: Endpoint, request: Request, gauge_id: int) -> Response:
        shape = GaugeReason(data=request.data)
        shape.is_valid(raise_exception=True)
        gauge = act(
            gauge_id,
            version=version_from(request),
            actor=request.user,
            at=self.now,
            **shape.validated_data,
        )
        return Response(_gauge(gauge), headers=etag_headers(gauge))

    return type(operation, (Endpoint,), {"post": post, "__doc__": f"{summary}."})


GaugeRetire = _with_reason("gauges_retire", "Take a gauge out of service", retire_gauge)
GaugeBringBack = _with_reason("gauges_bring_back", "Bring a gauge back", bring_back_gauge)
