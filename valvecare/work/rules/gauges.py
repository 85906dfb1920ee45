"""Which gauge may be used: on record, in service, in calibration, inside its range."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from valvecare.core.errors import Reason


class GaugeKind(StrEnum):
    """Kinds of measuring tools."""

    TORQUE_WRENCH = "torque wrench"
    DEPTH_GAUGE = "depth gauge"
    CALLIPER = "calliper"
    MICROMETER = "micrometer"
    FEELER_GAUGE = "feeler gauge"
    PIN_GAUGE = "pin gauge"
    WALL_THICKNESS_METER = "wall thickness meter"
    PRESSURE_GAUGE = "pressure gauge"
    THERMOMETER = "thermometer"
    FLOW_METER = "flow meter"
    STOPWATCH = "stopwatch"
    FORCE_GAUGE = "force gauge"


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """One measuring tool as its label and record say."""

    code: str
    kind: str
    low: float
    high: float
    unit: str
    calibrated_until: date
    is_retired: bool


def why_not_gauge(
    gauge: GaugeFacts | None,
    *,
    code: str,
    used_on: date,
    value: float | None,
    unit: str,
    kind: GaugeKind | None = None,
) -> Reason | None:
    """Why this gauge may not have measured this. `unit` empty: the value is not in its unit."""
    if not code.strip():
        return Reason(
            "gauge_not_named",
            "A measured value names the gauge it was read from.",
            "Give the number on the gauge's label, for example TW-07.",
        )
    if gauge is None:
        return Reason(
            "gauge_unknown",
            f"{code} is not on this site's list of gauges.",
            "Read the label again, or have it put on the list.",
            {"gauge": code},
        )
    if gauge.is_retired:
        return Reason(
            "gauge_retired",
            f"{code} is out of service.",
            "Take a gauge that is in service.",
            {"gauge": code},
        )
    if kind is not None and gauge.kind != kind:
        return Reason(
            "gauge_of_other_kind",
            f"{code} is a {gauge.kind}, not a {kind}.",
            f"Name the {kind} that was used.",
            {"gauge": code},
        )
    if used_on > gauge.calibrated_until:
        return Reason(
            "gauge_overdue",
            f"{code} was due for calibration on {gauge.calibrated_until.isoformat()}; "
            f"it was used on {used_on.isoformat()}.",
            "Measure again with a gauge in calibration.",
            {"gauge": code, "calibrated_until": gauge.calibrated_until.isoformat()},
        )
    if value is None or not unit:
        return None
    if gauge.unit != unit:
        return Reason(
            "gauge_of_other_unit",
            f"{code} reads {gauge.unit}, not {unit}.",
            "Name the gauge this value was read from.",
            {"gauge": code},
        )
    if not gauge.low <= value <= gauge.high:
        return Reason(
            "out_of_gauge_range",
            f"{value:g} {unit} lies outside the range of {code} "
            f"({gauge.low:g} to {gauge.high:g} {unit}).",
            "Measure with a gauge of the right range.",
            {"gauge": code, "low": gauge.low, "high": gauge.high},
        )
    return None
