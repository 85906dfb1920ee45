"""Condition rules and their open findings over the API."""

from typing import Any

from django.db.models import QuerySet
from django.urls import path
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.due.actions import change_condition_rule, set_condition_rule
from valvecare.due.actions.condition_rules import CHANGEABLE, FACTS
from valvecare.due.api.due import IDEMPOTENCY_KEY, IF_MATCH, READ, ValveOfItem, address, seen
from valvecare.due.models import ConditionFinding, ConditionRule
from valvecare.due.rules import ConditionBasis, TaskKind
from valvecare.register.models import ProtectionValve, PumpGroup
from valvecare.register.rules import choices
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.filters import IdFilter, filtered, parameters_of, refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.shapes import Closed, Flag, Related, Text, Whole, field_of
from valvecare.web.views import Endpoint

_NEEDED = ("name", "basis", "task_kind", "lead_days", "source", "owner")


def _shapes(names: tuple[str, ...], needed: tuple[str, ...] = ()) -> dict[str, Any]:
    columns = {column.name: column for column in ConditionRule._meta.fields}
    return {name: field_of(columns[name], required=name in needed) for name in names}


class NewConditionRule(Closed):
    """At most one of valve, group and design_code; none: every valve.

    Basis 'limit' needs quantity, bad_side, limit, unit, release and a count or minutes; 'trend to
    limit' quantity, bad_side, limit, unit, least_points, horizon_days, confidence; 'event'
    event_kind, within_days and a count or hours; 'passing when shut' a count or minutes.
    """

    valve = Whole(required=False, allow_null=True, min_value=1, max_value=2**63 - 1)
    group = Whole(required=False, allow_null=True, min_value=1, max_value=2**63 - 1)

    def get_fields(self) -> dict[str, Any]:
        return {**super().get_fields(), **_shapes((*FACTS, "design_code"), _NEEDED)}


class ConditionRuleChange(Closed):
    is_ended = Flag(required=False, help_text="True ends the rule and closes its findings.")
    reason = Text(required=False, allow_blank=True, max_length=500)

    def get_fields(self) -> dict[str, Any]:
        return {**super().get_fields(), **_shapes(CHANGEABLE)}


class ConditionRuleOut(serializers.ModelSerializer):
    who = serializers.CharField(help_text="What it is for, in words.")
    valve = Related(allow_null=True)
    group = Related(allow_null=True)
    quantity = serializers.CharField(help_text="Empty where the basis looks at none.")
    bad_side = serializers.CharField(help_text="Empty where the basis has none.")
    event_kind = serializers.CharField(help_text="Empty unless the basis is 'event'.")
    judged_counts = serializers.DictField(
        child=serializers.IntegerField(), help_text="Valves by what the last whole look said."
    )

    class Meta:
        model = ConditionRule
        fields = (
            *("id", "version", "who", "valve", "group", "design_code"),
            *FACTS,
            *("ended_at", "judged_on", "judged_counts"),
        )
        read_only_fields = fields  # an answer: no ranges that depend on the database


class ConditionRulePageOut(serializers.Serializer):
    results = ConditionRuleOut(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


class RuleOfFinding(serializers.Serializer):
    id = serializers.IntegerField()
    name = serializers.CharField()
    basis = serializers.ChoiceField(choices=choices(ConditionBasis))
    source = serializers.CharField()  # type: ignore[assignment]
    owner = serializers.CharField()


class ConditionOut(serializers.ModelSerializer):
    """An open finding. Dates are when the task is due, at the site."""

    valve = ValveOfItem()
    site = serializers.CharField()
    rule = RuleOfFinding()
    evidence = serializers.DictField(help_text="Series, days, values, slope, band, probability.")

    class Meta:
        model = ConditionFinding
        fields = (
            *("id", "site", "valve", "rule", "kind", "opened_at", "judged_at", "began_on"),
            *("earliest_on", "likely_on", "latest_on", "words", "evidence"),
        )


class ConditionPageOut(serializers.Serializer):
    results = ConditionOut(many=True)
    next = serializers.CharField(allow_null=True, help_text="Address of the next page.")


class ConditionRuleFilters(filters.FilterSet):
    valve = IdFilter("valve_id", help_text="Id of the valve.")
    group = IdFilter("group_id", help_text="Id of the pump group.")
    task_kind = filters.ChoiceFilter(choices=choices(TaskKind), help_text="Kind of task.")
    basis = filters.ChoiceFilter(choices=choices(ConditionBasis), help_text="Basis.")


class ConditionFilters(filters.FilterSet):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    valve = IdFilter("valve_id", help_text="Id of the valve.")
    rule = IdFilter("rule_id", help_text="Id of the rule.")
    kind = filters.ChoiceFilter(choices=choices(TaskKind), help_text="Kind of task.")


def _rules(user: Any) -> "QuerySet[ConditionRule]":
    found: QuerySet[ConditionRule] = ConditionRule.objects.for_user(user)
    return found.select_related("valve", "group")


def _rule(rule: ConditionRule, request: Request) -> dict[str, Any]:
    def related(row: Any, name: str) -> dict[str, Any] | None:
        if row is None:
            return None
        return {"id": row.pk, "name": str(row), "url": address(request, name, row.pk)}

    plain = [name for name in ConditionRuleOut.Meta.fields if name not in ("valve", "group")]
    return {name: getattr(rule, name) for name in plain} | {
        "valve": related(rule.valve, "api-valve"),
        "group": related(rule.group, "api-group"),
    }


def _rule_answer(request: Request, pk: int, status: int = 200) -> Response:
    rule = _rules(request.user).filter(pk=pk).first()
    if rule is None:
        raise NotFound("There is no such condition rule for you.")
    headers = etag_headers(rule)
    if status == 201:
        headers["Location"] = address(request, "api-condition-rule", pk)
    return Response(_rule(rule, request), status=status, headers=headers)


def _finding(one: ConditionFinding) -> dict[str, Any]:
    nested = ("valve", "site", "rule")
    plain = [name for name in ConditionOut.Meta.fields if name not in nested]
    rule = {name: getattr(one.rule, str(name)) for name in RuleOfFinding().fields}
    return {name: getattr(one, name) for name in plain} | {
        "valve": {"id": one.valve_id, "tag": one.valve.tag},
        "site": one.site.code,
        "rule": rule,
    }


class ConditionRuleList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="condition_rules_list",
        summary="List the condition rules that apply to your valves",
        tags=["due"],
        parameters=parameters_of(ConditionRuleFilters),
        responses=ConditionRulePageOut,
    )
    def get(self, request: Request) -> Response:
        rows = filtered(request, _rules(request.user), ConditionRuleFilters)
        page = keyset_page(rows, request, order=("id",))
        results = [_rule(rule, request) for rule in page.rows]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)

    @extend_schema(
        operation_id="condition_rule_set",
        summary="Set a condition rule for a valve, a pump group, a design or every valve",
        tags=["due"],
        parameters=[IDEMPOTENCY_KEY],
        request=NewConditionRule,
        responses={201: ConditionRuleOut},
        examples=[
            OpenApiExample(
                "reverse rotation (invented)",
                {
                    "name": "reverse rotation",
                    "basis": "event",
                    "event_kind": "reverse rotation",
                    "within_days": 30,
                    "least_count": 1,
                    "task_kind": "function test",
                    "lead_days": 14,
                    "source": "invented rule",
                    "owner": "reliability engineer",
                },
                request_only=True,
            )
        ],
    )
    def post(self, request: Request) -> Response:
        return idempotent(request, lambda: self._set(request))

    def _set(self, request: Request) -> Response:
        given = NewConditionRule(data=request.data)
        given.is_valid(raise_exception=True)
        body = dict(given.validated_data)
        body["valve"] = seen(ProtectionValve, request.user, body.pop("valve", None), "valve")
        body["group"] = seen(PumpGroup, request.user, body.pop("group", None), "group")
        rule = set_condition_rule(actor=request.user, at=self.now, **body)
        return _rule_answer(request, rule.pk, 201)


class ConditionRuleOne(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="condition_rule_read",
        summary="Read one condition rule",
        tags=["due"],
        responses=ConditionRuleOut,
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        return _rule_answer(request, pk)

    @extend_schema(
        operation_id="condition_rule_change",
        summary="Change or end a condition rule; what it is for, its basis and its task stay",
        tags=["due"],
        parameters=[IF_MATCH],
        request=ConditionRuleChange,
        responses=ConditionRuleOut,
        examples=[
            OpenApiExample(
                "a later limit (invented)",
                {"limit": 65.0, "reason": "warm summer"},
                request_only=True,
            )
        ],
    )
    def patch(self, request: Request, pk: int) -> Response:
        _rule_answer(request, pk)
        version = version_from(request)
        given = ConditionRuleChange(data=request.data, partial=True)
        given.is_valid(raise_exception=True)
        body = dict(given.validated_data)
        change_condition_rule(
            pk,
            body,
            version=version,
            actor=request.user,
            at=self.now,
            reason=body.pop("reason", ""),
            is_ended=body.pop("is_ended", False),
        )
        return _rule_answer(request, pk)


class ConditionList(Endpoint):
    required_scopes = READ

    @extend_schema(
        operation_id="conditions_list",
        summary="List the open condition findings with their evidence",
        tags=["due"],
        parameters=parameters_of(ConditionFilters),
        responses=ConditionPageOut,
    )
    def get(self, request: Request) -> Response:
        rows = ConditionFinding.objects.for_user(request.user).filter(closed_at__isnull=True)
        rows = rows.select_related("rule", "valve", "site")
        page = keyset_page(
            filtered(request, rows, ConditionFilters), request, order=("likely_on", "id")
        )
        results = [_finding(one) for one in page.rows]
        return Response({"results": results, "next": page.next_url}, headers=page.headers)


urls = [
    path("api/v1/condition-rules", ConditionRuleList.as_view(), name="api-condition-rules"),
    path("api/v1/condition-rules/<int:pk>", ConditionRuleOne.as_view(), name="api-condition-rule"),
    path("api/v1/conditions", ConditionList.as_view(), name="api-conditions"),
]
