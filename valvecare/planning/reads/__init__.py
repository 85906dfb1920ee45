"""Answers about the plan: where an order would go, what stands in each window."""

from valvecare.planning.reads.board import (
    HOLDS_ITS_SLOT,
    PlanBoard,
    PreviewLine,
    board_of,
    check,
    hours_of,
    preview,
)
from valvecare.planning.reads.overview import CrewLoad, Plan, SlotLine, WaitingLine, plan_of

__all__ = [
    "HOLDS_ITS_SLOT",
    "CrewLoad",
    "Plan",
    "PlanBoard",
    "PreviewLine",
    "SlotLine",
    "WaitingLine",
    "board_of",
    "check",
    "hours_of",
    "plan_of",
    "preview",
]
