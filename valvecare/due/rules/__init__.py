"""Decisions about when a task is due. Pure: plain values and arrays in, frozen results out."""

from valvecare.due.rules.advance import ConditionColumns, with_conditions
from valvecare.due.rules.decide import ClockColumns, Decisions, decide, decision_prints
from valvecare.due.rules.policies import (
    NO_POLICY,
    DesignFacts,
    Level,
    PolicyBook,
    PolicyFacts,
    policies_for,
    policy_book,
)
from valvecare.due.rules.sentences import (
    DueDecision,
    TriggerFacts,
    TriggerView,
    british,
    decisions_at,
    governing,
)
from valvecare.due.rules.words import (
    RESTARTS,
    TRIGGERS,
    ConditionBasis,
    DueState,
    TaskKind,
    Trigger,
    TriggerNote,
    restarts,
)

__all__ = [
    "NO_POLICY",
    "RESTARTS",
    "TRIGGERS",
    "ClockColumns",
    "ConditionBasis",
    "ConditionColumns",
    "Decisions",
    "DesignFacts",
    "DueDecision",
    "DueState",
    "Level",
    "PolicyBook",
    "PolicyFacts",
    "TaskKind",
    "Trigger",
    "TriggerFacts",
    "TriggerNote",
    "TriggerView",
    "british",
    "decide",
    "decisions_at",
    "decision_prints",
    "governing",
    "policies_for",
    "policy_book",
    "restarts",
    "with_conditions",
]
