"""The closed form of the bypass flow against plain bisection of the same balance.

The bisection knows nothing of the quadratics: it asks the public functions for trim and line flow
and halves the segment where the trim stops passing more than is left for it. No publication.
"""

from math import isclose
from random import Random

import pytest

from valvecare.engineering.bypass import (
    ReturnLine,
    back_pressure,
    bypass_flow_with_return_line,
    bypass_working_point,
)
from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.errors import NoSolution, Refusal
from valvecare.engineering.liquids import WATER
from valvecare.engineering.valve_flow import flow_through_kv

CASES = 400
CRITICAL = WATER.critical_pressure_pa_abs


def _curve(chance: Random) -> PumpCurve:
    """A curve of 3 to 9 points, falling, drooping or bumpy, from an invented pump."""
    largest, head = chance.uniform(20.0, 200.0) / 3600.0, chance.uniform(150.0, 1500.0)
    count = chance.randint(3, 9)
    first = 0.0 if chance.random() < 0.8 else 0.05 * largest
    flows = [first + (largest - first) * i / (count - 1) for i in range(count)]
    droop = chance.uniform(-0.1, 0.3)
    heads = [
        head
        * (1.0 + droop * q / largest - (0.25 + droop) * (q / largest) ** 2)
        * chance.uniform(0.98, 1.02)
        for q in flows
    ]
    powers = [
        958.0 * G_M_PER_S2 * (q * h / 0.78 + 0.12 * largest * head)
        for q, h in zip(flows, heads, strict=True)
    ]
    return PumpCurve(
        tuple(flows),
        tuple(heads),
        tuple(powers),
        density_kg_per_m3=958.0,
        speed_per_s=49.5,
        best_efficiency_flow_m3_per_s=0.8 * largest,
        source="invented",
    )


def _line(chance: Random, end: float) -> ReturnLine:
    return ReturnLine(
        chance.choice([0.0, chance.uniform(1.0, 300.0)]),
        chance.uniform(0.03, 0.1),
        chance.choice([0.0, chance.uniform(1.0, 100.0)]),
        chance.uniform(0.05, 0.15),
        chance.randint(1, 4),
        chance.uniform(-3.0, 15.0),
        end,
    )


def _bisected(
    curve: PumpCurve, line: ReturnLine, *, kv: float, fl: float, main: float, t: float, inlet: float
) -> float:
    """Bypass flow by bisection with the density and vapour pressure the answer itself leads to."""
    cold = WATER.density(t, inlet)

    def before(q: float) -> float:
        return inlet + cold * G_M_PER_S2 * curve.head(q)

    def surplus(q: float) -> float:
        after = back_pressure(line, q - main, density_kg_per_m3=density)
        if after >= before(q):
            return main - q
        return (
            main
            - q
            + flow_through_kv(
                kv,
                inlet_pa_abs=before(q),
                outlet_pa_abs=after,
                density_kg_per_m3=density,
                vapour_pressure_pa_abs=boiling,
                critical_pressure_pa_abs=CRITICAL,
                recovery_factor=fl,
            )
        )

    density, boiling, flow = cold, WATER.vapour_pressure(t), 0.0
    for turn in range(4):
        if turn:
            efficiency = curve.efficiency(flow)
            ideal = WATER.isentropic_temperature(t, inlet, before(flow))
            cool = WATER.enthalpy(t, inlet)
            gained = (WATER.enthalpy(ideal, before(flow)) - cool) / efficiency
            hot = WATER.temperature_at_enthalpy(cool + gained, before(flow))
            density, boiling = WATER.density(hot, before(flow)), WATER.vapour_pressure(hot)
        points = sorted({max(main, curve.flows_m3_per_s[0]), *curve.flows_m3_per_s})
        points = [q for q in points if q >= main]
        if surplus(points[0]) <= 0.0:
            raise NoSolution("nothing passes")
        low, high = next(
            ((a, b) for a, b in zip(points, points[1:], strict=False) if surplus(b) <= 0.0),
            (0.0, 0.0),
        )
        if high == 0.0:
            raise NoSolution("beyond the curve")
        while high - low > 1e-13 * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if surplus(middle) > 0.0 else (low, middle)
        flow = high
    return flow - main


def test_the_working_point_equals_bisection_on_random_pumps() -> None:
    chance = Random(20260504)
    compared = choked = 0
    for _ in range(CASES):
        curve, t = _curve(chance), chance.uniform(15.0, 160.0)
        inlet = WATER.vapour_pressure(t) + chance.uniform(1e5, 8e5)
        line = _line(chance, inlet * chance.uniform(1.0, 1.5))
        largest = curve.flows_m3_per_s[-1]
        kv = chance.uniform(0.1, 0.6) * 3600.0 * largest / (curve.heads_m[0] / 10.2) ** 0.5
        fl = chance.uniform(0.5, 1.0)
        main = chance.choice([0.0, chance.uniform(0.0, 0.4) * largest])
        try:
            point = bypass_working_point(
                curve,
                WATER,
                line,
                kv=kv,
                recovery_factor=fl,
                main_flow_m3_per_s=main,
                inlet_temperature_degc=t,
                inlet_pa_abs=inlet,
            )
        except Refusal as refused:
            if "would flash" in str(refused):
                continue
            with pytest.raises(Refusal):
                _bisected(curve, line, kv=kv, fl=fl, main=main, t=t, inlet=inlet)
            continue
        expected = _bisected(curve, line, kv=kv, fl=fl, main=main, t=t, inlet=inlet)
        assert isclose(point.bypass_flow_m3_per_s, expected, rel_tol=1e-9), (curve, line, kv, main)
        compared += 1
        choked += point.choked
    assert compared > 0.6 * CASES
    assert 0.05 * CASES < choked < 0.95 * compared


def test_the_flow_at_given_discharge_equals_bisection() -> None:
    chance = Random(7)
    for _ in range(CASES):
        discharge, density = chance.uniform(1e6, 2e7), chance.uniform(700.0, 1000.0)
        boiling, fl = chance.uniform(0.0, 8e5), chance.uniform(0.4, 1.0)
        line, kv = _line(chance, chance.uniform(1.0e5, 9e5)), chance.uniform(0.5, 60.0)

        liquid = {
            "density_kg_per_m3": density,
            "vapour_pressure_pa_abs": boiling,
            "critical_pressure_pa_abs": CRITICAL,
            "recovery_factor": fl,
        }
        low, high = 0.0, 1.0
        while high - low > 1e-14 * high:
            middle = 0.5 * (low + high)
            after = back_pressure(line, middle, density_kg_per_m3=density)
            passes_more = after < discharge and middle < flow_through_kv(
                kv, inlet_pa_abs=discharge, outlet_pa_abs=after, **liquid
            )
            low, high = (middle, high) if passes_more else (low, middle)
        flow = bypass_flow_with_return_line(kv, line, discharge_pa_abs=discharge, **liquid)
        assert isclose(flow, high, rel_tol=1e-9)
