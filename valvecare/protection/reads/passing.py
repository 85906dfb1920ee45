"""Does the shut bypass pass? Judged from the temperature of its line: a cost, no more.

Needs in the pump's record: heat loss and time constant of the return line, place of the sensor;
as series: bypass line, inlet and ambient temperature, main flow. What is missing is named and the
answer is 'not judged'. A passing bypass is sized from the power above the pump curve.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Avg, Count, F, Max, Min, Q, Sum

from valvecare.engineering.cooling import PassingJudgement, PassingVerdict, judge_passing
from valvecare.engineering.errors import Refusal
from valvecare.engineering.leakage import leak_from_excess_power
from valvecare.engineering.pump_energy import shaft_power
from valvecare.engineering.units import from_si, gauge_to_absolute, to_si
from valvecare.protection.reads.fleet import Fleet, Row
from valvecare.protection.rules import Hydraulics, Passing, PassingFact, Policy
from valvecare.protection.rules.capacity import curve_of, liquid_of
from valvecare.readings.models import Reading, Series, SeriesDay, micros
from valvecare.readings.rules import Quantity
from valvecare.register.rules import ValveStatus

LOOK_BACK = timedelta(days=7)
"""Readings older than this say nothing about the bypass today."""

TOGETHER = timedelta(hours=2)
"""Readings further apart do not belong to the same state of the line."""

DAY_US = 86_400_000_000
LEAST_DAYS = 182
"""Run-hours followed for less than half a year say nothing about a year with seasons."""

RECORD = {
    "pump__return_line_heat_loss_w_per_m_k": "heat loss of the return line",
    "pump__return_line_time_constant_h": "cooling time constant of the return line",
    "pump__return_sensor_at_m": "place of the line's temperature sensor",
    "switching_flow_m3_per_h": "switching flow",
    "pump__suction_pressure_bar_g": "suction pressure",
    "pump__group__site__atmospheric_pressure_bar_a": "atmospheric pressure of the site",
}
NEEDED = (
    Quantity.BYPASS_TEMPERATURE,
    Quantity.INLET_TEMPERATURE,
    Quantity.AMBIENT_TEMPERATURE,
    Quantity.MAIN_FLOW,
)
QUANTITIES = (*NEEDED, Quantity.POWER, Quantity.RUN_HOURS)


@dataclass(frozen=True)
class Held:
    """One believable series with its last usable reading, in the trade's unit of its quantity."""

    id: int
    tag: str
    last_us: int
    value: float


UNITS = {
    Quantity.BYPASS_TEMPERATURE: ("temperature", "degC"),
    Quantity.INLET_TEMPERATURE: ("temperature", "degC"),
    Quantity.AMBIENT_TEMPERATURE: ("temperature", "degC"),
    Quantity.MAIN_FLOW: ("volume_flow", "m3/h"),
    Quantity.POWER: ("power", "kW"),
}


def believed_series(pumps: Sequence[int], at: datetime) -> dict[int, dict[Quantity, Held]]:
    """Fresh, undoubted series by pump and quantity, kept in the unit this judgement reads."""
    found: dict[int, dict[Quantity, Held]] = defaultdict(dict)
    rows = Series.objects.filter(
        pump_id__in=pumps,
        quantity__in=[quantity.value for quantity in QUANTITIES],
        retired_at__isnull=True,
        state__doubtful_code="",
        state__last_us__gt=micros(at - LOOK_BACK),
    )
    for pk, tag, pump, word, unit, last_us, value in rows.order_by("id").values_list(
        "id", "tag", "pump_id", "quantity", "unit", "state__last_us", "state__last_value"
    ):
        quantity = Quantity(word)
        if quantity in UNITS and unit != UNITS[quantity][1]:
            continue  # readings are averaged and compared in the stored unit
        found[pump].setdefault(quantity, Held(pk, tag, last_us, value))
    return found


def why_not_judged(row: Row, held: Mapping[Quantity, Held], policy: Policy | None) -> str:
    absent = [words for name, words in RECORD.items() if row[name] is None]
    series = [
        f"{quantity.value} in {UNITS[quantity][1]}" for quantity in NEEDED if quantity not in held
    ]
    parts = []
    if absent:
        parts.append(f"the record lacks {', '.join(absent)}")
    if series:
        parts.append(f"no believable reading of the last 7 days of {', '.join(series)}")
    if policy is None:
        parts.append("no verdict policy states the uncertainties")
    if parts:
        return "; ".join(parts)
    times = [held[quantity].last_us for quantity in NEEDED]
    if max(times) - min(times) > TOGETHER / timedelta(microseconds=1):
        return "the readings of line, inlet, ambient and flow are not of the same time"
    if held[Quantity.MAIN_FLOW].value < row["switching_flow_m3_per_h"]:
        return "the main flow is below the switching flow: the bypass is open by design"
    return ""


def passing_of(fleet: Fleet, policy: Policy | None, at: datetime) -> dict[int, PassingFact]:
    """For each wanted valve: passes, tight, or not judged with the reason."""
    series = believed_series(list(fleet.valve_of), at)
    found: dict[int, PassingFact] = {}
    able: dict[int, Mapping[Quantity, Held]] = {}
    for pump, valve in fleet.valve_of.items():
        held = series.get(pump, {})
        missing = why_not_judged(fleet.rows[valve], held, policy)
        if missing:
            found[valve] = PassingFact(Passing.NOT_JUDGED, f"Not judged: {missing}.")
        else:
            able[valve] = held
    if policy is None or not able:
        return found
    shut = shut_since(able, at)
    for valve, whole in able.items():
        since = shut.get(whole[Quantity.MAIN_FLOW].id)
        found[valve] = _judge(fleet, valve, whole, since, policy, at)
    return found


def shut_since(
    able: Mapping[int, Mapping[Quantity, Held]], at: datetime
) -> dict[int, tuple[int, int]]:
    """Flow series to (instant of the last low flow, readings looked at). One query.

    Without any low flow in the time looked at, the first reading counts: at least that long shut.
    """
    rows = (
        Reading.objects.filter(
            series_id__in=[held[Quantity.MAIN_FLOW].id for held in able.values()],
            series__pump__valves__status=ValveStatus.IN_SERVICE.value,
            at_us__gt=micros(at - LOOK_BACK),
            at_us__lte=micros(at),
            quality__lt=2,
        )
        .order_by()
        .values("series_id")
        .annotate(
            low=Max(
                "at_us",
                filter=Q(value__lt=F("series__pump__valves__switching_flow_m3_per_h")),
            ),
            first=Min("at_us"),
            readings=Count("at_us"),
        )
    )
    return {
        row["series_id"]: (row["first"] if row["low"] is None else row["low"], row["readings"])
        for row in rows
    }


def cooling_of(
    row: Row,
    facts: Hydraulics,
    held: Mapping[Quantity, Held],
    policy: Policy,
    *,
    line_degc: float,
    hours: float,
) -> PassingJudgement:
    """Judge a line of `line_degc` so many hours after the bypass shut. Raises `Refusal`."""
    inlet = held[Quantity.INLET_TEMPERATURE].value
    suction_pa = gauge_to_absolute(
        to_si("pressure_gauge", "bar", row["pump__suction_pressure_bar_g"]),
        atmospheric_pa_abs=to_si(
            "pressure_absolute", "bar", row["pump__group__site__atmospheric_pressure_bar_a"]
        ),
    )
    return judge_passing(
        line_temperature_degc=line_degc,
        source_temperature_degc=inlet,
        ambient_temperature_degc=held[Quantity.AMBIENT_TEMPERATURE].value,
        hours_since_shut=hours,
        time_constant_h=row["pump__return_line_time_constant_h"],
        time_constant_uncertainty_share=policy.time_constant_share,
        u_temperature_k=policy.line_sensor_k,
        heat_loss_w_per_m_k=row["pump__return_line_heat_loss_w_per_m_k"],
        length_m=row["pump__return_sensor_at_m"],
        specific_heat_j_per_kg_k=liquid_of(facts).specific_heat(inlet, suction_pa),
    )


def _judge(
    fleet: Fleet,
    valve: int,
    held: Mapping[Quantity, Held],
    shut: tuple[int, int] | None,
    policy: Policy,
    at: datetime,
) -> PassingFact:
    row, facts = fleet.rows[valve], fleet.hydraulics[valve]
    line = held[Quantity.BYPASS_TEMPERATURE]
    since_us, readings = shut or (line.last_us, 0)
    hours = max(0.0, (line.last_us - since_us) / 3.6e9)
    inlet, ambient = (
        held[Quantity.INLET_TEMPERATURE].value,
        held[Quantity.AMBIENT_TEMPERATURE].value,
    )
    try:
        judged = cooling_of(row, facts, held, policy, line_degc=line.value, hours=hours)
    except Refusal as error:
        return PassingFact(Passing.NOT_JUDGED, f"Not judged: {error}")
    leak = judged.steady_leak_kg_per_s
    numbers = {
        "line_degc": line.value,
        "line_at_us": line.last_us,
        "inlet_degc": inlet,
        "ambient_degc": ambient,
        "hours_since_shut": hours,
        "flow_readings": readings,
        "time_constant_h": row["pump__return_line_time_constant_h"],
        "time_constant_share": policy.time_constant_share,
        "observed_fraction": judged.observed_fraction,
        "shut_fraction": judged.shut_fraction,
        "threshold_fraction": judged.threshold_fraction,
        "shut_temperature_degc": judged.shut_temperature_degc,
        "shut_temperature_slow_degc": judged.shut_temperature_slow_degc,
        "steady_leak_kg_per_h": None if leak is None else leak * 3600,
    }
    if judged.verdict is PassingVerdict.NOT_JUDGEABLE:
        return PassingFact(Passing.NOT_JUDGED, f"Not judged: {judged.words}.", "", numbers)
    told = _told(line.value, hours, judged)
    if judged.verdict is PassingVerdict.SHUT:
        return PassingFact(Passing.TIGHT, told, "", numbers)
    size = _size(row, facts, held, since_us, policy, at)
    return PassingFact(Passing.PASSES, told, size.words, {**numbers, **size.numbers})


def _told(line: float, hours: float, judged: PassingJudgement) -> str:
    leak = judged.steady_leak_kg_per_s
    least = "" if leak is None else f", at least {leak * 3600:.0f} kg/h"
    return (
        f"{hours:.0f} h after the last low flow the line is at {line:.0f} °C; a tight one would "
        f"be at {judged.shut_temperature_degc:.0f} °C, a slowly cooling one at "
        f"{judged.shut_temperature_slow_degc:.0f} °C{least}."
    )


@dataclass(frozen=True)
class _Size:
    words: str
    numbers: Mapping[str, Any]


def _mean(series: int, from_us: int, at: datetime) -> tuple[float | None, int]:
    found = Reading.objects.filter(
        series_id=series, at_us__gt=from_us, at_us__lte=micros(at), quality__lt=2
    ).aggregate(mean=Avg("value"), count=Count("at_us"))
    return found["mean"], found["count"]


def _size(
    row: Row,
    facts: Hydraulics,
    held: Mapping[Quantity, Held],
    since_us: int,
    policy: Policy,
    at: datetime,
) -> _Size:
    """The leak and its yearly energy from the mean power above the curve while shut."""
    if Quantity.POWER not in held or row["pump__motor_efficiency"] is None:
        what = "no believable power reading" if Quantity.POWER not in held else "motor efficiency"
        return _Size(f"Its size is not known: {what} is missing.", {})
    flow, flows = _mean(held[Quantity.MAIN_FLOW].id, since_us, at)
    power, powers = _mean(held[Quantity.POWER].id, since_us, at)
    if flow is None or power is None:
        return _Size("Its size is not known: no flow or power since the bypass shut.", {})
    motor = row["pump__motor_efficiency"]
    try:
        shaft_w = shaft_power(to_si("power", "kW", power), motor_efficiency=motor)
        leak = leak_from_excess_power(
            curve_of(facts, liquid_of(facts)),
            net_flow_m3_per_s=to_si("volume_flow", "m3/h", flow),
            shaft_power_w=shaft_w,
            u_shaft_power_w=policy.power_share * shaft_w,
        )
    except Refusal as error:
        return _Size(f"Its size is not known: {error}", {})
    size = from_si("volume_flow", "m3/h", leak.leak_attributable_m3_per_s)
    excess_kw = from_si("power", "kW", leak.excess_power_w)
    numbers: dict[str, Any] = {
        "net_flow_m3_per_h": flow,
        "flow_readings_since_shut": flows,
        "electrical_kw": power,
        "power_readings_since_shut": powers,
        "shaft_kw": from_si("power", "kW", shaft_w),
        "excess_kw": excess_kw,
        "excess_is_proven": leak.proven,
        "leak_m3_per_h": size,
        "leak_marginal_m3_per_h": None
        if leak.leak_marginal_m3_per_s is None
        else from_si("volume_flow", "m3/h", leak.leak_marginal_m3_per_s),
    }
    words = (
        f"The power is {excess_kw:.0f} kW above the curve at {flow:.0f} m³/h: about "
        f"{size:.1f} m³/h" + ("" if leak.proven else " (inside the uncertainty of the power)")
    )
    hours = _hours_a_year(held, at)
    if hours is None:
        return _Size(
            f"{words}; a year's energy is not known: run-hours followed for less than half a year.",
            numbers,
        )
    numbers["hours_a_year"] = hours
    numbers["energy_mwh_a_year"] = excess_kw / motor * hours / 1000.0
    return _Size(
        f"{words}, {numbers['energy_mwh_a_year']:.0f} MWh a year at {hours:,.0f} h.", numbers
    )


def _hours_a_year(held: Mapping[Quantity, Held], at: datetime) -> float | None:
    """Run-hours a year from up to 365 days followed; None when followed for less than half one."""
    if Quantity.RUN_HOURS not in held:
        return None
    last = micros(at) // DAY_US
    days = SeriesDay.objects.filter(
        series_id=held[Quantity.RUN_HOURS].id, day__gt=last - 365, day__lte=last
    ).aggregate(sum=Sum("increment"), first=Min("day"))
    if days["first"] is None or last - days["first"] < LEAST_DAYS or not days["sum"]:
        return None
    return float(days["sum"]) / (last - days["first"]) * 365.0
