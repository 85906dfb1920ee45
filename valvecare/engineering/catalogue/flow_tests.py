"""Catalogue entries: the ways to know the bypass flow in a function test, with uncertainty."""

from valvecare.engineering import flow_methods, orifice, plausible
from valvecare.engineering.catalogue.bypass import TRIM
from valvecare.engineering.catalogue.forms import Computation, Example, Group, Input, Unit
from valvecare.engineering.catalogue.parts import (
    BAR,
    CURVE,
    CURVE_ALIASES,
    DENSITY,
    HEAD,
    KELVIN,
    KG_M3,
    KV,
    KW,
    M2,
    M3_H,
    METRE,
    MM,
    MPA_S,
    RISE,
    SECOND,
    SHAFT_POWER,
    SHARE,
    SPECIFIC_HEAT,
    VISCOSITY,
    choice,
    curve_of,
    having,
    number,
    out,
    yes_no,
)
from valvecare.engineering.plausible import Window

_U_HELP = "Standard uncertainty (k = 1): half of a 95 % figure. Nothing is exact."
_GUM = "JCGM 100:2008 (GUM), propagation of uncertainty (from memory)"
TEST_CAUTIONS = ("closed-in-running", "hot-water", "reverse-rotation")


def spread(
    name: str, label: str, si: str, unit: Unit | None, most: float, example: float, *, of: str
) -> Input:
    """A standard uncertainty: above zero, in the unit of its value `of` (its name in SI)."""
    window = Window("no measurement is exact", above=0.0, at_most=most)
    return number(name, label, si, unit, window, example, help=_U_HELP, relative_to=of)


ESTIMATE = (
    out("flow_m3_per_h", "Flow", "flow_m3_per_s", M3_H),
    out("proves_capacity", "This way can prove capacity", "proves_capacity"),
    out("method", "Way it was known", "method"),
    out("standard_uncertainty_m3_per_h", "Standard uncertainty (k = 1)",
        "standard_uncertainty_m3_per_s", M3_H, is_uncertainty=True),
    out("relative_uncertainty", "As a share of the flow", "relative_uncertainty", SHARE,
        is_uncertainty=True),
)  # fmt: skip

ENTRIES = (
    Computation(
        name="flow-by-meter",
        title="Bypass flow by a meter",
        group=Group.FUNCTION_TEST,
        purpose="A calibrated meter's reading with its uncertainty, as evidence.",
        function=flow_methods.flow_from_meter,
        inputs=(
            number("flow_m3_per_h", "Flow as read", "flow_m3_per_s", M3_H, plausible.FLOW, 54.0),
            spread("u_flow_m3_per_h", "Uncertainty of the reading",
                   "standard_uncertainty_m3_per_s", M3_H, 20.0, 0.54, of="flow_m3_per_s"),
            yes_no("calibration_in_date", "Calibration in date", "calibration_in_date", True),
            choice("meter", "Kind of meter", "kind",
                   ("in-line meter", "clamp-on", "other calibrated meter"), "clamp-on"),
        ),
        outputs=ESTIMATE,
        formula="Q as read; u as stated",
        sources=("calibration practice: US Navy training text (seen)",),
        assumptions=("pipe full, straight lengths as the instrument needs",),
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 54.0, "relative_uncertainty": 0.01},
            source="definition", tolerance=1e-9,
        ),
        page="flow-measurement",
    ),
    Computation(
        name="flow-by-vessel-level",
        title="Bypass flow by the level of the return vessel",
        group=Group.FUNCTION_TEST,
        purpose="Flow from the rise of a level over a timed interval.",
        function=flow_methods.flow_from_vessel_level,
        inputs=(
            number("surface_area_m2", "Surface of the vessel", "surface_area_m2", M2,
                   Window("m2", above=0.0, at_most=1e4), 12.0),
            number("level_rise_m", "Rise of the level", "level_rise_m", METRE,
                   Window("m", above=0.0, at_most=50.0), 0.3),
            number("duration_s", "Timed interval", "duration_s", SECOND,
                   Window("s", above=0.0, at_most=86_400.0), 400.0),
            number("other_outflow_m3_per_h", "Other flow out of the vessel",
                   "other_outflow_m3_per_s", M3_H, plausible.FLOW_OR_ZERO, 108.0,
                   help="State 0 if there is none."),
            spread("u_surface_area_m2", "Uncertainty of the surface", "u_surface_area_m2", M2,
                   1e4, 0.1, of="surface_area_m2"),
            spread("u_level_rise_m", "Uncertainty of the rise", "u_level_rise_m", METRE, 50.0,
                   0.003, of="level_rise_m"),
            spread("u_duration_s", "Uncertainty of the time", "u_duration_s", SECOND, 86_400.0,
                   1.0, of="duration_s"),
            spread("u_other_outflow_m3_per_h", "Uncertainty of the other flow",
                   "u_other_outflow_m3_per_s", M3_H, 20.0, 0.36, of="other_outflow_m3_per_s"),
        ),
        outputs=ESTIMATE,
        formula="Q = A Δh/t + Q_out",
        sources=("volume balance", _GUM),
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 140.4}, source="12 × 0.3/400 × 3600 + 108, by hand",
            tolerance=1e-9,
        ),
        page="flow-measurement",
    ),
    Computation(
        name="flow-by-kv",
        title="Bypass flow by the pressure drop over a known Kv",
        group=Group.FUNCTION_TEST,
        purpose="Flow over an orifice or trim of known Kv. The Kv under test proves nothing.",
        function=flow_methods.flow_from_kv,
        inputs=(
            KV,
            *TRIM,
            having(DENSITY, example=965.4),
            spread("u_kv_m3_per_h", "Uncertainty of the Kv", "u_kv", None, 20_000.0, 3.0, of="kv"),
            spread("u_upstream_bar", "Uncertainty of the pressure before", "u_inlet_pa", BAR, 1e8,
                   0.04, of="inlet_pa_abs"),
            spread("u_downstream_bar", "Uncertainty of the pressure after", "u_outlet_pa", BAR,
                   1e8, 0.04, of="outlet_pa_abs"),
            spread("u_density_kg_per_m3", "Uncertainty of the density", "u_density_kg_per_m3",
                   KG_M3, 2000.0, 2.0, of="density_kg_per_m3"),
            yes_no("kv_under_test", "This Kv is the one under test", "kv_under_test", False,
                   help="Then the flow is circular and cannot prove capacity."),
        ),
        outputs=ESTIMATE,
        formula="Q = Kv √(Δp ρ0/ρ), unchoked or choked by IEC 60534-2-1",
        sources=("IEC 60534-2-1 (2011) (seen second-hand: its worked examples)", _GUM),
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 360.0}, tolerance=1e-3,
            source="IEC 60534-2-1 example 1, inverted: Kv 165 passes 360 m³/h",
        ),
        page="flow-measurement",
    ),
    Computation(
        name="flow-by-energy-balance",
        title="Pump flow by the energy balance",
        group=Group.FUNCTION_TEST,
        purpose="Flow from shaft power, head and the rise of the liquid. Needs no flow meter.",
        function=flow_methods.flow_from_energy_balance,
        inputs=(
            SHAFT_POWER,
            having(HEAD, example=1254.0),
            number("loss_rise_k", "Rise by losses", "loss_rise_k", KELVIN, RISE, 8.0,
                   help="Measured rise less the rise by compression."),
            DENSITY,
            SPECIFIC_HEAT,
            spread("u_shaft_power_kw", "Uncertainty of the power", "u_shaft_power_w", KW, 6e7,
                   7.0, of="shaft_power_w"),
            spread("u_head_m", "Uncertainty of the head", "u_head_m", METRE, 6000.0, 6.0,
                   of="head_m"),
            spread("u_rise_k", "Uncertainty of the rise", "u_rise_k", KELVIN, 150.0, 0.15,
                   of="loss_rise_k"),
        ),
        outputs=ESTIMATE,
        formula="Q = P/(ρ (g H + cp ΔT))",
        sources=("first law", _GUM),
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 28.212, "relative_uncertainty": 0.02454}, tolerance=5e-3,
            source="first law, by hand; uncertainty by finite differences",
        ),
        page="flow-measurement",
    ),
    Computation(
        name="flow-by-head",
        title="Pump flow read from the head on the curve",
        group=Group.FUNCTION_TEST,
        purpose="Flow where the measured head meets the curve; refused where the curve is flat or "
        "two flows fit.",
        function=flow_methods.flow_from_head,
        run=lambda v: flow_methods.flow_from_head(
            curve_of(v), head_m=v["head_m"], u_head_m=v["u_head_m"]
        ),
        inputs=(
            *CURVE,
            having(HEAD, label="Head as measured", example=1080.0),
            spread("u_head_m", "Uncertainty of the head", "u_head_m", METRE, 6000.0, 10.0,
                   of="head_m"),
        ),
        outputs=ESTIMATE,
        formula="Q: H(Q) = H measured; u(Q) = u(H)/|dH/dQ|",
        sources=("the pump's own curve", _GUM),
        aliases=CURVE_ALIASES,
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 140.0}, tolerance=1e-6,
            source="straight segment 1140 m at 120 to 1020 m at 160 m³/h, by hand",
        ),
        page="flow-measurement",
    ),
    Computation(
        name="flow-by-orifice",
        title="Bypass flow by an orifice plate",
        group=Group.FUNCTION_TEST,
        purpose="Flow of a liquid through a standard orifice plate, with uncertainty.",
        function=orifice.flow_from_orifice,
        inputs=(
            number("pressure_difference_bar", "Pressure difference", "pressure_difference_pa",
                   BAR, Window("Pa, not mbar", above=0.0, at_most=1e6), 0.25),
            number("pipe_bore_mm", "Bore of the pipe", "pipe_bore_m", MM,
                   Window("m", at_least=0.05, at_most=1.0), 77.9),
            number("orifice_bore_mm", "Bore of the orifice", "orifice_bore_m", MM,
                   Window("m", at_least=0.0125, below=1.0), 45.0),
            having(DENSITY, example=998.2),
            number("viscosity_mpa_s", "Dynamic viscosity", "viscosity_pa_s", MPA_S,
                   VISCOSITY, 1.002),
            choice("taps", "Pressure taps", "taps", orifice.TAPS, "D and D/2"),
            spread("u_pressure_difference_bar", "Uncertainty of the difference",
                   "u_pressure_difference_pa", BAR, 1e6, 0.00125, of="pressure_difference_pa"),
            spread("u_pipe_bore_mm", "Uncertainty of the pipe bore", "u_pipe_bore_m", MM, 1.0,
                   0.15, of="pipe_bore_m"),
            spread("u_orifice_bore_mm", "Uncertainty of the orifice bore", "u_orifice_bore_m",
                   MM, 1.0, 0.15, of="orifice_bore_m"),
            spread("u_density_kg_per_m3", "Uncertainty of the density", "u_density_kg_per_m3",
                   KG_M3, 2000.0, 1.0, of="density_kg_per_m3"),
        ),
        outputs=ESTIMATE,
        formula="q_m = C ε (π/4) d² √(2 ρ Δp)/√(1 - β⁴), C by Reader-Harris/Gallagher",
        sources=("ISO 5167-2 (equation from a public implementation, seen)", _GUM),
        cautions=TEST_CAUTIONS,
        example=Example(
            expected={"flow_m3_per_h": 26.2203}, tolerance=1e-3,
            source="ISO 5167-2 equation written out: 7.2703 kg/s at 998.2 kg/m³",
        ),
        page="flow-measurement",
    ),
)  # fmt: skip
