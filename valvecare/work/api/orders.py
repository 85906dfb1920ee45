"""The lists and the single order."""

import hashlib
from typing import Any

import msgspec
from django.http import HttpResponse
from django.urls import reverse
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.web.concurrency import etag_headers
from valvecare.web.filters import refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.views import Endpoint
from valvecare.work.actions.raise_work_order import raise_work_order
from valvecare.work.api.answers import JobPage, OrderOut
from valvecare.work.api.shapes import JobQuery, RaiseOrder
from valvecare.work.reads import JobFilter, due_jobs, job_row, order_card

IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key",
    str,
    OpenApiParameter.HEADER,
    description="A key of your own making; the same key repeats the first answer.",
)
IF_MATCH = OpenApiParameter(
    "If-Match",
    str,
    OpenApiParameter.HEADER,
    required=True,
    description="The ETag you read.",
    examples=[OpenApiExample("version 3", value='"3"')],
)
_PAGING = [
    OpenApiParameter("cursor", str, description="From the Link header or `next`; opaque."),
    OpenApiParameter("page_size", int, description="1 to 200; 100 when absent."),
]
_ROW: dict[str, Any] = {
    "id": 123,
    "number": "WO-000123",
    "url": "/api/v1/work-orders/123",
    "version": 1,
    "site": "NH",
    "group": "NH-FW",
    "pump": "NH-FW-3P",
    "valve": {"id": 8, "tag": "NH-FW-3V"},
    "kind": "strip-down",
    "state": "raised",
    "due_on": "2025-06-22",
    "share_used": 1.43,
    "governed_by": "calendar",
    "why": "Calendar, 1.43 of the 24-month limit since the strip-down of 22 Jun 2023.",
    "window": None,
    "updated_at": "2026-05-04T12:00:00Z",
}


def list_url() -> str:
    return reverse("valvecare:api-work-orders")


def _list(request: Request, *, ended_too: bool) -> HttpResponse:
    shape = JobQuery(data=request.query_params)
    refuse_unknown(request, shape.fields)
    shape.is_valid(raise_exception=True)
    wanted = JobFilter(**shape.validated_data)
    order = ("due_on", "id") if wanted.updated_since is None else ("updated_at", "id")
    rows = due_jobs(request.user, wanted, ended_too=ended_too)
    page = keyset_page(rows, request, order=order)
    url = list_url()
    body = msgspec.json.encode(
        {"results": [job_row(row, url=url) for row in page.rows], "next": page.next_url}
    )
    etag = f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'
    headers = {"ETag": etag, "Cache-Control": "private, no-cache", **page.headers}
    if etag in (part.strip() for part in request.headers.get("If-None-Match", "").split(",")):
        return HttpResponse(status=304, headers=headers)
    return HttpResponse(body, content_type="application/json", headers=headers)


class DueJobs(Endpoint):
    """Open orders in the order of their due date, for plant systems."""

    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="due_jobs_list",
        summary="Pull due jobs",
        description="Open orders by due date. Poll with If-None-Match (304 when nothing changed) "
        "or with `updated_since`, which lists by time of change and includes orders that have "
        "ended since, so that you can take them off your list. Ask again from a little before "
        "the last `updated_at` you saw.",
        parameters=[
            JobQuery,
            *_PAGING,
            OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER),
        ],
        responses={
            200: JobPage,
            304: None,
        },
        examples=[OpenApiExample("one job", value={"results": [_ROW], "next": None})],
    )
    def get(self, request: Request) -> HttpResponse:
        return _list(request, ended_too=False)


class WorkOrders(Endpoint):
    """All orders; raise one."""

    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="work_orders_list",
        summary="List orders, ended ones included",
        parameters=[
            JobQuery,
            *_PAGING,
            OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER),
        ],
        responses={200: JobPage, 304: None},
        examples=[OpenApiExample("one order", value={"results": [_ROW], "next": None})],
    )
    def get(self, request: Request) -> HttpResponse:
        return _list(request, ended_too=True)

    @extend_schema(
        operation_id="work_orders_raise",
        summary="Raise an order",
        parameters=[IDEMPOTENCY_KEY],
        request=RaiseOrder,
        responses={201: OrderOut},
        examples=[
            OpenApiExample(
                "a corrective order",
                request_only=True,
                value={
                    "valve": 8,
                    "kind": "corrective",
                    "why": "The bypass line stays cold at no flow.",
                    "due_on": "2026-05-05",
                },
            )
        ],
    )
    def post(self, request: Request) -> Response:
        def effect() -> Response:
            shape = RaiseOrder(data=request.data)
            shape.is_valid(raise_exception=True)
            given = dict(shape.validated_data)
            order = raise_work_order(given.pop("valve"), **given, actor=request.user, at=self.now)
            headers = {**etag_headers(order), "Location": f"{list_url()}/{order.pk}"}
            return Response(order_card(order.pk, request.user), status=201, headers=headers)

        return idempotent(request, effect)


class WorkOrderDetail(Endpoint):
    """One order."""

    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="work_orders_retrieve",
        summary="One order with its facts",
        description="The ETag is the version to send as If-Match with every verb.",
        responses={200: OrderOut},
    )
    def get(self, request: Request, order_id: int) -> Response:
        card = order_card(order_id, request.user)
        return Response(card, headers=etag_headers(card))
