"""Endpoints of a guided test: what it could be done with, begin, read, judge, finish."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.proving.actions import answer_step, begin_test, finish_test, record_readings
from valvecare.proving.api.shapes import (
    BeginTest,
    FinishTest,
    NotDone,
    ReadingsIn,
    RecordedOut,
    TestOptionsOut,
    TestRunOut,
)
from valvecare.proving.reads import RunCard, begin_view_of_order, run_card
from valvecare.web.concurrency import version_from
from valvecare.web.idempotency import idempotent
from valvecare.web.views import Endpoint
from valvecare.work.api.orders import IDEMPOTENCY_KEY, IF_MATCH

READ = {"GET": ["work:read"]}


def _answer(card: RunCard, status: int = 200, **more: Any) -> Response:
    headers = {"ETag": f'"{card.order_version}"'}
    return Response({**more, "run": card} if more else card, status=status, headers=headers)


_BEGIN: dict[str, Any] = {
    "method": "meter in the bypass line",
    "instruments": ["FM-01", "TH-11", "TH-21", "TH-31", "PG-11", "PG-21", "SP-01", "SW-01"],
    "abort_limits": [
        {"quantity": "temperature rise", "limit": 12},
        {"quantity": "vibration", "limit": 7.1},
        {"quantity": "pressure pulsation", "because": "no fast gauge at hand"},
        {"quantity": "noise", "because": "listened by ear"},
        {"quantity": "motor current", "limit": 420},
    ],
    "line_up": {
        "suction_open": True,
        "return_open": True,
        "return_sealed_open": True,
        "vented": True,
        "parallel_pump": "stopped, automatic start locked",
        "has_warm_keeping_line": False,
    },
}
_READ: dict[str, Any] = {
    "readings": [
        {
            "key": "t1-flow-1",
            "step": "T1",
            "quantity": "bypass flow",
            "value": 29.4,
            "gauge": "FM-01",
        },
        {
            "key": "t2-1-main",
            "step": "T2",
            "stop": 1,
            "quantity": "main flow",
            "value": 12,
            "gauge": "FM-11",
        },
    ]
}


class TestRunsOfOrder(Endpoint):
    """Begin a guided test on an order; what it could be done with."""

    __test__ = False
    required_scopes = READ

    @extend_schema(
        operation_id="test_options_retrieve",
        summary="Methods with their band or why not, limits, gauges for a guided test",
        tags=["function test"],
        responses={200: TestOptionsOut},
    )
    def get(self, request: Request, order_id: int) -> Response:
        return Response(begin_view_of_order(order_id, request.user, at=self.now))

    @extend_schema(
        operation_id="test_runs_begin",
        summary="Begin a guided function test",
        tags=["function test"],
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=BeginTest,
        responses={201: TestRunOut},
        examples=[OpenApiExample("with a flow meter", request_only=True, value=_BEGIN)],
    )
    def post(self, request: Request, order_id: int) -> Response:
        def effect() -> Response:
            shape = BeginTest(data=request.data)
            shape.is_valid(raise_exception=True)
            run = begin_test(
                order_id,
                **shape.inputs(),
                version=version_from(request),
                actor=request.user,
                at=self.now,
            )
            return _answer(run_card(run.pk, request.user), 201)

        return idempotent(request, effect)


class TestRunDetail(Endpoint):
    """One run, judged as it stands."""

    __test__ = False
    required_scopes = READ

    @extend_schema(
        operation_id="test_runs_retrieve",
        summary="A guided test with its readings, judged now or as at its end",
        description="The ETag is the order's version, to be sent as If-Match when finishing.",
        tags=["function test"],
        responses={200: TestRunOut},
    )
    def get(self, request: Request, run_id: int) -> Response:
        return _answer(run_card(run_id, request.user))


class TestRunReadings(Endpoint):
    """Raw readings, many at a time."""

    __test__ = False

    @extend_schema(
        operation_id="test_runs_read",
        summary="Add raw readings; each row created, duplicate or refused",
        description="A row's `key` makes it idempotent for ever: the same key adds nothing.",
        tags=["function test"],
        parameters=[IDEMPOTENCY_KEY],
        request=ReadingsIn,
        responses={200: RecordedOut},
        examples=[OpenApiExample("two readings", request_only=True, value=_READ)],
    )
    def post(self, request: Request, run_id: int) -> Response:
        def effect() -> Response:
            shape = ReadingsIn(data=request.data)
            shape.is_valid(raise_exception=True)
            rows = shape.validated_data["readings"]
            done = record_readings(run_id, rows, key="", actor=request.user, at=self.now)
            results = [
                {
                    "index": row.index,
                    "status": row.status,
                    "id": row.id,
                    "crossed": row.crossed,
                    "reasons": [
                        {"code": r.code, "detail": r.words, "fix": r.remedy} for r in row.reasons
                    ],
                }
                for row in done
            ]
            return _answer(run_card(run_id, request.user), results=results)

        return idempotent(request, effect)


class TestRunNotDone(Endpoint):
    """'Not done, because …' is an answer."""

    __test__ = False

    @extend_schema(
        operation_id="test_runs_not_done",
        summary="Say why a step is not done",
        tags=["function test"],
        parameters=[IDEMPOTENCY_KEY],
        request=NotDone,
        responses={200: TestRunOut},
        examples=[
            OpenApiExample(
                "no second pump",
                request_only=True,
                value={"step": "T6", "because": "The second pump is in repair."},
            )
        ],
    )
    def post(self, request: Request, run_id: int) -> Response:
        def effect() -> Response:
            shape = NotDone(data=request.data)
            shape.is_valid(raise_exception=True)
            answer_step(run_id, **shape.validated_data, actor=request.user, at=self.now)
            return _answer(run_card(run_id, request.user))

        return idempotent(request, effect)


class TestRunFinish(Endpoint):
    """End it: the rule decides."""

    __test__ = False

    @extend_schema(
        operation_id="test_runs_finish",
        summary="End the test; the rule decides, the result becomes evidence",
        tags=["function test"],
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=FinishTest,
        responses={200: TestRunOut},
        examples=[OpenApiExample("ended", request_only=True, value={"words": "No leak."})],
    )
    def post(self, request: Request, run_id: int) -> Response:
        def effect() -> Response:
            shape = FinishTest(data=request.data)
            shape.is_valid(raise_exception=True)
            finish_test(
                run_id,
                **shape.validated_data,
                version=version_from(request),
                actor=request.user,
                at=self.now,
            )
            return _answer(run_card(run_id, request.user))

        return idempotent(request, effect)
