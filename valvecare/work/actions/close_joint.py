"""The cover joint: its record beside its plan, and the engineer's word where they differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from valvecare.core.errors import Reason
from valvecare.engineering.joint_records import FastenerState
from valvecare.register.models import ProtectionValve
from valvecare.work.actions.measure import usable_gauge
from valvecare.work.actions.order import keep, refuse_if
from valvecare.work.models import Tightening, WorkOrder
from valvecare.work.reads import cover_of, owners_torque, wrench_of
from valvecare.work.rules import GaugeKind, OrderKind, why_not_joint
from valvecare.work.rules.torque_set import JointDone, compare_joint, why_not_fasteners


@dataclass(frozen=True)
class Joint:
    """The record of a tightened joint, and why it is not as planned.

    `reasons` are for the engineer; `off_plan` only wants the technician's own reason.
    """

    record: dict[str, Any]
    reasons: tuple[Reason, ...]
    off_plan: Reason | None
    words: str

    @property
    def differs(self) -> bool:
        return bool(self.reasons)

    def stays_because(self, because: str) -> dict[str, Any]:
        """The record with the reason why a setting off the plan stays. Refused without one."""
        if self.off_plan is None:
            return self.record
        if not because.strip():
            refuse_if(self.off_plan)
        return {**self.record, "off_plan_because": because.strip()}


def joint_done(
    order: WorkOrder,
    *,
    lubricant: str,
    wrench: str,
    torque_nm: float | None,
    passes: Sequence[str],
    new_gasket: bool,
    fasteners: FastenerState | None,
    friction: float | None,
    friction_source: str,
    at: datetime,
) -> Joint:
    """The joint's record compared with its plan.

    Refused whatever the engineer would say: no new gasket, no lubricant, a wrench that is not fit,
    a pass left out, fasteners that have yielded.
    """
    refuse_if(
        why_not_joint(
            lubricant=lubricant, torque_nm=torque_nm, passes=passes, new_gasket=new_gasket
        )
    )
    gauge = usable_gauge(
        order, wrench, used_at=at, value=torque_nm, unit="N m", kind=GaugeKind.TORQUE_WRENCH
    )
    valve = ProtectionValve.objects.select_related("design").get(pk=order.valve_id)
    kind, cover = OrderKind(order.kind), cover_of(valve.design)
    refuse_if(why_not_fasteners(kind, cover, fasteners))
    compared = compare_joint(
        kind,
        cover,
        JointDone(
            torque_nm=float(torque_nm or 0.0),
            lubricant=lubricant,
            wrench=wrench_of(gauge),
            fasteners=fasteners or FastenerState.REUSED,
            friction=friction,
            friction_source=friction_source,
        ),
        owner=owners_torque(),
    )
    record = {
        "lubricant": lubricant,
        "wrench": gauge.code,
        "wrench_calibrated_until": gauge.calibrated_until.isoformat(),
        "torque_nm": torque_nm,
        "passes": list(passes),
        "new_gasket": new_gasket,
        "fasteners": fasteners.value if fasteners else "",
        "friction": friction,
        "friction_source": friction_source,
        "compared": compared.record(),
    }
    return Joint(record, compared.reasons, compared.off_plan, compared.words)


def ask_engineer(
    order: WorkOrder,
    joint: Joint,
    because: str,
    words: str,
    done_at: datetime,
    *,
    done_by: Any,
    actor: Any,
    at: datetime,
) -> WorkOrder:
    """Keep a joint that is not as planned for the engineer; the gate stays open."""
    settle_waiting(order, actor=actor, at=at)
    row = Tightening(
        order=order,
        revision=order.revision,
        at=done_at,
        by=actor,
        done_by=done_by,
        words=words,
        record=joint.record,
        disagree_because=because.strip(),
        recorded_at=at,
    )
    row.clean_fields(exclude=["order", "by", "done_by"])
    row.save(force_insert=True)
    return keep(
        order,
        "joint_disputed",
        actor=actor,
        at=at,
        words=f"{order}: joint not as planned, for the engineer. {joint.words} {because}"[:500],
        data={**joint.record, "disagree_because": because.strip()},
    )


def settle_waiting(order: WorkOrder, *, actor: Any, at: datetime) -> None:
    """A joint tightened again takes the place of the one that waited."""
    waiting = Tightening.objects.filter(order=order, revision=order.revision, decided_at=None)
    for row in waiting:
        row.is_accepted, row.decided_at, row.decided_by = False, at, actor
        row.decided_because = "Tightened again."
        row.save(update_fields=["is_accepted", "decided_at", "decided_by", "decided_because"])
