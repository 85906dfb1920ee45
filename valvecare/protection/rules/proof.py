"""Closed word lists of a function test and the judgement of its numbers."""

from enum import StrEnum


class ProofMethod(StrEnum):
    """How the bypass was proven; the grade of the evidence follows from it."""

    FLOW_METER = "flow meter"
    CLAMP_ON = "clamp-on meter"
    VESSEL_LEVEL = "vessel level"
    HEAT_BALANCE = "heat balance"
    WITH_PUMP = "with the pump, no flow measured"
    BENCH = "on the bench"
    NOT_RECORDED = "not recorded"


METHODS_WITH_PUMP = frozenset(
    {
        ProofMethod.FLOW_METER,
        ProofMethod.CLAMP_ON,
        ProofMethod.VESSEL_LEVEL,
        ProofMethod.HEAT_BALANCE,
        ProofMethod.WITH_PUMP,
    }
)
METHODS_WITH_FLOW = METHODS_WITH_PUMP - {ProofMethod.WITH_PUMP}


class ProofResult(StrEnum):
    PASS = "pass"  # noqa: S105 a result, not a password
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_ABLE = "not able"


def judge_bypass_flow(
    flow_m3_per_h: float, *, uncertainty_share: float, required_m3_per_h: float
) -> ProofResult:
    """Pass when even the lower bound reaches the requirement, fail when the upper does not."""
    if flow_m3_per_h * (1 - uncertainty_share) >= required_m3_per_h:
        return ProofResult.PASS
    if flow_m3_per_h * (1 + uncertainty_share) < required_m3_per_h:
        return ProofResult.FAIL
    return ProofResult.UNDECIDED
