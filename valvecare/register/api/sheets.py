"""Import and export of the register over HTTP."""

from typing import Any

from django.http import HttpResponse, StreamingHttpResponse
from django.urls import path
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiExample,
    OpenApiResponse,
    extend_schema,
    extend_schema_field,
)
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.register.actions.export_register import csv_lines, rows_of, template, xlsx_of
from valvecare.register.actions.import_register import import_register
from valvecare.register.actions.import_sheets import MAX_FILE_BYTES
from valvecare.register.api.kinds import DESIGNS, GROUPS, PUMPS, SITES, VALVES
from valvecare.register.api.records import READ
from valvecare.register.rules import SheetKind as Kind
from valvecare.web.filters import filtered, parameters_of, refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.problems import PayloadTooLarge
from valvecare.web.views import Endpoint

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
SHOWN = 200
"""Rows of the preview that are sent; the counts are always of all rows."""


class ImportIn(serializers.Serializer):
    file = serializers.FileField(help_text="CSV or XLSX, see the register's documentation.")
    kind = serializers.ChoiceField(
        choices=[(kind.value, kind.value) for kind in Kind],
        required=False,
        help_text="What a CSV file holds, when its name does not say so.",
    )
    locale = serializers.CharField(required=False, default="en", help_text="Decimal mark.")
    dry_run = serializers.BooleanField(required=False, default=False)
    good_rows_only = serializers.BooleanField(required=False, default=False)
    correction = serializers.BooleanField(required=False, default=False)
    reason = serializers.CharField(required=False, default="", allow_blank=True, max_length=500)
    confirm = serializers.CharField(
        required=False, default="", help_text="Fingerprint of the dry run that was looked at."
    )


class ImportErrorOut(serializers.Serializer):
    sheet = serializers.CharField()
    row = serializers.IntegerField()
    column = serializers.CharField()
    value = serializers.CharField()
    sentence = serializers.CharField(source="__str__")


class ImportCountOut(serializers.Serializer):
    kind = serializers.CharField()
    rows = serializers.IntegerField()
    added = serializers.IntegerField()
    changed = serializers.IntegerField()
    unchanged = serializers.IntegerField()
    refused = serializers.IntegerField()


class ImportChangeOut(serializers.Serializer):
    sheet = serializers.CharField()
    row = serializers.IntegerField()
    name = serializers.CharField()
    is_new = serializers.BooleanField()
    changes = serializers.ListField(
        child=serializers.ListField(child=serializers.CharField()),
        help_text="Field, before, after.",
    )


class ImportOut(serializers.Serializer):
    is_dry_run = serializers.BooleanField()
    was_written = serializers.BooleanField()
    fingerprint = serializers.CharField(help_text="Send it as `confirm` to get just this plan.")
    counts = ImportCountOut(many=True)
    errors_found = ImportErrorOut(source="errors", many=True)
    changes = serializers.SerializerMethodField(help_text=f"The first {SHOWN} rows.")

    @extend_schema_field(ImportChangeOut(many=True))
    def get_changes(self, result: Any) -> Any:
        return ImportChangeOut(result.changes[:SHOWN], many=True).data


def refuse_large(request: Request) -> None:
    """Say no by the announced length, before anything is read."""
    length = request.headers.get("Content-Length", "0")
    if length.isdigit() and int(length) > MAX_FILE_BYTES + 100_000:
        raise PayloadTooLarge(f"A file of at most {MAX_FILE_BYTES // 1_000_000} MB is read.")


class ImportRegister(Endpoint):
    """For people: a machine token cannot import."""

    parser_classes = (MultiPartParser,)

    @extend_schema(
        operation_id="register_import",
        summary="Import sites, groups, designs, pumps, curve points and valves from a file",
        description="All errors are found in one go. With errors nothing is written, unless "
        "`good_rows_only`. A file that cannot be read at all is a 409 with its reason.",
        tags=["register"],
        request={"multipart/form-data": ImportIn},
        responses=ImportOut,
        examples=[
            OpenApiExample(
                "a refused row (invented)",
                {
                    "is_dry_run": True,
                    "was_written": False,
                    "fingerprint": "b5a0c1…",
                    "counts": [
                        {
                            "kind": "valves",
                            "rows": 1,
                            "added": 0,
                            "changed": 0,
                            "unchanged": 0,
                            "refused": 1,
                        }
                    ],
                    "errors_found": [
                        {
                            "sheet": "valves",
                            "row": 2,
                            "column": "serial",
                            "value": "",
                            "sentence": "Sheet valves, row 2, column serial: is blank: write the "
                            "value, or the words 'not known'.",
                        }
                    ],
                    "changes": [],
                },
                response_only=True,
            )
        ],
    )
    def post(self, request: Request) -> Response:
        refuse_large(request)
        return idempotent(request, lambda: self.run(request))

    def run(self, request: Request) -> Response:
        given = ImportIn(data=request.data)
        given.is_valid(raise_exception=True)
        body = dict(given.validated_data)
        file = body.pop("file")
        result = import_register(file.read(), file.name, actor=request.user, at=self.now, **body)
        return Response(ImportOut(result).data)


def as_download(answer: Any, name: str) -> Any:
    """The answer as a file to keep."""
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


FILTERS = {
    "sites": (Kind.SITES, SITES.filters),
    "groups": (Kind.GROUPS, GROUPS.filters),
    "valve-designs": (Kind.DESIGNS, DESIGNS.filters),
    "pumps": (Kind.PUMPS, PUMPS.filters),
    "valves": (Kind.VALVES, VALVES.filters),
}


def _of_kind(slug: str, made: str) -> Any:
    kind, filterset = FILTERS[slug]
    name = slug.replace("-", "_")

    class Export(Endpoint):
        required_scopes = READ

        @extend_schema(
            operation_id=f"{name}_export_{made}",
            summary=f"Export the {slug.replace('-', ' ')} you can see as {made.upper()}",
            description="The same filters as the list; the columns that the import reads.",
            tags=["register"],
            parameters=parameters_of(filterset, paged=False),
            responses={
                (200, "text/csv" if made == "csv" else XLSX): OpenApiResponse(
                    OpenApiTypes.STR if made == "csv" else OpenApiTypes.BINARY
                )
            },
        )
        def get(self, request: Request) -> Any:
            rows = filtered(request, rows_of(kind, request.user), filterset)
            if made == "csv":
                lines = csv_lines(kind, rows)
                answer: Any = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
            else:
                answer = HttpResponse(xlsx_of({kind: rows}), content_type=XLSX)
            return as_download(answer, f"{kind.value}.{made}")

    return path(
        f"api/v1/register/exports/{slug}.{made}",
        Export.as_view(),
        name=f"api-export-{slug}-{made}",
    )


class SiteChoice(filters.FilterSet):
    site = filters.CharFilter(help_text="Code of a site; left out: all of yours.")


class ExportAll(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="register_export",
        summary="Export the whole register you can see, or that of one site, as XLSX",
        tags=["register"],
        parameters=parameters_of(SiteChoice, paged=False),
        responses={(200, XLSX): OpenApiTypes.BINARY},
    )
    def get(self, request: Request) -> Any:
        rows = {kind: rows_of(kind, request.user) for kind in Kind}
        refuse_unknown(request, SiteChoice.base_filters)
        code = request.query_params.get("site")
        if code is not None:
            if not rows[Kind.SITES].filter(code=code).exists():
                raise NotFound("There is no such site for you.")
            rows = {kind: found.filter(**_at(kind, code)) for kind, found in rows.items()}
        return as_download(HttpResponse(xlsx_of(rows), content_type=XLSX), "register.xlsx")


def _at(kind: Kind, code: str) -> dict[str, str]:
    lookups = {
        Kind.SITES: "code",
        Kind.GROUPS: "site__code",
        Kind.PUMPS: "group__site__code",
        Kind.CURVE_POINTS: "pump__group__site__code",
        Kind.VALVES: "pump__group__site__code",
    }
    return {lookups[kind]: code} if kind in lookups else {}


class Template(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="register_template",
        summary="An empty file for the import, with notes for every column",
        tags=["register"],
        responses={(200, XLSX): OpenApiTypes.BINARY},
    )
    def get(self, request: Request) -> Any:
        return as_download(HttpResponse(template(), content_type=XLSX), "register-template.xlsx")


urls = [
    path("api/v1/register/imports", ImportRegister.as_view(), name="api-register-import"),
    path("api/v1/register/exports/all.xlsx", ExportAll.as_view(), name="api-register-export"),
    path("api/v1/register/exports/template.xlsx", Template.as_view(), name="api-template"),
    *(_of_kind(slug, made) for slug in FILTERS for made in ("csv", "xlsx")),
]
