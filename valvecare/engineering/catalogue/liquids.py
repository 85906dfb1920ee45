"""Catalogue entries: properties of the liquid, gauge and absolute pressure."""

from valvecare.engineering import plausible, units
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.parts import (
    BAR_A,
    BAR_G,
    DEGC,
    KG_M3,
    KJ_KG,
    KJ_KG_K,
    MPA_S,
    number,
    out,
)
from valvecare.engineering.flashing import flash_fraction
from valvecare.engineering.liquid_state import liquid_state
from valvecare.engineering.liquids import WATER
from valvecare.engineering.plausible import Window

ENTRIES = (
    Computation(
        name="water-properties",
        title="Water at a temperature and pressure",
        group=Group.LIQUID,
        purpose="Density, specific heat, viscosity and boiling of water, as the other "
        "calculations use them.",
        function=liquid_state,
        run=lambda v: liquid_state(WATER, **v),
        inputs=(
            number(
                "temperature_degc",
                "Temperature",
                "temperature_degc",
                DEGC,
                Window("liquid water of IAPWS region 1", at_least=0.0, at_most=350.0),
                26.85,
            ),
            number(
                "pressure_bar_a",
                "Pressure",
                "pressure_pa_abs",
                BAR_A,
                plausible.PRESSURE_ABS,
                30.0,
                help="At or above the vapour pressure: this is for the liquid only.",
            ),
        ),
        outputs=(
            out("density_kg_per_m3", "Density", "density_kg_per_m3", KG_M3),
            out("specific_heat_kj_per_kg_k", "Specific heat", "specific_heat_j_per_kg_k", KJ_KG_K),
            out("enthalpy_kj_per_kg", "Enthalpy", "enthalpy_j_per_kg", KJ_KG),
            out("viscosity_mpa_s", "Dynamic viscosity", "viscosity_pa_s", MPA_S),
            out("vapour_pressure_bar_a", "Vapour pressure", "vapour_pressure_pa_abs", BAR_A),
            out(
                "boiling_temperature_degc", "Boiling at this pressure",
                "boiling_temperature_degc", DEGC,
            ),
        ),
        formula="IAPWS-IF97 regions 1 and 4; viscosity IAPWS 2008",
        sources=("IAPWS R7-97(2012) (seen)", "IAPWS R12-08 (seen)"),
        assumptions=("pure water",),
        example=Example(
            expected={
                "density_kg_per_m3": 997.852942,
                "specific_heat_kj_per_kg_k": 4.17301218,
                "enthalpy_kj_per_kg": 115.331273,
            },
            tolerance=2e-6,
            source="IAPWS R7-97(2012) table 5: 300 K, 3 MPa (seen)",
        ),
        page="liquids",
    ),
    Computation(
        name="gauge-to-absolute",
        title="Gauge pressure to absolute pressure",
        group=Group.LIQUID,
        purpose="Turn the reading of a gauge into the absolute pressure the flow calculations "
        "need, with the atmospheric pressure of the site.",
        function=units.gauge_to_absolute,
        inputs=(
            number(
                "pressure_bar_g",
                "Gauge pressure",
                "pressure_pa_gauge",
                BAR_G,
                Window("Pa gauge", at_least=-1.1e5, at_most=1e8),
                3.0,
            ),
            number(
                "atmospheric_pressure_bar_a",
                "Atmospheric pressure at the site",
                "atmospheric_pa_abs",
                BAR_A,
                Window("the atmosphere of a site", at_least=50_000.0, at_most=110_000.0),
                1.01325,
                help="Measured or from the height of the site; sea level is about 1.013 bar.",
            ),
        ),
        outputs=(out("pressure_bar_a", "Absolute pressure", "", BAR_A),),
        formula="p_abs = p_gauge + p_atmosphere",
        sources=("definition",),
        assumptions=("the gauge is vented to the same atmosphere",),
        example=Example(expected={"pressure_bar_a": 4.01325}, source="definition", tolerance=1e-9),
        page="units",
    ),
    Computation(
        name="flash-share",
        title="Steam made when hot water is let down",
        group=Group.LIQUID,
        purpose="How much of saturated hot water becomes steam when a joint is opened or a line "
        "is vented.",
        function=flash_fraction,
        inputs=(
            number(
                "temperature_degc",
                "Temperature of the water",
                "temperature_degc",
                DEGC,
                Window("saturated water", above=0.0, at_most=350.0),
                150.0,
            ),
            number(
                "pressure_bar_a",
                "Pressure it is let down to",
                "pressure_pa_abs",
                BAR_A,
                plausible.PRESSURE_ABS,
                1.01325,
            ),
        ),
        outputs=(out("steam_share", "Share that becomes steam, by mass"),),
        formula="x = (h'(T) - h'(p)) / r(p)",
        sources=("IAPWS R7-97(2012) (seen)",),
        assumptions=("adiabatic, in equilibrium",),
        cautions=("hot-water",),
        example=Example(
            expected={"steam_share": 0.0945},
            tolerance=0.005,
            source="IAPWS-IF97: (632.25 - 419.1)/2256.5",
        ),
        page="flashing-water",
    ),
)  # fmt: skip
