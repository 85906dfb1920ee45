"""REST of procedures: read them, see what applies at a valve, write a version, put it in use."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.fields import QueryWhole
from valvecare.web.filters import refuse_unknown
from valvecare.web.idempotency import idempotent
from valvecare.web.pagination import keyset_page
from valvecare.web.shapes import Closed, Flag, Text
from valvecare.web.views import Endpoint
from valvecare.work.actions.use_procedure import put_in_use, withdraw
from valvecare.work.actions.write_procedure import (
    change_draft,
    draft_procedure,
    draft_version,
)
from valvecare.work.api.orders import IDEMPOTENCY_KEY, IF_MATCH
from valvecare.work.api.shapes import Word
from valvecare.work.models import OWNERS, ProcedureVersion
from valvecare.work.reads import preview, seen_version, steps_of
from valvecare.work.rules import OrderKind
from valvecare.work.rules.procedure_checks import MOST_CONDITIONS
from valvecare.work.rules.procedures import (
    VersionState,
    WorkStep,
    numbered,
    step_data,
    step_from,
)

_PAGING = [OpenApiParameter("cursor", str), OpenApiParameter("page_size", int)]


class _Query(serializers.Serializer):
    kind = serializers.ChoiceField(
        required=False, choices=[(word.value, word.value) for word in OrderKind]
    )
    state = serializers.ChoiceField(
        required=False, choices=[(word.value, word.value) for word in VersionState]
    )


class _PreviewQuery(serializers.Serializer):
    valve = QueryWhole(min_value=1, max_value=2**31, help_text="Id of the valve.")


_WHEN = {"fact": "has lever", "is": "yes"}


class _StepIn(Closed):
    """A step; its number is its place. Words off their lists are named when it is put in use."""

    phase = Text(max_length=24)
    kind = Text(max_length=16)
    words = Text(max_length=500)
    cautions = serializers.ListField(child=Text(max_length=40), required=False, max_length=18)
    own_signal = Text(max_length=8, required=False, allow_blank=True)
    own_caution = Text(max_length=500, required=False, allow_blank=True)
    part = Text(max_length=30, required=False, allow_blank=True)
    gate = Text(max_length=20, required=False, allow_blank=True)
    quantity = Text(max_length=60, required=False, allow_blank=True)
    unit = Text(max_length=12, required=False, allow_blank=True)
    test_step = Text(max_length=2, required=False, allow_blank=True)
    witness = Text(max_length=24, required=False, allow_blank=True)
    is_mandatory = Flag(required=False, default=True)
    when = serializers.ListField(
        child=serializers.DictField(child=Text(max_length=40)),
        required=False,
        max_length=MOST_CONDITIONS,
        help_text="Conditions {fact, is}; all must hold.",
    )

    def validate_when(self, value: list[dict[str, str]]) -> list[dict[str, str]]:
        if any(set(one) != {"fact", "is"} for one in value):
            raise serializers.ValidationError("Each condition has 'fact' and 'is'.")
        return value


class _Steps(Closed):
    steps = _StepIn(many=True)
    words = Text(max_length=300, required=False, help_text="What is new in it, and why.")


class _ProcedureIn(Closed):
    code = serializers.SlugField(max_length=40)
    title = Text(max_length=120)
    kind = Word(OrderKind)
    site = Text(max_length=12, required=False, allow_blank=True, help_text="Empty: every site.")
    design_code = Text(max_length=24, required=False, allow_blank=True)
    owner = serializers.ChoiceField(choices=[(role.value, role.value) for role in OWNERS])
    source = Text(max_length=200)  # type: ignore[assignment]
    copy_of = serializers.IntegerField(
        required=False, min_value=1, max_value=2**31, help_text="Version it begins from."
    )


class _Begin(Closed):
    words = Text(max_length=300, help_text="What will be new, and why.")
    procedure_version = serializers.IntegerField(
        min_value=1, max_value=2**31, help_text="`procedure_version` as you read it."
    )


class _Words(Closed):
    words = Text(max_length=300, help_text="What you looked at; or why it is withdrawn.")


class _VersionOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField(help_text="For If-Match; not the number of the version.")
    procedure = serializers.CharField()
    procedure_version = serializers.IntegerField()
    number = serializers.IntegerField()
    state = serializers.ChoiceField(choices=[(word.value, word.value) for word in VersionState])
    title = serializers.CharField()
    kind = serializers.CharField()
    site = serializers.CharField(allow_null=True)
    design_code = serializers.CharField()
    owner = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    words = serializers.CharField()
    valid_from = serializers.DateTimeField(allow_null=True)
    signed_off_by = serializers.CharField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    ended_why = serializers.CharField()
    content_hash = serializers.CharField()
    steps = serializers.ListField(
        child=serializers.DictField(), required=False, help_text="Left out of lists."
    )


class _VersionPage(serializers.Serializer):
    results = _VersionOut(many=True)
    next = serializers.CharField(allow_null=True)


class _PreviewOut(serializers.Serializer):
    version = serializers.IntegerField()
    valve = serializers.IntegerField()
    facts = serializers.DictField(child=serializers.CharField())
    steps = serializers.ListField(
        child=serializers.DictField(), help_text="number, applies, why, is_unsure, words."
    )


def _plain(row: ProcedureVersion, *, steps: bool = False) -> dict[str, Any]:
    head = row.procedure
    found: dict[str, Any] = {
        "id": row.pk,
        "version": row.version,
        "procedure": head.code,
        "procedure_version": head.version,
        "number": row.number,
        "state": row.state,
        "title": head.title,
        "kind": head.kind,
        "site": head.site.code if head.site else None,
        "design_code": head.design_code,
        "owner": head.owner,
        "source": head.source,
        "words": row.words,
        "valid_from": row.valid_from,
        "signed_off_by": row.signed_off_by.get_username() if row.signed_off_by else None,
        "ended_at": row.ended_at,
        "ended_why": row.ended_why,
        "content_hash": row.content_hash,
    }
    if steps:
        found["steps"] = [step_data(step) for step in steps_of(row.pk)]
    return found


def _answer(row: ProcedureVersion, request: Request, *, status: int = 200) -> Response:
    row = seen_version(row.pk, request.user)
    return Response(_plain(row, steps=True), status=status, headers=etag_headers(row))


def _written(given: list[dict[str, Any]]) -> tuple[WorkStep, ...]:
    return numbered([step_from(one, 1) for one in given])


class ProcedureVersions(Endpoint):
    """Versions of procedures; write one of your own."""

    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="procedure_versions_list",
        summary="List versions of procedures",
        parameters=[_Query, *_PAGING],
        responses={200: _VersionPage},
    )
    def get(self, request: Request) -> Response:
        shape = _Query(data=request.query_params)
        refuse_unknown(request, shape.fields)
        shape.is_valid(raise_exception=True)
        rows = ProcedureVersion.objects.for_user(request.user).select_related(
            "procedure__site", "signed_off_by"
        )
        if "kind" in shape.validated_data:
            rows = rows.filter(procedure__kind=shape.validated_data["kind"])
        if "state" in shape.validated_data:
            rows = rows.filter(state=shape.validated_data["state"])
        page = keyset_page(rows, request, order=("number", "id"))
        body = {"results": [_plain(row) for row in page.rows], "next": page.next_url}
        return Response(body, headers=page.headers)

    @extend_schema(
        operation_id="procedures_draft",
        summary="Write a procedure of your own",
        parameters=[IDEMPOTENCY_KEY],
        request=_ProcedureIn,
        responses={201: _VersionOut},
    )
    def post(self, request: Request) -> Response:
        def effect() -> Response:
            shape = _ProcedureIn(data=request.data)
            shape.is_valid(raise_exception=True)
            given = dict(shape.validated_data)
            row = draft_procedure(given.pop("code"), **given, actor=request.user, at=self.now)
            return _answer(row, request, status=201)

        return idempotent(request, effect)


class ProcedureVersionDetail(Endpoint):
    """One version with its steps."""

    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="procedure_versions_retrieve",
        summary="One version with its steps",
        responses={200: _VersionOut},
    )
    def get(self, request: Request, version_id: int) -> Response:
        return _answer(seen_version(version_id, request.user), request)

    @extend_schema(
        operation_id="procedure_versions_write",
        summary="Write the steps of a draft",
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=_Steps,
        responses={200: _VersionOut},
        examples=[
            OpenApiExample(
                "one step",
                request_only=True,
                value={
                    "steps": [
                        {
                            "phase": "inspect",
                            "kind": "check",
                            "words": "Pins of the lever locked.",
                            "when": [_WHEN],
                        }
                    ]
                },
            )
        ],
    )
    def put(self, request: Request, version_id: int) -> Response:
        def effect() -> Response:
            shape = _Steps(data=request.data)
            shape.is_valid(raise_exception=True)
            row = change_draft(
                version_id,
                _written(shape.validated_data["steps"]),
                words=shape.validated_data.get("words"),
                version=version_from(request),
                actor=request.user,
                at=self.now,
            )
            return _answer(row, request)

        return idempotent(request, effect)


class ProcedureVersionPreview(Endpoint):
    required_scopes = {"GET": ["work:read"]}  # noqa: RUF012 read only

    @extend_schema(
        operation_id="procedure_versions_preview",
        summary="Which steps apply at a valve, and why",
        parameters=[_PreviewQuery],
        responses={200: _PreviewOut},
    )
    def get(self, request: Request, version_id: int) -> Response:
        shape = _PreviewQuery(data=request.query_params)
        refuse_unknown(request, shape.fields)
        shape.is_valid(raise_exception=True)
        found = preview(version_id, shape.validated_data["valve"], request.user)
        steps = [
            {
                "number": one.step.number,
                "applies": one.applies,
                "why": one.why,
                "is_unsure": one.is_unsure,
                "words": one.step.words,
            }
            for one in found.steps
        ]
        body = {"version": version_id, "valve": found.valve.pk, "facts": dict(found.facts)}
        return Response({**body, "steps": steps})


def _act(name: str, summary: str, shape_class: Any, act: Any) -> type[Endpoint]:
    """An endpoint that does one thing with a version."""

    @extend_schema(
        operation_id=f"procedure_versions_{name}",
        summary=summary,
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=shape_class,
        responses={200: _VersionOut},
    )
    def post(self: Endpoint, request: Request, version_id: int) -> Response:
        def effect() -> Response:
            shape = shape_class(data=request.data)
            shape.is_valid(raise_exception=True)
            who = {"actor": request.user, "at": self.now, "version": version_from(request)}
            return _answer(act(version_id, shape.validated_data, who), request)

        return idempotent(request, effect)

    kind = f"ProcedureVersion{name.title()}"
    return type(kind, (Endpoint,), {"post": post, "__doc__": f"{summary}."})


def _draft(version_id: int, given: dict[str, Any], who: dict[str, Any]) -> ProcedureVersion:
    """The next draft of the procedure this version belongs to, begun from it."""
    head = seen_version(version_id, who["actor"]).procedure_id
    who["version"] = given["procedure_version"]
    return draft_version(head, words=given["words"], copy_of=version_id, **who)


ProcedureVersionUse = _act(
    "use",
    "Put a draft in use as its owner and second person",
    _Words,
    lambda pk, given, who: put_in_use(pk, given["words"], **who),
)
ProcedureVersionWithdraw = _act(
    "withdraw",
    "Withdraw a version",
    _Words,
    lambda pk, given, who: withdraw(pk, given["words"], **who),
)
ProcedureVersionDraft = _act("draft", "Draft the next version from this one", _Begin, _draft)
