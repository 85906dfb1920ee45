"""Which way to know the bypass flow is good enough for this pump, and why the others are not."""

from collections.abc import Callable
from dataclasses import dataclass

from valvecare.engineering import plausible
from valvecare.engineering.curves import PumpCurve
from valvecare.engineering.errors import NoSolution, NotEnoughData
from valvecare.engineering.flow_methods import (
    FlowEstimate,
    flow_from_energy_balance,
    flow_from_head,
    flow_from_meter,
    relative_kv_uncertainty,
)
from valvecare.engineering.liquids import Liquid
from valvecare.engineering.thermal import temperature_rises
from valvecare.engineering.uncertainty import ABLE_SHARE


@dataclass(frozen=True)
class Instruments:
    """What is there to measure with. None means: not installed, not available.

    All uncertainties are relative standard uncertainties (shares) except the thermometers and the
    head. `u_rise_k` is that of the difference between the two thermometers.
    """

    u_meter_share: float | None
    u_clamp_on_share: float | None
    u_vessel_level_share: float | None
    u_kv_share: float | None
    u_pressure_drop_share: float | None
    u_density_share: float | None
    kv_is_under_test: bool
    u_shaft_power_share: float | None
    u_rise_k: float | None
    u_head_share: float | None


@dataclass(frozen=True)
class MethodJudgement:
    """One method on this pump at this flow: able or not, how good, and why not."""

    method: str
    able: bool
    relative_uncertainty: float | None
    reason: str


@dataclass(frozen=True)
class MethodChoice:
    """The best able method and every method's judgement, best able first."""

    best: str
    methods: tuple[MethodJudgement, ...]
    flow_m3_per_s: float
    outlet_rise_k: float


def judge_flow_methods(
    curve: PumpCurve,
    liquid: Liquid,
    *,
    flow_m3_per_s: float,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    instruments: Instruments,
) -> tuple[MethodJudgement, ...]:
    """Judge every method of knowing the bypass flow on this pump, at the flow expected.

    Parameters
    ----------
    curve : the pump at test speed
    liquid : `WATER` or a `TableLiquid`
    flow_m3_per_s : m3/s expected with the main line shut, usually the required minimum flow
    inlet_temperature_degc, inlet_pa_abs : degC and Pa absolute at the pump inlet
    instruments : what there is to measure with

    Returns
    -------
    One MethodJudgement a method: able ones first, smallest relative uncertainty first.

    Raises
    ------
    OutOfRange : an input missing or insane

    Assumptions
    -----------
    A method is able when its standard uncertainty is at most a tenth of the flow and it can prove
    capacity. The Kv under test is circular.

    Source
    ------
    Own rules (common practice) on the propagated uncertainties of `flow_methods`.

    Examples
    --------
    See docs/methods/function-test.md.
    """
    flow = plausible.FLOW.check("flow_m3_per_s", flow_m3_per_s)
    rises = temperature_rises(
        curve,
        liquid,
        flow_m3_per_s=flow,
        inlet_temperature_degc=inlet_temperature_degc,
        inlet_pa_abs=inlet_pa_abs,
    )
    judged = []
    for name, share in (
        ("meter in the bypass line", instruments.u_meter_share),
        ("clamp-on meter", instruments.u_clamp_on_share),
        ("vessel level", instruments.u_vessel_level_share),
    ):
        if share is None:
            judged.append(MethodJudgement(name, False, None, "not available"))
        else:
            meter = flow_from_meter(
                flow,
                standard_uncertainty_m3_per_s=flow
                * plausible.uncertainty(f"{name}: relative uncertainty", share, of=1.0),
                calibration_in_date=True,
                kind=name,
            )
            judged.append(_judged(name, meter))
    judged.append(_kv(instruments))
    judged.append(
        _tried(
            "energy balance",
            (instruments.u_shaft_power_share, instruments.u_rise_k, instruments.u_head_share),
            lambda power, kelvin, head: flow_from_energy_balance(
                rises.shaft_power_w,
                head_m=rises.head_m,
                loss_rise_k=rises.losses_rise_k,
                density_kg_per_m3=rises.density_kg_per_m3,
                specific_heat_j_per_kg_k=rises.specific_heat_j_per_kg_k,
                u_shaft_power_w=power * rises.shaft_power_w,
                u_head_m=head * rises.head_m,
                u_rise_k=kelvin,
            ),
        )
    )
    judged.append(
        _tried(
            "head on the curve",
            (instruments.u_head_share, 1.0, 1.0),
            lambda head, _1, _2: flow_from_head(
                curve, head_m=rises.head_m, u_head_m=head * rises.head_m
            ),
        )
    )
    return tuple(sorted(judged, key=lambda m: (not m.able, m.relative_uncertainty or float("inf"))))


def choose_flow_method(
    curve: PumpCurve,
    liquid: Liquid,
    *,
    flow_m3_per_s: float,
    inlet_temperature_degc: float,
    inlet_pa_abs: float,
    instruments: Instruments,
) -> MethodChoice:
    """Choose the best able method of knowing the bypass flow; refuse when none is able.

    Parameters
    ----------
    curve, liquid, flow_m3_per_s, inlet_temperature_degc, inlet_pa_abs, instruments :
        see `judge_flow_methods`

    Returns
    -------
    MethodChoice.

    Raises
    ------
    OutOfRange : an input missing or insane
    NotEnoughData : no instrument at all
    NoSolution : no method is able; the reasons are in the message

    Assumptions
    -----------
    As `judge_flow_methods`.

    Source
    ------
    As `judge_flow_methods`.

    Examples
    --------
    See docs/methods/function-test.md.
    """
    judged = judge_flow_methods(
        curve,
        liquid,
        flow_m3_per_s=flow_m3_per_s,
        inlet_temperature_degc=inlet_temperature_degc,
        inlet_pa_abs=inlet_pa_abs,
        instruments=instruments,
    )
    given = {name: value for name, value in vars(instruments).items() if name.startswith("u_")}
    if all(value is None for value in given.values()):
        raise NotEnoughData("no instrument", "one way to know the bypass flow")
    if not judged[0].able:
        reasons = "; ".join(f"{method.method}: {method.reason}" for method in judged)
        raise NoSolution(f"no method can prove the bypass flow of this pump: {reasons}")
    rises = temperature_rises(
        curve,
        liquid,
        flow_m3_per_s=flow_m3_per_s,
        inlet_temperature_degc=inlet_temperature_degc,
        inlet_pa_abs=inlet_pa_abs,
    )
    return MethodChoice(judged[0].method, judged, flow_m3_per_s, rises.outlet_rise_k)


def _judged(name: str, estimate: FlowEstimate) -> MethodJudgement:
    relative = estimate.relative_uncertainty
    if relative > ABLE_SHARE:
        reason = f"uncertainty {100 * relative:.0f} % is above {100 * ABLE_SHARE:.0f} %"
        return MethodJudgement(name, False, relative, reason)
    return MethodJudgement(name, True, relative, f"uncertainty {100 * relative:.1f} %")


def _kv(instruments: Instruments) -> MethodJudgement:
    name = "Kv and pressure drop"
    kv, drop, density = (
        instruments.u_kv_share,
        instruments.u_pressure_drop_share,
        instruments.u_density_share,
    )
    known = kv is not None and drop is not None and density is not None
    if not known and not instruments.kv_is_under_test:
        return MethodJudgement(name, False, None, "not available")
    relative = None
    if kv is not None and drop is not None and density is not None:
        relative = relative_kv_uncertainty(
            u_kv_share=kv, u_pressure_drop_share=drop, u_density_share=density
        )
    if relative is None or instruments.kv_is_under_test:
        return MethodJudgement(
            name, False, relative, "circular: it uses the Kv that the test is to prove"
        )
    if relative > ABLE_SHARE:
        return MethodJudgement(name, False, relative, f"uncertainty {100 * relative:.0f} %")
    return MethodJudgement(name, True, relative, f"uncertainty {100 * relative:.1f} %")


def _tried(
    name: str,
    needs: tuple[float | None, float | None, float | None],
    estimate: Callable[[float, float, float], FlowEstimate],
) -> MethodJudgement:
    first, second, third = needs
    if first is None or second is None or third is None:
        return MethodJudgement(name, False, None, "not available")
    try:
        return _judged(name, estimate(first, second, third))
    except NoSolution as refused:
        return MethodJudgement(name, False, None, str(refused))
