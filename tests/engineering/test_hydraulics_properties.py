"""Monotone by physics, 10,000 examples each: worse inputs never make a safer answer."""

from dataclasses import replace

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests.engineering.test_curves import sample
from valvecare.engineering.bypass import ReturnLine, bypass_working_point
from valvecare.engineering.cooling import PassingVerdict, judge_passing
from valvecare.engineering.errors import NoSolution, Refusal
from valvecare.engineering.heating import time_to_boil
from valvecare.engineering.liquids import WATER, TableLiquid
from valvecare.engineering.minimum_flow import thermal_minimum_flow
from valvecare.engineering.suction import allowed_rise_to_vaporisation
from valvecare.engineering.uncertainty import Verdict, decide_at_least
from valvecare.engineering.valve_flow import flow_through_kv

MANY = settings(
    max_examples=10_000,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
SOME = settings(MANY, max_examples=300)
SAFER = {Verdict.NOT_ABLE: 0, Verdict.FAIL: 0, Verdict.UNDECIDED: 1, Verdict.PASS: 2}
CURVE = sample()
share = st.floats(0.0, 1.0)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


@MANY
@given(
    kv=numbers(0.5, 200.0),
    less=numbers(0.01, 1.0),
    inlet=numbers(1e6, 2e7),
    back=numbers(0.05, 0.95),
    density=numbers(700.0, 1200.0),
    recovery=numbers(0.5, 1.0),
    need=numbers(0.3, 3.0),
    spread=numbers(0.001, 0.099),
)
def test_less_bypass_capacity_is_never_safer(
    kv: float,
    less: float,
    inlet: float,
    back: float,
    density: float,
    recovery: float,
    need: float,
    spread: float,
) -> None:
    def flow(coefficient: float, back_pa: float) -> float:
        return flow_through_kv(
            coefficient,
            inlet_pa_abs=inlet,
            outlet_pa_abs=back_pa,
            density_kg_per_m3=density,
            vapour_pressure_pa_abs=2e5,
            critical_pressure_pa_abs=2.2064e7,
            recovery_factor=recovery,
        )

    before = flow(kv, back * inlet)
    required = need * before

    def verdict(value: float) -> int:
        decision = decide_at_least(
            value, standard_uncertainty=spread * required, required=required, probability=0.95
        )
        return SAFER[decision.verdict]

    assert verdict(flow(kv * less, back * inlet)) <= verdict(before)
    higher_back = min(back * 1.2, 0.99) * inlet
    assert verdict(flow(kv, higher_back)) <= verdict(before)


@MANY
@given(
    cooler=numbers(1.0, 170.0),
    hotter_by=numbers(0.01, 20.0),
    pressure=numbers(2e5, 3e6),
    margin=numbers(0.0, 5e4),
)
def test_hotter_suction_is_never_safer(
    cooler: float, hotter_by: float, pressure: float, margin: float
) -> None:
    """Less rise is allowed before it boils, and less time is left with no flow."""

    def allowed(temperature: float) -> float:
        try:
            return allowed_rise_to_vaporisation(
                WATER,
                inlet_temperature_degc=temperature,
                inlet_pa_abs=pressure,
                margin_pa=margin,
            )
        except NoSolution:
            return 0.0

    def seconds(temperature: float) -> float:
        try:
            return time_to_boil(
                WATER,
                shaft_power_w=3e5,
                liquid_mass_kg=100.0,
                metal_mass_kg=500.0,
                metal_specific_heat_j_per_kg_k=480.0,
                start_temperature_degc=temperature,
                inlet_pa_abs=pressure,
            ).liquid_only_s
        except Refusal:
            return 0.0

    hotter = cooler + hotter_by
    assert allowed(hotter) <= allowed(cooler)
    assert seconds(hotter) <= seconds(cooler)


EVEN = TableLiquid(
    name="water of one specific heat",
    source="IF97 vapour pressure, density and expansion; specific heat held at 4200 J/(kg K)",
    temperatures_degc=tuple(float(t) for t in range(5, 206, 10)),
    densities_kg_per_m3=tuple(WATER.density(float(t), 5e6) for t in range(5, 206, 10)),
    specific_heats_j_per_kg_k=(4200.0,) * 21,
    vapour_pressures_pa_abs=tuple(WATER.vapour_pressure(float(t)) for t in range(5, 206, 10)),
    viscosities_pa_s=None,
    critical_pressure_pa_abs=2.2064e7,
)


@SOME
@given(cooler=numbers(10.0, 150.0), hotter_by=numbers(0.1, 20.0), pressure=numbers(6e5, 1.5e6))
def test_hotter_liquid_never_needs_less_flow(
    cooler: float, hotter_by: float, pressure: float
) -> None:
    """At equal specific heat. (That of real water grows with temperature, by 1 % at 100 degC and
    3 % at 150 degC, which lowers the loss part by as much: physics, not an error.)"""

    def needed(temperature: float) -> float:
        try:
            return thermal_minimum_flow(
                CURVE,
                EVEN,
                inlet_temperature_degc=temperature,
                inlet_pa_abs=pressure,
                stated_rise_k=8.0,
                vapour_margin_pa=0.0,
                npsh_required=None,
            ).flow_m3_per_s
        except Refusal:  # no rise is left, or it would not be liquid: no flow is enough
            return 1e9

    assert needed(cooler + hotter_by) >= needed(cooler) * (1.0 - 1e-9)


@MANY
@given(
    measured=numbers(0.0, 3.0),
    required=numbers(0.001, 10.0),
    u=numbers(1e-4, 0.3),
    more=numbers(1.0, 50.0),
    probability=numbers(0.5, 0.999),
)
def test_larger_uncertainty_never_makes_a_pass(
    measured: float, required: float, u: float, more: float, probability: float
) -> None:
    def verdict(spread: float) -> Verdict:
        return decide_at_least(
            measured * required,
            standard_uncertainty=spread * required,
            required=required,
            probability=probability,
        ).verdict

    if verdict(u) is not Verdict.PASS:
        assert verdict(u * more) is not Verdict.PASS
    if verdict(u * more) is Verdict.PASS:
        assert verdict(u) is Verdict.PASS


@MANY
@given(
    measured=numbers(0.0, 3.0),
    lower_by=share,
    required=numbers(0.001, 10.0),
    u=numbers(1e-4, 0.2),
)
def test_a_smaller_reading_or_a_stricter_limit_is_never_safer(
    measured: float, lower_by: float, required: float, u: float
) -> None:
    def rank(value: float, limit: float) -> int:
        return SAFER[
            decide_at_least(
                value * required,
                standard_uncertainty=u * required,
                required=limit,
                probability=0.95,
            ).verdict
        ]

    assert rank(measured * lower_by, required) <= rank(measured, required)
    if u <= 0.1:
        assert rank(measured, required * (2.0 - lower_by)) <= rank(measured, required)


LINE = ReturnLine(18.0, 0.065, 2.0, 0.1, 3, 2.0, 0.4e6)


@SOME
@given(kv=numbers(3.0, 9.0), less=numbers(0.6, 1.0), worse=numbers(1.0, 3.0), slower=share)
def test_the_working_point_is_monotone(kv: float, less: float, worse: float, slower: float) -> None:
    def flow(coefficient: float, line: ReturnLine, speed_share: float) -> float:
        try:
            return bypass_working_point(
                CURVE.running(speed_per_s=49.5 * speed_share, density_kg_per_m3=955.0),
                WATER,
                line,
                kv=coefficient,
                recovery_factor=0.95,
                main_flow_m3_per_s=0.0,
                inlet_temperature_degc=105.0,
                inlet_pa_abs=0.3e6,
            ).bypass_flow_m3_per_s
        except NoSolution:
            return -1.0

    before = flow(kv, LINE, 1.0)
    assume(before > 0.0)
    assert flow(kv * less, LINE, 1.0) <= before * (1.0 + 1e-6)
    tight = replace(LINE, loss_coefficient=18.0 * worse, end_pa_abs=0.4e6 * worse)
    assert flow(kv, tight, 1.0) <= before * (1.0 + 1e-6)
    assert flow(kv, LINE, 1.0 - 0.3 * slower) <= before * (1.0 + 1e-6)


@MANY
@given(
    line=numbers(20.0, 140.0),
    warmer=numbers(0.0, 60.0),
    hours=numbers(0.0, 100.0),
    share_u=numbers(0.05, 0.5),
)
def test_a_warmer_line_is_never_called_shut_when_a_cooler_one_passes(
    line: float, warmer: float, hours: float, share_u: float
) -> None:
    def verdict(temperature: float) -> PassingVerdict:
        return judge_passing(
            line_temperature_degc=temperature,
            source_temperature_degc=143.0,
            ambient_temperature_degc=20.0,
            hours_since_shut=hours,
            time_constant_h=15.6,
            time_constant_uncertainty_share=share_u,
            u_temperature_k=1.0,
            heat_loss_w_per_m_k=0.34,
            length_m=10.0,
            specific_heat_j_per_kg_k=4290.0,
        ).verdict

    if verdict(line) is PassingVerdict.PASSING:
        assert verdict(line + warmer) is PassingVerdict.PASSING
