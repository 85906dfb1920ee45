"""Pumps of the invented demo world as curves. All figures are invented; no real plant is meant.

Head H = Hb [k0 - (k0 - 1) x^2], efficiency eta_b (2x - x^2), x = Q/Qb: so the power is finite at
zero flow. `PUBLISHED` are the rounded figures the demo world states for each group.
"""

from dataclasses import dataclass

from valvecare.engineering.curves import G_M_PER_S2, PumpCurve
from valvecare.engineering.liquids import WATER, Liquid, TableLiquid

ATMOSPHERE_PA = 101_325.0
SEA_WATER = TableLiquid(
    name="sea water",
    source="invented demo table: 1027 kg/m3, 3990 J/(kg K) (from memory), vapour pressure of water",
    temperatures_degc=(5.0, 15.0, 25.0, 40.0, 60.0, 80.0, 100.0, 140.0),
    densities_kg_per_m3=(1027.0,) * 8,
    specific_heats_j_per_kg_k=(3990.0,) * 8,
    vapour_pressures_pa_abs=(873.0, 1706.0, 3170.0, 7385.0, 19947.0, 47415.0, 101418.0, 361540.0),
    viscosities_pa_s=None,
    critical_pressure_pa_abs=22_064_000.0,
)


@dataclass(frozen=True)
class DemoPump:
    """One group of the demo world, in the trade's units, with the figures it states."""

    code: str
    best_m3_h: float
    best_m: float
    best_efficiency: float
    k0: float
    rpm: float
    inlet_degc: float
    inlet_bar_g: float
    shutoff_kw: float
    heat_minimum_m3_h: float
    stable_m3_h: float
    design_m3_h: float
    discharge_bar_g: float
    back_bar_g: float
    kv: float
    outlet_rise_k: float
    return_rise_k: float

    @property
    def liquid(self) -> Liquid:
        return SEA_WATER if self.code.startswith("SM-") and self.code != "SM-PR" else WATER

    @property
    def inlet_pa_abs(self) -> float:
        return self.inlet_bar_g * 1e5 + ATMOSPHERE_PA

    def curve(self, *, head_share: float = 1.0, points: int = 60) -> PumpCurve:
        best = self.best_m3_h / 3600.0
        density = self.liquid.density(self.inlet_degc, self.inlet_pa_abs)
        per_flow = density * G_M_PER_S2 * self.best_m / self.best_efficiency
        flows, heads, powers = [], [], []
        for i in range(points + 1):
            x = 1.3 * i / points
            head = self.k0 - (self.k0 - 1.0) * x**2
            flows.append(x * best)
            heads.append(self.best_m * head * head_share)
            powers.append(per_flow * best * head * head_share / (2.0 - x))
        return PumpCurve(
            tuple(flows),
            tuple(heads),
            tuple(powers),
            density_kg_per_m3=density,
            speed_per_s=self.rpm / 60.0,
            best_efficiency_flow_m3_per_s=best,
            source="invented demo world",
        )


_ROWS = """
NH-DH 860 92 .83 1.18 1485 55 3.5 151 16.1 215 237 13.9 3.6 73.4 0.39 0.64
NH-BC 420 34 .80 1.20 1480 125 6.0 27 3.1 105 116 9.7 6.1 59.2 0.15 0.24
NH-FW 90 720 .71 1.20 2970 130 3.0 139 13.6 27.0 30 80.7 3.3 3.3 2.99 4.94
NH-MU 34 108 .66 1.15 2940 18 0.6 9 0.9 8.5 9 12.7 0.6 2.6 0.66 0.95
SM-IN 1450 42 .84 1.30 990 22 0.1 132 14.3 435 479 5.5 0.2 211.6 0.15 0.28
SM-HP 480 620 .82 1.20 2980 22 2.5 609 57.8 144 158 76.1 1.5 18.5 2.19 3.98
SM-PR 510 84 .82 1.18 1485 25 0.8 84 8.9 127.5 140 10.4 0.7 44.9 0.36 0.59
AF-FW 155 1060 .74 1.22 2980 143 4.6 341 31.2 46.5 51 119.4 4.7 4.6 4.22 7.12
AF-CR 120 74 .74 1.17 2950 92 0.45 18 2.0 30.0 33 8.5 0.5 11.4 0.37 0.57
AF-SH 105 285 .70 1.18 2970 48 1.2 68 7.0 31.5 35 33.3 1.0 6.1 1.22 1.99
AF-PW 640 61 .83 1.20 1485 15 0.4 77 8.1 160 176 7.5 0.4 66.1 0.26 0.43
"""
DEMO_PUMPS = {
    row.split()[0]: DemoPump(row.split()[0], *(float(v) for v in row.split()[1:]))
    for row in _ROWS.strip().splitlines()
}
