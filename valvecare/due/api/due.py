"""Due items and policies over the API."""

import re
from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django.urls import path, reverse
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.due.actions import change_policy, set_policy
from valvecare.due.models import Policy
from valvecare.due.reads import due_feed, feed_row, why
from valvecare.due.reads.feed import COLUMNS, ORDER
from valvecare.due.reads.why import LimitWorking, Why
from valvecare.due.rules import DueState, TaskKind, Trigger
from valvecare.register.models import ProtectionValve, PumpGroup
from valvecare.register.rules import Scope, choices
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.filters import IdFilter, filtered, parameters_of, refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.shapes import Closed, Number, Related, Text, Whole
from valvecare.web.views import Endpoint

READ = {"GET": [Scope.DUE_READ.value]}
IF_MATCH = OpenApiParameter(
    "If-Match", str, "header", required=True, description="The ETag you read; 428 without it."
)
IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key", str, "header", description="Your own key; a repeat gets the first answer."
)
_OFFSET = re.compile(r"(Z|[+-]\d\d:?\d\d)$", re.IGNORECASE)


class DueFilters(filters.FilterSet):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    group = filters.CharFilter("group__code", help_text="Code of the pump group.")
    valve = IdFilter("valve_id", help_text="Id of the valve.")
    state = filters.ChoiceFilter(choices=choices(DueState), help_text="State.")
    governed_by = filters.ChoiceFilter(choices=choices(Trigger), help_text="Governing limit.")
    kind = filters.ChoiceFilter(choices=choices(TaskKind), help_text="Kind of task.")
    due_before = filters.DateFilter("due_on", "lt", help_text="Due date before this day.")
    updated_since = filters.IsoDateTimeFilter(
        method="since",
        help_text="Decision changed at or after this instant (RFC 3339 with its offset).",
    )

    def since(self, rows: "QuerySet[Any]", name: str, value: datetime) -> "QuerySet[Any]":
        if not _OFFSET.search(str(self.data[name])):
            raise ValidationError({name: "Give the instant with its offset, for example Z."})
        return rows.filter(changed_at__gte=value)


class PolicyFilters(filters.FilterSet):
    kind = filters.ChoiceFilter(choices=choices(TaskKind), help_text="Kind of task.")
    valve = IdFilter("valve_id", help_text="Id of the valve.")
    group = IdFilter("group_id", help_text="Id of the pump group.")
    design_code = filters.CharFilter(help_text="Code of the valve design.")


class ValveOfItem(serializers.Serializer):
    id = serializers.IntegerField()
    tag = serializers.CharField()


class DueItemOut(serializers.Serializer):
    """One valve and one kind of task. Dates are dates at the site."""

    id = serializers.IntegerField()
    url = serializers.CharField(help_text="The working.")
    site = serializers.CharField()
    group = serializers.CharField()
    pump = serializers.CharField()
    valve = ValveOfItem()
    kind = serializers.ChoiceField(choices=choices(TaskKind))
    state = serializers.ChoiceField(choices=choices(DueState))
    share_used = serializers.FloatField(
        allow_null=True, help_text="Of the governing limit; 1 is reached, null without a record."
    )
    governed_by = serializers.ChoiceField(choices=choices(Trigger), allow_null=True)
    runner_up = serializers.ChoiceField(choices=choices(Trigger), allow_null=True)
    runner_up_share = serializers.FloatField(allow_null=True)
    due_on = serializers.DateField(allow_null=True, help_text="The likely date.")
    earliest_on = serializers.DateField(allow_null=True, help_text="Null: cannot be said.")
    likely_on = serializers.DateField(allow_null=True)
    latest_on = serializers.DateField(allow_null=True, help_text="Null: no last date.")
    reason = serializers.CharField()
    as_of = serializers.DateTimeField()
    changed_at = serializers.DateTimeField(help_text="When the decision last changed.")


class DuePageOut(serializers.Serializer):
    results = DueItemOut(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


class ReasonOut(serializers.Serializer):
    code = serializers.CharField()
    words = serializers.CharField()


class LimitOut(serializers.Serializer):
    """One limit: share = used / of, both in `unit`; `limit` in `limit_unit`."""

    trigger = serializers.ChoiceField(choices=choices(Trigger))
    is_governing = serializers.BooleanField()
    is_runner_up = serializers.BooleanField()
    limit = serializers.FloatField()
    limit_unit = serializers.CharField()
    used = serializers.FloatField(allow_null=True)
    of = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    remaining = serializers.FloatField(allow_null=True)
    share = serializers.FloatField(allow_null=True, help_text="Exact; null: not known.")
    note = serializers.CharField(help_text="What is missing; empty when nothing is.")
    is_lower_bound = serializers.BooleanField()
    is_stale = serializers.BooleanField()
    is_silent = serializers.BooleanField(help_text="Unheard while the other counter gains.")
    formula = serializers.CharField()
    formula_source = serializers.CharField()
    earliest_on = serializers.DateField(allow_null=True)
    likely_on = serializers.DateField(allow_null=True)
    latest_on = serializers.DateField(allow_null=True)
    series_id = serializers.IntegerField(allow_null=True)
    series_tag = serializers.CharField(help_text="Empty: no counter.")
    total = serializers.FloatField(allow_null=True, help_text="The counter now.")
    base = serializers.FloatField(allow_null=True, help_text="The counter at the act.")
    first_read_at = serializers.DateTimeField(allow_null=True)
    read_at = serializers.DateTimeField(allow_null=True)
    age_s = serializers.FloatField(allow_null=True, help_text="Age of the last reading.")
    lost_segments = serializers.IntegerField(help_text="Since the act.")
    doubt = serializers.CharField(help_text="What is said against the readings.")
    per_day = serializers.FloatField(allow_null=True)
    weeks = serializers.IntegerField(help_text="Complete weeks behind the rate.")
    window_from = serializers.DateField(allow_null=True)
    window_to = serializers.DateField(allow_null=True)


class PolicyFactsOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField(help_text="The ETag of the record.")
    who = serializers.CharField(help_text="What it is for, in words.")
    months = serializers.IntegerField(allow_null=True)
    run_hours = serializers.FloatField(allow_null=True)
    starts = serializers.IntegerField(allow_null=True)
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(allow_null=True)
    source = serializers.CharField()  # type: ignore[assignment]
    owner = serializers.CharField()


class PolicyUsedOut(PolicyFactsOut):
    level = serializers.CharField(help_text="How specific it is.")


class ActOut(serializers.Serializer):
    id = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=choices(TaskKind))
    done_at = serializers.DateTimeField()
    done_on = serializers.DateField()
    origin = serializers.CharField()
    note = serializers.CharField()
    recorded_at = serializers.DateTimeField()
    recorded_by = serializers.CharField()


class DueWhyOut(DueItemOut):
    """A due item with its working, worked out at `judged_at`."""

    judged_at = serializers.DateTimeField()
    reasons = ReasonOut(many=True)
    limits = LimitOut(many=True)
    not_used = serializers.ListField(child=serializers.ChoiceField(choices=choices(Trigger)))
    policy = PolicyUsedOut(allow_null=True)
    act = ActOut(allow_null=True)
    coming_up_from = serializers.FloatField()
    confidence = serializers.FloatField(help_text="Two-sided, of earliest and latest.")
    rule_version = serializers.CharField()


class LimitsIn(Closed):
    months = Whole(required=False, allow_null=True, min_value=1, max_value=1200)
    run_hours = Number(required=False, allow_null=True, help_text="h")
    starts = Whole(required=False, allow_null=True, min_value=1, max_value=999_999_999)
    valid_to = serializers.DateField(required=False, allow_null=True)
    note = Text(required=False, allow_blank=True, max_length=500)


class NewPolicy(LimitsIn):
    """Exactly one of valve, group and design_code."""

    kind = serializers.ChoiceField(choices=choices(TaskKind))
    valve = Whole(required=False, allow_null=True, min_value=1, max_value=2**63 - 1)
    group = Whole(required=False, allow_null=True, min_value=1, max_value=2**63 - 1)
    design_code = Text(required=False, allow_blank=True, max_length=24)
    variant = Text(
        required=False,
        allow_null=True,
        allow_blank=True,
        max_length=24,
        help_text="Empty: the plain design only. Null or left out: every variant.",
    )
    dn = Whole(required=False, allow_null=True, min_value=1, max_value=32_767)
    valid_from = serializers.DateField(help_text="First day at the site.")
    source = Text(  # type: ignore[assignment]
        max_length=200, help_text="Where the numbers come from."
    )
    owner = Text(max_length=100, help_text="Role that answers for them.")


class PolicyChange(LimitsIn):
    source = Text(required=False, max_length=200)  # type: ignore[assignment]
    owner = Text(required=False, max_length=100)
    reason = Text(required=False, allow_blank=True, max_length=500, default="")


class PolicyOut(PolicyFactsOut):
    kind = serializers.ChoiceField(choices=choices(TaskKind))
    valve = Related(allow_null=True)
    group = Related(allow_null=True)
    design_code = serializers.CharField()
    variant = serializers.CharField(allow_null=True)
    dn = serializers.IntegerField(allow_null=True)
    note = serializers.CharField()


class PolicyPageOut(serializers.Serializer):
    results = PolicyOut(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


def address(request: Request, name: str, *args: Any) -> str:
    space = request.resolver_match.namespace  # type: ignore[union-attr]
    url = reverse(f"valvecare:{name}", args=args, current_app=space)
    found: str = request.build_absolute_uri(url)
    return found


def _limit(limit: LimitWorking) -> dict[str, Any]:
    names = set(LimitOut().fields) - {"age_s"}
    age = None if limit.age is None else limit.age.total_seconds()
    return {name: getattr(limit, name) for name in names} | {"age_s": age}


def _fields(shape: type[serializers.Serializer], row: Any) -> dict[str, Any] | None:
    return None if row is None else {str(name): getattr(row, str(name)) for name in shape().fields}


def _working(found: Why, url: str) -> dict[str, Any]:
    item = found.item
    own = {
        "valve__tag": item.valve.tag,
        "pump__tag": item.pump.tag,
        "group__code": item.group.code,
        "site__code": item.site.code,
    }
    stored = {name: own.get(name) or getattr(item, name) for name in COLUMNS}
    return {
        **feed_row(stored, url=url),
        "judged_at": found.at,
        "reasons": [{"code": one.code, "words": str(one)} for one in found.reasons],
        "limits": [_limit(limit) for limit in found.limits],
        "not_used": list(found.not_used),
        "policy": _fields(PolicyUsedOut, found.policy),
        "act": _fields(ActOut, found.act),
        "coming_up_from": found.coming_up_from,
        "confidence": found.confidence,
        "rule_version": found.rule_version,
    }


def _policy(policy: Policy, request: Request) -> dict[str, Any]:
    def related(row: Any, name: str) -> dict[str, Any] | None:
        if row is None:
            return None
        return {"id": row.pk, "name": str(row), "url": address(request, name, row.pk)}

    names = [str(name) for name in PolicyOut().fields if name not in ("valve", "group")]
    return {name: getattr(policy, name) for name in names} | {
        "valve": related(policy.valve, "api-valve"),
        "group": related(policy.group, "api-group"),
    }


class DueList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="due_list",
        summary="List what is due: without a record first, then by due date",
        tags=["due"],
        parameters=parameters_of(DueFilters),
        responses=DuePageOut,
    )
    def get(self, request: Request) -> Response:
        rows = filtered(request, due_feed(request.user), DueFilters)
        page = keyset_page(rows, request, order=ORDER)
        url = address(request, "api-due")
        results = [feed_row(row, url=url) for row in page.rows]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)


class DueOne(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="due_read",
        summary="Read one due item with its working",
        tags=["due"],
        responses=DueWhyOut,
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        found = why(request.user, pk, at=self.now)
        return Response(_working(found, address(request, "api-due")))


def _policies(user: Any) -> "QuerySet[Policy]":
    found: QuerySet[Policy] = Policy.objects.for_user(user).select_related("valve", "group")
    return found


def _policy_answer(request: Request, pk: int, status: int = 200) -> Response:
    policy = _policies(request.user).filter(pk=pk).first()
    if policy is None:
        raise NotFound("There is no such policy for you.")
    headers = etag_headers(policy)
    if status == 201:
        headers["Location"] = address(request, "api-policy", pk)
    return Response(_policy(policy, request), status=status, headers=headers)


def seen(model: Any, user: Any, pk: int | None, name: str) -> Any:
    if pk is None:
        return None
    row = model.objects.for_user(user).filter(pk=pk).first()
    if row is None:
        raise ValidationError({name: f"There is no such {name} for you."})
    return row


class PolicyList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="policies_list",
        summary="List the policies that apply to your valves",
        tags=["due"],
        parameters=parameters_of(PolicyFilters),
        responses=PolicyPageOut,
    )
    def get(self, request: Request) -> Response:
        rows = filtered(request, _policies(request.user), PolicyFilters)
        page = keyset_page(rows, request, order=("id",))
        results = [_policy(policy, request) for policy in page.rows]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)

    @extend_schema(
        operation_id="policy_set",
        summary="Set a policy for a valve, a pump group or a design",
        tags=["due"],
        parameters=[IDEMPOTENCY_KEY],
        request=NewPolicy,
        responses={201: PolicyOut},
        examples=[
            OpenApiExample(
                "a design (invented)",
                {
                    "kind": "strip-down",
                    "design_code": "OAK-100",
                    "months": 24,
                    "run_hours": 16000,
                    "starts": 300,
                    "valid_from": "2026-01-01",
                    "source": "invented policy",
                    "owner": "reliability engineer",
                },
                request_only=True,
            )
        ],
    )
    def post(self, request: Request) -> Response:
        return idempotent(request, lambda: self._set(request, self.now))

    def _set(self, request: Request, at: datetime) -> Response:
        given = NewPolicy(data=request.data)
        given.is_valid(raise_exception=True)
        body = dict(given.validated_data)
        body["kind"] = TaskKind(body["kind"])
        body["valve"] = seen(ProtectionValve, request.user, body.pop("valve", None), "valve")
        body["group"] = seen(PumpGroup, request.user, body.pop("group", None), "group")
        policy = set_policy(actor=request.user, at=at, **body)
        return _policy_answer(request, policy.pk, 201)


class PolicyOne(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="policy_read",
        summary="Read one policy",
        tags=["due"],
        responses=PolicyOut,
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        return _policy_answer(request, pk)

    @extend_schema(
        operation_id="policy_change",
        summary="Change or end a policy; what it is for stays",
        tags=["due"],
        parameters=[IF_MATCH],
        request=PolicyChange,
        responses=PolicyOut,
        examples=[
            OpenApiExample(
                "a shorter limit (invented)",
                {"months": 12, "reason": "fibre found twice"},
                request_only=True,
            )
        ],
    )
    def patch(self, request: Request, pk: int) -> Response:
        _policy_answer(request, pk)
        version = version_from(request)
        given = PolicyChange(data=request.data, partial=True)
        given.is_valid(raise_exception=True)
        body = dict(given.validated_data)
        reason = body.pop("reason", "")
        change_policy(pk, body, version=version, actor=request.user, at=self.now, reason=reason)
        return _policy_answer(request, pk)


urls = [
    path("api/v1/due", DueList.as_view(), name="api-due"),
    path("api/v1/due/<int:pk>", DueOne.as_view(), name="api-due-one"),
    path("api/v1/policies", PolicyList.as_view(), name="api-policies"),
    path("api/v1/policies/<int:pk>", PolicyOne.as_view(), name="api-policy"),
]
