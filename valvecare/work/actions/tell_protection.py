"""What work at the valve tells the verdict: that it was opened, and how it was found."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from valvecare.protection.actions import note_inspection
from valvecare.protection.rules import NOT_GRADED
from valvecare.work.models import WorkOrder
from valvecare.work.reads import latest_findings
from valvecare.work.rules import GATES, OPENS_THE_VALVE, GateKind, OrderKind, PartDecision

_OPENINGS = (GateKind.COVER_RELEASED, GateKind.PARTS_JUDGED, GateKind.JOINT_CLOSED)


def opening_gate(kind: OrderKind) -> GateKind | None:
    """The gate at which this kind of work opens the valve; None when it stays shut."""
    if kind not in OPENS_THE_VALVE:
        return None
    return next((gate for gate in _OPENINGS if gate in GATES[kind]), None)


def _found(order: WorkOrder) -> str:
    """What was found, in words: parts that could not stay as they were, else as-found words."""
    parts = [
        f"{part}: {finding.found}"
        + (f", {finding.value:g} {finding.unit}".rstrip() if finding.value is not None else "")
        for part, finding in latest_findings(order).items()
        if finding.decision not in ("", PartDecision.REUSE)
    ]
    return "; ".join(parts) or order.as_found_words


def note_opening(
    order: WorkOrder, gates: Mapping[GateKind, datetime], *, closing: bool, actor: Any, at: datetime
) -> None:
    """Note the inspection of this revision: when the valve is opened, and again when it closes.

    The second note carries the findings and the final grade; the newer of the two counts.
    """
    gate = opening_gate(OrderKind(order.kind))
    if gate is None or gate not in gates:
        return
    note_inspection(
        order.valve,
        kind=order.kind,
        done_at=gates[gate],
        as_found=order.as_found or NOT_GRADED,
        mode=order.mode,
        words=_found(order) if closing else order.as_found_words,
        origin=f"{order.number} revision {order.revision}{', closed' if closing else ', opened'}",
        actor=actor,
        at=at,
    )
