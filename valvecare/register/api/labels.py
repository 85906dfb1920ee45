"""Labels over the API: which code is on which valve, make one, retire one."""

from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django.urls import path, reverse
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.register.actions import make_label, retire_label
from valvecare.register.api.records import IDEMPOTENCY_KEY, IF_MATCH, READ, listed, shaped
from valvecare.register.api.shapes import page_of
from valvecare.register.models import Label
from valvecare.register.rules import LabelKind, choices
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.filters import IdFilter, parameters_of
from valvecare.web.idempotency import idempotent
from valvecare.web.shapes import Closed, Text, Whole
from valvecare.web.views import Endpoint


class LabelFilters(filters.FilterSet):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    kind = filters.ChoiceFilter(choices=choices(LabelKind), help_text="What it is fixed to.")
    valve = IdFilter(method="of_valve", help_text="Id of the protection valve.")
    code = filters.CharFilter(help_text="Exact code, upper case.")
    live = filters.BooleanFilter(
        "retired_at", "isnull", help_text="true: not retired; false: retired."
    )

    def of_valve(self, rows: "QuerySet[Any]", name: str, value: int) -> "QuerySet[Any]":
        return rows.filter(kind=LabelKind.VALVE.value, target_id=value)


class LabelOut(serializers.Serializer):
    """A plate. `url` is the plain address that the square holds."""

    id = serializers.IntegerField()
    version = serializers.IntegerField()
    code = serializers.CharField()
    url = serializers.SerializerMethodField()
    site = serializers.CharField(source="site.code")
    kind = serializers.ChoiceField(choices=choices(LabelKind))
    target_id = serializers.IntegerField(help_text="Id of the valve, pump, bin or kit.")
    made_at = serializers.DateTimeField()
    retired_at = serializers.DateTimeField(allow_null=True)
    retired_why = serializers.CharField()

    @extend_schema_field(serializers.CharField())
    def get_url(self, row: Label) -> str:
        request = self.context["request"]
        space = request.resolver_match.namespace
        at = reverse("valvecare:label", args=[row.code], current_app=space)
        return str(request.build_absolute_uri(at))


class NewLabel(Closed):
    kind = serializers.ChoiceField(choices=choices(LabelKind))
    target_id = Whole(min_value=1, max_value=2**53)


class LabelRetireIn(Closed):
    reason = Text(max_length=300)


def _row(request: Request, pk: int) -> Label:
    row = Label.objects.for_user(request.user).select_related("site").filter(pk=pk).first()
    if row is None:
        raise NotFound("There is no such label for you.")
    return row


def _answer(request: Request, pk: int, status: int = 200) -> Response:
    row = _row(request, pk)
    shape = LabelOut(row, context={"request": request})
    return Response(shape.data, status=status, headers=etag_headers(row))


class LabelList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="labels_list",
        summary="List the labels you can see, retired ones too",
        tags=["register"],
        parameters=parameters_of(LabelFilters),
        responses=page_of(LabelOut, "Label"),
    )
    def get(self, request: Request) -> Response:
        rows = Label.objects.for_user(request.user).select_related("site")
        return listed(request, rows, LabelFilters, LabelOut, ("id",))

    @extend_schema(
        operation_id="label_make",
        summary="Make the label of a valve, pump, bin or kit",
        tags=["register"],
        parameters=[IDEMPOTENCY_KEY],
        request=NewLabel,
        responses={201: LabelOut},
        examples=[
            OpenApiExample("label (invented)", {"kind": "valve", "target_id": 3}, request_only=True)
        ],
    )
    def post(self, request: Request) -> Response:
        return idempotent(request, lambda: self.make(request, self.now))

    def make(self, request: Request, at: datetime) -> Response:
        body = shaped(NewLabel, request)
        kind = LabelKind(body["kind"])
        row = make_label(kind, body["target_id"], actor=request.user, at=at)
        return _answer(request, row.pk, 201)


class LabelRetire(Endpoint):
    @extend_schema(
        operation_id="label_retire",
        summary="Retire a label: a scan of it is refused from then on",
        tags=["register"],
        parameters=[IF_MATCH],
        request=LabelRetireIn,
        responses=LabelOut,
        examples=[OpenApiExample("lost", {"reason": "plate lost"}, request_only=True)],
    )
    def post(self, request: Request, pk: int) -> Response:
        _row(request, pk)
        version = version_from(request)
        body = shaped(LabelRetireIn, request)
        retire_label(pk, version=version, actor=request.user, at=self.now, **body)
        return _answer(request, pk)


urls = [
    path("api/v1/labels", LabelList.as_view(), name="api-labels"),
    path("api/v1/labels/<int:pk>/retire", LabelRetire.as_view(), name="api-label-retire"),
]
