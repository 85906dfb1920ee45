"""Policies, history, windows and crews of the demo world, entered by the usual actions."""

import dataclasses
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.due.actions import restart_clocks, set_policy
from valvecare.due.rules import TaskKind
from valvecare.models import (
    LiquidProperties,
    ProtectionValve,
    PumpGroup,
    Site,
    TestPolicy,
    VerdictPolicy,
)
from valvecare.planning.actions.windows import add_crew, add_window
from valvecare.project.demo.shape import INSPECTED_AT, records, table
from valvecare.project.demo.world import BUILT_AT, people
from valvecare.work.actions.gauges import add_gauge
from valvecare.work.actions.record_past_job import record_past_job
from valvecare.work.rules import GaugeKind, PastFlow, past_job_from_row

MEASURED = {("AF-FW-2V", "2025-07-15"): PastFlow(50.3, 0.02, 46.5)}
"""Flows measured in a test after a strip-down: m3/h, expanded uncertainty, required m3/h."""


def policies() -> None:
    """Limits of the invented owner, the properties of sea water and the verdict's margin."""
    owner = people()
    groups = {row.code: row for row in PumpGroup.objects.all()}
    valves = {row.tag: row for row in ProtectionValve.objects.all()}
    for row in records("policies"):
        who: dict[str, Any] = dict(row.pop("who"))
        scope: dict[str, Any] = {}
        if "design" in who:
            scope["design_code"], scope["variant"] = who["design"]
        elif "group" in who:
            scope["group"] = groups[who["group"]]
        else:
            scope["valve"] = valves[who["valve"]]
        set_policy(
            kind=TaskKind(row.pop("kind")),
            actor=owner,
            at=BUILT_AT,
            valid_from=BUILT_AT.date(),
            **scope,
            **row,
        )
    for row in records("liquids"):
        liquid = LiquidProperties(**row)
        liquid.full_clean()
        liquid.save()
    VerdictPolicy.objects.create(
        margin_share=0.05,
        line_sensor_k=1.0,
        time_constant_share=0.3,
        power_share=0.01,
        source="policy of the invented owner: 5 % over the required flow on the lower bound",
        owner="reliability engineer",
        valid_from=BUILT_AT.date(),
    )


def test_policy() -> None:
    """The invented owner's limits of the function test."""
    TestPolicy.objects.create(
        switching_band_share=0.15,
        head_band_share=0.03,
        leak_limit_share=0.1,
        reverse_swing_limit_s=3.0,
        header_decay_limit_bar=2.0,
        closed_in_share=0.5,
        probability=0.975,
        steady_k_per_min=0.1,
        steady_after_min=5.0,
        source="policy of the invented owner; steady rule: common practice",
        owner="reliability engineer",
        valid_from=BUILT_AT.date(),
    )


def history(at: datetime) -> None:
    """31 records of past jobs, and the bare dates of valves that have no record."""
    owner = people()
    valves = {row.tag: row for row in ProtectionValve.objects.select_related("pump__group__site")}
    done_by = {(row.pop("valve"), row.pop("date")): row for row in records("inspections")}
    told = set()
    for row in sorted(table("history"), key=lambda row: row["date"]):
        valve = valves[row["valve"]]
        job = past_job_from_row(row)
        flow = MEASURED.get((row["valve"], row["date"]))
        if flow is not None:
            job = dataclasses.replace(job, flow=flow)
        job = dataclasses.replace(job, **done_by.get((row["valve"], row["date"]), {}))
        record_past_job(valve.pk, job, actor=owner, at=at)
        told.add((row["valve"], row["date"]))
    for row in table("valves"):
        inspected = row["last_inspection"]
        if inspected and (row["valve"], inspected) not in told:
            valve = valves[row["valve"]]
            zone = ZoneInfo(valve.site_of().time_zone)
            done = datetime.combine(date.fromisoformat(inspected), INSPECTED_AT, tzinfo=zone)
            restart_clocks(
                valve,
                TaskKind.STRIP_DOWN,
                done,
                origin="date only, no record kept",
                actor=owner,
                at=at,
            )


def plan(at: datetime) -> None:
    """Outage windows, crews and gauges; the calibration of one wrench has run out."""
    owner = people()
    zones = {site.code: ZoneInfo(site.time_zone) for site in Site.objects.all()}
    for row in records("windows"):
        zone = zones[row["site"]]
        add_window(
            row["site"],
            row["name"],
            starts_at=datetime.fromisoformat(row["starts"]).replace(tzinfo=zone),
            ends_at=datetime.fromisoformat(row["ends"]).replace(tzinfo=zone),
            words=row["words"],
            is_total_stop=row.get("is_total_stop", False),
            still_needed=row.get("still_needed", ()),
            actor=owner,
            at=at,
        )
    for row in records("crews"):
        add_crew(
            row["site"],
            row["name"],
            people=row["people"],
            hours_per_day=row["hours_per_day"],
            actor=owner,
            at=at,
        )
    for row in records("gauges"):
        until = date.fromisoformat(row.pop("calibrated_until"))
        kind = GaugeKind(row.pop("kind"))
        add_gauge(
            row.pop("site"),
            row.pop("code"),
            **row,
            kind=kind,
            calibrated_until=until,
            actor=owner,
            at=at,
        )
