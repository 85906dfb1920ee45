"""Runs of readings of return lines, for rules that make a passing bypass a task.

The verdict looks at the last reading, which may be a bad one. A rule asks for so many in a row or
so many minutes; the run is judged by its worst ends, so that every reading in it says the same.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from valvecare.due.models import ConditionRule
from valvecare.due.reads.conditions import Target, confirming_runs
from valvecare.due.rules.condition import LineRun
from valvecare.engineering.cooling import PassingJudgement, PassingVerdict
from valvecare.engineering.errors import Refusal
from valvecare.protection.reads.fleet import Fleet, fleet_of
from valvecare.protection.reads.passing import (
    Held,
    believed_series,
    cooling_of,
    shut_since,
    why_not_judged,
)
from valvecare.protection.rules import Policy
from valvecare.readings.models import micros
from valvecare.readings.rules import Quantity

FRESH = timedelta(days=1)
"""A line not heard of for longer neither raises nor heals a task."""

US_PER_H = 3.6e9


def line_runs(
    rule: ConditionRule, targets: Sequence[Target], policy: Policy | None, at: datetime
) -> dict[int, LineRun]:
    """Valve -> the run the rule's confirmation asks for, or why there is none to judge."""
    fleet = fleet_of([one.valve for one in targets])
    series = believed_series(list(fleet.valve_of), at)
    found: dict[int, LineRun] = {}
    able: dict[int, Mapping[Quantity, Held]] = {}
    held: Mapping[Quantity, Held]
    for pump, valve in fleet.valve_of.items():
        held = series.get(pump, {})
        missing = why_not_judged(fleet.rows[valve], held, policy)
        if not missing and held[Quantity.BYPASS_TEMPERATURE].last_us <= micros(at - FRESH):
            missing = f"{held[Quantity.BYPASS_TEMPERATURE].tag}: the last reading is old"
        if missing:
            found[valve] = LineRun(why_not=missing[:300])
        else:
            able[valve] = held
    if policy is None or not able:
        return found
    shut = shut_since(able, at)
    starts = {one.valve: one.start_us for one in targets}
    since: dict[int, int] = {}
    wanted: dict[int, int] = {}
    for valve, held in able.items():
        begun = shut.get(held[Quantity.MAIN_FLOW].id)
        if begun is not None:
            since[valve] = begun[0]
            wanted[held[Quantity.BYPASS_TEMPERATURE].id] = max(begun[0], starts[valve])
    runs = confirming_runs(wanted, count=rule.confirm_count, minutes=rule.confirm_minutes)
    for valve, begun_us in since.items():
        line = able[valve][Quantity.BYPASS_TEMPERATURE]
        run = runs.get(line.id)
        if run is not None:
            seen = LineRun(line.tag, run.from_us, line.last_us, run.count, run.low, run.high)
            found[valve] = _judged(fleet, valve, able[valve], seen, begun_us, policy)
    return found


def _judged(
    fleet: Fleet,
    valve: int,
    held: Mapping[Quantity, Held],
    seen: LineRun,
    begun_us: int,
    policy: Policy,
) -> LineRun:
    """Passing: the coolest reading, taken as early as the first. Shut: the warmest, as the last."""

    def judged(degc: float, at_us: int) -> PassingJudgement:
        hours = max(0.0, (at_us - begun_us) / US_PER_H)
        row, facts = fleet.rows[valve], fleet.hydraulics[valve]
        return cooling_of(row, facts, held, policy, line_degc=degc, hours=hours)

    try:
        coolest, warmest = judged(seen.low_degc, seen.from_us), judged(seen.high_degc, seen.last_us)
    except Refusal as error:
        return LineRun(why_not=str(error)[:300])
    inlet = held[Quantity.INLET_TEMPERATURE].value
    ambient = held[Quantity.AMBIENT_TEMPERATURE].value
    leak = coolest.steady_leak_kg_per_s
    return LineRun(
        seen.tag,
        seen.from_us,
        seen.last_us,
        seen.count,
        seen.low_degc,
        seen.high_degc,
        tight_degc=ambient + coolest.threshold_fraction * (inlet - ambient),
        passes=coolest.verdict is PassingVerdict.PASSING,
        is_shut=warmest.verdict is PassingVerdict.SHUT and _well_below(warmest),
        evidence={
            "inlet_degc": inlet,
            "ambient_degc": ambient,
            "shut_since_us": begun_us,
            "observed_fraction": coolest.observed_fraction,
            "shut_fraction": coolest.shut_fraction,
            "threshold_fraction": coolest.threshold_fraction,
            "steady_leak_kg_per_h": None if leak is None else leak * 3600.0,
        },
    )


def _well_below(judged: PassingJudgement) -> bool:
    """Half way from the tight line to the threshold: what trembles at the threshold stays open."""
    return judged.observed_fraction <= 0.5 * (judged.shut_fraction + judged.threshold_fraction)
