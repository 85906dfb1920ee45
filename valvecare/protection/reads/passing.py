"""Does the shut bypass pass? Judged from the latest line temperature: a cost, no more.

Needs on the pump: heat loss and time constant of the return line, place of the sensor; as
series: bypass line, inlet and ambient temperature, main flow. What is missing means: not judged.
"""

from collections import defaultdict
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from valvecare.engineering.cooling import PassingVerdict, judge_passing
from valvecare.engineering.errors import Refusal
from valvecare.engineering.liquids import WATER
from valvecare.engineering.units import gauge_to_absolute, to_si
from valvecare.protection.rules import PassingFact
from valvecare.readings.models import Reading, Series, micros
from valvecare.readings.rules import Quantity

LOOK_BACK = timedelta(days=7)
"""Readings older than this say nothing about the bypass today."""

TIME_CONSTANT_SHARE = 0.3
"""Uncertainty of a line's time constant, common practice."""

SENSOR_K = 1.0
"""Standard uncertainty of a contact sensor on the line, common practice."""

NEEDED = (
    Quantity.BYPASS_TEMPERATURE,
    Quantity.INLET_TEMPERATURE,
    Quantity.AMBIENT_TEMPERATURE,
    Quantity.MAIN_FLOW,
)


def _candidates(rows: Mapping[int, Mapping[str, Any]]) -> dict[int, int]:
    """Pump id to valve id of those whose return line is described."""
    return {
        row["pump_id"]: valve
        for valve, row in rows.items()
        if row["pump__return_line_heat_loss_w_per_m_k"] is not None
        and row["pump__return_line_time_constant_h"] is not None
        and row["pump__return_sensor_at_m"] is not None
        and row["switching_flow_m3_per_h"] is not None
        and row["pump__medium"] == "water"
        and row["pump__suction_pressure_bar_g"] is not None
        and row["pump__group__site__atmospheric_pressure_bar_a"] is not None
    }


def passing_of(rows: Mapping[int, Mapping[str, Any]], at: datetime) -> dict[int, PassingFact]:
    """For each valve whose shut bypass passes, by how much at least."""
    valve_of = _candidates(rows)
    if not valve_of:
        return {}
    series: dict[int, dict[str, int]] = defaultdict(dict)
    for pk, pump, quantity in (
        Series.objects.filter(
            pump_id__in=list(valve_of),
            quantity__in=[wanted.value for wanted in NEEDED],
            retired_at__isnull=True,
            state__doubtful_code="",
        )
        .order_by("id")
        .values_list("id", "pump_id", "quantity")
    ):
        series[pump].setdefault(quantity, pk)
    whole = {pump: held for pump, held in series.items() if len(held) == len(NEEDED)}
    if not whole:
        return {}
    points: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for pk, instant_us, value in (
        Reading.objects.filter(
            series_id__in=[pk for held in whole.values() for pk in held.values()],
            at_us__gt=micros(at - LOOK_BACK),
            at_us__lte=micros(at),
            quality=0,
        )
        .order_by("series_id", "at_us")
        .values_list("series_id", "at_us", "value")
    ):
        points[pk].append((instant_us, value))
    found = {}
    for pump, held in whole.items():
        fact = _judge(rows[valve_of[pump]], {name: points[pk] for name, pk in held.items()})
        if fact is not None:
            found[valve_of[pump]] = fact
    return found


def _judge(
    row: Mapping[str, Any], points: Mapping[str, list[tuple[int, float]]]
) -> PassingFact | None:
    if any(not values for values in points.values()):
        return None
    line_us, line = points[Quantity.BYPASS_TEMPERATURE.value][-1]
    flows = points[Quantity.MAIN_FLOW.value]
    low = [us for us, flow in flows if flow < row["switching_flow_m3_per_h"] and us <= line_us]
    if not low or not flows[-1][1] >= row["switching_flow_m3_per_h"]:
        return None
    hours = (line_us - low[-1]) / 3.6e9
    inlet = points[Quantity.INLET_TEMPERATURE.value][-1][1]
    ambient = points[Quantity.AMBIENT_TEMPERATURE.value][-1][1]
    suction_pa = gauge_to_absolute(
        to_si("pressure_gauge", "bar", row["pump__suction_pressure_bar_g"]),
        atmospheric_pa_abs=to_si(
            "pressure_absolute", "bar", row["pump__group__site__atmospheric_pressure_bar_a"]
        ),
    )
    try:
        judged = judge_passing(
            line_temperature_degc=line,
            source_temperature_degc=inlet,
            ambient_temperature_degc=ambient,
            hours_since_shut=hours,
            time_constant_h=row["pump__return_line_time_constant_h"],
            time_constant_uncertainty_share=TIME_CONSTANT_SHARE,
            u_temperature_k=SENSOR_K,
            heat_loss_w_per_m_k=row["pump__return_line_heat_loss_w_per_m_k"],
            length_m=row["pump__return_sensor_at_m"],
            specific_heat_j_per_kg_k=WATER.specific_heat(inlet, suction_pa),
        )
    except Refusal:
        return None
    if judged.verdict is not PassingVerdict.PASSING:
        return None
    leak = judged.steady_leak_kg_per_s
    size = "" if leak is None else f", at least {leak * 3600:.0f} kg/h"
    return PassingFact(
        f"the line is at {line:.0f} °C {hours:.0f} h after the last low flow; a tight one would "
        f"be at {judged.shut_temperature_degc:.0f} °C{size}.",
        {
            "line_degc": line,
            "inlet_degc": inlet,
            "ambient_degc": ambient,
            "hours_since_shut": hours,
            "shut_fraction": judged.shut_fraction,
            "observed_fraction": judged.observed_fraction,
            "shut_temperature_degc": judged.shut_temperature_degc,
            "shut_temperature_slow_degc": judged.shut_temperature_slow_degc,
            "steady_leak_kg_per_h": None if leak is None else leak * 3600,
        },
    )
