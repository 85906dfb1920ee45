"""Verdicts and function tests over the API."""

import hashlib
from collections.abc import Mapping
from typing import Any

import msgspec
from django.db.models import QuerySet
from django.http import HttpResponse
from django.urls import path, reverse
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.protection.actions import record_function_test
from valvecare.protection.models import FunctionTest
from valvecare.protection.reads.standing import (
    WORDS,
    Standing,
    StandingFilter,
    standing_of,
    standings,
)
from valvecare.protection.reads.steps import Step
from valvecare.protection.reads.why import Why, why
from valvecare.protection.rules import Grade, ProofMethod, ProofResult, Word
from valvecare.register.rules import Scope, choices
from valvecare.web.fields import InstantField, QueryWhole
from valvecare.web.filters import refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.shapes import Closed, Number, Text, Whole
from valvecare.web.views import Endpoint

READ = {"GET": [Scope.PROTECTION_READ.value]}
IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key", str, "header", description="Your own key; a repeat gets the first answer."
)
_PAGING = [
    OpenApiParameter("cursor", str, description="From the Link header or `next`; opaque."),
    OpenApiParameter("page_size", int, description="1 to 200; 100 when absent."),
]


class StandingQuery(serializers.Serializer):
    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")
    group = serializers.CharField(required=False, max_length=24, help_text="Code of the group.")
    valve = QueryWhole(required=False, min_value=1, max_value=2**31, help_text="Id.")
    word = serializers.ChoiceField(required=False, choices=[(w, w) for w in WORDS])
    updated_since = InstantField(
        required=False,
        help_text="Answers whose words or working changed at or after this instant. A valve that "
        "only became stale is not among them: its answer changes within a minute.",
    )


class TestQuery(serializers.Serializer):
    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")
    group = serializers.CharField(required=False, max_length=24, help_text="Code of the group.")
    valve = QueryWhole(required=False, min_value=1, max_value=2**31, help_text="Id.")
    result = serializers.ChoiceField(required=False, choices=choices(ProofResult))
    recorded_since = InstantField(required=False)


class ValveOfVerdict(serializers.Serializer):
    id = serializers.IntegerField()
    tag = serializers.CharField()


class StandingOut(serializers.Serializer):
    """One valve in service. `word` is what may be relied on; dates are days at the site."""

    valve = ValveOfVerdict()
    url = serializers.CharField(help_text="The verdict with its working.")
    site = serializers.CharField()
    group = serializers.CharField()
    pump = serializers.CharField()
    word = serializers.ChoiceField(choices=choices(Word))
    code = serializers.CharField(help_text="Stable code of the governing ground.")
    since = serializers.DateField(allow_null=True)
    until = serializers.DateField(allow_null=True, help_text="Likely; only of 'Protects'.")
    until_earliest = serializers.DateField(allow_null=True)
    until_latest = serializers.DateField(allow_null=True)
    reason = serializers.CharField()
    restriction = serializers.CharField(help_text="What operations must keep to; empty: nothing.")
    next_action = serializers.CharField()
    evidence = serializers.CharField()
    grade = serializers.CharField(help_text=f"{', '.join(g.value for g in Grade)}; empty: none.")
    margin_share = serializers.FloatField(allow_null=True)
    required_m3_per_h = serializers.FloatField(allow_null=True)
    notes = serializers.ListField(child=serializers.CharField())
    stale = serializers.BooleanField(help_text="Overtaken by a newer fact; being judged again.")
    judged_at = serializers.DateTimeField(allow_null=True)
    confirmed_at = serializers.DateTimeField(allow_null=True)
    updated_at = serializers.DateTimeField(allow_null=True)
    rule_version = serializers.CharField()


class StandingPage(serializers.Serializer):
    results = StandingOut(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


class GroundOut(serializers.Serializer):
    """What one rule says; the first governs."""

    word = serializers.ChoiceField(choices=choices(Word))
    code = serializers.CharField()
    words = serializers.CharField()
    since = serializers.DateField(allow_null=True)
    next_action = serializers.CharField()
    restriction = serializers.CharField()
    numbers = serializers.DictField()


class LineOut(serializers.Serializer):
    label = serializers.CharField()  # type: ignore[assignment]
    value = serializers.JSONField(help_text="A number, a word, or null: not known.")
    unit = serializers.CharField()


class StepOut(serializers.Serializer):
    title = serializers.CharField()
    formula = serializers.CharField()
    lines = LineOut(many=True)
    source = serializers.CharField()  # type: ignore[assignment]
    method = serializers.CharField(help_text="Page of the method documentation.")
    calculation = serializers.CharField(help_text="Name among /api/v1/calculations; may be empty.")
    refusal = serializers.CharField(help_text="Why it could not be computed; empty: it was.")
    assumptions = serializers.ListField(child=serializers.CharField())


class CapacityOut(serializers.Serializer):
    computed_at = serializers.DateTimeField()
    inputs_hash = serializers.CharField()
    result = serializers.DictField()
    steps = StepOut(many=True)


class PolicyOfVerdict(serializers.Serializer):
    margin_share = serializers.FloatField()
    line_sensor_k = serializers.FloatField()
    time_constant_share = serializers.FloatField()
    power_share = serializers.FloatField()
    source = serializers.CharField()  # type: ignore[assignment]
    owner = serializers.CharField()


class PastVerdict(serializers.Serializer):
    judged_at = serializers.DateTimeField()
    confirmed_at = serializers.DateTimeField()
    word = serializers.ChoiceField(choices=choices(Word))
    code = serializers.CharField()
    since = serializers.DateField(allow_null=True)
    reason = serializers.CharField()
    restriction = serializers.CharField()
    rule_version = serializers.CharField()


class CautionOut(serializers.Serializer):
    signal = serializers.CharField()
    text = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class VerdictOut(StandingOut):
    """The verdict with everything it rests on."""

    grounds = GroundOut(many=True)
    facts = serializers.DictField(help_text="What it was judged from; empty: not judged yet.")
    capacity = CapacityOut(allow_null=True)
    policy = PolicyOfVerdict(allow_null=True)
    cautions = CautionOut(many=True)
    history = PastVerdict(many=True)


class TestOut(serializers.Serializer):
    """One function test. The uncertainty is expanded (k = 2), as a share of the flow."""

    id = serializers.IntegerField()
    valve = ValveOfVerdict()
    site = serializers.CharField()
    group = serializers.CharField()
    done_at = serializers.DateTimeField()
    method = serializers.ChoiceField(choices=choices(ProofMethod))
    bypass_flow_m3_per_h = serializers.FloatField(allow_null=True)
    uncertainty_share = serializers.FloatField(allow_null=True)
    required_m3_per_h = serializers.FloatField(allow_null=True)
    result = serializers.ChoiceField(choices=choices(ProofResult))
    restriction = serializers.CharField()
    words = serializers.CharField()
    recorded_by = serializers.CharField(help_text="Empty: not recorded.")
    recorded_at = serializers.DateTimeField()


class TestPage(serializers.Serializer):
    results = TestOut(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


class NewTest(Closed):
    """A test outside any work order. Flow, uncertainty and required flow belong together."""

    valve = Whole(min_value=1, max_value=2**31, help_text="Id of the protection valve.")
    method = serializers.ChoiceField(
        choices=[(m.value, m.value) for m in ProofMethod if m is not ProofMethod.NOT_RECORDED]
    )
    done_at = InstantField(help_text="When it was done.")
    bypass_flow_m3_per_h = Number(required=False, allow_null=True, min_value=0, max_value=1e6)
    uncertainty_share = Number(required=False, allow_null=True, min_value=0, max_value=0.999)
    required_m3_per_h = Number(required=False, allow_null=True, min_value=1e-6, max_value=1e6)
    result = serializers.ChoiceField(
        required=False,
        allow_null=True,
        choices=choices(ProofResult),
        help_text="Only without numbers: they decide where there are any.",
    )
    restriction = Text(required=False, allow_blank=True, max_length=300)
    words = Text(required=False, allow_blank=True, max_length=500)


_EXAMPLE: dict[str, Any] = {
    "valve": {"id": 8, "tag": "NH-FW-3V"},
    "url": "/api/v1/protection/8",
    "site": "NH",
    "group": "NH-FW",
    "pump": "NH-FW-3P",
    "word": "Does not protect",
    "code": "test_failed",
    "since": "2025-09-23",
    "until": None,
    "until_earliest": None,
    "until_latest": None,
    "reason": "The bypass passes too little: 21 m³/h ±5.0% measured on 23 Sep 2025, 27 m³/h "
    "needed.",
    "restriction": "Load within 60 s after start. For short holding it is safe against heat "
    "(19.95 m³/h at least against 14.75 m³/h).",
    "next_action": "Open the valve, restore the bypass and prove it with the pump.",
    "evidence": "function test of 23 Sep 2025: fail, 21 m³/h ±5.0% (clamp-on meter)",
    "grade": "measured with the pump",
    "margin_share": -0.2611,
    "required_m3_per_h": 27.0,
    "notes": [],
    "stale": False,
    "judged_at": "2026-05-04T12:00:00Z",
    "confirmed_at": "2026-05-04T12:00:00Z",
    "updated_at": "2026-05-04T12:00:00Z",
    "rule_version": "verdict 4",
}
_TEST_EXAMPLE = {
    "valve": 8,
    "method": "clamp-on meter",
    "done_at": "2026-05-04T10:00:00+02:00",
    "bypass_flow_m3_per_h": 29.4,
    "uncertainty_share": 0.05,
    "required_m3_per_h": 27.0,
    "words": "Weekly no-flow run.",
}


def _address(request: Request, name: str, *args: Any) -> str:
    space = request.resolver_match.namespace  # type: ignore[union-attr]
    url = reverse(f"valvecare:{name}", args=args, current_app=space)
    found: str = request.build_absolute_uri(url)
    return found


def _standing(found: Standing, url: str) -> dict[str, Any]:
    own = {"valve": {"id": found.id, "tag": found.tag}, "url": f"{url}/{found.id}"}
    names = [str(name) for name in StandingOut().fields if name not in {*own, "stale", "notes"}]
    return {
        **own,
        **{name: getattr(found, name) for name in names},
        "stale": found.is_stale,
        "notes": list(found.notes),
    }


def _fields(shape: type[serializers.Serializer], row: Any) -> dict[str, Any]:
    return {str(name): getattr(row, str(name)) for name in shape().fields}


def _step(step: Step) -> dict[str, Any]:
    plain: dict[str, Any] = msgspec.to_builtins(step)
    return plain


def _verdict(found: Why, url: str) -> dict[str, Any]:
    verdict, capacity = found.verdict, found.capacity
    return {
        **_standing(found.standing, url),
        "grounds": [] if verdict is None else verdict.grounds,
        "facts": {} if verdict is None else verdict.facts,
        "capacity": None
        if capacity is None
        else {
            "computed_at": capacity.computed_at,
            "inputs_hash": capacity.inputs_hash,
            "result": capacity.result,
            "steps": [_step(step) for step in found.steps],
        },
        "policy": None if found.policy is None else _fields(PolicyOfVerdict, found.policy),
        "cautions": [
            {"signal": one.signal.value, "text": one.text, "source": one.source}
            for one in found.cautions
        ],
        "history": [_fields(PastVerdict, row) for row in found.history],
    }


def _tagged(request: Request, data: Mapping[str, Any], headers: Mapping[str, str]) -> Any:
    """The answer with an ETag over its content; 304 when the caller has it already."""
    body = msgspec.json.encode(data)
    etag = f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'
    told = {"ETag": etag, "Cache-Control": "private, no-cache", **headers}
    if etag in (part.strip() for part in request.headers.get("If-None-Match", "").split(",")):
        return HttpResponse(status=304, headers=told)
    return HttpResponse(body, content_type="application/json", headers=told)


def _query(request: Request, shape: type[serializers.Serializer]) -> dict[str, Any]:
    given = shape(data=request.query_params)
    refuse_unknown(request, given.fields)
    given.is_valid(raise_exception=True)
    return dict(given.validated_data)


class ProtectionList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="protection_list",
        summary="Can each valve protect its pump, and until when: one row per valve in service",
        tags=["protection"],
        parameters=[StandingQuery, *_PAGING],
        responses={200: StandingPage, 304: None},
        examples=[
            OpenApiExample(
                "one page", value={"results": [_EXAMPLE], "next": None}, response_only=True
            )
        ],
    )
    def get(self, request: Request) -> Any:
        asked = _query(request, StandingQuery)
        since = asked.pop("updated_since", None)
        rows = StandingFilter(**asked).apply(standings(request.user, self.now))
        order: tuple[str, ...] = ("id",)
        if since is not None:
            rows, order = rows.filter(updated_at__gte=since), ("updated_at", "id")
        page = keyset_page(rows, request, order=order)
        url = _address(request, "api-protection")
        results = [_standing(standing_of(row), url) for row in page.rows]
        return _tagged(request, {"results": results, "next": page.next_url}, page.headers)


class ProtectionOne(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="protection_read",
        summary="Read the verdict of one valve with its grounds, facts, working and history",
        tags=["protection"],
        responses={200: VerdictOut, 304: None},
    )
    def get(self, request: Request, pk: int) -> Any:
        refuse_unknown(request, ())
        found = why(request.user, pk, self.now)
        return _tagged(request, _verdict(found, _address(request, "api-protection")), {})


def _tests(user: Any) -> "QuerySet[FunctionTest]":
    found: QuerySet[FunctionTest] = FunctionTest.objects.for_user(user).select_related(
        "valve__pump__group__site", "recorded_by"
    )
    return found


def _test(test: FunctionTest) -> dict[str, Any]:
    group = test.valve.pump.group
    own = {
        "valve": {"id": test.valve_id, "tag": test.valve.tag},
        "site": group.site.code,
        "group": group.code,
        "recorded_by": "" if test.recorded_by is None else test.recorded_by.get_username(),
    }
    names = [str(name) for name in TestOut().fields if name not in own]
    return {**own, **{name: getattr(test, name) for name in names}}


TEST_PATHS = {
    "site": "valve__pump__group__site__code",
    "group": "valve__pump__group__code",
    "valve": "valve_id",
    "result": "result",
    "recorded_since": "recorded_at__gte",
}


class FunctionTestList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="function_tests_list",
        summary="List function tests, in the order they were recorded",
        tags=["protection"],
        parameters=[TestQuery, *_PAGING],
        responses=TestPage,
    )
    def get(self, request: Request) -> Response:
        asked = _query(request, TestQuery)
        rows = _tests(request.user).filter(**{TEST_PATHS[k]: v for k, v in asked.items()})
        page = keyset_page(rows, request, order=("id",))
        results = [_test(row) for row in page.rows]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)

    @extend_schema(
        operation_id="function_tests_record",
        summary="Record a function test outside a work order; the valve is judged at once",
        tags=["protection"],
        parameters=[IDEMPOTENCY_KEY],
        request=NewTest,
        responses={201: TestOut},
        examples=[OpenApiExample("a measured flow", value=_TEST_EXAMPLE, request_only=True)],
    )
    def post(self, request: Request) -> Response:
        def effect() -> Response:
            body = NewTest(data=request.data)
            body.is_valid(raise_exception=True)
            facts = dict(body.validated_data)
            test = record_function_test(
                facts.pop("valve"), facts.pop("method"), actor=request.user, at=self.now, **facts
            )
            return Response(_test(_tests(request.user).get(pk=test.pk)), status=201)

        return idempotent(request, effect)


urls = [
    path("api/v1/protection", ProtectionList.as_view(), name="api-protection"),
    path("api/v1/protection/<int:pk>", ProtectionOne.as_view(), name="api-protection-one"),
    path("api/v1/function-tests", FunctionTestList.as_view(), name="api-function-tests"),
]
