"""REST: the list of computations, what each takes, and running one. One path per computation."""

from collections.abc import Mapping
from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiExample, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.engineering.catalogue import CATALOGUE, Computation, calculate
from valvecare.engineering.catalogue.schema import answer_schema, describe, request_schema
from valvecare.web.filters import refuse_unknown
from valvecare.web.views import Endpoint

_SCOPES = {"GET": ["calculations:run"], "POST": ["calculations:run"]}


class CalculationInput(serializers.Serializer):
    name = serializers.CharField(help_text="Name in the request; it says the unit.")
    label = serializers.CharField()  # type: ignore[assignment]
    kind = serializers.CharField(help_text="number, whole number, choice, table, …")
    unit = serializers.CharField(help_text="Unit of a plain number.")
    other_units = serializers.ListField(
        child=serializers.CharField(), help_text="Units that may be said as {value, unit}."
    )
    allowed = serializers.CharField(help_text="Allowed range, in the unit.")
    required = serializers.BooleanField()  # type: ignore[assignment]
    if_absent = serializers.CharField(help_text="What the answer is without it.")
    choices = serializers.ListField(child=serializers.CharField())
    columns = serializers.ListField(
        child=serializers.DictField(), help_text="Columns of a table, described like inputs."
    )
    help = serializers.CharField()
    example = serializers.JSONField(help_text="null: none.")


class CalculationOutput(serializers.Serializer):
    name = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    unit = serializers.CharField()
    is_uncertainty = serializers.BooleanField()


class CalculationExample(serializers.Serializer):
    inputs = serializers.DictField()
    expected = serializers.DictField()
    source = serializers.CharField(help_text="Where the expected value comes from.")  # type: ignore[assignment]


class CalculationDescription(serializers.Serializer):
    name = serializers.CharField()
    title = serializers.CharField()
    group = serializers.CharField()
    purpose = serializers.CharField()
    inputs = CalculationInput(many=True)
    outputs = CalculationOutput(many=True)
    formula = serializers.CharField()
    sources = serializers.ListField(child=serializers.CharField())
    assumptions = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(child=serializers.CharField())
    function = serializers.CharField()
    version = serializers.IntegerField()
    method_page = serializers.CharField()
    example = CalculationExample()


class CalculationIndex(serializers.Serializer):
    calculations = CalculationDescription(many=True)


class CalculationList(Endpoint):
    required_scopes: Any = _SCOPES

    @extend_schema(
        operation_id="calculations_list",
        summary="List every calculation with inputs, units, ranges and a worked example",
        tags=["calculations"],
        responses=CalculationIndex,
    )
    def get(self, request: Request) -> Response:
        refuse_unknown(request, ())
        return Response({"calculations": [describe(entry) for entry in CATALOGUE.values()]})


def _view_of(entry: Computation) -> type[Endpoint]:
    """One view per computation, so that generated clients see each with its own shapes."""
    word = entry.name.replace("-", "_")

    class CalculationView(Endpoint):
        required_scopes: Any = _SCOPES

        @extend_schema(
            operation_id=f"calculation_describe_{word}",
            summary=f"Describe: {entry.title}",
            tags=["calculations"],
            responses=CalculationDescription,
        )
        def get(self, request: Request) -> Response:
            refuse_unknown(request, ())
            return Response(describe(entry))

        @extend_schema(
            operation_id=f"calculation_run_{word}",
            summary=entry.title,
            description=f"{entry.purpose} A plain number is in the unit its name says; another "
            "unit of the same kind is said as an object of value and unit. Nothing is assumed: a "
            "missing or insane input is refused with 422 and named.",
            tags=["calculations"],
            request={"application/json": request_schema(entry)},
            responses={200: OpenApiResponse(answer_schema(entry), "The answer with its working.")},
            examples=[
                OpenApiExample(
                    "worked example (invented plant)",
                    entry.example_inputs(),
                    description=entry.example.source,
                    request_only=True,
                )
            ],
        )
        def post(self, request: Request) -> Response:
            refuse_unknown(request, ())
            if not isinstance(request.data, Mapping):
                raise ParseError("The body must be a JSON object of inputs by name.")
            return Response(calculate(entry.name, request.data).as_dict())

    CalculationView.__name__ = f"Calculation_{word}"
    return CalculationView


urls = [
    path("api/v1/calculations", CalculationList.as_view(), name="api-calculations"),
    *(
        path(
            f"api/v1/calculations/{entry.name}",
            _view_of(entry).as_view(),
            name=f"api-calculation-{entry.name}",
        )
        for entry in CATALOGUE.values()
    ),
]
