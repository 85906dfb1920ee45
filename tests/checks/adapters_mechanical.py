"""Adapters of the mechanical table: unit conversion and naming only.

Where a row leaves out an input that our function insists on, the adapter states the value that
has no influence on the row's answer, and says so.
"""

from typing import Any

from tests.checks.registry import Inputs, adapter
from valvecare.engineering import (
    bolting,
    fits,
    flange_bolting,
    flashing,
    gaskets,
    leak_classes,
    leak_verdict,
    lifting,
    release,
    scatter,
    seals,
    spring_design,
    springs,
    tightening,
    wear,
    wear_trend,
)
from valvecare.engineering.leak_classes import DROP_VOLUME_M3
from valvecare.engineering.liquids import WATER
from valvecare.engineering.units import convert

INCH_M = 0.0254
LBF_N = 4.4482216152605
FT_LBF_NM = 1.3558179483314
PSI_PA = 6894.757293168361
MM, KN, MPA, UM, ML_PER_MIN = 1e-3, 1e3, 1e6, 1e-6, 1e-6 / 60

DECISIONS = {"reuse": "REUSE", "lap": "REWORK", "replace": "REPLACE", "cannot decide": "UNDECIDED"}
RELEASES = {"standard studs": "HAND", "long rods": "LONG_RODS", "treat as loaded": "REFUSE"}


def mm(inputs: Inputs, name: str) -> float:
    value = inputs.number(name)
    return value if value is None else value * MM


def thread(inputs: Inputs) -> dict[str, float]:
    return {"diameter_m": mm(inputs, "d_mm"), "pitch_m": mm(inputs, "pitch_mm")}


def preload(inputs: Inputs) -> float:
    return bolting.permissible_preload(
        mm(inputs, "d_mm"),
        pitch_m=mm(inputs, "pitch_mm"),
        yield_strength_pa=inputs.number("Rp02_MPa") * MPA,
        thread_friction=inputs.number("mu_G"),
        utilisation=inputs.number("utilisation"),
    )


@adapter("stress_area")
def stress_area(inputs: Inputs) -> float:
    return bolting.stress_area(mm(inputs, "d_mm"), pitch_m=mm(inputs, "pitch_mm")) / UM


@adapter("vdi_preload_max")
def vdi_preload_max(inputs: Inputs) -> float:
    return preload(inputs) / KN


@adapter("vdi_torque_max")
def vdi_torque_max(inputs: Inputs) -> float:
    return bolting.torque_for_preload(
        preload(inputs),
        **thread(inputs),
        bearing_outside_m=mm(inputs, "dw_mm"),
        hole_m=mm(inputs, "dh_mm"),
        thread_friction=inputs.number("mu_G"),
        head_friction=inputs.number("mu_K"),
    )


@adapter("preload_min_from_alphaA")
def preload_min_from_alpha(inputs: Inputs) -> float:
    largest = inputs.number("F_max_kN") * KN
    return scatter.preload_min_by_factor(largest, factor=inputs.number("alpha_A")) / KN


@adapter("preload_at_actual_friction")
def preload_at_actual_friction(inputs: Inputs) -> float:
    friction = inputs.number("mu_actual")
    force = bolting.preload_for_torque(
        inputs.number("torque_Nm"),
        **thread(inputs),
        bearing_outside_m=mm(inputs, "dw_mm"),
        hole_m=mm(inputs, "dh_mm"),
        thread_friction=friction,
        head_friction=friction,
    )
    return force / KN


@adapter("k_factor_torque")
def k_factor_torque(inputs: Inputs) -> float:
    torque = bolting.torque_by_k_factor(
        inputs.number("F_lbf") * LBF_N,
        diameter_m=inputs.number("d_in") * INCH_M,
        k_factor=inputs.number("K"),
    )
    return torque / FT_LBF_NM


@adapter("k_factor_torque_si")
def k_factor_torque_si(inputs: Inputs) -> float:
    return bolting.torque_by_k_factor(
        inputs.number("F_kN") * KN, diameter_m=mm(inputs, "d_mm"), k_factor=inputs.number("K")
    )


@adapter("preload_range")
def preload_range(inputs: Inputs) -> list[float]:
    nominal, spread = inputs.number("F_nom_kN") * KN, inputs.number("uncertainty")
    smallest = scatter.preload_min(nominal, uncertainty=spread, relaxation=0.0)
    return [smallest / KN, scatter.preload_max(nominal, uncertainty=spread) / KN]


@adapter("alpha_A_from_uncertainty")
def alpha_from_uncertainty(inputs: Inputs) -> float:
    return scatter.tightening_factor(inputs.number("uncertainty"))


@adapter("tighten_sequence")
def tighten_sequence(inputs: Inputs) -> list[int]:
    return list(tightening.tightening_order(inputs["n"]))


@adapter("pass_torques")
def pass_torques(inputs: Inputs) -> dict[str, float]:
    policy = tightening.COMMON_PRACTICE_PASSES
    torques = tightening.pass_torques(inputs.number("T_Nm"), policy=policy)
    first, second, third = torques.cross_nm
    return {
        "snug": torques.snug_nm,
        "p1": first,
        "p2": second,
        "p3": third,
        "circular": torques.circular_nm,
    }


@adapter("gasket_load_operating_Wm1")
def gasket_load_operating(inputs: Inputs) -> float:
    load = gaskets.operating_load(
        inputs.number("p_MPa") * MPA,
        reaction_diameter_m=mm(inputs, "G_mm"),
        effective_width_m=mm(inputs, "b_mm"),
        factor=inputs.number("m"),
    )
    return load / KN


@adapter("gasket_load_seating_Wm2")
def gasket_load_seating(inputs: Inputs) -> float:
    load = gaskets.seating_load(
        reaction_diameter_m=mm(inputs, "G_mm"),
        effective_width_m=mm(inputs, "b_mm"),
        yield_pa=inputs.number("y_MPa") * MPA,
    )
    return load / KN


@adapter("effective_gasket_width")
def effective_gasket_width(inputs: Inputs) -> float:
    return gaskets.effective_width(mm(inputs, "N_mm")) / MM


@adapter("psi_to_MPa")
def psi_to_mpa(inputs: Inputs) -> float:
    pascal = convert(
        inputs.number("y_psi"), kind="pressure_difference", from_unit="psi", to_unit="Pa"
    )
    return pascal / MPA


@adapter("gasket_stress")
def gasket_stress(inputs: Inputs) -> float:
    stress = gaskets.gasket_stress(
        inputs["n"],
        bolt_load_n=inputs.number("F_bolt_kN") * KN,
        outside_m=mm(inputs, "OD_mm"),
        inside_m=mm(inputs, "ID_mm"),
    )
    return stress / MPA


@adapter("pressure_end_force")
def pressure_end_force(inputs: Inputs) -> float:
    return gaskets.pressure_end_force(inputs.number("p_bar") * 1e5, diameter_m=mm(inputs, "D_mm"))


def rate(inputs: Inputs, suffix: str = "", coils: str = "n_active") -> float:
    return spring_design.spring_rate(
        shear_modulus_pa=inputs.number("G_MPa") * MPA,
        wire_m=mm(inputs, "d" + (suffix or "_mm")),
        coil_m=mm(inputs, "D" + (suffix or "_mm")),
        active_coils=inputs.number(coils),
    )


@adapter("spring_rate")
def spring_rate(inputs: Inputs) -> float:
    return rate(inputs) / 1e3


@adapter("active_coils_for_rate")
def active_coils_for_rate(inputs: Inputs) -> float:
    return spring_design.active_coils_for_rate(
        inputs.number("k_N_mm") * 1e3,
        shear_modulus_pa=inputs.number("G_MPa") * MPA,
        wire_m=mm(inputs, "d_mm"),
        coil_m=mm(inputs, "D_mm"),
    )


@adapter("nested_spring_load_outer")
def nested_spring_load_outer(inputs: Inputs) -> float:
    return spring_design.nested_spring_load(
        inputs.number("P_N"),
        longer_rate_n_per_m=rate(inputs, "1", "N1"),
        shorter_rate_n_per_m=rate(inputs, "2", "N2"),
        free_length_difference_m=mm(inputs, "free_length_difference_mm"),
    ).longer_n


@adapter("spring_shear_stress_wahl")
def spring_shear_stress(inputs: Inputs) -> float:
    stress = spring_design.spring_shear_stress(
        inputs.number("F_N"), wire_m=mm(inputs, "d_mm"), coil_m=mm(inputs, "D_mm")
    )
    return stress / MPA


@adapter("wahl_factor")
def wahl_factor(inputs: Inputs) -> float:
    return spring_design.wahl_factor(inputs.number("C"))


@adapter("bergstrasser_factor")
def bergstrasser_factor(inputs: Inputs) -> float:
    return spring_design.bergstrasser_factor(inputs.number("C"))


@adapter("solid_length")
def solid_length(inputs: Inputs) -> float:
    length = spring_design.solid_length(
        inputs.number("n_total"),
        wire_m=inputs.number("d_in") * INCH_M,
        ends_are_ground={"squared, not ground": False, "squared, ground": True}[inputs["ends"]],
    )
    return length / INCH_M


def installed(inputs: Inputs) -> dict[str, float]:
    return {
        "rate_n_per_m": inputs.number("R_N_mm") * 1e3,
        "free_m": mm(inputs, "L0_mm"),
        "installed_m": mm(inputs, "L1_mm"),
    }


def lengths(inputs: Inputs) -> dict[str, float]:
    return {"free_m": mm(inputs, "L0_mm"), "installed_m": mm(inputs, "L1_mm")}


@adapter("spring_preload")
def spring_preload(inputs: Inputs) -> float:
    return springs.spring_preload(**installed(inputs))


@adapter("spring_energy")
def spring_energy(inputs: Inputs) -> float:
    return springs.spring_energy(**installed(inputs))


@adapter("residual_force_at_stud_end")
def residual_force(inputs: Inputs) -> float:
    return springs.residual_force(**installed(inputs), travel_m=mm(inputs, "usable_stud_travel_mm"))


@adapter("rod_travel_needed")
def rod_travel_needed(inputs: Inputs) -> float:
    return springs.rod_travel(**lengths(inputs), margin_m=mm(inputs, "margin_mm")) / MM


@adapter("nut_turns_to_free")
def nut_turns_to_free(inputs: Inputs) -> float:
    return springs.turns_to_free(**lengths(inputs), pitch_m=mm(inputs, "pitch_mm"))


@adapter("release_verdict")
def release_verdict(inputs: Inputs) -> str:
    rate_n_per_mm = inputs.number("R_N_mm")
    verdict = release.release_verdict(
        release.SpringRecord(
            rate_n_per_m=None if rate_n_per_mm is None else rate_n_per_mm * 1e3,
            **lengths(inputs),
            state=release.SpringState.SOUND,
        ),
        # bolt count, thread, clamped length and nut do not decide between the verdicts
        release.CoverRecord(
            bolt_count=8,
            pitch_m=0.002,
            grip_m=0.040,
            nut_height_m=0.013,
            stud_travel_m=mm(inputs, "usable_stud_travel_mm"),
        ),
        # the row of the unknown spring has no margin: it is refused whatever the margin
        policy=release.ReleasePolicy(
            margin_m=mm(inputs, "margin_mm") if "margin_mm" in inputs else 0.010,
            hand_force_n=0.0,
        ),
    )
    return RELEASES[verdict.way]


@adapter("niosh_rwl")
def niosh_rwl(inputs: Inputs) -> float:
    return lifting.recommended_weight(
        lifting.LiftPosture(
            horizontal_m=inputs.number("H_cm") / 100,
            vertical_m=inputs.number("V_cm") / 100,
            travel_m=inputs.number("D_cm") / 100,
            twist_deg=inputs.number("A_deg"),
            frequency_factor=inputs.number("FM"),
            grip_factor=inputs.number("CM"),
        )
    )


@adapter("lifting_index")
def lifting_index(inputs: Inputs) -> float:
    return lifting.lifting_index(inputs.number("mass_kg"), recommended_kg=inputs.number("RWL_kg"))


@adapter("team_lift_limit")
def team_lift_limit(inputs: Inputs) -> float:
    return lifting.team_limit(inputs.number("single_kg"), people=inputs["persons"])


@adapter("drops_to_ml")
def drops_to_ml(inputs: Inputs) -> float:
    volume = leak_classes.volume_of_drops(inputs["drops"], drop_volume_m3=DROP_VOLUME_M3)
    return volume * 1e6


@adapter("iso5208_limit")
def iso5208_limit(inputs: Inputs) -> float:
    limit = leak_classes.iso5208_limit(inputs["rate"], dn=inputs["DN"], medium=inputs["fluid"])
    return limit * 1e9


@adapter("iso5208_limit_drops")
def iso5208_limit_drops(inputs: Inputs) -> float:
    limit = leak_classes.iso5208_limit(inputs["rate"], dn=inputs["DN"], medium=inputs["fluid"])
    return leak_classes.drops_per_minute(limit, drop_volume_m3=DROP_VOLUME_M3)


@adapter("iso5208_gas_bubbles")
def iso5208_gas_bubbles(inputs: Inputs) -> float:
    limit = leak_classes.iso5208_limit(inputs["rate"], dn=inputs["DN"], medium="gas")
    return leak_classes.bubbles_per_second(limit)


def drop_rate(inputs: Inputs) -> float:
    return leak_classes.leak_rate_from_drops(
        inputs["drops"], seconds=inputs.number("seconds"), drop_volume_m3=DROP_VOLUME_M3
    )


@adapter("measured_leak_rate")
def measured_leak_rate(inputs: Inputs) -> float:
    return drop_rate(inputs) * 1e9


@adapter("best_iso5208_rate_met")
def best_iso5208_rate_met(inputs: Inputs) -> str | None:
    leak = inputs.number("ml_per_min") * ML_PER_MIN if "ml_per_min" in inputs else drop_rate(inputs)
    return leak_verdict.best_iso5208_rate(leak, dn=inputs["DN"], medium=inputs["fluid"])


@adapter("api598_check_liquid_limit")
def api598_check_liquid_limit(inputs: Inputs) -> float:
    limit = leak_classes.api598_check_valve_limit(
        inputs["NPS"], seat=inputs["seat"], medium="liquid"
    )
    return limit / ML_PER_MIN


@adapter("zero_drop_upper_bound")
def zero_drop_upper_bound(inputs: Inputs) -> float:
    bound = leak_classes.zero_drop_bound(inputs["seconds"], drop_volume_m3=DROP_VOLUME_M3)
    return bound * 1e9


@adapter("fci_class_V_si")
def fci_class_v_si(inputs: Inputs) -> float:
    limit = leak_classes.fci_class_v_limit(
        mm(inputs, "seat_mm"), difference_pa=inputs.number("dp_bar") * 1e5
    )
    return limit / ML_PER_MIN


@adapter("fci_class_V_inch")
def fci_class_v_inch(inputs: Inputs) -> float:
    limit = leak_classes.fci_class_v_limit_inch(
        inputs.number("seat_in") * INCH_M, difference_pa=inputs.number("dp_psi") * PSI_PA
    )
    return limit / ML_PER_MIN


@adapter("fci_class_VI")
def fci_class_vi(inputs: Inputs) -> float:
    # the row's tolerance is 0: round off the conversion, not the value
    return round(leak_classes.fci_class_vi_limit(mm(inputs, "seat_mm")) / ML_PER_MIN, 9)


@adapter("fit_clearance")
def fit_clearance(inputs: Inputs) -> list[float]:
    limits = fits.fit_clearance(mm(inputs, "size_mm"), fit=inputs["fit"])
    return [round(limits.smallest_m / UM, 6), round(limits.largest_m / UM, 6)]


@adapter("disposition")
def disposition(inputs: Inputs) -> list[Any]:
    result = wear.seat_disposition(
        wear.SeatMeasurement(
            thickness_m=mm(inputs, "t_mm"),
            damage_depth_m=mm(inputs, "defect_depth_mm"),
            contact_ring_complete=True,  # the rows list no broken ring among their kinds
            laps_done=inputs["laps"],
        ),
        wear.SeatLimits(
            thickness_min_m=mm(inputs, "t_min_mm"),
            reuse_depth_m=mm(inputs, "reuse_depth"),
            overcut_m=mm(inputs, "overcut"),
            max_per_event_m=mm(inputs, "max_event"),
            max_laps=inputs["max_laps"],
        ),
        kinds=inputs["kinds"],
    )
    left = None if result.remaining is None else result.remaining / MM
    return [DECISIONS[result.decision], left]


@adapter("preload_after_lapping")
def preload_after_lapping(inputs: Inputs) -> float:
    return springs.preload_after_lapping(
        inputs.number("F1_N"),
        rate_n_per_m=inputs.number("R_N_mm") * 1e3,
        removed_disc_m=mm(inputs, "removed_disc_mm"),
        removed_seat_m=mm(inputs, "removed_seat_mm"),
    )


def set_lengths(inputs: Inputs) -> dict[str, float]:
    return {
        "nominal_m": mm(inputs, "L0_nom_mm"),
        "measured_m": mm(inputs, "L0_meas_mm"),
        "installed_m": mm(inputs, "L1_mm"),
    }


@adapter("preload_loss_from_set")
def preload_loss_from_set(inputs: Inputs) -> float:
    return springs.preload_loss_from_set(**set_lengths(inputs)) * 100


@adapter("spring_load_loss")
def spring_load_loss(inputs: Inputs) -> float:
    return springs.load_loss_from_set(
        rate_n_per_m=inputs.number("R_N_mm") * 1e3, **set_lengths(inputs)
    )


@adapter("clearance_growth")
def clearance_growth(inputs: Inputs) -> float | str:
    trend = wear_trend.wear_trend(
        inputs["hours"],
        [clearance * MM for clearance in inputs["clearance_mm"]],
        repeatability_m=0.002 * MM,  # not in the rows; well below their growth
    )
    if trend.slope_m_per_h is None:
        return trend.state.upper().replace(" ", "_")
    return trend.slope_m_per_h / MM * 1000


@adapter("flash_fraction")
def flash_fraction(inputs: Inputs) -> float:
    return flashing.flash_fraction(
        inputs.number("T_C"), pressure_pa_abs=inputs.number("p_to_bar") * 1e5
    )


@adapter("saturation_pressure")
def saturation_pressure(inputs: Inputs) -> float:
    return WATER.vapour_pressure(inputs.number("T_C")) / 1e5


@adapter("lubricant_decision")
def lubricant_decision(inputs: Inputs) -> str:
    agent = inputs["lubricant"].replace("_", " ")
    return seals.seal_lubricant_decision(inputs["seal"], agent=agent).answer.upper()


@adapter("seal_media_decision")
def seal_media_decision(inputs: Inputs) -> str:
    return seals.seal_medium_decision(
        inputs["seal"], medium=inputs["medium"], temperature_degc=inputs["T_C"]
    ).answer.upper()


@adapter("gasket_renewal")
def gasket_renewal(inputs: Inputs) -> str:
    return gaskets.gasket_renewal(
        joint_was_opened=inputs["joint"] == "opened", new_gasket_in_stock=True
    ).action.upper()


@adapter("flange_bolting")
def flange_bolting_text(inputs: Inputs) -> str:
    standard = inputs["standard"]
    if standard.startswith("B16.5"):
        standard = "ASME " + standard
    return flange_bolting.flange_bolting(standard, size=inputs["size"]).text
