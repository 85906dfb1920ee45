"""Facts, evidence and a verdict policy for tests of protection. All invented."""

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from tests.factories.due import administrator, policy_for
from tests.factories.register import ProtectionValveFactory, SiteFactory
from valvecare.due.actions import restart_clocks
from valvecare.due.rules import TaskKind
from valvecare.models import EventCursor, FunctionTest, Inspection, VerdictPolicy
from valvecare.protection.reads.touched import newest_event
from valvecare.protection.rules import (
    Capacity,
    DueFact,
    Facts,
    Hydraulics,
    InspectionFact,
    Policy,
    TestFact,
)

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
TODAY = date(2026, 5, 4)
POLICY = Policy(
    margin_share=0.05,
    source="invented policy",
    owner="reliability engineer",
    line_sensor_k=1.0,
    time_constant_share=0.3,
    power_share=0.01,
)
CAPACITY = Capacity(
    required_m3_per_h=27.0,
    required_governs="stable",
    thermal_min_m3_per_h=14.75,
    stable_known=True,
    computed_m3_per_h=30.0,
    margin_share=30.0 / 27.0 - 1.0,
    choked=False,
    boil_water_only_s=30.0,
    boil_with_metal_s=72.0,
)


def at(day: str, hour: int = 12) -> datetime:
    return datetime.fromisoformat(day).replace(hour=hour, tzinfo=UTC)


def proof_fact(day: str = "2025-09-23", flow: float | None = 30.0, **given: Any) -> TestFact:
    """A measured pass with a clamp-on meter, 30 m³/h ±2 %, where nothing else is said."""
    facts: dict[str, Any] = {
        "id": 1,
        "done_at": at(day),
        "done_on": date.fromisoformat(day),
        "method": "clamp-on meter",
        "flow_m3_per_h": flow,
        "uncertainty_share": None if flow is None else 0.02,
        "required_m3_per_h": None if flow is None else 27.0,
        "result": "pass",
    }
    return TestFact(**{**facts, **given})


def seen_fact(day: str, as_found: str = "as expected", **given: Any) -> InspectionFact:
    return InspectionFact(
        id=1,
        done_at=at(day),
        done_on=date.fromisoformat(day),
        kind=given.pop("kind", "strip-down"),
        as_found=as_found,
        **given,
    )


def due_fact(kind: str = "strip-down", **given: Any) -> DueFact:
    facts: dict[str, Any] = {
        "state": "not yet",
        "share_used": 0.4,
        "governed_by": "run-hours",
        "due_on": date(2027, 3, 1),
        "earliest_on": date(2027, 2, 1),
        "likely_on": date(2027, 3, 1),
        "latest_on": date(2027, 4, 1),
    }
    return DueFact(kind=kind, **{**facts, **given})


def facts(**given: Any) -> Facts:
    """A valve that protects: measured with margin, in date, nothing against it."""
    usual: dict[str, Any] = {
        "valve": "NH-FW-3V",
        "as_of": NOON,
        "as_of_on": TODAY,
        "missing_identity": (),
        "capacity": CAPACITY,
        "tests": (proof_fact(),),
        "due": (due_fact(),),
    }
    return Facts(**{**usual, **given})


def capacity(**given: Any) -> Capacity:
    return replace(CAPACITY, **given)


WATER_PUMP = Hydraulics(
    medium="water",
    table=None,
    curve_m3_per_h_m_kw=(
        (0.0, 864.0, 139.46),
        (13.5, 860.76, 150.2),
        (27.0, 851.04, 161.61),
        (45.0, 828.0, 178.2),
        (90.0, 720.0, 232.43),
        (108.0, 656.64, 264.98),
    ),
    curve_source="invented",
    curve_speed_rpm=2970.0,
    curve_density_kg_per_m3=934.9,
    speed_rpm=2970.0,
    best_flow_m3_per_h=90.0,
    atmospheric_pressure_bar_a=1.01325,
    suction_pressure_bar_g=3.0,
    suction_temperature_degc=130.0,
    returns_to="vessel",
    back_pressure_bar_g=3.3,
    return_static_bar_g=None,
    return_line_dn=50,
    pumps_on_common=1,
    design_bypass_flow_m3_per_h=30.0,
    bypass_kv_m3_per_h=3.3,
    liquid_recovery_factor=0.995,
    stable_min_flow_m3_per_h=27.0,
    allowed_rise_k=8.0,
    liquid_volume_m3=0.0762,
    metal_mass_kg=885.7,
)


def hydraulics(**given: Any) -> Hydraulics:
    return replace(WATER_PUMP, **given)


def verdict_policy(**given: Any) -> VerdictPolicy:
    usual: dict[str, Any] = {
        "margin_share": 0.05,
        "line_sensor_k": 1.0,
        "time_constant_share": 0.3,
        "power_share": 0.01,
        "source": "invented",
        "owner": "reliability engineer",
        "valid_from": date(2020, 1, 1),
    }
    return VerdictPolicy.objects.create(**{**usual, **given})


def proven(valve: Any, day: str = "2025-09-23", **given: Any) -> FunctionTest:
    usual: dict[str, Any] = {
        "done_at": at(day),
        "method": "clamp-on meter",
        "bypass_flow_m3_per_h": 30.0,
        "uncertainty_share": 0.02,
        "required_m3_per_h": 27.0,
        "result": "pass",
        "recorded_at": NOON,
    }
    return FunctionTest.objects.create(valve=valve, **{**usual, **given})


def opened(valve: Any, day: str, as_found: str = "as expected", **given: Any) -> Inspection:
    usual: dict[str, Any] = {
        "done_at": at(day),
        "kind": "strip-down",
        "origin": "invented",
        "recorded_at": NOON,
    }
    return Inspection.objects.create(valve=valve, as_found=as_found, **{**usual, **given})


def plant(**given: Any) -> Any:
    """A site with what a capacity needs."""
    return SiteFactory(**{"time_zone": "UTC", "atmospheric_pressure_bar_a": 1.01325, **given})


def caught_up() -> None:
    """As if the judge had followed every event so far."""
    EventCursor.objects.update_or_create(pk="verdicts", defaults={"event_id": newest_event()})


def protecting(site: Any = None, **given: Any) -> Any:
    """A valve with a whole record, a policy of its own, in date and proven with margin."""
    valve = ProtectionValveFactory(
        pump__group__site=site or plant(), pump__with_curve=True, **given
    )
    policy_for(valve=valve, months=24)
    restart_clocks(
        valve,
        TaskKind.STRIP_DOWN,
        at("2025-09-22"),
        origin="invented",
        actor=administrator(),
        at=NOON,
    )
    proven(valve)
    return valve
