"""The list of gauges of a site: add, change, retire, bring back."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.events import record
from valvecare.core.permits import require
from valvecare.core.records import change, create, retire
from valvecare.core.take import take
from valvecare.register.models import Site
from valvecare.register.rules import why_not_change, why_not_retire
from valvecare.work.models import Gauge
from valvecare.work.rules import GaugeKind


def add_gauge(
    site_code: str,
    code: str,
    *,
    kind: GaugeKind,
    range_low: float,
    range_high: float,
    unit: str,
    step: float,
    calibrated_until: date,
    note: str = "",
    uncertainty: float | None = None,
    uncertainty_share: float | None = None,
    actor: Any,
    at: datetime,
) -> Gauge:
    """Add a gauge with its range and the last day of its calibration."""
    site = Site.objects.for_user(actor).filter(code=site_code).first()
    if site is None:
        raise NotFound(f"There is no site {site_code}.")
    gauge = Gauge(
        site=site,
        code=code,
        kind=GaugeKind(kind).value,
        range_low=range_low,
        range_high=range_high,
        unit=unit,
        step=step,
        calibrated_until=calibrated_until,
        note=note,
        uncertainty=uncertainty,
        uncertainty_share=uncertainty_share,
    )
    return create(gauge, actor=actor, at=at, permit="change_gauges")


def change_gauge(
    gauge_id: int, changes: Mapping[str, Any], *, version: int, actor: Any, at: datetime
) -> Gauge:
    """Change what is known of a gauge, for example its next calibration. Its code stays."""
    found: Gauge = change(
        Gauge.objects.for_user(actor),
        gauge_id,
        changes,
        version=version,
        actor=actor,
        at=at,
        permit="change_gauges",
        check=_in_service,
    )
    return found


def _in_service(gauge: Gauge) -> None:
    reason = why_not_change(gauge.code, is_retired=gauge.is_retired)
    if reason is not None:
        raise Refused(reason)


def retire_gauge(gauge_id: int, *, version: int, actor: Any, at: datetime, reason: str) -> Gauge:
    """Take a gauge out of service: nothing is measured with it any more. What it has read stays."""

    def check(gauge: Gauge) -> None:
        why = why_not_retire(
            gauge.code, is_retired=gauge.is_retired, holds=(), what="", reason=reason
        )
        if why is not None:
            raise Refused(why)

    found: Gauge = retire(
        Gauge.objects.for_user(actor),
        gauge_id,
        version=version,
        actor=actor,
        at=at,
        permit="change_gauges",
        reason=reason,
        check=check,
    )
    return found


@transaction.atomic
def bring_back_gauge(
    gauge_id: int, *, version: int, actor: Any, at: datetime, reason: str
) -> Gauge:
    """Put a retired gauge back into service, with a reason."""
    gauge: Gauge = take(Gauge.objects.for_user(actor), gauge_id, version)
    require(actor, "change_gauges", site_id=gauge.site_id)
    if not gauge.is_retired:
        raise Refused(
            Reason("not_retired", f"{gauge.code} is in service.", "Nothing needs to be done.")
        )
    if not reason.strip():
        raise Refused(Reason("reason_needed", f"{gauge.code} comes back.", "Give the reason."))
    gauge.retired_at = None
    gauge.save(update_fields=["retired_at"])
    words = f"{gauge.code} brought back: {reason.strip()}"
    record("gauge.brought_back", gauge, actor=actor, at=at, words=words, data={"reason": reason})
    return gauge
