"""What the invented plant systems push: counters, line temperatures, and the usual troubles.

Everything goes through the real door: HTTP requests with a machine token to the bulk endpoint.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.test import Client

from valvecare.models import Pump, Series, Site
from valvecare.project.demo.shape import (
    DEMO_DAY,
    REPLACED,
    Counters,
    counters,
    has_its_turn,
    local,
    table,
)
from valvecare.project.demo.world import BUILT_AT, people
from valvecare.readings.actions.add_series import add_series
from valvecare.register.actions import issue_plant_credential

ROWS_PER_PUSH = 9_000
LATE = ("SM-PR-3P", date(2026, 3, 2), date(2026, 3, 16))
"""The gateway of this pump was down: two weeks arrive after everything else."""

SILENT_STARTS = ("AF-CR-2P", date(2026, 2, 28))
"""From this day on the start counter of this pump is missing while its hours rise."""

COUNTERS: dict[str, dict[str, Any]] = {
    "RUN_H": {"quantity": "run hours", "unit": "h", "resolution": 0.01},
    "STARTS": {
        "quantity": "starts",
        "unit": "1",
        "resolution": 1,
        "max_starts_per_hour": 20,
    },
}
GAUGES: dict[str, tuple[str, str, float, float, float]] = {
    # tag tail: quantity, unit, resolution, plausible from, to
    "LINE_T": ("bypass line temperature", "degC", 0.01, -10, 250),
    "INLET_T": ("inlet temperature", "degC", 0.1, 0, 250),
    "AMBIENT_T": ("ambient temperature", "degC", 0.1, -40, 60),
    "FLOW": ("main flow", "m3/h", 0.1, 0, 3000),
    "POWER": ("power", "kW", 0.1, 0, 2000),
    "SUCTION_P": ("suction pressure", "bar_g", 0.01, -1, 20),
}
GAUGED = {
    "AF-FW-2P": ("LINE_T", "INLET_T", "AMBIENT_T", "FLOW", "POWER"),
    "SM-HP-4P": ("LINE_T",),
    "NH-BC-1P": ("POWER", "SUCTION_P"),
    "NH-BC-2P": ("POWER",),
}


@dataclass
class Tally:
    """What became of the pushed rows, for the printed summary."""

    rows: int = 0
    counts: dict[str, int] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)

    def add(self, answer: dict[str, Any]) -> None:
        for result in answer["results"]:
            self.rows += 1
            status = result["status"]
            self.counts[status] = self.counts.get(status, 0) + 1
            if status in ("rejected", "set aside", "conflict"):
                self.refused.append(f"{status}: {result.get('detail', '')}")


def tag_of(pump: str, tail: str) -> str:
    return f"{pump}.{tail}"


def make_series() -> None:
    """The tags the plants send: two counters per pump, gauges where the story needs them."""
    owner = people()
    for pump in Pump.objects.all():
        for tail, facts in COUNTERS.items():
            fields = {"tag": tag_of(pump.tag, tail), "expected_period_s": 86_400, **facts}
            add_series(pump.pk, fields, actor=owner, at=BUILT_AT)
        for tail in GAUGED.get(pump.tag, ()):
            quantity, unit, resolution, low, high = GAUGES[tail]
            fields = {
                "tag": tag_of(pump.tag, tail),
                "quantity": quantity,
                "unit": unit,
                "resolution": resolution,
                "plausible_min": low,
                "plausible_max": high,
                "expected_period_s": 3_600,
            }
            add_series(pump.pk, fields, actor=owner, at=BUILT_AT)


def _row(tag: str, at: datetime, value: float, unit: str, **more: Any) -> dict[str, Any]:
    return {"series": tag, "at": at.isoformat(), "value": value, "unit": unit, **more}


def _counter_rows(made: Counters, *, late: bool) -> Iterator[dict[str, Any]]:
    """Rows of one pump; the late weeks apart, local time with its offset as the plant writes it."""
    pump, first, last = LATE
    silent_pump, silent_from = SILENT_STARTS
    for at, hours, starts in zip(made.at, made.run_hours_h, made.starts, strict=True):
        day = at.astimezone(made.zone).date()
        is_late = made.pump == pump and first <= day < last
        if is_late is not late:
            continue
        wall = at.astimezone(made.zone)
        yield _row(tag_of(made.pump, "RUN_H"), wall, hours, "h")
        if not (made.pump == silent_pump and day > silent_from):
            yield _row(tag_of(made.pump, "STARTS"), wall, starts, "1")


def _hours(zone: ZoneInfo, days: int, *, until: time) -> list[datetime]:
    end = local(zone, DEMO_DAY, until)
    return [end - timedelta(hours=n) for n in range(days * 24, -1, -1)]


def _gauge_rows(zones: dict[str, ZoneInfo]) -> Iterator[tuple[str, dict[str, Any]]]:
    """(site, row): the passing bypass, the frozen sensor, the swapped pair, the wrong unit.

    The last reading of each is taken at noon UTC of the demo day, its present.
    """
    zone = zones["AF"]
    shut_at = local(zone, DEMO_DAY, time(4))
    for index, at in enumerate(_hours(zone, 3, until=time(13))):
        wiggle = 0.1 * (index % 7 - 3)
        low = shut_at - timedelta(hours=2) <= at <= shut_at
        flow = 40.0 if low else 147.0
        yield "AF", _row("AF-FW-2P.FLOW", at, round(flow + wiggle, 1), "m3/h")
        yield "AF", _row("AF-FW-2P.INLET_T", at, round(143 + 0.1 * (index % 3 - 1), 1), "degC")
        yield "AF", _row("AF-FW-2P.AMBIENT_T", at, round(22 + 0.1 * (index % 5 - 2), 1), "degC")
        line = 142.8 if low else 139.0
        last = at == local(zone, DEMO_DAY, time(13))
        shown = 139.0 if last else round(line + 0.05 * (index % 4 - 1.5), 2)
        yield "AF", _row("AF-FW-2P.LINE_T", at, shown, "degC")
        # shaft 543 kW at 147 m3/h by the curve, 11 kW more here; motor efficiency 0.95
        power = (400.0 if low else 554.0) / 0.95
        yield "AF", _row("AF-FW-2P.POWER", at, round(power + wiggle, 1), "kW")
    zone = zones["SM"]
    for at in _hours(zone, 9, until=time(16)):
        yield "SM", _row("SM-HP-4P.LINE_T", at, 24.10, "degC", quality="good")
    zone = zones["NH"]
    for index, at in enumerate(_hours(zone, 14, until=time(14))):
        # the two power sensors are wired to each other's pump: 1 shows power while 2 runs
        for pump, other in (("NH-BC-1P", "NH-BC-2P"), ("NH-BC-2P", "NH-BC-1P")):
            sees = has_its_turn(other, zone, at)
            shown = 44.0 + 0.1 * (index % 9) if sees else 0.2 + 0.1 * (index % 2)
            yield "NH", _row(f"{pump}.POWER", at, round(shown, 1), "kW")
        pressure = 6.0 + 0.01 * (index % 6)
        yield "NH", _row("NH-BC-1P.SUCTION_P", at, round(pressure, 2), "bar_g")


def _troubles(zones: dict[str, ZoneInfo]) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """(site, rows) of what goes wrong in real plants; each row is answered by itself."""
    noon = datetime.combine(DEMO_DAY, time(9), tzinfo=UTC)
    night = date(2025, 10, 26)
    stockholm = zones["NH"]
    first = datetime.combine(night, time(2, 30), tzinfo=stockholm)
    rows = [
        # the same minute twice in the night of the clock change: two instants, two offsets
        _row("NH-BC-1P.SUCTION_P", first.replace(fold=0), 6.01, "bar_g"),
        _row("NH-BC-1P.SUCTION_P", first.replace(fold=1), 6.02, "bar_g"),
        # a value in kPa that calls itself bar
        _row("NH-BC-1P.SUCTION_P", noon + timedelta(minutes=30), 601.0, "bar_g"),
        # bar without a word on gauge or absolute
        _row("NH-BC-1P.SUCTION_P", noon + timedelta(minutes=1), 6.0, "bar"),
        _row("NH-DH-1P.RUN_H", noon, -5.0, "h"),
        _row("NH-DH-1P.RUN_H", noon + timedelta(days=40), 99_999.0, "h"),
        _row("NH-DH-1P.RUN_H", noon, 900_000.0, "h"),
        _row("NH-DH-9P.RUN_H", noon, 12.0, "h"),
    ]
    yield "NH", rows
    naive = _row("AF-FW-1P.RUN_H", noon, 1.0, "h")
    naive["at"] = "2026-05-04T09:00:00"
    yield "AF", [naive]


class Plant:
    """An HTTP client of the plant system, with one token per site."""

    def __init__(self, at: datetime) -> None:
        self.client = Client(headers={"host": "localhost"})
        self.tokens: dict[str, str] = {}
        for site in Site.objects.all():
            _, token = issue_plant_credential(
                f"{site.code} gateway (demo)",
                [site],
                ["readings:write", "readings:read", "due:read", "work:read", "protection:read"],
                366,
                actor=people(),
                at=at,
            )
            self.tokens[site.code] = token
        self.tally = Tally()

    def post(self, site: str, path: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = self.client.post(
            path,
            data=json.dumps(body),
            content_type="application/json",
            headers={"Authorization": f"Bearer {self.tokens[site]}"},
        )
        if answer.status_code not in (200, 201):
            raise RuntimeError(f"{path} answered {answer.status_code}: {answer.content[:500]!r}")
        content: dict[str, Any] = answer.json()
        return content

    def push(self, site: str, rows: list[dict[str, Any]]) -> None:
        for start in range(0, len(rows), ROWS_PER_PUSH):
            body = {"source": f"{site} gateway", "rows": rows[start : start + ROWS_PER_PUSH]}
            self.tally.add(self.post(site, "/api/v1/readings/bulk", body))


def push_everything(plant: Plant) -> Tally:
    """Meter event, counters, gauges, troubles, a batch sent twice, the late weeks, an event."""
    zones = {site.code: ZoneInfo(site.time_zone) for site in Site.objects.all()}
    made = list(counters({code: zone.key for code, zone in zones.items()}))
    site_of = {row["pump"]: row["site"] for row in table("valves")}
    for pump, (day, clock, closing, opening) in REPLACED.items():
        series = Series.objects.get(tag=tag_of(pump, "RUN_H"))
        plant.post(
            site_of[pump],
            f"/api/v1/series/{series.pk}/meter-events",
            {
                "kind": "replaced",
                "at": local(zones[site_of[pump]], day, clock).isoformat(),
                "closing_value": closing,
                "opening_value": opening,
                "words": "counter replaced",
            },
        )
    for site in zones:
        rows = [
            row
            for one in made
            if site_of[one.pump] == site
            for row in _counter_rows(one, late=False)
        ]
        plant.push(site, rows)
        plant.push(site, rows[-200:])  # the last batch again: a duplicate of every row
    for site in zones:
        plant.push(site, [row for where, row in _gauge_rows(zones) if where == site])
    for site, rows in _troubles(zones):
        plant.push(site, rows)
    for one in made:
        if one.pump == LATE[0]:
            plant.push(site_of[one.pump], list(_counter_rows(one, late=True)))
    trip = {
        "pump": "SM-IN-3P",
        "kind": "reverse rotation",
        "at": local(zones["SM"], date(2026, 4, 19), time(14, 12)).isoformat(),
        "duration_s": 14,
        "speed_rpm": 180,
        "words": "after a trip",
    }
    plant.tally.add(
        plant.post("SM", "/api/v1/plant-events", {"source": "SM gateway", "events": [trip]})
    )
    return plant.tally
