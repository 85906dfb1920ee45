"""Limits of a valve's parts, gauges of a site, and findings that wait for the engineer."""

from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from django.db.models import F

from valvecare.register.models import ProtectionValve
from valvecare.work.models import Finding, Gauge, Tightening
from valvecare.work.rules import GaugeFacts, PartLimits

_FROM_DESIGN = tuple(field.name for field in fields(PartLimits) if field.name != "source")


def limits_of(valve: ProtectionValve) -> PartLimits:
    """The limits the design holds; a valve without a design has none."""
    design = valve.design
    if design is None:
        return PartLimits()
    return PartLimits(
        **{name: getattr(design, name) for name in _FROM_DESIGN}, source=design.limits_source
    )


def gauge_at(site_id: int, code: str) -> tuple[Gauge | None, GaugeFacts | None]:
    """The gauge of this label at the site, and what the rules ask about it."""
    gauge = Gauge.objects.filter(site_id=site_id, code=code.strip()).first()
    if gauge is None:
        return None, None
    return gauge, GaugeFacts(
        gauge.code,
        gauge.kind,
        gauge.range_low,
        gauge.range_high,
        gauge.unit,
        gauge.calibrated_until,
        gauge.is_retired,
    )


@dataclass(frozen=True, slots=True)
class ReviewLine:
    """One finding that waits for the engineer."""

    finding: int
    order: int
    version: int
    number: str
    valve: str
    part: str
    found: str
    grade: str
    decision: str
    rule_says: str
    rule_words: str
    because: str
    by: str | None
    at: datetime


def findings_for_engineer(user: Any) -> list[ReviewLine]:
    """Findings of open orders that wait for the engineer, oldest first. One query.

    Only the latest finding of a part counts, and only in the present revision.
    """
    rows = (
        Finding.objects.for_user(user)
        .filter(order__ended_at__isnull=True)
        .select_related("order__valve", "by")
        .order_by("order_id", "id")
    )
    latest: dict[tuple[int, str], Finding] = {}
    for row in rows:
        if row.revision == row.order.revision:
            latest[row.order_id, row.part] = row
    return [
        ReviewLine(
            row.pk,
            row.order_id,
            row.order.version,
            row.order.number,
            str(row.order.valve),
            row.part,
            row.found,
            row.grade,
            row.decision,
            row.rule_says,
            row.rule_words,
            row.disagree_because,
            row.by.get_username() if row.by else None,
            row.at,
        )
        for row in sorted(latest.values(), key=lambda row: row.pk)
        if row.for_engineer
    ]


@dataclass(frozen=True, slots=True)
class JointReview:
    """One cover joint that was not tightened as planned and waits for the engineer."""

    tightening: int
    order: int
    version: int
    number: str
    valve: str
    words: str
    because: str
    by: str
    at: datetime


def joints_for_engineer(user: Any) -> list[JointReview]:
    """Joints of open orders that wait for the engineer, oldest first. One query."""
    rows = (
        Tightening.objects.for_user(user)
        .filter(decided_at=None, order__ended_at__isnull=True)
        .filter(revision=F("order__revision"))
        .select_related("order__valve", "by")
        .order_by("id")
    )
    return [
        JointReview(
            row.pk,
            row.order_id,
            row.order.version,
            row.order.number,
            str(row.order.valve),
            row.record["compared"]["words"],
            row.disagree_because,
            row.by.get_username(),
            row.at,
        )
        for row in rows
    ]
