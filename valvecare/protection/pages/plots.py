"""Drawings of the verdict: pump curve with limits, tests against the requirement, cooling line."""

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.utils.safestring import SafeString

from valvecare.engineering.cooling import shut_line_fraction
from valvecare.engineering.units import from_si
from valvecare.protection.models import FunctionTest
from valvecare.protection.reads.why import Why
from valvecare.web.plots import Band, Limit, Line, Marker, NumberAxis, TimeAxis, draw

FLOW = NumberAxis("Flow through the pump", "m³/h")
HOURS = NumberAxis("Since the last low flow", "h")


def curve_plot(found: Why) -> SafeString | None:
    """Head over flow with both minimum flows, the computed working point and the tested one."""
    points = found.hydraulics.curve_m3_per_h_m_kw
    if len(points) < 2 or found.capacity is None:
        return None
    result, working = found.capacity.result, found.capacity.working
    speed = found.hydraulics.curve_speed_rpm
    lines = [Line("Pump curve", [flow for flow, _, _ in points], [head for _, head, _ in points])]
    point = working.get("working_point")
    if point is not None:
        flow = from_si("volume_flow", "m3/h", point["pump_flow_m3_per_s"])
        lines.append(Line("On the bypass alone, computed", [flow], [point["head_m"]], "points"))
    if found.tested is not None:
        tested = found.tested
        lines.append(Line("As tested", [tested.flow_m3_per_h], [tested.head_m], "points"))
    limits = {
        "Heat limit": result["thermal_min_m3_per_h"],
        "Stable limit": found.hydraulics.stable_min_flow_m3_per_h,
    }
    return draw(
        "curve",
        title=f"Head of {found.standing.pump}" + (f" at {speed:g} 1/min" if speed else ""),
        unit="m",
        axis=FLOW,
        lines=lines,
        markers=[Marker(flow, words) for words, flow in limits.items() if flow is not None],
        height=280,
    )


def tests_plot(
    tag: str, tests: Sequence[FunctionTest], required: float | None, zone: ZoneInfo
) -> SafeString | None:
    """Measured bypass flows with their uncertainty against the requirement. Tests newest first."""
    measured = [test for test in reversed(tests) if test.bypass_flow_m3_per_h is not None]
    if not measured:
        return None
    if required is None:
        required = next(
            (t.required_m3_per_h for t in tests if t.required_m3_per_h is not None), None
        )
    flows = [float(test.bypass_flow_m3_per_h or 0) for test in measured]
    half = [
        flow * (test.uncertainty_share or 0) for flow, test in zip(flows, measured, strict=True)
    ]
    times = [test.done_at.timestamp() for test in measured]
    return draw(
        "tests",
        title=f"Bypass flow proven, {tag}",
        unit="m³/h",
        axis=TimeAxis(zone),
        lines=[Line("Function test", times, flows, "points", half)],
        limits=[Limit("Required", required)] if required is not None else [],
        height=240,
        from_zero=True,
    )


def cooling_plot(tag: str, passing: Mapping[str, Any] | None) -> SafeString | None:
    """How a tight return line cools, with its band, and the temperature that was read."""
    numbers = (passing or {}).get("numbers") or {}
    if "shut_temperature_degc" not in numbers or "time_constant_h" not in numbers:
        return None
    read_at, tau = numbers["hours_since_shut"], numbers["time_constant_h"]
    share = numbers["time_constant_share"]
    ambient, span = numbers["ambient_degc"], numbers["inlet_degc"] - numbers["ambient_degc"]
    hours = np.linspace(0.0, max(1.5 * read_at, tau), 60)

    def cooled(constant: float) -> list[float]:
        return [
            ambient + span * shut_line_fraction(float(h), time_constant_h=constant) for h in hours
        ]

    return draw(
        "cooling",
        title=f"Return line of {tag} after the bypass shut",
        unit="°C",
        axis=HOURS,
        lines=[
            Line("A tight line", hours, cooled(tau)),
            Line("Read", [read_at], [numbers["line_degc"]], "points"),
        ],
        limits=[Limit("Ambient", ambient)],
        bands=[
            Band(
                f"Time constant ±{share:.0%}",
                hours,
                cooled(tau * (1 - share)),
                cooled(tau * (1 + share)),
            )
        ],
        height=280,
    )


def plots_of(found: Why, passing: Mapping[str, Any] | None) -> Sequence[SafeString]:
    """The drawings that can be made for this verdict."""
    standing = found.standing
    made = (
        curve_plot(found),
        tests_plot(
            standing.tag, found.tests, standing.required_m3_per_h, ZoneInfo(standing.time_zone)
        ),
        cooling_plot(standing.pump, passing),
    )
    return [plot for plot in made if plot is not None]
