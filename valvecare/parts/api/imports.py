"""Import and export of the store's sheets over HTTP."""

from typing import Any

from django.http import HttpResponse
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.permits import require_anywhere
from valvecare.parts.actions.import_columns import COLUMNS, rows_of
from valvecare.parts.actions.import_parts import import_parts
from valvecare.parts.api.shapes import words_of
from valvecare.parts.rules import PartsSheet
from valvecare.register.actions.export_register import template, xlsx_of
from valvecare.register.api.sheets import XLSX, ImportOut, as_download, refuse_large
from valvecare.register.rules import Scope
from valvecare.web.idempotency import idempotent
from valvecare.web.views import Endpoint

BOOK = {(200, XLSX): OpenApiResponse(OpenApiTypes.BINARY)}


class PartsImportIn(serializers.Serializer):
    file = serializers.FileField(help_text="CSV or XLSX, see the storekeeper's guide.")
    kind = serializers.ChoiceField(choices=words_of(PartsSheet), required=False)
    locale = serializers.CharField(required=False, default="en", help_text="Decimal mark.")
    dry_run = serializers.BooleanField(required=False, default=False)
    good_rows_only = serializers.BooleanField(required=False, default=False)
    reason = serializers.CharField(required=False, default="", allow_blank=True, max_length=300)
    confirm = serializers.CharField(required=False, default="")


class PartsImport(Endpoint):
    """For people: a machine token cannot import."""

    parser_classes = (MultiPartParser,)

    @extend_schema(
        operation_id="parts_import",
        summary="Import part numbers, kits, stores, bins and lots from a file",
        description="As the import of the register. A lot in the ledger already is compared only.",
        tags=["parts"],
        request={"multipart/form-data": PartsImportIn},
        responses=ImportOut,
    )
    def post(self, request: Request) -> Response:
        refuse_large(request)
        return idempotent(request, lambda: self.run(request))

    def run(self, request: Request) -> Response:
        given = PartsImportIn(data=request.data)
        given.is_valid(raise_exception=True)
        body = dict(given.validated_data)
        file = body.pop("file")
        result = import_parts(file.read(), file.name, actor=request.user, at=self.now, **body)
        return Response(ImportOut(result).data)


class PartsExport(Endpoint):
    required_scopes = (Scope.PARTS_READ,)

    @extend_schema(
        operation_id="parts_export",
        summary="Export catalogue, places and stock you can see as XLSX",
        tags=["parts"],
        responses=BOOK,
    )
    def get(self, request: Request) -> Any:
        require_anywhere(request.user, "view_parts")
        rows = {kind: rows_of(kind, request.user) for kind in PartsSheet}
        return as_download(HttpResponse(xlsx_of(rows, COLUMNS), content_type=XLSX), "parts.xlsx")


class PartsTemplate(Endpoint):
    required_scopes = (Scope.PARTS_READ,)

    @extend_schema(
        operation_id="parts_template",
        summary="An empty file for the import, with notes for every column",
        tags=["parts"],
        responses=BOOK,
    )
    def get(self, request: Request) -> Any:
        file = HttpResponse(template(COLUMNS), content_type=XLSX)
        return as_download(file, "parts-template.xlsx")


urls = [
    path("api/v1/parts/imports", PartsImport.as_view(), name="api-parts-import"),
    path("api/v1/parts/exports/all.xlsx", PartsExport.as_view(), name="api-parts-export"),
    path("api/v1/parts/exports/template.xlsx", PartsTemplate.as_view(), name="api-parts-template"),
]
