"""The cover joint of one order: order of the bolts, torque plan, what was set, what waits."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.core.conf import options
from valvecare.engineering.errors import Refusal
from valvecare.engineering.tightening import tightening_order
from valvecare.parts.reads import job_day
from valvecare.register.models import ValveDesign
from valvecare.work.models import Gauge, Tightening, WorkOrder
from valvecare.work.rules import CLOSES_THE_COVER, OPENS_THE_VALVE, GaugeKind, OrderKind
from valvecare.work.rules.torque import (
    CoverFacts,
    OwnersTorque,
    TorquePlan,
    WrenchFacts,
    plan_torque,
    why_no_torque,
)


def cover_of(design: ValveDesign | None) -> CoverFacts | None:
    """What the register says of the cover joint of this design."""
    if design is None:
        return None
    return CoverFacts(
        name=" ".join(filter(None, (design.code, design.variant, f"DN{design.dn}"))),
        revision=design.revision,
        closure=design.cover_closure,
        thread=design.cover_bolt_thread,
        grade=design.cover_bolt_grade,
        count=design.cover_bolt_count,
        pitch_mm=design.cover_bolt_pitch_mm,
        yield_mpa=design.cover_bolt_yield_mpa,
        fastener=design.cover_fastener,
        washers=design.cover_washers,
        bearing_outside_mm=design.cover_bearing_outside_mm,
        hole_mm=design.cover_bolt_hole_mm,
        preload_share=design.cover_preload_share,
        preload_kn=design.cover_preload_kn,
        lubricant=design.cover_lubricant,
        friction_thread=design.cover_friction_thread,
        friction_head=design.cover_friction_head,
        nut_factor=design.cover_nut_factor,
        friction_source=design.cover_friction_source,
        gasket=design.cover_gasket,
        gasket_area_mm2=design.cover_gasket_area_mm2,
        gasket_max_mpa=design.cover_gasket_max_mpa,
        seating_kn=design.cover_seating_kn,
        operating_kn=design.cover_operating_kn,
        source=design.cover_joint_source,
    )


def owners_torque() -> OwnersTorque:
    """The owner's limits for joints, from the installation's settings."""
    found = options()
    return OwnersTorque(
        scatter_lubricated=found.TORQUE_SCATTER_LUBRICATED,
        scatter_dry=found.TORQUE_SCATTER_DRY,
        relaxation=found.TORQUE_RELAXATION,
        bolt_limit_share=found.TORQUE_BOLT_LIMIT_SHARE,
        hydraulic_above_nm=found.TORQUE_HYDRAULIC_FROM_NM,
    )


def wrench_of(gauge: Gauge) -> WrenchFacts:
    return WrenchFacts(
        gauge.code,
        gauge.range_low,
        gauge.range_high,
        gauge.step,
        gauge.calibrated_until,
        gauge.uncertainty,
        gauge.uncertainty_share,
    )


def wrenches_at(site_id: int) -> list[WrenchFacts]:
    """The torque wrenches of a site that are in service and read N m."""
    rows = Gauge.objects.filter(
        site_id=site_id, kind=GaugeKind.TORQUE_WRENCH.value, unit="N m", retired_at=None
    )
    return [wrench_of(row) for row in rows.order_by("code")]


@dataclass(frozen=True, slots=True)
class WaitingJoint:
    """A joint tightened otherwise than planned; the engineer decides."""

    id: int
    words: str
    because: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class JointCard:
    """Closing the joint of one order: the plan, what was recorded, what waits.

    `is_compared`: all is known that a torque depends on, so what is set is compared with a plan
    for the wrench that is used, though no wrench of the site may give one now.
    """

    bolt_count: int | None
    thread: str
    grade: str
    order: tuple[int, ...]
    order_words: str
    plan: TorquePlan
    plan_on: date
    is_compared: bool
    record: Mapping[str, Any] | None
    waiting: WaitingJoint | None
    refused_because: str

    @property
    def words(self) -> str:
        return f"{self.order_words} {self.plan.words}".strip()


def _bolt_order(kind: OrderKind, count: int | None) -> tuple[tuple[int, ...], str]:
    if kind not in CLOSES_THE_COVER:
        return (), "The joint of this order is not the cover: count its bolts."
    if count is None:
        return (), "The number of cover bolts is not known: count them."
    try:
        return tightening_order(count), ""
    except Refusal as refusal:
        return (), str(refusal)


def _plan_day(order: WorkOrder) -> date:
    """The day the wrench must be in calibration: the day work began, else the day of the job."""
    if order.started_at is not None:
        return order.started_at.astimezone(ZoneInfo(order.site.time_zone)).date()
    day: date = job_day(order, order.due_on)
    return day


def _last_tightening(order: WorkOrder) -> Tightening | None:
    rows = Tightening.objects.filter(order=order, revision=order.revision)
    return rows.select_related("by").order_by("-id").first()


def joint_card(
    order: WorkOrder, record: Mapping[str, Any] | None, *, was_tightened: bool
) -> JointCard | None:
    """The joint of an order that opens the valve; None for the others. At most two queries.

    `record`: what the gate 'joint closed' holds, None while it is open. `was_tightened`: is there
    a tightening for the engineer, of whatever revision.
    """
    kind = OrderKind(order.kind)
    if kind not in OPENS_THE_VALVE:
        return None
    design = order.valve.design
    day, cover = _plan_day(order), cover_of(design)
    plan = plan_torque(kind, cover, wrenches_at(order.site_id), on=day, owner=owners_torque())
    known = cover if kind in CLOSES_THE_COVER else None
    bolts, words = _bolt_order(kind, known.count if known else None)
    last = _last_tightening(order) if was_tightened else None
    waits = last is not None and last.decided_at is None
    return JointCard(
        known.count if known else None,
        known.thread if known else "",
        known.grade if known else "",
        bolts,
        words,
        plan,
        day,
        not why_no_torque(kind, cover),
        record,
        WaitingJoint(
            last.pk,
            last.record["compared"]["words"],
            last.disagree_because,
            last.by.get_username(),
            last.at,
        )
        if last is not None and waits
        else None,
        last.decided_because if last is not None and last.is_accepted is False else "",
    )
