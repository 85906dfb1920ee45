"""Findings that wait for the reliability engineer."""

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.web.filters import refuse_unknown
from valvecare.web.views import Endpoint
from valvecare.work.reads import findings_for_engineer, joints_for_engineer


class ReviewRow(serializers.Serializer):
    finding = serializers.IntegerField()
    order = serializers.IntegerField()
    version = serializers.IntegerField(help_text="Of the order; the ETag of its next verb.")
    number = serializers.CharField()
    valve = serializers.CharField()
    part = serializers.CharField()
    found = serializers.CharField()
    grade = serializers.CharField()
    decision = serializers.CharField()
    rule_says = serializers.CharField()
    rule_words = serializers.CharField()
    because = serializers.CharField()
    by = serializers.CharField(allow_null=True)
    at = serializers.DateTimeField()


class JointReviewRow(serializers.Serializer):
    tightening = serializers.IntegerField()
    order = serializers.IntegerField()
    version = serializers.IntegerField()
    number = serializers.CharField()
    valve = serializers.CharField()
    words = serializers.CharField()
    because = serializers.CharField()
    by = serializers.CharField()
    at = serializers.DateTimeField()


class ReviewList(serializers.Serializer):
    results = ReviewRow(many=True)
    joints = JointReviewRow(many=True)


class FindingsForEngineer(Endpoint):
    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="findings_for_engineer_list",
        summary="Findings and joints of open orders that wait for the engineer",
        responses={200: ReviewList},
    )
    def get(self, request: Request) -> Response:
        refuse_unknown(request, ())
        return Response(
            {
                "results": findings_for_engineer(request.user),
                "joints": joints_for_engineer(request.user),
            }
        )
