"""Register columns of the valves to judge and of all valves of their groups."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.protection.models import LiquidProperties
from valvecare.protection.rules import Hydraulics
from valvecare.register.models import CurvePoint, ProtectionValve

VALVE_COLUMNS = (
    "id",
    "tag",
    "serial",
    "placed_at",
    "design_id",
    "design__revision",
    "design__liquid_recovery_factor",
    "bypass_kv_m3_per_h",
    "design_bypass_flow_m3_per_h",
    "switching_flow_m3_per_h",
    "pump_id",
    "pump__tag",
    "pump__group_id",
    "pump__group__common_return",
    "pump__group__installed",
    "pump__group__site__time_zone",
    "pump__group__site__atmospheric_pressure_bar_a",
    "pump__medium",
    "pump__curve_source",
    "pump__curve_speed_rpm",
    "pump__curve_density_kg_per_m3",
    "pump__speed_rpm",
    "pump__best_flow_m3_per_h",
    "pump__suction_pressure_bar_g",
    "pump__suction_temperature_degc",
    "pump__returns_to",
    "pump__back_pressure_bar_g",
    "pump__return_static_bar_g",
    "pump__return_line_dn",
    "pump__return_line_heat_loss_w_per_m_k",
    "pump__return_line_time_constant_h",
    "pump__return_sensor_at_m",
    "pump__stable_min_flow_m3_per_h",
    "pump__allowed_rise_k",
    "pump__liquid_volume_m3",
    "pump__metal_mass_kg",
    "pump__motor_efficiency",
    "pump__hydraulics_changed_on",
    "pump__hydraulics_change",
)

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Fleet:
    """`wanted` are to be judged; `rows` and `hydraulics` hold all valves of their groups."""

    wanted: Sequence[int]
    rows: Mapping[int, Row]
    hydraulics: Mapping[int, Hydraulics]

    @cached_property
    def groups(self) -> Mapping[int, Sequence[int]]:
        """Group id to the valves in service of it."""
        members: dict[int, list[int]] = defaultdict(list)
        for valve, row in self.rows.items():
            members[row["pump__group_id"]].append(valve)
        return members

    @cached_property
    def valve_of(self) -> Mapping[int, int]:
        """Pump id to the valve in service of it, wanted valves only."""
        return {self.rows[valve]["pump_id"]: valve for valve in self.wanted}

    def zone(self, valve: int) -> ZoneInfo:
        return ZoneInfo(self.rows[valve]["pump__group__site__time_zone"])


def fleet_of(ids: Sequence[int]) -> Fleet:
    """The valves in service among these, with their groups. Three queries."""
    groups = ProtectionValve.objects.in_service().filter(pk__in=ids).values("pump__group_id")
    found = ProtectionValve.objects.in_service().filter(pump__group_id__in=groups)
    rows: dict[int, Row] = {row["id"]: row for row in found.order_by("pk").values(*VALVE_COLUMNS)}
    curves: dict[int, list[tuple[float, float, float | None]]] = defaultdict(list)
    points = CurvePoint.objects.filter(pump__group_id__in=groups)
    for pump, flow, head, power in points.order_by("pump_id", "flow_m3_per_h").values_list(
        "pump_id", "flow_m3_per_h", "head_m", "shaft_power_kw"
    ):
        curves[pump].append((flow, head, power))
    tables = {row.name: row.table() for row in LiquidProperties.objects.all()}
    hydraulics = {
        valve: _hydraulics(row, curves.get(row["pump_id"], ()), tables)
        for valve, row in rows.items()
    }
    wanted = set(ids)
    return Fleet([valve for valve in rows if valve in wanted], rows, hydraulics)


def _hydraulics(
    row: Row, curve: Sequence[tuple[float, float, float | None]], tables: Mapping[str, Any]
) -> Hydraulics:
    medium = row["pump__medium"]
    return Hydraulics(
        medium=medium,
        table=tables.get(medium),
        curve_m3_per_h_m_kw=tuple(curve),
        curve_source=row["pump__curve_source"],
        curve_speed_rpm=row["pump__curve_speed_rpm"],
        curve_density_kg_per_m3=row["pump__curve_density_kg_per_m3"],
        speed_rpm=row["pump__speed_rpm"],
        best_flow_m3_per_h=row["pump__best_flow_m3_per_h"],
        atmospheric_pressure_bar_a=row["pump__group__site__atmospheric_pressure_bar_a"],
        suction_pressure_bar_g=row["pump__suction_pressure_bar_g"],
        suction_temperature_degc=row["pump__suction_temperature_degc"],
        returns_to=row["pump__returns_to"],
        back_pressure_bar_g=row["pump__back_pressure_bar_g"],
        return_static_bar_g=row["pump__return_static_bar_g"],
        return_line_dn=row["pump__return_line_dn"],
        pumps_on_common=row["pump__group__installed"] if row["pump__group__common_return"] else 1,
        design_bypass_flow_m3_per_h=row["design_bypass_flow_m3_per_h"],
        bypass_kv_m3_per_h=row["bypass_kv_m3_per_h"],
        liquid_recovery_factor=row["design__liquid_recovery_factor"],
        stable_min_flow_m3_per_h=row["pump__stable_min_flow_m3_per_h"],
        allowed_rise_k=row["pump__allowed_rise_k"],
        liquid_volume_m3=row["pump__liquid_volume_m3"],
        metal_mass_kg=row["pump__metal_mass_kg"],
    )
