"""Inputs that many computations share, and the short ways to write one down."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from valvecare.engineering import plausible
from valvecare.engineering.catalogue.forms import Form, Input, Output, Unit
from valvecare.engineering.curves import PumpCurve
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.liquids import WATER, Liquid, TableLiquid
from valvecare.engineering.plausible import Window
from valvecare.engineering.plausible_mechanics import RANGES

M3_H = Unit("volume_flow", "m3/h")
ML_MIN = Unit("volume_flow", "mL/min")
KG_H = Unit("mass_flow", "kg/h")
BAR_A = Unit("pressure_absolute", "bar_a")
BAR_G = Unit("pressure_gauge", "bar_g")
BAR = Unit("pressure_difference", "bar")
DEGC = Unit("temperature", "degC")
KELVIN = Unit("temperature_difference", "K")
KELVIN_MIN = Unit("temperature_rate", "K/min")
KW = Unit("power", "kW")
KWH = Unit("energy", "kWh")
METRE = Unit("length", "m")
MM = Unit("length", "mm")
UM = Unit("length", "um")
M2 = Unit("area", "m2")
MM2 = Unit("area", "mm2")
ML = Unit("volume", "mL")
KG = Unit("mass", "kg")
HOUR = Unit("run_time", "h")
MINUTE = Unit("duration", "min")
SECOND = Unit("duration", "s")
RPM = Unit("rotational_speed", "rpm")
M_S = Unit("velocity", "m/s")
KG_M3 = Unit("density", "kg/m3")
KJ_KG_K = Unit("specific_heat", "kJ/(kg K)")
KJ_KG = Unit("specific_energy", "kJ/kg")
MPA_S = Unit("dynamic_viscosity", "mPa s")
W_M_K = Unit("heat_loss", "W/(m K)")
W_M2_K = Unit("heat_transfer", "W/(m2 K)")
NEWTON = Unit("force", "N")
KN = Unit("force", "kN")
JOULE = Unit("energy", "J")
N_M = Unit("torque", "N m")
MPA = Unit("stress", "MPa")
N_MM = Unit("spring_rate", "N/mm")
SHARE = Unit("share", "1")
PER_H = Unit("rate", "1/h")
DEGREE = Unit("angle", "deg")
MM_PER_1000_H = Unit("wear_rate", "mm/(1000 h)")

CONFIDENCE = Window("a share of at least one half", at_least=0.5, below=1.0)

# Narrower than the library's windows where a form would otherwise let a slip of a thousand pass.
EFFICIENCY_SHARE = Window("a share, not per cent", at_least=0.01, below=1.0)
MOTOR_SHARE = Window("a share, not per cent", at_least=0.3, below=1.0)
INLET = Window("a pump inlet, Pa absolute", at_least=500.0, at_most=6e6)
RUNNING = Window("a pump that runs", at_least=50.0 / 60.0, at_most=500.0)
RISE = Window("K", at_least=0.05, at_most=150.0)
TRIM_KV = Window("m3/h at 1 bar, of a bypass", at_least=0.01, at_most=2_000.0)
BORE = Window("m, not mm", at_least=0.005, at_most=5.0)
LINE_LENGTH = Window("a line, m", at_least=0.1, at_most=2_000.0)
HEAT_LOSS = Window("W/(m K) of pipe length", at_least=0.01, at_most=200.0)
VISCOSITY = Window("Pa s, not mPa s", at_least=2e-5, at_most=10.0)


def number(
    name: str, label: str, si: str, unit: Unit | None, window: Window, example: Any, **more: Any
) -> Input:
    """A number with its unit of trade and its window in SI."""
    return Input(
        name=name,
        label=label,
        form=Form.NUMBER,
        si=si,
        unit=unit,
        window=window,
        example=example,
        **more,
    )


def whole(name: str, label: str, si: str, low: int, high: int, example: Any, **more: Any) -> Input:
    """A whole number from `low` to `high`."""
    window = Window("a whole number", at_least=low, at_most=high)
    return Input(
        name=name, label=label, form=Form.WHOLE, si=si, window=window, example=example, **more
    )


def choice(
    name: str, label: str, si: str, choices: tuple[str, ...], example: Any, **more: Any
) -> Input:
    """One word of a closed list."""
    return Input(
        name=name,
        label=label,
        form=Form.CHOICE,
        si=si,
        choices=tuple(str(word) for word in choices),
        example=example,
        **more,
    )


def text(name: str, label: str, si: str, example: str, **more: Any) -> Input:
    """Words, one line."""
    return Input(name=name, label=label, form=Form.TEXT, si=si, example=example, **more)


def yes_no(name: str, label: str, si: str, example: Any, **more: Any) -> Input:
    """A stated yes or no; nothing is taken for granted."""
    return Input(name=name, label=label, form=Form.YES_NO, si=si, example=example, **more)


def rows(
    name: str,
    label: str,
    si: str,
    columns: tuple[Input, ...],
    example: Any,
    *,
    least: int,
    **more: Any,
) -> Input:
    """A table; `example` gives plain tuples in column order."""
    names = [column.name for column in columns]
    return Input(
        name=name,
        label=label,
        form=Form.TABLE,
        si=si,
        columns=columns,
        least_rows=least,
        example=None
        if example is None
        else [dict(zip(names, row, strict=True)) for row in example],
        **more,
    )


def out(name: str, label: str, path: str = "", unit: Unit | None = None, **more: Any) -> Output:
    """One figure of the answer."""
    return Output(name=name, label=label, path=path, unit=unit, **more)


def range_of(kind: str) -> Window:
    """A plausibility range of the mechanical functions."""
    return RANGES[kind]


FLOW = number("flow_m3_per_h", "Flow", "flow_m3_per_s", M3_H, plausible.FLOW, 90.0)
HEAD = number("head_m", "Head of the pump", "head_m", METRE, plausible.HEAD, 1000.0)
EFFICIENCY = number(
    "efficiency", "Pump efficiency", "efficiency", SHARE, EFFICIENCY_SHARE, 0.74,
    help="A share below 1, not per cent.",
)  # fmt: skip
SHAFT_POWER = number(
    "shaft_power_kw", "Shaft power", "shaft_power_w", KW, plausible.POWER, 345.0,
    help="At the pump shaft; electrical power times motor efficiency.",
)  # fmt: skip
DENSITY = number(
    "density_kg_per_m3", "Density", "density_kg_per_m3", KG_M3, plausible.DENSITY, 955.0
)
SPECIFIC_HEAT = number(
    "specific_heat_kj_per_kg_k", "Specific heat of the liquid", "specific_heat_j_per_kg_k",
    KJ_KG_K, plausible.SPECIFIC_HEAT, 4.225,
)  # fmt: skip
INLET_TEMPERATURE = number(
    "inlet_temperature_degc", "Temperature at the pump inlet", "inlet_temperature_degc",
    DEGC, plausible.TEMPERATURE, 105.0,
)  # fmt: skip
INLET_PRESSURE = number(
    "inlet_pressure_bar_a", "Pressure at the pump inlet", "inlet_pa_abs",
    BAR_A, INLET, 3.0, help="Absolute, at the inlet flange.",
)  # fmt: skip
VAPOUR_PRESSURE = number(
    "vapour_pressure_bar_a", "Vapour pressure", "vapour_pressure_pa_abs",
    BAR_A, plausible.VAPOUR_PRESSURE, 0.701, help="Of the liquid at its temperature in the trim.",
)  # fmt: skip
CRITICAL_PRESSURE = number(
    "critical_pressure_bar_a", "Critical pressure of the liquid", "critical_pressure_pa_abs",
    BAR_A, plausible.CRITICAL_PRESSURE, 221.2, help="Water: 220.64 bar (IAPWS).",
)  # fmt: skip
RECOVERY_FACTOR = number(
    "recovery_factor", "Liquid pressure recovery factor F_L", "recovery_factor",
    None, plausible.RECOVERY_FACTOR, 0.9, help="From the record of the trim.",
)  # fmt: skip
KV = number(
    "kv_m3_per_h", "Flow coefficient Kv", "kv", None, TRIM_KV, 165.0,
    help="m³/h of water at 1 bar; Cv is 1.156 times as large.",
)  # fmt: skip
PROBABILITY = number(
    "probability", "Wanted probability", "probability", SHARE, plausible.CONFORMANCE, 0.95,
    help="One-sided conformance probability, 0.5 or more.",
)  # fmt: skip

_LIQUID_COLUMNS = (
    number(
        "temperature_degc", "Temperature", "temperatures_degc", DEGC, plausible.TEMPERATURE, 5.0
    ),
    number(
        "density_kg_per_m3", "Density", "densities_kg_per_m3", KG_M3, plausible.DENSITY, 1027.0
    ),
    number(
        "specific_heat_kj_per_kg_k", "Specific heat", "specific_heats_j_per_kg_k",
        KJ_KG_K, plausible.SPECIFIC_HEAT, 3.99,
    ),
    number(
        "vapour_pressure_bar_a", "Vapour pressure", "vapour_pressures_pa_abs",
        BAR_A, plausible.VAPOUR_PRESSURE, 0.00873,
    ),
)  # fmt: skip
LIQUID = (
    choice(
        "liquid", "Liquid", "liquid", ("water", "table"), "water",
        help="Water by IAPWS-IF97, or the table below.",
    ),
    rows(
        "liquid_table", "Liquid table", "liquid_table", _LIQUID_COLUMNS, None, least=2,
        if_absent="Only for a liquid other than water.",
        help="Ascending in temperature; nothing is read outside it.",
    ),
    number(
        "liquid_critical_pressure_bar_a", "Critical pressure of the table liquid",
        "liquid_critical_pressure_pa_abs", BAR_A, plausible.CRITICAL_PRESSURE, None,
        if_absent="Only for a liquid other than water.",
    ),
)  # fmt: skip

CURVE_TABLE = rows(
    "curve",
    "Pump curve",
    "curve",
    (
        number(
            "flow_m3_per_h", "Flow", "flows_m3_per_s", M3_H, plausible.FLOW_OR_ZERO, 0.0
        ),
        number("head_m", "Head", "heads_m", METRE, plausible.HEAD, 1250.0),
        number("shaft_power_kw", "Shaft power", "powers_w", KW, plausible.POWER, 310.0),
    ),
    (
        (0, 1250, 310),
        (20, 1255, 340),
        (40, 1250, 372),
        (80, 1215, 440),
        (120, 1140, 512),
        (160, 1020, 580),
        (200, 850, 640),
    ),
    least=2,
    help="Ascending in flow, from zero flow past the best efficiency flow; straight in between.",
)  # fmt: skip
CURVE_FACTS = (
    number(
        "best_efficiency_flow_m3_per_h", "Best efficiency flow", "best_efficiency_flow_m3_per_s",
        M3_H, plausible.FLOW, 160.0,
    ),
    number(
        "curve_density_kg_per_m3", "Density the curve's power is for", "curve_density_kg_per_m3",
        KG_M3, plausible.DENSITY, 955.0,
    ),
    number(
        "curve_speed_rpm", "Speed of the curve", "curve_speed_per_s", RPM, RUNNING, 2970
    ),
    text("curve_source", "Where the curve comes from", "curve_source", "invented example"),
)  # fmt: skip
CURVE = (CURVE_TABLE, *CURVE_FACTS)
RUNNING_SPEED = number(
    "running_speed_rpm", "Running speed", "running_speed_per_s", RPM, RUNNING, 2970
)
CURVE_ALIASES: Mapping[str, str] = {
    "density_kg_per_m3": "curve_density_kg_per_m3",
    "speed_per_s": "curve_speed_per_s",
    "speed_ratio": "running_speed_per_s",
    "source": "curve_source",
    "curve": "curve",
}


def liquid_of(v: Mapping[str, Any]) -> Liquid:
    """Water, or the liquid of the table; refused when both or neither are said."""
    if v["liquid"] == "water":
        for name in ("liquid_table", "liquid_critical_pressure_pa_abs"):
            if v[name] is not None:
                raise OutOfRange(name, "given", "left out for water", "or choose 'table'")
        return WATER
    if v["liquid_table"] is None:
        raise OutOfRange("liquid_table", None, "given when the liquid is 'table'")
    return TableLiquid(
        name="the liquid of the table",
        source="given by the user",
        **v["liquid_table"],
        viscosities_pa_s=None,
        critical_pressure_pa_abs=v["liquid_critical_pressure_pa_abs"],
    )


def curve_of(v: Mapping[str, Any], table: str = "curve") -> PumpCurve:
    """The pump curve as given."""
    return PumpCurve(
        **v[table],
        density_kg_per_m3=v["curve_density_kg_per_m3"],
        speed_per_s=v["curve_speed_per_s"],
        best_efficiency_flow_m3_per_s=v["best_efficiency_flow_m3_per_s"],
        source=v["curve_source"],
    )


def running_curve_of(v: Mapping[str, Any], liquid: Liquid) -> PumpCurve:
    """The pump curve at the running speed, for the liquid at the pump inlet."""
    return curve_of(v).running(
        speed_per_s=v["running_speed_per_s"],
        density_kg_per_m3=liquid.density(v["inlet_temperature_degc"], v["inlet_pa_abs"]),
    )


def having(item: Input, **changes: Any) -> Input:
    """The same input with another name, label, example or help."""
    return replace(item, **changes)
