"""An invented fleet on a running installation, and what its database says (plain SQL)."""

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg

from tests.journeys.processes import Installation

FLEET = """
import json
from datetime import date, timedelta
from django.db import transaction
from django.utils import timezone
from tests.factories.due import act_of, policy_for
from tests.factories.register import ProtectionValveFactory, PumpGroupFactory, SiteFactory
from tests.factories.register import ValveDesignFactory
from valvecare.models import VerdictPolicy
at = timezone.now()
with transaction.atomic():
    site = SiteFactory(code="FLT")
    group = PumpGroupFactory(site=site)
    design = ValveDesignFactory(code="FLT-100")
    for n in range({valves}):
        valve = ProtectionValveFactory(
            tag=f"FLT-{{n:04d}}", pump__tag=f"FLT-P{{n:04d}}", pump__group=group,
            pump__with_curve=True, design=design)
        if n % 3:
            days = 1_000 if n % 3 == 1 else 10
            act_of(valve, at - timedelta(days=days), at=at)
    policy_for(design_code="FLT-100", months=24, at=at)
    VerdictPolicy.objects.create(margin_share=0.05, line_sensor_k=1, time_constant_share=0.3,
        power_share=0.01, source="invented", owner="engineer", valid_from=date(2020, 1, 1))
"""
"""A third of the valves has no record, a third is overdue, a third is not due for long."""


def rows(installation: Installation, sql: str) -> list[tuple[Any, ...]]:
    """Ask the installation's database from outside, as an auditor would."""
    url = installation.env.get("DATABASE_URL")
    if url:
        with psycopg.connect(url.replace("postgres://", "postgresql://", 1)) as connection:
            return connection.execute(sql).fetchall()
    path = Path(installation.env["DATA_DIR"]) / "valvecare.sqlite3"
    with closing(sqlite3.connect(path, timeout=20)) as connection:
        return connection.execute(sql).fetchall()


def build_fleet(installation: Installation, valves: int) -> None:
    installation.manage("shell", "-c", FLEET.format(valves=valves))


@dataclass(frozen=True)
class Run:
    slot: str
    attempts: int
    finished: bool
    counts: dict[str, Any]


def runs(installation: Installation, name: str = "sweep") -> list[Run]:
    """The runs of a job, oldest first."""
    found = rows(
        installation,
        "SELECT slot, attempts, finished_at IS NOT NULL, counts FROM valvecare_job_run "
        f"WHERE name = '{name}' ORDER BY id",
    )
    return [
        Run(slot, attempts, bool(done), json.loads(counts) if isinstance(counts, str) else counts)
        for slot, attempts, done, counts in found
    ]


@dataclass(frozen=True)
class Tally:
    """What is wrong with the fleet's orders and verdicts; all empty when all is well."""

    lost: frozenset[str]
    doubled: frozenset[str]
    not_due: frozenset[str]
    without_verdict: frozenset[str]
    two_verdicts: frozenset[str]
    without_event: frozenset[str]

    @property
    def wrong(self) -> int:
        return sum(len(group) for group in vars(self).values())


def tally(installation: Installation, valves: int) -> Tally:
    """Compare orders, their events and the verdicts with what the fleet was built to need."""
    orders: dict[str, int] = dict.fromkeys((f"FLT-{n:04d}" for n in range(valves)), 0)
    verdicts, events = dict(orders), dict(orders)
    for counted, sql in (
        (
            orders,
            "SELECT v.tag FROM valvecare_work_order o JOIN valvecare_protection_valve v "
            "ON v.id = o.valve_id WHERE o.state NOT IN ('closed', 'dropped')",
        ),
        (
            verdicts,
            "SELECT v.tag FROM valvecare_verdict d JOIN valvecare_protection_valve v "
            "ON v.id = d.valve_id WHERE d.is_current",
        ),
        (
            events,
            "SELECT v.tag FROM valvecare_event e JOIN valvecare_protection_valve v "
            "ON v.id = e.valve_id WHERE e.type = 'work_order.raised'",
        ),
    ):
        for (tag,) in rows(installation, sql):
            counted[tag] += 1
    due = {tag for n, tag in enumerate(orders) if n % 3 != 2}
    return Tally(
        lost=frozenset(tag for tag in due if orders[tag] == 0),
        doubled=frozenset(tag for tag in due if orders[tag] > 1),
        not_due=frozenset(tag for tag in orders if tag not in due and orders[tag]),
        without_verdict=frozenset(tag for tag, count in verdicts.items() if count == 0),
        two_verdicts=frozenset(tag for tag, count in verdicts.items() if count > 1),
        without_event=frozenset(tag for tag in due if events[tag] != 1),
    )


def forget_what_was_derived(installation: Installation) -> None:
    """Back to the fleet as it was built, so that the next sweep has everything to do."""
    installation.manage("shell", "-c", FORGET)


FORGET = """
from django.db import transaction
from valvecare.models import DueItem, Event, FleetMark, JobRun, Verdict, WorkOrder
with transaction.atomic():
    for rows in (WorkOrder, Verdict, DueItem, FleetMark, JobRun):
        rows.objects.all().delete()
    Event.objects.filter(type="work_order.raised").delete()
"""


def overlap(installation: Installation, name: str = "sweep") -> bool:
    """True when two runs of the job were under way at the same time."""
    found = rows(
        installation,
        "SELECT count(*) FROM valvecare_job_run a JOIN valvecare_job_run b ON a.id < b.id "
        f"WHERE a.name = '{name}' AND b.name = '{name}' "
        "AND a.started_at < b.finished_at AND b.started_at < a.finished_at",
    )
    return bool(found[0][0])
