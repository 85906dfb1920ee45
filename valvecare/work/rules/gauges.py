"""Which gauge may be used: on record, in service, in calibration, inside its range."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import sqrt

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
    CLAMP_ON_METER = "clamp-on flow meter"
    LEVEL_GAUGE = "level gauge"
    POWER_METER = "power meter"
    AMMETER = "ammeter"
    VIBRATION_METER = "vibration meter"
    SOUND_METER = "sound level meter"
    SPEED_METER = "speed meter"


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


def gauge_uncertainty(
    value: float, *, expanded: float | None, expanded_share: float | None, step: float
) -> float | None:
    """Standard uncertainty (k = 1) of one reading, in the unit of the gauge; None: not known.

    `expanded` (in the unit) and `expanded_share` (of the reading) are of the certificate, k = 2;
    the step adds a rectangular distribution of its width, step over the root of 12 (JCGM 100,
    4.3.7, from memory). Without a certified figure nothing is assumed.

    >>> round(gauge_uncertainty(30.0, expanded=None, expanded_share=0.02, step=0.1), 4)
    0.3014
    """
    if expanded is None and expanded_share is None:
        return None
    parts = ((expanded or 0.0) / 2.0, (expanded_share or 0.0) * abs(value) / 2.0, step / sqrt(12.0))
    return sqrt(sum(part**2 for part in parts))


def why_not_gauge(
    gauge: GaugeFacts | None,
    *,
    code: str,
    used_on: date,
    value: float | None,
    unit: str,
    kind: GaugeKind | None = None,
    is_difference: bool = False,
) -> Reason | None:
    """Why this gauge may not have measured this. `unit` empty: the value is not in its unit.

    `is_difference`: the value is one reading less another, so it is held against the span.
    """
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
    span = gauge.high - gauge.low
    if is_difference:
        if abs(value) <= span:
            return None
        return Reason(
            "out_of_gauge_range",
            f"{value:g} {unit} is more than the span of {code} ({span:g} {unit}).",
            "Measure with a gauge of the right range.",
            {"gauge": code, "low": gauge.low, "high": gauge.high},
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
