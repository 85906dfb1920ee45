"""Valid orders, made through the actions where it matters. All names are invented."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import factory
import pytest
from factory.django import DjangoModelFactory

from tests.factories.register import ProtectionValveFactory, SiteFactory, member
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.core.signing import FreshCredential
from valvecare.models import (
    ClosedRevision,
    Deferral,
    DueItem,
    Event,
    Finding,
    FunctionTest,
    Gate,
    Gauge,
    Measurement,
    PartUsed,
    Policy,
    ProvisionalRelease,
    Signature,
    WorkOrder,
)
from valvecare.protection.rules import ProofMethod
from valvecare.work.actions.agree import agree
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.put_off import put_off
from valvecare.work.actions.ready import ready
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.start import start
from valvecare.work.reads import facts_of, limits_of
from valvecare.work.rules import (
    PASSES,
    READ_FROM_A_GAUGE,
    AsFound,
    FindingGrade,
    GateKind,
    GaugeKind,
    Measured,
    OrderKind,
    OrderState,
    PartDecision,
    PartName,
    RaisedBy,
    Rods,
    measures_of,
    ready_items,
)

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)


class WorkOrderFactory(DjangoModelFactory):
    """A raised order; give `state` and it stands there without a story."""

    class Meta:
        model = WorkOrder

    valve = factory.SubFactory(ProtectionValveFactory)
    site = factory.LazyAttribute(lambda order: order.valve.pump.group.site)
    kind = OrderKind.STRIP_DOWN.value
    state = OrderState.RAISED.value
    why = "Calendar, 1.02 of the 24-month limit."
    raised_by = RaisedBy.PERSON.value
    raised_at = NOW - timedelta(days=10)
    due_on = date(2026, 6, 1)
    updated_at = NOW - timedelta(days=10)


class GaugeFactory(DjangoModelFactory):
    class Meta:
        model = Gauge
        django_get_or_create = ("site", "code")

    site = factory.SubFactory(SiteFactory)
    code = "DG-01"
    kind = GaugeKind.DEPTH_GAUGE.value
    range_low = 0.0
    range_high = 500.0
    unit = "mm"
    step = 0.01
    calibrated_until = date(2030, 12, 31)


def joint_closed(site: Any, **given: Any) -> dict[str, Any]:
    """What the record of a closed joint says when everything was done."""
    wrench = GaugeFactory(
        site=site,
        code="TW-01",
        kind=GaugeKind.TORQUE_WRENCH.value,
        range_low=40.0,
        range_high=400.0,
        unit="N m",
        step=5.0,
    )
    return {
        "lubricant": "MoS2 paste",
        "wrench": wrench.code,
        "torque_nm": 215.0,
        "passes": PASSES,
        "new_gasket": True,
        **given,
    }


SOUND = {
    Measured.SEAT_DEPTH: 0.02,
    Measured.METAL_REMOVED: 0.0,
    Measured.CONTACT_RING: 1,
    Measured.CLEARANCE: 0.3,
    Measured.FREE_LENGTH: 129.5,
    Measured.LOST_MOTION: 0.4,
    Measured.HOLES_OPEN: 48,
}


def sound(order: WorkOrder, part: PartName, **other: float) -> list[dict[str, Any]]:
    """Measurements of this part inside every limit of its design; `other` by member name."""
    gauge = GaugeFactory(site=order.site)
    values = {**SOUND, **{Measured[name.upper()]: value for name, value in other.items()}}
    return [
        {
            "quantity": quantity.value,
            "value": values[quantity],
            "gauge": gauge.code if quantity in READ_FROM_A_GAUGE else "",
        }
        for quantity in measures_of(part, limits_of(order.valve))
    ]


SIGNED = (close_work_order, release_provisionally, put_off)


class Job:
    """One order carried through its steps by people of its site, a minute per step."""

    def __init__(self, site: Any, order: WorkOrder | None = None, **order_facts: Any) -> None:
        self.site = site
        self.planner = member(site, Role.PLANNER)
        self.technician = member(site, Role.TECHNICIAN)
        self.at = NOW
        self.order = order or WorkOrderFactory(valve__pump__group__site=site, **order_facts)

    def tick(self) -> datetime:
        self.at += timedelta(minutes=1)
        return self.at

    def do(self, action: Any, *args: Any, actor: Any = None, **kwargs: Any) -> WorkOrder:
        """Run an action on the order as it stands; keeps the new version. Signs where asked."""
        who, at = actor or self.technician, self.tick()
        if action in SIGNED:
            kwargs.setdefault("credential", FreshCredential(who.pk, at, "password"))
        self.order = action(
            self.order.pk, *args, version=self.order.version, actor=who, at=at, **kwargs
        )
        return self.order

    def to_agreed(self) -> "Job":
        self.do(agree, actor=self.planner)
        return self

    def to_readied(self) -> "Job":
        self.to_agreed()
        if ready_items(OrderKind(self.order.kind)):
            # the window is planning's business; its own tests place orders for real
            WorkOrder.objects.filter(pk=self.order.pk).update(state=OrderState.PLACED.value)
            proofs = {item.value: "shown" for item in ready_items(OrderKind(self.order.kind))}
            self.do(ready, proofs, actor=self.planner)
        return self

    def to_under_way(self) -> "Job":
        self.to_readied()
        self.do(start)
        return self

    def gate(self, gate: GateKind) -> "Job":
        given: dict[str, Any] = {}
        if gate is GateKind.COVER_RELEASED:
            given = {"rods": Rods.LONG_RODS_AND_CLAMP}
        if gate is GateKind.JOINT_CLOSED:
            given = joint_closed(self.site)
        self.do(pass_gate, gate, **given)
        return self

    def as_found(self, grade: AsFound | None = AsFound.AS_EXPECTED, **codes: Any) -> "Job":
        self.do(record_as_found, "Held pressure, bypass line warm.", grade=grade, **codes)
        return self

    def judge_parts(self) -> "Job":
        for part in facts_of(self.order).parts:
            self.do(
                record_finding,
                part,
                found="even polish",
                grade=FindingGrade.USED,
                decision=PartDecision.REUSE,
                measurements=sound(self.order, part),
            )
        return self

    def to_moved_by_hand(self) -> "Job":
        self.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
        self.judge_parts().gate(GateKind.PARTS_JUDGED).gate(GateKind.JOINT_CLOSED)
        return self.gate(GateKind.MOVED_BY_HAND)

    def test(self, flow: float = 30.0) -> "Job":
        self.do(
            record_test,
            ProofMethod.FLOW_METER,
            bypass_flow_m3_per_h=flow,
            uncertainty_share=0.05,
            required_m3_per_h=27.0,
        )
        return self

    def to_proven(self) -> "Job":
        return self.to_moved_by_hand().test()


def due_item(valve: Any, kind: str = "strip-down", **facts: Any) -> DueItem:
    """A due item as the sweep would leave it, under a policy of its own."""
    policy, _ = Policy.objects.get_or_create(
        valve=valve,
        kind=kind,
        valid_to=None,
        defaults={
            "months": 24,
            "valid_from": date(2025, 1, 1),
            "source": "invented",
            "owner": "engineer",
        },
    )
    group = valve.pump.group
    given: dict[str, Any] = {
        "state": "overdue",
        "share_used": 1.02,
        "governed_by": "calendar",
        "due_on": date(2026, 4, 20),
        "reason": "Calendar, 1.02 of the 24-month limit.",
        **facts,
    }
    item, _ = DueItem.objects.update_or_create(
        valve=valve,
        kind=kind,
        defaults={
            "site": group.site,
            "group": group,
            "pump": valve.pump,
            "design": valve.design,
            "policy": policy,
            "as_of": NOW,
            "changed_at": NOW,
            **given,
        },
    )
    return item


FACTS = (
    Gate,
    Finding,
    Measurement,
    Signature,
    PartUsed,
    FunctionTest,
    Deferral,
    ProvisionalRelease,
    ClosedRevision,
)


def snapshot(order: WorkOrder) -> Any:
    """Everything an action could have changed."""
    row = WorkOrder.objects.filter(pk=order.pk).values().get()
    return row, [model.objects.count() for model in FACTS], Event.objects.count()


def refused(job: Job, action: Any, *args: Any, **kwargs: Any) -> str:
    """The code of the refusal; nothing may have changed, the version included."""
    before = snapshot(job.order)
    version = job.order.version
    with pytest.raises(Refused) as caught:
        job.do(action, *args, **kwargs)
    assert snapshot(job.order) == before
    assert job.order.version == version
    code: str = caught.value.code
    return code
