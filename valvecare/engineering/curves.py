"""Pump curves: points of flow, head and shaft power; affinity; no extrapolation.

Between points head and power are piecewise linear. Efficiency is always computed from head and
power: it is zero at zero flow, and interpolating it there would be wrong without limit.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from valvecare.engineering import plausible
from valvecare.engineering.errors import NoSolution, NotEnoughData, OutOfRange, require_between

G_M_PER_S2 = 9.80665
"""Standard acceleration of free fall, m/s2 (ISO 80000-3, from memory)."""

_LEAST_BEST_SHARE = 0.1  # of the largest flow; a smaller one is a slip of a unit
_LEAST_DIP = 0.5  # of the lower neighbour; no pump has such a dip in its head


@dataclass(frozen=True)
class PumpCurve:
    """A pump's head and shaft power over flow, at one speed and with one liquid density.

    Parameters
    ----------
    flows_m3_per_s : n points, ascending, n >= 2; the first may be 0
    heads_m : n values, above 0; none below half of both its neighbours
    powers_w : n values, shaft power above 0 and above the hydraulic power of the point
    density_kg_per_m3 : density of the liquid the powers were measured or drawn for
    speed_per_s : shaft speed of the curve, 1/s
    best_efficiency_flow_m3_per_s : inside the range of the points, a tenth of the last or more
    source : where the points come from; required

    Raises `OutOfRange` or `NotEnoughData` when a point is missing or insane.

    >>> curve = PumpCurve((0.0, 0.02, 0.04), (110.0, 100.0, 80.0), (14e3, 27e3, 40e3),
    ...     density_kg_per_m3=998.0, speed_per_s=49.0, best_efficiency_flow_m3_per_s=0.03,
    ...     source="invented")
    >>> curve.head(0.03), curve.power(0.03), round(curve.efficiency(0.03), 4)
    (90.0, 33500.0, 0.7888)
    """

    flows_m3_per_s: tuple[float, ...]
    heads_m: tuple[float, ...]
    powers_w: tuple[float, ...]
    density_kg_per_m3: float
    speed_per_s: float
    best_efficiency_flow_m3_per_s: float
    source: str

    def __post_init__(self) -> None:
        if not isinstance(self.source, str) or not self.source.strip():
            raise OutOfRange("source", self.source, "given", "a curve without a source is not used")
        density = plausible.DENSITY.check("density_kg_per_m3", self.density_kg_per_m3)
        plausible.SPEED.check("speed_per_s", self.speed_per_s)
        flows = _checked("flows_m3_per_s", self.flows_m3_per_s, plausible.FLOW_OR_ZERO)
        heads = _checked("heads_m", self.heads_m, plausible.HEAD)
        powers = _checked("powers_w", self.powers_w, plausible.POWER)
        object.__setattr__(self, "flows_m3_per_s", flows)
        object.__setattr__(self, "heads_m", heads)
        object.__setattr__(self, "powers_w", powers)
        if len(flows) < 2 or not len(flows) == len(heads) == len(powers):
            raise NotEnoughData(
                f"{len(flows)} flows, {len(heads)} heads, {len(powers)} powers",
                "2 or more points, each with flow, head and power",
            )
        if any(b <= a for a, b in zip(flows, flows[1:], strict=False)):
            raise OutOfRange("flows_m3_per_s", str(flows), "ascending")
        for flow, head, power in zip(flows, heads, powers, strict=True):
            if density * G_M_PER_S2 * flow * head >= power:
                raise OutOfRange(
                    "powers_w",
                    power,
                    f"above the hydraulic power {density * G_M_PER_S2 * flow * head:.6g} W",
                    f"efficiency would be 1 or more at {flow:g} m3/s; check the units",
                )
        require_between(
            "best_efficiency_flow_m3_per_s",
            self.best_efficiency_flow_m3_per_s,
            above=flows[0],
            at_most=flows[-1],
            why="the points of the curve",
        )
        require_between(
            "best_efficiency_flow_m3_per_s",
            self.best_efficiency_flow_m3_per_s,
            at_least=_LEAST_BEST_SHARE * flows[-1],
            why="a tenth of the largest flow of the curve; check the units",
        )
        for before, head, after in zip(heads, heads[1:], heads[2:], strict=False):
            if head < _LEAST_DIP * min(before, after):
                raise OutOfRange(
                    "heads_m",
                    head,
                    f"at least half of both neighbours, {before:g} and {after:g} m",
                    "a curve has no such dip; check the point",
                )

    def head(self, flow_m3_per_s: float) -> float:
        """Head, m, at a flow inside the points."""
        return self._at(flow_m3_per_s, self.heads_m)

    def power(self, flow_m3_per_s: float) -> float:
        """Shaft power, W, at a flow inside the points."""
        return self._at(flow_m3_per_s, self.powers_w)

    def efficiency(self, flow_m3_per_s: float) -> float:
        """Efficiency, a share, from head and power; refused at zero flow, where it is zero."""
        flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
        hydraulic = self.density_kg_per_m3 * G_M_PER_S2 * flow * self.head(flow)
        return hydraulic / self.power(flow)

    def shutoff_head(self) -> float:
        """Head, m, at zero flow; refused when the points do not reach zero flow."""
        return self.heads_m[self._zero_flow()]

    def shutoff_power(self) -> float:
        """Shaft power, W, at zero flow; refused when the points do not reach zero flow."""
        return self.powers_w[self._zero_flow()]

    def head_slope(self, flow_m3_per_s: float) -> float:
        """Slope dH/dQ, s/m2, of the segment at a flow (the one to its right at a point)."""
        i = self._segment(flow_m3_per_s)
        q, h = self.flows_m3_per_s, self.heads_m
        return (h[i + 1] - h[i]) / (q[i + 1] - q[i])

    def flows_at_head(self, head_m: float) -> tuple[float, ...]:
        """Every flow, m3/s ascending, at which the curve gives this head; empty when none.

        A flat segment at exactly this head gives both its ends.
        """
        head = plausible.HEAD.check("head_m", head_m)
        found: list[float] = []
        points = list(zip(self.flows_m3_per_s, self.heads_m, strict=True))
        for (q0, h0), (q1, h1) in zip(points, points[1:], strict=False):
            if h0 == head:
                found.append(q0)
            if (h0 - head) * (h1 - head) < 0.0:
                found.append(q0 + (head - h0) * (q1 - q0) / (h1 - h0))
        if points[-1][1] == head:
            found.append(points[-1][0])
        return tuple(found)

    def running(self, *, speed_per_s: float, density_kg_per_m3: float) -> "PumpCurve":
        """The same pump at another speed and with another liquid, by the affinity laws."""
        speed = plausible.SPEED.check("speed_per_s", speed_per_s)
        density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
        ratio = plausible.SPEED_RATIO.check("speed_ratio", speed / self.speed_per_s)
        heavier = density / self.density_kg_per_m3
        return PumpCurve(
            tuple(q * ratio for q in self.flows_m3_per_s),
            tuple(h * ratio**2 for h in self.heads_m),
            tuple(p * ratio**3 * heavier for p in self.powers_w),
            density_kg_per_m3=density,
            speed_per_s=speed,
            best_efficiency_flow_m3_per_s=self.best_efficiency_flow_m3_per_s * ratio,
            source=self.source,
        )

    def _at(self, flow_m3_per_s: float, values: Sequence[float]) -> float:
        i = self._segment(flow_m3_per_s)
        q = self.flows_m3_per_s
        share = (flow_m3_per_s - q[i]) / (q[i + 1] - q[i])
        return values[i] + share * (values[i + 1] - values[i])

    def _segment(self, flow_m3_per_s: float) -> int:
        q = self.flows_m3_per_s
        flow = require_between(
            "flow_m3_per_s",
            flow_m3_per_s,
            at_least=q[0],
            at_most=q[-1],
            why="the points of the curve; it is not extrapolated",
        )
        return min(bisect_right(q, flow) - 1, len(q) - 2)

    def _zero_flow(self) -> int:
        if self.flows_m3_per_s[0] > 0.0:
            raise NoSolution(
                "the curve has no point at zero flow and is not extrapolated; add the shut-off "
                "head and power",
                (0.0, self.flows_m3_per_s[0]),
            )
        return 0


def curve_from_efficiencies(
    flows_m3_per_s: Sequence[float],
    heads_m: Sequence[float],
    *,
    efficiencies: Sequence[float | None],
    shutoff_power_w: float | None,
    density_kg_per_m3: float,
    speed_per_s: float,
    best_efficiency_flow_m3_per_s: float,
    source: str,
) -> PumpCurve:
    """Build a curve from points of flow, head and efficiency, plus the power at zero flow.

    Parameters
    ----------
    flows_m3_per_s : n points, ascending, n >= 2, first may be 0
    heads_m : n values above 0
    efficiencies : n shares, above 0 and below 1; not used (may be None) where the flow is 0
    shutoff_power_w : shaft power at zero flow, W; needed when the first flow is 0, else None
    density_kg_per_m3, speed_per_s, best_efficiency_flow_m3_per_s, source : as for `PumpCurve`

    Returns
    -------
    PumpCurve with power rho g Q H/eta at every point above zero flow.

    Raises
    ------
    OutOfRange : an input missing or insane; zero flow without its power
    NotEnoughData : lists of different length, fewer than 2 points

    Assumptions
    -----------
    Power, not efficiency, is linear between points.

    Source
    ------
    Definition of pump efficiency, ISO 17769-1 (from memory).

    Examples
    --------
    >>> curve = curve_from_efficiencies([0.0, 0.05], [30.0, 20.0], efficiencies=[None, 0.7407],
    ...     shutoff_power_w=6e3, density_kg_per_m3=1000.0, speed_per_s=24.0,
    ...     best_efficiency_flow_m3_per_s=0.05, source="invented")
    >>> round(curve.power(0.05))
    13240
    """
    density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
    flows = _checked("flows_m3_per_s", flows_m3_per_s, plausible.FLOW_OR_ZERO)
    heads = _checked("heads_m", heads_m, plausible.HEAD)
    if efficiencies is None or not len(flows) == len(heads) == len(efficiencies):
        raise NotEnoughData(
            "lists of different length", "flow, head and efficiency for every point"
        )
    powers = []
    for flow, head, efficiency in zip(flows, heads, efficiencies, strict=True):
        if flow == 0.0:
            if shutoff_power_w is None:
                raise OutOfRange(
                    "shutoff_power_w",
                    None,
                    "given",
                    "efficiency is zero at zero flow and says nothing about the power there",
                )
            powers.append(plausible.POWER.check("shutoff_power_w", shutoff_power_w))
        else:
            share = plausible.EFFICIENCY.check("efficiencies", efficiency)
            powers.append(density * G_M_PER_S2 * flow * head / share)
    return PumpCurve(
        flows,
        heads,
        tuple(powers),
        density_kg_per_m3=density,
        speed_per_s=speed_per_s,
        best_efficiency_flow_m3_per_s=best_efficiency_flow_m3_per_s,
        source=source,
    )


def affinity_flow(flow_m3_per_s: float, *, from_speed_per_s: float, to_speed_per_s: float) -> float:
    """Flow in m3/s at another speed, Q proportional to n.

    Parameters
    ----------
    flow_m3_per_s : m3/s, 0 to 20
    from_speed_per_s, to_speed_per_s : 1/s, above 0; their ratio from 0.2 to 5

    Returns
    -------
    m3/s.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    Same impeller, efficiency unchanged; poorer the further the speeds are apart.

    Source
    ------
    DOE Fundamentals Handbook, Thermodynamics, Heat Transfer and Fluid Flow, vol. 3, pump laws
    (seen): 400 gpm at 1800 rpm is 800 gpm at 3600 rpm.

    Examples
    --------
    >>> round(affinity_flow(400.0 * 6.30902e-5, from_speed_per_s=30.0, to_speed_per_s=60.0)
    ...     / 6.30902e-5, 6)
    800.0
    """
    flow = plausible.FLOW_OR_ZERO.check("flow_m3_per_s", flow_m3_per_s)
    return flow * _speed_ratio(from_speed_per_s, to_speed_per_s)


def affinity_head(head_m: float, *, from_speed_per_s: float, to_speed_per_s: float) -> float:
    """Head in m at another speed, H proportional to n squared.

    Parameters
    ----------
    head_m : m, above 0, at most 6000
    from_speed_per_s, to_speed_per_s : 1/s, above 0; their ratio from 0.2 to 5

    Returns
    -------
    m.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    Same impeller, efficiency unchanged.

    Source
    ------
    DOE Fundamentals Handbook, vol. 3, pump laws (seen; the law is published, the figure computed).

    Examples
    --------
    >>> affinity_head(48.0, from_speed_per_s=30.0, to_speed_per_s=60.0)
    192.0
    """
    head = plausible.HEAD.check("head_m", head_m)
    return head * _speed_ratio(from_speed_per_s, to_speed_per_s) ** 2


def affinity_power(power_w: float, *, from_speed_per_s: float, to_speed_per_s: float) -> float:
    """Shaft power in W at another speed, P proportional to n cubed.

    Parameters
    ----------
    power_w : W, above 0, at most 60 MW
    from_speed_per_s, to_speed_per_s : 1/s, above 0; their ratio from 0.2 to 5

    Returns
    -------
    W.

    Raises
    ------
    OutOfRange : an input missing, not finite or outside its range

    Assumptions
    -----------
    Same impeller, same liquid, efficiency unchanged.

    Source
    ------
    DOE Fundamentals Handbook, vol. 3, pump laws (seen; the law is published, the figure computed).

    Examples
    --------
    >>> affinity_power(45e3, from_speed_per_s=30.0, to_speed_per_s=60.0)
    360000.0
    """
    power = plausible.POWER.check("power_w", power_w)
    return power * _speed_ratio(from_speed_per_s, to_speed_per_s) ** 3


def _speed_ratio(from_speed_per_s: float, to_speed_per_s: float) -> float:
    before = plausible.SPEED.check("from_speed_per_s", from_speed_per_s)
    after = plausible.SPEED.check("to_speed_per_s", to_speed_per_s)
    return plausible.SPEED_RATIO.check("speed_ratio", after / before)


def _checked(name: str, values: Any, window: plausible.Window) -> tuple[float, ...]:
    if values is None or isinstance(values, (str, bytes, int, float)):
        raise OutOfRange(name, values, "a list of numbers")
    return tuple(window.check(name, value) for value in values)
