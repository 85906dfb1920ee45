"""The endpoints of one kind of register record: list, read, add, change, retire, bring back."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import URLPattern, path, reverse
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.register.actions import (
    add_record,
    bring_back_record,
    change_record,
    retire_record,
)
from valvecare.register.actions.records import seen_by
from valvecare.register.api.shapes import ReasonIn, page_of
from valvecare.register.rules import Scope
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.filters import filtered, parameters_of, refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.views import Endpoint

READ = {"GET": [Scope.REGISTER_READ.value]}
IF_MATCH = OpenApiParameter(
    "If-Match", str, "header", required=True, description="The ETag you read; 428 without it."
)
IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key", str, "header", description="Your own key; a repeat gets the first answer."
)


@dataclass(frozen=True)
class Kind:
    """One kind of record and its shapes. `change` is the action that changes one."""

    word: str
    plural: str
    model: Any
    out: type[serializers.Serializer]
    new: type[serializers.Serializer]
    change_in: type[serializers.Serializer]
    filters: type[filters.FilterSet]
    example: dict[str, Any]
    order: tuple[str, ...]
    related: tuple[str, ...] = ()
    prefetch: tuple[str, ...] = ()
    change: Callable[..., Any] | None = None

    @property
    def operation(self) -> str:
        return self.word.replace("-", "_")

    def rows(self, user: Any) -> Any:
        found = seen_by(self.model, user).select_related(*self.related)
        return found.prefetch_related(*self.prefetch)

    def row(self, user: Any, pk: int) -> Any:
        row = self.rows(user).filter(pk=pk).first()
        if row is None:
            raise NotFound(f"There is no such {self.model._meta.verbose_name} for you.")
        return row

    def answer(self, request: Request, pk: int, status: int = 200) -> Response:
        row = self.row(request.user, pk)
        headers = etag_headers(row)
        if status == 201:
            url = reverse(
                f"valvecare:api-{self.word}",
                args=[pk],
                current_app=request.resolver_match.namespace,  # type: ignore[union-attr]
            )
            headers["Location"] = request.build_absolute_uri(url)
        shape = self.out(row, context={"request": request})
        return Response(shape.data, status=status, headers=headers)


def shaped(shape: type[serializers.Serializer], request: Request, **more: Any) -> dict[str, Any]:
    """The validated body; raises 400 with a pointer per field."""
    given = shape(data=request.data, context={"request": request}, **more)
    given.is_valid(raise_exception=True)
    return dict(given.validated_data)


def listed(
    request: Request, rows: Any, filterset: Any, shape: Any, order: tuple[str, ...]
) -> Response:
    """One page of a filtered list."""
    page = keyset_page(filtered(request, rows, filterset), request, order=order)
    results = shape(page.rows, many=True, context={"request": request}).data
    return Response({"results": results, "next": page.next_url}, headers=page.headers)


def _change(kind: Kind, pk: int, body: dict[str, Any], **who: Any) -> None:
    if kind.change is not None:
        kind.change(pk, body, **who)
    else:
        reason = body.pop("reason", "")
        change_record(kind.model, pk, body, reason=reason, **who)


def endpoints(kind: Kind) -> list[URLPattern]:
    """The URL patterns of one kind, each operation named and shown with an example."""
    name, plural = kind.operation, kind.plural.replace("-", "_")
    title = str(kind.model._meta.verbose_name)
    many = str(kind.model._meta.verbose_name_plural)
    in_example = OpenApiExample(f"{title} (invented)", kind.example, request_only=True)
    change_name = str(next(iter(kind.change_in().fields)))
    change_example = OpenApiExample(
        f"change of a {title} (invented)",
        {change_name: kind.example.get(change_name), "reason": "read from the plate"},
        request_only=True,
    )
    reason_example = OpenApiExample("reason", {"reason": "scrapped"}, request_only=True)

    class RecordList(Endpoint):
        required_scopes = READ

        @extend_schema(
            operation_id=f"{plural}_list",
            summary=f"List the {many} you can see",
            tags=["register"],
            parameters=parameters_of(kind.filters),
            responses=page_of(kind.out, kind.out.__name__),
        )
        def get(self, request: Request) -> Response:
            return listed(request, kind.rows(request.user), kind.filters, kind.out, kind.order)

        @extend_schema(
            operation_id=f"{name}_add",
            summary=f"Add a {title}",
            tags=["register"],
            parameters=[IDEMPOTENCY_KEY],
            request=kind.new,
            responses={201: kind.out},
            examples=[in_example],
        )
        def post(self, request: Request) -> Response:
            return idempotent(request, lambda: self.add(request, self.now))

        def add(self, request: Request, at: datetime) -> Response:
            body = shaped(kind.new, request)
            reason = body.pop("reason", "")
            row = add_record(kind.model(**body), actor=request.user, at=at, reason=reason)
            return kind.answer(request, row.pk, 201)

    class RecordOne(Endpoint):
        required_scopes = READ

        @extend_schema(
            operation_id=f"{name}_read",
            summary=f"Read one {title}",
            tags=["register"],
            responses=kind.out,
        )
        def get(self, request: Request, pk: int) -> Response:
            refuse_unknown(request, ())
            return kind.answer(request, pk)

        @extend_schema(
            operation_id=f"{name}_change",
            summary=f"Change a {title}",
            tags=["register"],
            parameters=[IF_MATCH],
            request=kind.change_in,
            responses=kind.out,
            examples=[change_example],
        )
        def patch(self, request: Request, pk: int) -> Response:
            kind.row(request.user, pk)
            version = version_from(request)
            body = shaped(kind.change_in, request, partial=True)
            _change(kind, pk, body, version=version, actor=request.user, at=self.now)
            return kind.answer(request, pk)

    class RecordRetire(Endpoint):
        act = staticmethod(retire_record)

        @extend_schema(
            operation_id=f"{name}_retire",
            summary=f"Retire a {title}; nothing is deleted",
            tags=["register"],
            parameters=[IF_MATCH],
            request=ReasonIn,
            responses=kind.out,
            examples=[reason_example],
        )
        def post(self, request: Request, pk: int) -> Response:
            return self.do(request, pk)

        def do(self, request: Request, pk: int) -> Response:
            kind.row(request.user, pk)
            version = version_from(request)
            body = shaped(ReasonIn, request)
            self.act(kind.model, pk, version=version, actor=request.user, at=self.now, **body)
            return kind.answer(request, pk)

    class RecordBringBack(RecordRetire):
        act = staticmethod(bring_back_record)

        @extend_schema(
            operation_id=f"{name}_bring_back",
            summary=f"Bring a retired {title} back",
            tags=["register"],
            parameters=[IF_MATCH],
            request=ReasonIn,
            responses=kind.out,
            examples=[reason_example],
        )
        def post(self, request: Request, pk: int) -> Response:
            return self.do(request, pk)

    at = f"api/v1/{kind.plural}"
    word = kind.word
    plural_name = f"api-{kind.plural}"
    return [
        path(at, RecordList.as_view(), name=plural_name),
        path(f"{at}/<int:pk>", RecordOne.as_view(), name=f"api-{word}"),
        path(f"{at}/<int:pk>/retire", RecordRetire.as_view(), name=f"api-{word}-retire"),
        path(f"{at}/<int:pk>/bring-back", RecordBringBack.as_view(), name=f"api-{word}-bring-back"),
    ]
