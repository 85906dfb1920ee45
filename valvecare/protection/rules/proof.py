"""Closed word lists of a function test and the judgement of its numbers."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from valvecare.core.errors import Reason


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


@dataclass(frozen=True)
class GuidedProof:
    """What the steps of a guided test say, by which rule, and everything they were judged from."""

    result: ProofResult
    rule_version: str
    evidence: Mapping[str, Any]


_WORST_FIRST = (
    ProofResult.FAIL,
    ProofResult.NOT_ABLE,
    ProofResult.UNDECIDED,
    ProofResult.PASS,
)


def worst_result(*results: ProofResult | None) -> ProofResult | None:
    """The worst of the results that are given: fail, not able, undecided, pass; None of none.

    The flow with its band and the steps of a guided test both have to pass.
    """
    given = [result for result in results if result is not None]
    return min(given, key=_WORST_FIRST.index) if given else None


def why_not_proof_numbers(
    *,
    measures_flow: bool,
    flow: float | None,
    uncertainty_share: float | None,
    required: float | None,
    register_minimum: float | None,
) -> Reason | None:
    """A measured flow comes with its uncertainty and the required flow, and only then."""
    given = [value is not None for value in (flow, uncertainty_share, required)]
    if measures_flow and not all(given):
        return Reason(
            "flow_incomplete",
            "This method measures a flow: the flow, its uncertainty and the required flow belong "
            "together.",
            "Give all three, or choose a method without a measured flow.",
        )
    if not measures_flow and any(given):
        return Reason(
            "flow_without_method",
            "This method measures no flow.",
            "Leave the numbers empty, or name the method that measured them.",
        )
    if required is not None and register_minimum is not None and required < register_minimum:
        return Reason(
            "required_below_register",
            f"The register says this pump needs {register_minimum:g} m³/h; the test was held "
            f"against {required:g} m³/h.",
            "Judge against the register's figure, or let the pump's owner change it first.",
            {"register_m3_per_h": register_minimum, "given_m3_per_h": required},
        )
    return None


def why_not_result(stated: str | None, judged: str | None) -> Reason | None:
    """Numbers decide where there are numbers; words only where there are none."""
    if judged is None and stated is None:
        return Reason(
            "no_result",
            "Without a measured flow the result must be said.",
            "Say pass, fail, undecided or not able.",
        )
    if judged is not None and stated is not None and stated != judged:
        return Reason(
            "result_contradicts_numbers",
            f"The numbers say '{judged}', the form says '{stated}'.",
            "Correct the numbers, or leave the result to them.",
            {"judged": judged, "stated": stated},
        )
    return None


def why_not_test_time(done_at: datetime, *, at: datetime, status: str) -> Reason | None:
    """A test lies in the past and belongs to a valve that is in service."""
    if done_at > at:
        return Reason(
            "in_the_future",
            "The test lies in the future.",
            "Give the time at which it was done, with its offset.",
        )
    if status != "in service":
        return Reason(
            "not_in_service",
            f"The valve is {status}; it protects no pump.",
            "Record the test at the valve that is in service.",
        )
    return None
