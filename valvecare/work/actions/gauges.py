"""Put a gauge on a site's list."""

from datetime import date, datetime
from typing import Any

from valvecare.core.errors import NotFound
from valvecare.core.records import create
from valvecare.register.models import Site
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
