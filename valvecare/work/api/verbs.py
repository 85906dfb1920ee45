"""One endpoint per verb, all made the same way: parse, one action, the order as it now is."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.idempotency import idempotent
from valvecare.web.signing import fresh_credential
from valvecare.web.views import Endpoint
from valvecare.work.actions.agree import agree
from valvecare.work.actions.assign import assign
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.confirm_identity import confirm_identity
from valvecare.work.actions.decide_joint import decide_joint
from valvecare.work.actions.decide_part import decide_part
from valvecare.work.actions.drop import drop
from valvecare.work.actions.hold import hold, resume
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.put_off import ask_to_put_off, put_off
from valvecare.work.actions.ready import ready
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_parts_used import record_parts_used
from valvecare.work.actions.record_steps import record_steps, witness_step
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.actions.start import start
from valvecare.work.api import shapes
from valvecare.work.api.answers import OrderOut
from valvecare.work.api.orders import IDEMPOTENCY_KEY, IF_MATCH
from valvecare.work.models import WorkOrder
from valvecare.work.reads import order_card
from valvecare.work.rules import canonical


@dataclass(frozen=True)
class Verb:
    """The last word of the address, what it does, its shape and its action."""

    name: str
    summary: str
    shape: type[serializers.Serializer]
    act: Callable[..., WorkOrder]
    example: dict[str, Any] = field(default_factory=dict)


VERBS = (
    Verb("agree", "Agree that the work is wanted", shapes.Words, agree, {"words": "In June."}),
    Verb("assign", "Name who does it", shapes.Assign, assign, {"username": "nh-technician-a"}),
    Verb(
        "ready",
        "Show that everything is green",
        shapes.Ready,
        ready,
        {
            "proofs": {
                "kit": "lot L2302",
                "permit": "permit 1204",
                "rods and spring": "two long rods",
                "lifting": "hoist 2",
                "crew and skill": "NH crew",
                "test slot": "12 June, 10:00",
            }
        },
    ),
    Verb("start", "Begin at the valve", shapes.Start, start),
    Verb(
        "identity",
        "Confirm that this is the valve of the order",
        shapes.ConfirmIdentity,
        confirm_identity,
        {"text": "7KQ39MXT"},
    ),
    Verb(
        "steps",
        "Answer steps of the procedure",
        shapes.RecordSteps,
        record_steps,
        {
            "answers": [
                {"step": 4, "outcome": "done"},
                {"step": 5, "outcome": "not done", "because": "There is no pit."},
            ]
        },
    ),
    Verb(
        "witness",
        "Witness a hold point",
        shapes.WitnessStep,
        witness_step,
        {"step": 17, "words": "Vents and drains open, nothing comes."},
    ),
    Verb(
        "gates",
        "Pass a gate",
        shapes.PassGate,
        pass_gate,
        {"gate": "isolated", "words": "Three connections locked, vent and drain open."},
    ),
    Verb(
        "as-found",
        "Record how the valve was found",
        shapes.RecordAsFound,
        record_as_found,
        {"words": "Held pressure, bypass line warm.", "grade": "as expected"},
    ),
    Verb(
        "findings",
        "Judge one part",
        shapes.RecordFinding,
        record_finding,
        {
            "part": "lever pin",
            "found": "worn",
            "measurements": [
                {"quantity": "lost motion at the bypass", "value": 1.4, "gauge": "DG-03"}
            ],
            "grade": "4",
            "decision": "replace",
        },
    ),
    Verb(
        "decide",
        "Decide on a part as the engineer",
        shapes.DecidePart,
        decide_part,
        {"part": "body", "decision": "reuse", "because": "Wall measured: 11.2 mm of 9.0."},
    ),
    Verb(
        "decide-joint",
        "Accept a joint that is not as planned, or have it tightened again",
        shapes.DecideJoint,
        decide_joint,
        {"accept": False, "because": "Below what seats the gasket."},
    ),
    Verb(
        "parts-used",
        "Record a part or kit built in",
        shapes.RecordPartsUsed,
        record_parts_used,
        {"name": "lever pin 10 mm", "quantity": 1, "lot": "L2302"},
    ),
    Verb(
        "tests",
        "Record a function test",
        shapes.RecordTest,
        record_test,
        {
            "method": "flow meter",
            "bypass_flow_m3_per_h": 29.4,
            "uncertainty_share": 0.05,
            "required_m3_per_h": 27.0,
        },
    ),
    Verb(
        "release",
        "Sign a provisional release",
        shapes.Release,
        release_provisionally,
        {
            "until": "2026-06-30",
            "restriction": "Load within 60 s after start.",
            "words": "The pump cannot run before the end of June.",
            "password": "your own",
        },
    ),
    Verb(
        "close",
        "Close the order",
        shapes.Close,
        close_work_order,
        {"remarks": "No leak.", "password": "your own"},
    ),
    Verb(
        "hold",
        "Put on hold",
        shapes.Hold,
        hold,
        {"why": "The kit is revision A, the valve B.", "until": "2026-06-01"},
    ),
    Verb("resume", "Go on after a hold or a deferral", shapes.Empty, resume),
    Verb(
        "ask-to-put-off",
        "Ask for a deferral",
        shapes.AskToPutOff,
        ask_to_put_off,
        {
            "why": "The window shrinks to ten days.",
            "risk": "0.72 of the limit used; as expected twice before.",
            "until": "2026-09-15",
        },
    ),
    Verb(
        "put-off",
        "Sign the deferral that was asked for",
        shapes.PutOff,
        put_off,
        {"signature": "I accept the risk until the September day.", "password": "your own"},
    ),
    Verb("drop", "End without doing it", shapes.Why, drop, {"why": "Raised twice."}),
    Verb(
        "reopen",
        "Open a closed order as a new revision",
        shapes.Reopen,
        reopen,
        {"why": "The spring length was left out.", "work_again": False},
    ),
)


def _endpoint(verb: Verb) -> type[Endpoint]:
    """The endpoint class of one verb."""
    examples = [OpenApiExample(verb.name, request_only=True, value=verb.example)]

    @extend_schema(
        operation_id=f"work_orders_{verb.name.replace('-', '_')}",
        summary=verb.summary,
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request=verb.shape,
        responses={200: OrderOut},
        examples=examples,
    )
    def post(self: Endpoint, request: Request, order_id: int) -> Response:
        at = self.now
        signed: dict[str, Any] = {}
        printed = None
        if issubclass(verb.shape, shapes.Signed):
            # outside the transaction, so that a failed try stays counted
            if not WorkOrder.objects.for_user(request.user).filter(pk=order_id).exists():
                raise NotFound(f"There is no work order {order_id}.")
            given = verb.shape(data=request.data)
            given.is_valid(raise_exception=True)
            password = given.validated_data["password"]
            signed = {"credential": fresh_credential(request, password, at=at)}
            plain = dict(request.data)
            del plain["password"]
            printed = canonical(plain).encode()

        def effect() -> Response:
            shape = verb.shape(data=request.data)
            shape.is_valid(raise_exception=True)
            version = version_from(request)
            facts = {
                name: value for name, value in shape.validated_data.items() if name != "password"
            }
            order = verb.act(
                order_id, **facts, **signed, version=version, actor=request.user, at=at
            )
            card = order_card(order.pk, request.user)
            return Response(card, headers=etag_headers(card))

        return idempotent(request, effect, printed=printed)

    name = f"WorkOrder{verb.name.title().replace('-', '')}"
    return type(name, (Endpoint,), {"post": post, "__doc__": f"{verb.summary}."})


VERB_ENDPOINTS = {verb.name: _endpoint(verb) for verb in VERBS}
