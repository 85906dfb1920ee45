"""Verdicts of a fleet: ``python -m tests.benchmarks.bench_verdicts 10000 100000``.

Works in a test database of its own (SQLite, or PostgreSQL by DATABASE_URL), which it drops. Groups
of three pumps with curves of their own; every valve has a test, an inspection and two due items.
Prints processor and wall time of the first judgement (all capacities computed), of one with
nothing changed and of one with 1 % changed, with the memory over idle, and the ratio of the fleets.
"""

import gc
import os
import sys
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")
django.setup()

from django.db import connection, transaction  # noqa: E402

from valvecare.models import (  # noqa: E402
    CurvePoint,
    DueItem,
    FunctionTest,
    Inspection,
    Policy,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
    Verdict,
    VerdictPolicy,
)
from valvecare.protection.actions import judge_all  # noqa: E402

AT = datetime(2026, 5, 4, 12, tzinfo=UTC)
CURVE = [
    (0.0, 864.0, 139.46),
    (13.5, 860.76, 150.2),
    (27.0, 851.04, 161.61),
    (45.0, 828.0, 178.2),
    (67.5, 783.0, 202.2),
    (90.0, 720.0, 232.43),
    (108.0, 656.64, 264.98),
]
BATCH = 2_000


def _rows(model: Any, rows: Any) -> list[Any]:
    made: list[Any] = model.objects.bulk_create(rows, batch_size=BATCH)
    return made


@transaction.atomic
def fill(valves: int) -> None:
    """A fleet of groups of three; the pumps of a group are equal, the groups differ."""
    site = Site.objects.create(
        code="B", name="Bench", time_zone="UTC", atmospheric_pressure_bar_a=1.01325
    )
    VerdictPolicy.objects.create(
        margin_share=0.05,
        line_sensor_k=1.0,
        time_constant_share=0.3,
        power_share=0.01,
        source="invented",
        owner="engineer",
        valid_from=date(2020, 1, 1),
    )
    design = ValveDesign.objects.create(
        code="OAK", dn=100, bypass_dn=50, revision="A", principle="x", liquid_recovery_factor=0.97
    )
    groups = _rows(
        PumpGroup,
        (
            PumpGroup(site=site, code=f"G{n}", service="feed", installed=3, needed=2)
            for n in range(-(-valves // 3))
        ),
    )
    pumps = _rows(
        Pump,
        (
            Pump(
                group=groups[n // 3],
                tag=f"P{n}",
                role="duty",
                medium="water",
                speed_rpm=2970,
                curve_speed_rpm=2970,
                curve_density_kg_per_m3=934.9,
                curve_source="invented",
                best_flow_m3_per_h=90,
                motor_efficiency=0.95,
                suction_pressure_bar_g=3.0,
                suction_temperature_degc=130.0 - (n // 3 % 500) * 0.05,
                returns_to="vessel",
                back_pressure_bar_g=3.3,
                return_line_dn=50,
                stable_min_flow_m3_per_h=27,
                allowed_rise_k=8,
                liquid_volume_m3=0.07,
                metal_mass_kg=800,
            )
            for n in range(valves)
        ),
    )
    _rows(
        CurvePoint,
        (
            CurvePoint(
                pump=pump, flow_m3_per_h=q, head_m=h * (1 - number // 3 * 1e-7), shaft_power_kw=p
            )
            for number, pump in enumerate(pumps)
            for q, h, p in CURVE
        ),
    )
    made = _rows(
        ProtectionValve,
        (
            ProtectionValve(
                pump=pump,
                tag=f"V{n}",
                serial=f"S{n}",
                design=design,
                bypass_kv_m3_per_h=3.3,
                design_bypass_flow_m3_per_h=30,
                switching_flow_m3_per_h=36,
            )
            for n, pump in enumerate(pumps)
        ),
    )
    policy = Policy.objects.create(
        design_code="OAK",
        kind="strip-down",
        months=24,
        valid_from=date(2020, 1, 1),
        source="invented",
        owner="engineer",
    )
    _rows(
        DueItem,
        (
            DueItem(
                valve=valve,
                kind=kind,
                site=site,
                group=pump.group,
                pump=pump,
                design=design,
                policy=policy,
                state="not yet",
                share_used=0.4,
                governed_by="calendar",
                due_on=date(2027, 3, 1),
                earliest_on=date(2027, 3, 1),
                likely_on=date(2027, 3, 1),
                latest_on=date(2027, 3, 1),
                reason="Invented.",
                as_of=AT,
                changed_at=AT,
            )
            for valve, pump in zip(made, pumps, strict=True)
            for kind in ("strip-down", "function test")
        ),
    )
    _rows(
        FunctionTest,
        (
            FunctionTest(
                valve=valve,
                done_at=AT - timedelta(days=200),
                method="clamp-on meter",
                bypass_flow_m3_per_h=30,
                uncertainty_share=0.02,
                required_m3_per_h=27,
                result="pass",
                recorded_at=AT,
            )
            for valve in made
        ),
    )
    _rows(
        Inspection,
        (
            Inspection(
                valve=valve,
                done_at=AT - timedelta(days=210),
                kind="strip-down",
                as_found="as expected",
                origin="invented",
                recorded_at=AT,
            )
            for valve in made
        ),
    )


def _status_mb(name: str) -> float:
    """`VmRSS` (now) or `VmHWM` (peak) of this process; Linux."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith(name)) / 1024


def _idle_mb() -> float:
    """Memory at rest; the peak starts anew from here."""
    gc.collect()
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    return _status_mb("VmRSS")


def _timed(words: str, at: datetime) -> float:
    wall, own = time.perf_counter(), time.process_time()
    done = judge_all(at, lambda: None)
    wall, own = time.perf_counter() - wall, time.process_time() - own
    print(
        f"  {words:<22} {wall:8.2f} s wall {own:8.2f} s processor  "
        f"{own / done.judged * 1e3:6.3f} ms a valve  {done.changed} changed"
    )
    return own


def run(valves: int) -> tuple[float, float]:
    print(f"{valves:,} valves on {connection.vendor}")
    fill(valves)
    idle = _idle_mb()
    first = _timed("first judgement", AT)
    same = _timed("nothing changed", AT + timedelta(minutes=5))
    hundredth = list(ProtectionValve.objects.order_by("pk").values_list("pk", flat=True)[::100])
    DueItem.objects.filter(valve_id__in=hundredth, kind="strip-down").update(
        state="overdue", share_used=1.01
    )
    _timed("1 % changed", AT + timedelta(minutes=10))
    peak = _status_mb("VmHWM") - idle
    print(f"  memory over idle {peak:.0f} MB, {Verdict.objects.count():,} verdicts")
    return first, same


def main() -> None:
    sizes = [int(given) for given in sys.argv[1:]] or [10_000]
    found = []
    for size in sizes:
        name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
        try:
            found.append((size, *run(size)))
        finally:
            connection.creation.destroy_test_db(name, verbosity=0)
    for (small, *before), (large, *after) in zip(found, found[1:], strict=False):
        first, same = (b / a for a, b in zip(before, after, strict=True))
        print(f"{small:,} -> {large:,}: first {first:.1f} x, nothing changed {same:.1f} x")


if __name__ == "__main__":
    main()
