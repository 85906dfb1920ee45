"""Findings that wait for the reliability engineer."""

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.web.filters import refuse_unknown
from valvecare.web.views import Endpoint
from valvecare.work.reads import findings_for_engineer


class ReviewRow(serializers.Serializer):
    finding = serializers.IntegerField()
    order = serializers.IntegerField()
    number = serializers.CharField()
    valve = serializers.CharField()
    part = serializers.CharField()
    decision = serializers.CharField()
    rule_says = serializers.CharField()
    rule_words = serializers.CharField()
    because = serializers.CharField()
    by = serializers.CharField(allow_null=True)
    at = serializers.DateTimeField()


class ReviewList(serializers.Serializer):
    results = ReviewRow(many=True)


class FindingsForEngineer(Endpoint):
    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="findings_for_engineer_list",
        summary="Findings of open orders that wait for the engineer",
        responses={200: ReviewList},
    )
    def get(self, request: Request) -> Response:
        refuse_unknown(request, ())
        return Response({"results": findings_for_engineer(request.user)})
