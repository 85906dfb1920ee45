"""Decisions on protection: the proof of a test, the capacity of the bypass, the verdict."""

from valvecare.protection.rules.proof import (
    METHODS_WITH_FLOW,
    METHODS_WITH_PUMP,
    ProofMethod,
    ProofResult,
    judge_bypass_flow,
)

__all__ = [
    "METHODS_WITH_FLOW",
    "METHODS_WITH_PUMP",
    "ProofMethod",
    "ProofResult",
    "judge_bypass_flow",
]
