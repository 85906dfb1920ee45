"""Change a pump: its plain facts, its hydraulics, its curve."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from valvecare.core.events import record
from valvecare.core.jobs import wake
from valvecare.core.models import NOT_KNOWN
from valvecare.core.permits import require
from valvecare.core.records import FOLLOWER, save_with_history
from valvecare.core.take import take
from valvecare.register import rules
from valvecare.register.actions.records import check_change, check_place, refuse_if, seen_by
from valvecare.register.models import CurvePoint, Pump

Point = tuple[float, float, float | None]
"""Flow m³/h, head m, shaft power kW or None."""

UNKNOWN = (None, "", NOT_KNOWN, ())


def curve_of(pump: Pump) -> tuple[Point, ...]:
    """The stored points, ascending in flow."""
    rows = pump.curve_points.order_by("flow_m3_per_h")
    return tuple(rows.values_list("flow_m3_per_h", "head_m", "shaft_power_kw"))


@transaction.atomic
def change_pump(
    pk: Any,
    changes: Mapping[str, Any],
    *,
    points: Sequence[Point] | None = None,
    version: int,
    actor: Any,
    at: datetime,
    reason: str = "",
    changed_on: date | None = None,
    correction: bool = False,
) -> Pump:
    """Change fields and, when `points` is given, the whole curve of a pump, in one version.

    When a hydraulic field (`rules.HYDRAULIC_FIELDS`) or the curve moves from a known value, a
    reason is needed and `hydraulics_changed_on` is set to `changed_on` (default: the site's day
    of `at`), from when on older computed evidence counts no longer. `correction=True` says that
    only the record was wrong: the date stays, the reason is needed all the same.

    Raises `NotFound`, `Conflict`, `Forbidden` (what the pump's owner answers for asks
    for `change_pump`, the rest for `change_register`), `Refused`, ValidationError.
    """
    pump: Pump = take(seen_by(Pump, actor), pk, version)
    moved = {
        name: (getattr(pump, name), value)
        for name, value in changes.items()
        if getattr(pump, name) != value
    }
    if points is not None:
        new = tuple(sorted(points, key=lambda point: point[0]))
        old = curve_of(pump)
        if old != new:
            moved["curve"] = (old, new)
    new_curve = moved.get("curve", ((), ()))[1]
    for permit in rules.permits_of_pump_change(moved):
        require(actor, permit, site_id=pump.site_of().pk)
    check_change(pump, changes, actor)
    hydraulic = rules.hydraulics_moved(moved, UNKNOWN)
    refuse_if(
        rules.why_not_curve(new_curve) if "curve" in moved else None,
        rules.why_not_without_reason(hydraulic, reason),
    )
    for name, (_, value) in moved.items():
        if name != "curve":
            setattr(pump, name, value)
    if hydraulic and not correction:
        local = at.astimezone(ZoneInfo(pump.site_of().time_zone)).date()
        pump.hydraulics_changed_on = changed_on or local
        pump.hydraulics_change = f"{', '.join(hydraulic)}: {reason}"[:200]
    if not moved:
        return pump
    pump.full_clean()
    save_with_history(pump, actor, reason)
    check_place(pump, "tag" in moved)
    if "curve" in moved:
        pump.curve_points.all().delete()
        CurvePoint.objects.bulk_create(
            CurvePoint(pump=pump, flow_m3_per_h=flow, head_m=head, shaft_power_kw=power)
            for flow, head, power in new_curve
        )
    record(
        "pump.changed",
        pump,
        actor=actor,
        at=at,
        words=f"{pump}: {', '.join(sorted(moved))} {'corrected' if correction else 'changed'}.",
        data={
            "changes": {
                name: {"from": _plain(before), "to": _plain(after)}
                for name, (before, after) in moved.items()
            },
            "hydraulics_changed_on": str(pump.hydraulics_changed_on or ""),
            "correction": correction,
            "reason": reason,
        },
    )
    wake(FOLLOWER)
    return pump


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [list(point) for point in value]
    return value if value is None or isinstance(value, (str, int, float, bool)) else str(value)


def set_curve(
    pk: Any,
    points: Sequence[Point],
    *,
    source: str,
    speed_rpm: float,
    density_kg_per_m3: float,
    version: int,
    actor: Any,
    at: datetime,
    reason: str = "",
    changed_on: date | None = None,
    correction: bool = False,
) -> Pump:
    """Replace the curve: points with the speed and density they were measured at, and a source."""
    changes = {
        "curve_source": source,
        "curve_speed_rpm": speed_rpm,
        "curve_density_kg_per_m3": density_kg_per_m3,
    }
    return change_pump(
        pk,
        changes,
        points=points,
        version=version,
        actor=actor,
        at=at,
        reason=reason,
        changed_on=changed_on,
        correction=correction,
    )
