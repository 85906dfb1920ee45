"""Decisions on protection: the proof of a test, the capacity of the bypass, the verdict."""

from valvecare.protection.rules.capacity import Capacity, Hydraulics, LiquidTable, capacity_of
from valvecare.protection.rules.facts import (
    RULE_VERSION,
    Decision,
    DueFact,
    EventFact,
    Facts,
    Grade,
    Ground,
    InspectionFact,
    PairFact,
    PassingFact,
    Policy,
    SisterFact,
    TestFact,
    Word,
)
from valvecare.protection.rules.proof import (
    METHODS_WITH_FLOW,
    METHODS_WITH_PUMP,
    ProofMethod,
    ProofResult,
    judge_bypass_flow,
)
from valvecare.protection.rules.verdict import judge, lower_bound

__all__ = [
    "METHODS_WITH_FLOW",
    "METHODS_WITH_PUMP",
    "RULE_VERSION",
    "Capacity",
    "Decision",
    "DueFact",
    "EventFact",
    "Facts",
    "Grade",
    "Ground",
    "Hydraulics",
    "InspectionFact",
    "LiquidTable",
    "PairFact",
    "PassingFact",
    "Policy",
    "ProofMethod",
    "ProofResult",
    "SisterFact",
    "TestFact",
    "Word",
    "capacity_of",
    "judge",
    "judge_bypass_flow",
    "lower_bound",
]
