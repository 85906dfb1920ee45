"""Catalogue entries: closing spring, release of the cover, lifting."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from valvecare.engineering import lifting, release, spring_design, springs
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.parts import (
    BAR,
    DEGREE,
    JOULE,
    KG,
    KG_M3,
    METRE,
    MM,
    MPA,
    N_MM,
    NEWTON,
    SHARE,
    choice,
    having,
    number,
    out,
    range_of,
    whole,
    yes_no,
)
from valvecare.engineering.plausible import Window

_HOOKE = "Hooke's law, textbooks"
_RELEASE = ("stored-energy", "trapped-pressure", "spring-cover")
_RATE = number("rate_n_per_mm", "Spring rate", "rate_n_per_m", N_MM, range_of("rate_n_per_m"), 30.0)
_FREE = number("free_mm", "Free length", "free_m", MM, range_of("spring_length_m"), 180.0)
_INSTALLED = number(
    "installed_mm", "Installed length", "installed_m", MM, range_of("spring_length_m"), 140.0
)
_SPRING = (_RATE, _FREE, _INSTALLED)
_PRELOAD = number(
    "preload_n", "Preload of the spring", "preload_n", NEWTON, range_of("preload_n"), 1200.0
)
_UNKNOWN = "Not known: the answer is to treat the spring as fully loaded."


def _release(v: Mapping[str, Any]) -> release.ReleaseVerdict:
    def record(kind: Any) -> Any:
        return kind(**{field.name: v[field.name] for field in fields(kind)})

    return release.release_verdict(
        record(release.SpringRecord),
        record(release.CoverRecord),
        policy=record(release.ReleasePolicy),
    )


_POSTURE = tuple(field.name for field in fields(lifting.LiftPosture))


def _lifting(v: Mapping[str, Any]) -> lifting.LiftingVerdict:
    known = {name: v[name] for name in _POSTURE}
    posture = None
    if any(value is not None for value in known.values()):
        posture = lifting.LiftPosture(**known)
    return lifting.lifting_verdict(
        v["mass_kg"],
        mass_is_measured=v["mass_is_measured"],
        load_is_stable_and_cool=v["load_is_stable_and_cool"],
        posture=posture,
        policy=lifting.LiftingPolicy(
            gear_from_kg=v["gear_from_kg"], largest_team=v["largest_team"]
        ),
    )


_NO_POSTURE = "Posture not known: no lifting by hand can be given; give all six or none."

ENTRIES = (
    Computation(
        name="spring-rate",
        title="Rate of a helical spring",
        group=Group.SPRING,
        purpose="Force per travel from wire, coil and active coils.",
        function=spring_design.spring_rate,
        inputs=(
            number("shear_modulus_mpa", "Shear modulus", "shear_modulus_pa", MPA,
                   range_of("shear_modulus_pa"), 81_370.0),
            number("wire_mm", "Wire diameter", "wire_m", MM, range_of("wire_m"), 11.0),
            number("coil_mm", "Mean coil diameter", "coil_m", MM, range_of("coil_m"), 55.0),
            number("active_coils", "Active coils", "active_coils", None, range_of("coils"), 5.0),
        ),
        outputs=(out("rate_n_per_mm", "Spring rate", "", N_MM),),
        formula="R = G d⁴/(8 D³ n)",
        sources=("EN 13906-1 form; textbook companion, example 10.2 (seen)",),
        aliases={"spring_index": "coil_m"},
        example=Example(
            expected={"rate_n_per_mm": 179.014},
            source="textbook companion, example 10.2: 179.014 N/mm (published)",
        ),
        page="closing-spring",
    ),
    Computation(
        name="spring-preload",
        title="Force of the installed spring",
        group=Group.SPRING,
        purpose="What holds the disc shut, and what the cover is held against.",
        function=springs.spring_preload,
        inputs=_SPRING,
        outputs=(out("preload_n", "Preload", "", NEWTON),),
        formula="F = R (L0 - L1)",
        sources=(_HOOKE,),
        cautions=("stored-energy",),
        example=Example(expected={"preload_n": 1200.0}, source="30 × (180 - 140)", tolerance=1e-9),
        page="closing-spring",
    ),
    Computation(
        name="spring-energy",
        title="Energy stored in the installed spring",
        group=Group.SPRING,
        purpose="What is set free if the cover lets go.",
        function=springs.spring_energy,
        inputs=_SPRING,
        outputs=(out("energy_j", "Energy", "", JOULE),),
        formula="E = R (L0 - L1)²/2",
        sources=(_HOOKE,),
        cautions=("stored-energy", "spring-cover"),
        example=Example(expected={"energy_j": 24.0}, source="30 000 × 0.04²/2", tolerance=1e-9),
        page="closing-spring",
    ),
    Computation(
        name="opening-pressure",
        title="Pressure difference that opens the disc",
        group=Group.SPRING,
        purpose="At which difference a spring force is balanced on the seat.",
        function=springs.opening_pressure,
        inputs=(
            number("force_n", "Spring force", "force_n", NEWTON, range_of("spring_force_n"),
                   1200.0),
            number("seat_mm", "Seat diameter", "seat_m", MM, range_of("seat_m"), 100.0),
        ),
        outputs=(out("opening_pressure_bar", "Pressure difference", "", BAR),),
        formula="Δp = F/(π/4 D²)",
        sources=("definition",),
        example=Example(
            expected={"opening_pressure_bar": 1.5279}, source="1200/(π/4 × 0.1²) Pa, by hand"
        ),
        page="closing-spring",
    ),
    Computation(
        name="preload-after-lapping",
        title="Preload left after lapping",
        group=Group.SPRING,
        purpose="Metal taken off disc and seat lets the spring out.",
        function=springs.preload_after_lapping,
        inputs=(
            _PRELOAD,
            _RATE,
            number("removed_disc_mm", "Taken off the disc", "removed_disc_m", MM,
                   Window("m", at_least=0.0, at_most=0.02), 0.12),
            number("removed_seat_mm", "Taken off the seat", "removed_seat_m", MM,
                   Window("m", at_least=0.0, at_most=0.02), 0.08),
        ),
        outputs=(out("preload_n", "Preload left", "", NEWTON),),
        formula="F' = F - R (a + b)",
        sources=(_HOOKE,),
        cautions=("lapping",),
        example=Example(
            expected={"preload_n": 1194.0}, source="1200 - 30 × 0.2", tolerance=1e-9
        ),
        page="closing-spring",
    ),
    Computation(
        name="preload-loss",
        title="Preload lost because the spring has set",
        group=Group.SPRING,
        purpose="A free length a little short is a large share of the preload.",
        function=springs.preload_loss_from_set,
        inputs=(
            number("nominal_mm", "Free length on record", "nominal_m", MM,
                   range_of("spring_length_m"), 180.0),
            number("measured_mm", "Free length measured", "measured_m", MM,
                   range_of("spring_length_m"), 176.0),
            _INSTALLED,
        ),
        outputs=(out("preload_loss", "Share of the preload lost", "", SHARE),),
        formula="(L0 - L0')/(L0 - L1)",
        sources=(_HOOKE,),
        example=Example(expected={"preload_loss": 0.1}, source="4/40", tolerance=1e-9),
        page="closing-spring",
    ),
    Computation(
        name="release-verdict",
        title="How a spring-loaded cover may be released",
        group=Group.SPRING,
        purpose="Standard studs, long rods, or treat as loaded; with rods, positions and turns.",
        function=release.release_verdict,
        run=_release,
        inputs=(
            *(having(item, if_absent=_UNKNOWN) for item in _SPRING),
            choice("spring_state", "State of the spring", "state", tuple(release.SpringState),
                   "no sign of damage"),
            whole("bolt_count", "Number of fasteners", "bolt_count", 2, 200, 8),
            number("pitch_mm", "Pitch of the thread", "pitch_m", MM, range_of("pitch_m"), 2.0),
            number("grip_mm", "Clamped length", "grip_m", MM, range_of("spring_length_m"), 40.0),
            number("nut_height_mm", "Height of a nut", "nut_height_m", MM,
                   range_of("diameter_m"), 13.0),
            number("stud_travel_mm", "Usable travel of the studs", "stud_travel_m", MM,
                   range_of("travel_m"), 15.0, help="While the nut is still fully engaged."),
            number("margin_mm", "Policy: margin on the travel", "margin_m", MM,
                   range_of("margin_m"), 10.0),
            number("hand_force_n", "Policy: force a person may hold", "hand_force_n", NEWTON,
                   Window("N", at_least=0.0, at_most=1000.0), 0.0, help="State 0 for none."),
        ),
        outputs=(
            out("way", "Way of release", "way"),
            out("clamp_needed", "Clamp needed", "clamp_needed"),
            out("preload_n", "Preload", "preload_n", NEWTON),
            out("energy_j", "Energy stored", "energy_j", JOULE),
            out("residual_n", "Force left at the end of the studs", "residual_n", NEWTON),
            out("rod_thread_mm", "Thread the rods need", "rod_thread_m", MM),
            out("rods_at_least", "Rods, at least", "rods_at_least"),
            out("rod_positions", "Positions of the rods", "rod_positions"),
            out("turns_to_free", "Turns until free", "turns_to_free"),
        ),
        formula="long rods unless stud travel ≥ L0 - L1 + margin; unknown counts as loaded",
        sources=(_HOOKE, "rods, margin and clamp: common practice"),
        cautions=_RELEASE,
        example=Example(
            expected={"way": "long rods", "residual_n": 750.0, "turns_to_free": 20.0},
            source="docs/methods/cover-release.md, by hand", tolerance=1e-6,
        ),
        page="cover-release",
    ),
    Computation(
        name="cover-mass",
        title="Mass of a round cover, estimated",
        group=Group.LIFTING,
        purpose="An estimate on the heavy side; an estimate asks for lifting gear.",
        function=lifting.cover_mass_estimate,
        inputs=(
            number("diameter_mm", "Diameter", "diameter_m", MM, range_of("cover_m"), 400.0),
            number("thickness_mm", "Thickness", "thickness_m", MM,
                   Window("m", at_least=0.002, at_most=1.0), 40.0),
            number("density_kg_per_m3", "Density of the metal", "density_kg_per_m3", KG_M3,
                   range_of("density_kg_per_m3"), 7850.0),
            number("allowance", "Allowance for bosses and bolts", "allowance", None,
                   Window("a factor", at_least=1.0, at_most=2.0), 1.2),
        ),
        outputs=(out("mass_kg", "Mass", "", KG),),
        formula="m = π/4 D² t ρ × allowance",
        sources=("volume times density",),
        cautions=("lifting",),
        example=Example(
            expected={"mass_kg": 47.35}, source="π/4 × 0.4² × 0.04 × 7850 × 1.2, by hand"
        ),
        page="lifting",
    ),
    Computation(
        name="lifting-verdict",
        title="How a part is lifted",
        group=Group.LIFTING,
        purpose="One person, a team, or lifting gear.",
        function=lifting.lifting_verdict,
        run=_lifting,
        inputs=(
            number("mass_kg", "Mass", "mass_kg", KG, range_of("mass_kg"), 13.0,
                   if_absent="Not known: lifting gear."),
            yes_no("mass_is_measured", "Mass weighed or from the plate", "mass_is_measured",
                   True),
            yes_no("load_is_stable_and_cool", "Load stable and cool", "load_is_stable_and_cool",
                   True),
            number("horizontal_m", "Hands to ankles", "horizontal_m", METRE,
                   Window("m", at_least=0.25, at_most=0.63), 0.4, if_absent=_NO_POSTURE),
            number("vertical_m", "Height of the hands", "vertical_m", METRE,
                   Window("m", at_least=0.0, at_most=1.75), 0.75, if_absent=_NO_POSTURE),
            number("travel_m", "Height lifted", "travel_m", METRE,
                   Window("m", at_least=0.25, at_most=1.75), 0.5, if_absent=_NO_POSTURE),
            number("twist_deg", "Twist of the body", "twist_deg", DEGREE,
                   Window("deg", at_least=0.0, at_most=135.0), 30.0, if_absent=_NO_POSTURE),
            number("frequency_factor", "Frequency factor", "frequency_factor", None,
                   Window("a factor", above=0.0, at_most=1.0), 0.94, if_absent=_NO_POSTURE),
            number("grip_factor", "Grip factor", "grip_factor", None,
                   Window("a factor", at_least=0.9, at_most=1.0), 0.95, if_absent=_NO_POSTURE),
            number("gear_from_kg", "Policy: lifting gear from", "gear_from_kg", KG,
                   range_of("hand_mass_kg"), 25.0),
            whole("largest_team", "Policy: largest team", "largest_team", 1, 3, 2),
        ),
        outputs=(
            out("way", "Way of lifting", "way"),
            out("people", "People", "people"),
            out("recommended_kg", "Recommended limit for one person", "recommended_kg", KG),
            out("index_alone", "Lifting index alone", "index_alone"),
        ),
        formula="RWL = 23 kg × HM × VM × DM × AM × FM × CM; index = mass/RWL",
        sources=("revised NIOSH lifting equation, publication 94-110 (seen)",),
        cautions=("lifting",),
        example=Example(
            expected={"way": "two or three people", "people": 2},
            source="RWL 10.56 kg by hand; two thirds of the sum for two people, 14.1 kg (seen)",
        ),
        page="lifting",
    ),
)  # fmt: skip
