"""Runs as plain facts, without a database: the invented feed pump and the pumps of the demo."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.factories.proving import GAUGES, METER, passing
from tests.factories.register import CURVE
from valvecare.protection.rules import Hydraulics
from valvecare.protection.rules.capacity import LiquidTable
from valvecare.proving.rules import (
    GAUGE_UNITS,
    SPECS,
    ReadingFact,
    RunFacts,
    RunLimits,
    TestQuantity,
    reading_spread,
)
from valvecare.work.rules.test_methods import GaugeAbility

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
BEGUN = datetime(2026, 5, 4, 12, tzinfo=UTC)


def rows_of(name: str) -> list[dict[str, Any]]:
    return json.loads((DEMO / f"{name}.json").read_text())["rows"]


def hydraulics(**changed: Any) -> Hydraulics:
    """The invented feed pump of the factories."""
    return Hydraulics(
        **{
            "medium": "water",
            "table": None,
            "curve_m3_per_h_m_kw": tuple(CURVE),
            "curve_source": "invented",
            "curve_speed_rpm": 2970.0,
            "curve_density_kg_per_m3": 934.8,
            "speed_rpm": 2970.0,
            "best_flow_m3_per_h": 90.0,
            "atmospheric_pressure_bar_a": 1.013,
            "suction_pressure_bar_g": 3.0,
            "suction_temperature_degc": 130.0,
            "returns_to": "vessel",
            "back_pressure_bar_g": 3.3,
            "return_static_bar_g": None,
            "return_line_dn": 50,
            "pumps_on_common": 1,
            "design_bypass_flow_m3_per_h": 30.0,
            "bypass_kv_m3_per_h": 3.3,
            "liquid_recovery_factor": 0.97,
            "stable_min_flow_m3_per_h": 27.0,
            "allowed_rise_k": 8.0,
            "liquid_volume_m3": 0.02,
            "metal_mass_kg": 400.0,
            **changed,
        }
    )


def demo_pump(group: str) -> tuple[dict[str, Any], Hydraulics]:
    """The first pump of a group of the demo world: its row, and what the rules are told of it."""
    row = next(row for row in rows_of("pumps") if row["group"] == group)
    names = [name for name in hydraulics().__dict__ if name in row]
    liquids = {one["name"]: one for one in rows_of("liquids")}
    table = liquids.get(row["medium"])
    return row, hydraulics(
        **{name: row[name] for name in names},
        curve_m3_per_h_m_kw=tuple(tuple(point) for point in row["curve"]),
        table=None
        if table is None
        else LiquidTable(
            **{
                name: tuple(value) if isinstance(value, list) else value
                for name, value in table.items()
            }
        ),
    )


def demo_gauges(site: str) -> list[GaugeAbility]:
    return [
        GaugeAbility(
            row["code"],
            row["kind"],
            row["unit"],
            row["range_low"],
            row["range_high"],
            row["step"],
            row.get("uncertainty"),
            row.get("uncertainty_share"),
        )
        for row in rows_of("gauges")
        if row["site"] == site and ("uncertainty" in row or "uncertainty_share" in row)
    ]


def limits(**changed: Any) -> RunLimits:
    return RunLimits(
        **{
            "required_m3_per_h": 27.0,
            "required_governs": "stable",
            "allowed_rise_k": 8.0,
            "switching_m3_per_h": 36.0,
            "switching_band_share": 0.15,
            "head_band_share": 0.03,
            "leak_limit_m3_per_h": 3.0,
            "reverse_swing_limit_s": 3.0,
            "header_decay_limit_bar": 2.0,
            "probability": 0.975,
            "steady_k_per_min": 0.1,
            "steady_after_min": 5.0,
            "weaker_required_m3_per_h": 27.0,
            "closed_in_limit_s": 4.0,
            "source": "invented",
            **changed,
        }
    )


def facts_of_rows(rows: list[dict[str, Any]], **changed: Any) -> RunFacts:
    """Facts of rows as the factories make them; spreads by the gauges' certificates."""
    found = []
    for number, row in enumerate(rows, 1):
        quantity, gauge = TestQuantity(row["quantity"]), row["gauge"]
        spread = None
        if gauge:
            _, low, high, unit, step, more = GAUGES[gauge]
            assert unit == GAUGE_UNITS.get(quantity, SPECS[quantity].unit)
            assert low <= row["value"] <= high
            spread = reading_spread(
                quantity,
                row["value"],
                expanded=more.get("uncertainty"),
                expanded_share=more.get("uncertainty_share"),
                step=step,
            )
        at = row.get("read_at") or BEGUN
        found.append(
            ReadingFact(
                number, row["step"], quantity, row["value"], row.get("stop"), at, spread, gauge
            )
        )
    return RunFacts(
        **{
            "method": METER,
            "limits": limits(),
            "hydraulics": hydraulics(),
            "motor_efficiency": 0.95,
            "vessel": None,
            "readings": tuple(found),
            "not_done": {},
            "not_applicable": {"T7": "no warm-keeping line"},
            "crossed": (),
            **changed,
        }
    )


def run_with(*, leave: tuple[str, ...] = (), facts: Any = None, **changed: float) -> RunFacts:
    """The passing run without some steps and with some values changed."""
    steps = passing(BEGUN, **changed)
    rows = [row for step, read in steps.items() if step not in leave for row in read]
    return facts_of_rows(rows, **(facts or {}))
