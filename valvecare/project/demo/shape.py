"""Shape the demo's counters: monthly run pattern, scaled to end exactly at the published sums.

Pure: tables in, points out. The increase of each counter from the last inspection to the demo
day equals `hours_since` and `starts_since` of `fixtures/demo/valves.csv`.
"""

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from math import floor
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.project.settings import BASE_DIR

FIXTURES = BASE_DIR / "fixtures" / "demo"
DEMO_DAY = date(2026, 5, 4)
DAILY_AT = time(6, 0)
INSPECTED_AT = time(12, 0)
LEAD_IN_DAYS = 7
"""Readings begin this long before the last inspection, so that it lies between two points."""

REPLACED = {"SM-HP-3P": (date(2025, 12, 3), time(10, 0), 41_236.0, 12.0)}
"""Run-hour counters replaced: local day and time, closing and opening value in h."""

TAKING_TURNS = {"NH-BC-1P": 0, "NH-BC-2P": 1}
"""Pumps that take turns in the last days, so that readings can tell whose sensor is whose."""
TURN_DAYS, TURNS_DAYS = 3, 15


def table(name: str) -> list[dict[str, str]]:
    """Rows of a CSV of the demo world."""
    with (FIXTURES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def records(name: str) -> list[dict[str, Any]]:
    """Rows of a JSON file of the demo world (its `note` says that all is invented)."""
    content: dict[str, Any] = json.loads((FIXTURES / f"{name}.json").read_text(encoding="utf-8"))
    rows: list[dict[str, Any]] = content["rows"]
    return rows


@dataclass(frozen=True)
class Counters:
    """Counter points of one pump: instants (aware, UTC), run hours in h, starts."""

    pump: str
    zone: ZoneInfo
    at: Sequence[datetime]
    run_hours_h: Sequence[float]
    starts: Sequence[int]


def local(zone: ZoneInfo, day: date, clock: time) -> datetime:
    """The instant (UTC) of a wall-clock time at the site."""
    return datetime.combine(day, clock, tzinfo=zone).astimezone(UTC)


def _shares() -> Mapping[str, list[float]]:
    return {
        row["site"]: [float(row[str(month)]) for month in range(1, 13)]
        for row in table("monthly_hours")
    }


def _instants(zone: ZoneInfo, first: date, anchor: datetime | None) -> list[datetime]:
    days = (DEMO_DAY - first).days
    instants = {local(zone, first + timedelta(n), DAILY_AT) for n in range(days + 1)}
    if anchor is not None:
        instants.add(anchor)
    return sorted(instants)


def _weights(instants: Sequence[datetime], zone: ZoneInfo, shares: Sequence[float]) -> list[float]:
    """Cumulative share of a year's hours at each instant, by the month's daily share."""
    total, cumulative = 0.0, [0.0]
    for before, after in zip(instants, instants[1:], strict=False):
        month = after.astimezone(zone).month
        daily = shares[month - 1] / 30.4375
        total += daily * (after - before).total_seconds() / 86_400
        cumulative.append(total)
    return cumulative


def counters(zones: Mapping[str, str]) -> Iterator[Counters]:
    """The counters of all 32 pumps. `zones` gives each site's IANA zone."""
    shares = _shares()
    for row in table("valves"):
        zone = ZoneInfo(zones[row["site"]])
        if row["last_inspection"]:
            inspected = date.fromisoformat(row["last_inspection"])
            anchor = local(zone, inspected, INSPECTED_AT)
            first = inspected - timedelta(LEAD_IN_DAYS)
            hours, starts = float(row["hours_since"]), int(row["starts_since"])
        else:
            anchor, first = None, DEMO_DAY - timedelta(365)
            hours, starts = float(row["hours_per_year"]), int(row["starts_per_year"])
        instants = _instants(zone, first, anchor)
        weights = _weights(instants, zone, shares[row["site"]])
        zero = weights[instants.index(anchor)] if anchor else weights[0]
        span = weights[-1] - zero
        used = [(weight - zero) / span for weight in weights]
        base_hours = 1_000.0 + 10 * floor(hours / 10)
        base_starts = 10 + starts
        run = [round(base_hours + hours * share, 2) for share in used]
        if row["pump"] in REPLACED:
            run = _replaced(row["pump"], zone, instants, run)
        if row["pump"] in TAKING_TURNS:
            run = _in_turns(row["pump"], zone, instants, run)
        count = [base_starts + floor(starts * share + 1e-9) for share in used]
        yield Counters(row["pump"], zone, instants, run, count)


def _replaced(
    pump: str, zone: ZoneInfo, instants: Sequence[datetime], run: Sequence[float]
) -> list[float]:
    """Shift the counter to its closing value before the replacement, to its opening one after."""
    day, clock, closing, opening = REPLACED[pump]
    swap = local(zone, day, clock)
    after = next(index for index, at in enumerate(instants) if at > swap)
    before_at, after_at = instants[after - 1], instants[after]
    part = (swap - before_at) / (after_at - before_at)
    at_swap = run[after - 1] + part * (run[after] - run[after - 1])
    return [
        round(value - at_swap + (closing if index < after else opening), 4)
        for index, value in enumerate(run)
    ]


def has_its_turn(pump: str, zone: ZoneInfo, at: datetime) -> bool:
    """Does this pump run in the day between two daily readings that `at` begins or lies in."""
    to_go = -((at - local(zone, DEMO_DAY, DAILY_AT)) // timedelta(days=1))
    return (to_go - 1) // TURN_DAYS % 2 == TAKING_TURNS[pump]


def _in_turns(
    pump: str, zone: ZoneInfo, instants: Sequence[datetime], run: Sequence[float]
) -> list[float]:
    """The hours of the last days on the days of this pump's turns; their sum stays."""
    first = len(instants) - 1 - TURNS_DAYS
    turns = [has_its_turn(pump, zone, at) for at in instants[first:-1]]
    each = (run[-1] - run[first]) / sum(turns)
    found = list(run[: first + 1])
    for is_turn in turns:
        found.append(found[-1] + each * is_turn)
    return [*(round(value, 2) for value in found[:-1]), run[-1]]


def path_of(name: str) -> Path:
    """A file of the demo world."""
    return FIXTURES / name
