"""Which gates, proofs and parts each kind of order has."""

from collections.abc import Mapping
from enum import StrEnum

from valvecare.engineering.cautions import StepKind
from valvecare.work.rules.words import GateKind, OrderKind, OrderState, PartName

_K, _G = OrderKind, GateKind
_OPENED = (
    _G.ISOLATED,
    _G.AS_FOUND,
    _G.COVER_RELEASED,
    _G.PARTS_JUDGED,
    _G.JOINT_CLOSED,
    _G.MOVED_BY_HAND,
)
GATES: Mapping[OrderKind, tuple[GateKind, ...]] = {
    _K.STRIP_DOWN: _OPENED,
    _K.SISTER_INSPECTION: _OPENED,
    _K.CORRECTIVE: _OPENED,
    _K.BYPASS_ONLY: (_G.ISOLATED, _G.AS_FOUND, _G.PARTS_JUDGED, _G.JOINT_CLOSED),
    _K.EXCHANGE: (_G.ISOLATED, _G.AS_FOUND, _G.JOINT_CLOSED),
    _K.FUNCTION_TEST: (_G.AS_FOUND,),
    _K.LOOK_AND_LISTEN: (_G.AS_FOUND,),
    _K.RECEIVING_CHECK: (_G.PARTS_JUDGED, _G.MOVED_BY_HAND),
}
"""The gates each kind of order has; a kind without a gate is never asked for it."""

NEEDS_PROOF = frozenset(OrderKind) - {_K.LOOK_AND_LISTEN, _K.RECEIVING_CHECK}
"""Kinds that may be closed only when the function is proven, or under a signed release."""

OPENS_THE_VALVE = frozenset(kind for kind, gates in GATES.items() if _G.JOINT_CLOSED in gates)
"""Kinds that break a pressure joint: the closed season and the group rule are about these."""

CLOSES_THE_COVER = frozenset(kind for kind, gates in GATES.items() if _G.COVER_RELEASED in gates)
"""Kinds whose joint is the cover, which is the one joint the register knows; the others close
the joint of the bypass or the flanges of the line."""

NEEDS_NO_WINDOW = frozenset({_K.LOOK_AND_LISTEN, _K.RECEIVING_CHECK})
"""Kinds that take nothing out of service and start as soon as they are agreed."""


class ReadyItem(StrEnum):
    """What must be shown green before an order is readied (go/no-go of the trade)."""

    KIT = "kit"
    PERMIT = "permit"
    RODS = "rods and spring"
    LIFTING = "lifting"
    CREW = "crew and skill"
    TEST_SLOT = "test slot"


def ready_items(kind: OrderKind) -> tuple[ReadyItem, ...]:
    """The items of the go/no-go list for this kind of order."""
    if GateKind.COVER_RELEASED in GATES[kind]:
        return tuple(ReadyItem)
    if kind in OPENS_THE_VALVE:
        lifted = (ReadyItem.LIFTING,) if kind is OrderKind.EXCHANGE else ()
        return (ReadyItem.KIT, ReadyItem.PERMIT, *lifted, ReadyItem.CREW, ReadyItem.TEST_SLOT)
    if kind is OrderKind.FUNCTION_TEST:
        return (ReadyItem.PERMIT, ReadyItem.CREW, ReadyItem.TEST_SLOT)
    return ()


def parts_to_judge(
    kind: OrderKind, *, has_lever: bool | None, has_flow_ring: bool | None, stages: int | None
) -> tuple[PartName, ...]:
    """The parts that must be judged. A design that is not known (None) leaves nothing out."""
    if GateKind.PARTS_JUDGED not in GATES[kind]:
        return ()
    lever = (PartName.ACTUATING_LEVER, PartName.LEVER_PIN, PartName.LEVER_BUSH)
    bushing = (PartName.BREAKING_BUSHING,) if stages is None or stages > 1 else ()
    bypass = (PartName.BYPASS_TRIM, *bushing, PartName.BYPASS_NON_RETURN)
    if kind is OrderKind.BYPASS_ONLY:
        return bypass
    return (
        PartName.MAIN_DISC,
        PartName.BODY_SEAT,
        PartName.DISC_GUIDE,
        PartName.GUIDE_BUSH,
        PartName.CLOSING_SPRING,
        *(lever if has_lever is not False else ()),
        *bypass,
        *((PartName.FLOW_RING,) if has_flow_ring is not False else ()),
        PartName.BODY,
        PartName.COVER,
    )


_CAUTIONS: Mapping[GateKind, tuple[StepKind, ...]] = {
    _G.ISOLATED: (StepKind.ISOLATE,),
    _G.COVER_RELEASED: (StepKind.OPEN, StepKind.LIFT),
    _G.PARTS_JUDGED: (StepKind.INSPECT, StepKind.LAP),
    _G.JOINT_CLOSED: (StepKind.SEAL, StepKind.CLOSE, StepKind.TIGHTEN),
}
_CAUTIONS_OF_KIND: Mapping[tuple[OrderKind, GateKind], tuple[StepKind, ...]] = {
    (_K.BYPASS_ONLY, _G.PARTS_JUDGED): (StepKind.BREAK_JOINT, StepKind.INSPECT, StepKind.LAP),
    (_K.BYPASS_ONLY, _G.JOINT_CLOSED): (StepKind.SEAL, StepKind.TIGHTEN),
    (_K.EXCHANGE, _G.JOINT_CLOSED): (
        StepKind.BREAK_JOINT,
        StepKind.LIFT,
        StepKind.SEAL,
        StepKind.TIGHTEN,
    ),
}


def cautions_before(kind: OrderKind, gate: GateKind) -> tuple[StepKind, ...]:
    """Kinds of step whose cautions are shown before the gate in an order of this kind.

    >>> cautions_before(OrderKind.BYPASS_ONLY, GateKind.JOINT_CLOSED)
    (<StepKind.SEAL: 'seal'>, <StepKind.TIGHTEN: 'tighten'>)
    """
    return _CAUTIONS_OF_KIND.get((kind, gate), _CAUTIONS.get(gate, ()))


PLACEABLE = (OrderState.AGREED, OrderState.PLACED, OrderState.READIED)
"""States from which an order is placed in a window or moved to another."""
