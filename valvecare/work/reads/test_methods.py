"""The ways to know the bypass flow of one valve with the gauges of its site on one day."""

from dataclasses import dataclass
from datetime import date

from valvecare.engineering.errors import Refusal
from valvecare.engineering.flow_choice import MethodJudgement
from valvecare.protection.models import FunctionTest
from valvecare.protection.reads.fleet import fleet_of
from valvecare.protection.rules import ProofMethod
from valvecare.register.models import ProtectionValve
from valvecare.work.models import Gauge
from valvecare.work.rules.test_methods import (
    PROOF_METHODS,
    Expected,
    GaugeAbility,
    expected_at,
    instruments_of,
    judge_methods,
)


@dataclass(frozen=True, slots=True)
class MethodsFound:
    """The methods, best able first; empty with `words` where none can be judged."""

    methods: tuple[MethodJudgement, ...]
    expected: Expected | None
    words: str


def usable_gauges(site_id: int, on: date) -> list[GaugeAbility]:
    """The gauges of a site that are in service and in calibration on this day."""
    rows = Gauge.objects.filter(
        site_id=site_id, retired_at__isnull=True, calibrated_until__gte=on
    ).order_by("code")
    return [
        GaugeAbility(
            row.code,
            row.kind,
            row.unit,
            row.range_low,
            row.range_high,
            row.step,
            row.uncertainty,
            row.uncertainty_share,
        )
        for row in rows
    ]


def recorded_shares(valve_id: int) -> dict[str, float]:
    """Relative standard uncertainty by method as recorded at this valve's latest tests."""
    names = {kind.value: name for name, kind in PROOF_METHODS.items()}
    rows = FunctionTest.objects.filter(
        valve_id=valve_id,
        method__in=[
            ProofMethod.FLOW_METER.value,
            ProofMethod.CLAMP_ON.value,
            ProofMethod.VESSEL_LEVEL.value,
        ],
        uncertainty_share__gt=0,
    ).order_by("-done_at", "-id")[:20]
    seen: dict[str, float] = {}
    for row in rows:
        seen.setdefault(names[row.method], (row.uncertainty_share or 0.0) / 2.0)
    return seen


NOTHING_TO_MEASURE_WITH = (
    "No way of measuring the bypass flow is known here: no gauge of the site has a certified "
    "uncertainty, and no test of this valve with a recorded uncertainty is in the register."
)


def methods_found(
    valve: ProtectionValve,
    required_m3_per_h: float | None,
    on: date,
    *,
    level_share: float | None = None,
    with_recorded: bool = False,
) -> MethodsFound:
    """Judge every method on this valve's pump with the site's gauges of that day.

    `with_recorded`: where no gauge is listed, what earlier tests recorded stands in.
    """
    if required_m3_per_h is None:
        words = "The required minimum flow of the pump is not known: ask the pump's owner."
        return MethodsFound((), None, words)
    gauges = usable_gauges(valve.pump.group.site_id, on)
    certified = [row for row in gauges if (row.expanded, row.expanded_share) != (None, None)]
    past = recorded_shares(valve.pk) if with_recorded else {}
    if not certified and not past and level_share is None:
        return MethodsFound((), None, NOTHING_TO_MEASURE_WITH)
    facts = fleet_of([valve.pk]).hydraulics.get(valve.pk)
    if facts is None:
        words = f"The valve is {valve.status}: only a valve in service is tested with its pump."
        return MethodsFound((), None, words)
    try:
        expected = expected_at(facts, required_m3_per_h, valve.pump.motor_efficiency)
        instruments = instruments_of(certified, expected, level_share=level_share, recorded=past)
        judged = judge_methods(facts, expected, instruments)
    except Refusal as refusal:
        return MethodsFound((), None, f"No method is judged: {refusal}")
    words = "Standard uncertainties (k = 1) of the site's gauges at the required flow."
    if past and not certified:
        words = "Uncertainties as recorded at this valve's latest tests."
    return MethodsFound(judged, expected, words)
