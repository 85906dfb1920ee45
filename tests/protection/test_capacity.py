"""Computed capacity against the invented demo world's checked table, and every refusal by name.

The table's numbers were computed independently of this code (water by IAPWS-IF97, sea water from
constants); 'from memory' marks travel with them in the demo's description.
"""

import json
from pathlib import Path

import pytest
from django.conf import settings

from tests.factories.protection import WATER_PUMP, hydraulics
from valvecare.protection.rules import LiquidTable, capacity_of, tested

FIXTURES = Path(settings.BASE_DIR) / "fixtures" / "demo"


def rows(name):
    return json.loads((FIXTURES / f"{name}.json").read_text(encoding="utf-8"))["rows"]


PUMPS = {row["tag"]: row for row in rows("pumps")}
VALVES = {row["tag"]: row for row in rows("valves_register")}
DESIGNS = {
    (row["code"], row["variant"], row["dn"], row["revision"]): row for row in rows("designs")
}
SITES = {row["code"]: row for row in rows("sites")}
LIQUIDS = {row["name"]: row for row in rows("liquids")}


def demo(tag):
    """The register numbers of one valve of the demo world."""
    valve = VALVES[tag]
    pump = PUMPS[valve["pump"]]
    table = LIQUIDS.get(pump["medium"])
    if table is not None:
        table = LiquidTable(
            name=table["name"],
            source=table["source"],
            temperatures_degc=tuple(table["temperatures_degc"]),
            densities_kg_per_m3=tuple(table["densities_kg_per_m3"]),
            specific_heats_j_per_kg_k=tuple(table["specific_heats_j_per_kg_k"]),
            vapour_pressures_pa_abs=tuple(table["vapour_pressures_pa_abs"]),
            critical_pressure_pa_abs=table["critical_pressure_pa_abs"],
        )
    from_pump = set(WATER_PUMP.__dataclass_fields__) & set(pump)
    return hydraulics(
        **{name: pump[name] for name in from_pump},
        table=table,
        curve_m3_per_h_m_kw=tuple(tuple(point) for point in pump["curve"]),
        atmospheric_pressure_bar_a=SITES[tag[:2]].get("atmospheric_pressure_bar_a", 1.01325),
        design_bypass_flow_m3_per_h=valve["design_bypass_flow_m3_per_h"],
        bypass_kv_m3_per_h=valve["bypass_kv_m3_per_h"],
        liquid_recovery_factor=DESIGNS[tuple(valve["design"])]["liquid_recovery_factor"],
    )


TABLE = [
    # valve, stable minimum, design bypass, discharge bar g, return rise K, boil water / metal min
    ("NH-DH-1V", 215, 237, 13.9, 0.64, 8.0, 13.5),
    ("NH-BC-1V", 105, 116, 9.7, 0.24, 8.3, 14.3),
    ("NH-FW-1V", 27.0, 30, 80.7, 4.94, 0.5, 1.2),
    ("NH-MU-1V", 8.5, 9, 12.7, 0.95, 10.7, 24.8),
    ("SM-IN-1V", 435, 479, 5.5, 0.28, None, None),
    ("SM-HP-1V", 144, 158, 76.1, 3.98, None, None),
    ("SM-PR-1V", 127.5, 140, 10.4, 0.59, 8.0, 13.5),
    ("AF-FW-1V", 46.5, 51, 119.4, 7.12, 0.3, 0.8),
    ("AF-CR-1V", 30.0, 33, 8.5, 0.57, 1.5, 3.4),
    ("AF-SH-1V", 31.5, 35, 33.3, 1.99, 3.7, 8.3),
    ("AF-PW-1V", 160, 176, 7.5, 0.43, 12.0, 19.7),
]
"""Table of the bypass duty of the invented demo world. Times of sea water are to 100 °C there,
ours to saturation at the inlet, so they are not compared. Times to boil are rounded there and
hold within 5 %."""


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row[0])
def test_the_demo_groups_have_the_published_capacity(row):
    tag, stable, design, discharge, rise, water_min, metal_min = row
    found = capacity_of(demo(tag))
    assert found.refusals == {}
    assert found.required_m3_per_h == pytest.approx(stable)
    assert found.required_governs == "stable"
    assert found.computed_m3_per_h == pytest.approx(design, rel=0.012)
    assert found.choked is False
    point = found.working["working_point"]
    assert point["discharge_pa_abs"] / 1e5 - 1.01325 == pytest.approx(discharge, abs=0.4)
    assert point["rises"]["return_rise_k"] == pytest.approx(rise, abs=0.02 + 0.01 * rise)
    if water_min is not None:
        assert found.boil_water_only_s / 60 == pytest.approx(water_min, rel=0.05, abs=0.06)
        assert found.boil_with_metal_s / 60 == pytest.approx(metal_min, rel=0.05, abs=0.06)


def test_the_trimmed_pump_keeps_a_computed_margin():
    found = capacity_of(demo("SM-PR-2V"))
    assert found.computed_m3_per_h == pytest.approx(133.1, abs=0.15)
    assert found.required_m3_per_h == pytest.approx(121.3)
    assert found.margin_share == pytest.approx(0.098, abs=0.002)


def test_the_heat_limit_of_the_feed_pump_uses_the_steam_tables():
    """The simple formula gives 13.6 m³/h; 14 m³/h already rises 8.46 K by IAPWS-IF97."""
    found = capacity_of(demo("NH-FW-1V"))
    assert 14.0 < found.thermal_min_m3_per_h < 15.0


def test_the_failed_feed_valve_as_tested():
    """21.0 m³/h: Kv 2.30 of 3.30 (70 %), outlet rise 5.48 K, return rise 6.73 K, no flash."""
    point = tested.tested_point(demo("NH-FW-3V"), 21.0)
    assert point.kv_m3_per_h == pytest.approx(2.30, abs=0.005)
    assert point.kv_share == pytest.approx(0.70, abs=0.005)
    assert point.outlet_rise_k == pytest.approx(5.48, abs=0.01)
    assert point.return_rise_k == pytest.approx(6.73, abs=0.01)
    assert point.return_vapour_pressure_bar_a - 1.01325 == pytest.approx(2.28, abs=0.01)
    assert point.return_boils is False


REFUSALS = [
    ("required flow", "suction_temperature_degc", None),
    ("required flow", "allowed_rise_k", None),
    ("required flow", "speed_rpm", None),
    ("required flow", "best_flow_m3_per_h", None),
    ("required flow", "curve_density_kg_per_m3", None),
    ("required flow", "curve_speed_rpm", None),
    ("required flow", "atmospheric_pressure_bar_a", None),
    ("required flow", "suction_pressure_bar_g", None),
    ("required flow", "returns_to", "suction"),
    ("required flow", "medium", "brine"),
    ("computed bypass flow", "bypass_kv_m3_per_h", None),
    ("computed bypass flow", "bypass_kv_m3_per_h", -1.0),
    ("computed bypass flow", "liquid_recovery_factor", None),
    ("computed bypass flow", "liquid_recovery_factor", 9.0),
    ("computed bypass flow", "back_pressure_bar_g", None),
    ("computed bypass flow", "return_line_dn", None),
    ("computed bypass flow", "suction_temperature_degc", float("nan")),
    ("time to boil", "liquid_volume_m3", None),
    ("time to boil", "metal_mass_kg", None),
    ("time to boil", "liquid_volume_m3", 0.0),
]
NAMES = {
    "bypass_kv_m3_per_h": "kv",
    "liquid_recovery_factor": "recovery_factor",
    "suction_temperature_degc": "temperature_degc",
    "liquid_volume_m3": "liquid_",
}


@pytest.mark.parametrize(("part", "name", "value"), REFUSALS)
def test_a_missing_or_insane_input_is_refused_by_name(part, name, value):
    found = capacity_of(hydraulics(**{name: value}))
    assert NAMES.get(name, name) in found.refusals[part]


def test_a_part_that_cannot_be_computed_leaves_the_others():
    found = capacity_of(hydraulics(bypass_kv_m3_per_h=None))
    assert set(found.refusals) == {"computed bypass flow"}
    assert found.required_m3_per_h == pytest.approx(27.0)
    assert found.computed_m3_per_h is None
    assert found.margin_share is None
    assert found.boil_water_only_s is not None


def test_an_unknown_stable_limit_is_never_a_share_of_best_flow():
    found = capacity_of(hydraulics(stable_min_flow_m3_per_h=None))
    assert found.stable_known is False
    assert found.required_m3_per_h == pytest.approx(found.thermal_min_m3_per_h)


def test_a_common_return_is_computed_with_all_pumps_on_bypass():
    alone = capacity_of(hydraulics(return_static_bar_g=2.3))
    common = capacity_of(hydraulics(return_static_bar_g=2.3, pumps_on_common=3))
    line = common.working["working_point"]["line"]
    assert line["pumps_on_common"] == 3
    assert common.computed_m3_per_h < alone.computed_m3_per_h
    # three times the flow in the shared part: nine times its loss of 1 bar at design flow
    back = common.working["working_point"]["valve_outlet_pa_abs"] / 1e5 - 1.01325
    share = common.computed_m3_per_h / 30.0
    assert back == pytest.approx(2.3 + 9.0 * share**2, rel=0.01)


def test_a_common_return_without_its_static_pressure_is_refused():
    found = capacity_of(hydraulics(pumps_on_common=3))
    assert "return_static_bar_g" in found.refusals["computed bypass flow"]
    assert "with all pumps on bypass" in found.refusals["computed bypass flow"]


def test_a_choked_trim_is_told():
    hot = hydraulics(liquid_recovery_factor=0.5)
    found = capacity_of(hot)
    assert found.choked is True
    assert found.computed_m3_per_h < capacity_of(WATER_PUMP).computed_m3_per_h


def test_a_return_line_that_would_flash_is_refused():
    found = capacity_of(hydraulics(back_pressure_bar_g=1.9))
    assert "flash" in found.refusals["computed bypass flow"]


def test_the_working_holds_every_input():
    found = capacity_of(WATER_PUMP)
    assert found.working["inputs"]["bypass_kv_m3_per_h"] == 3.3
    assert set(found.working) == {
        "inputs",
        "g_m_per_s2",
        "thermal",
        "required",
        "working_point",
        "boil",
    }
