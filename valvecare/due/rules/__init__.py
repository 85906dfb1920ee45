"""Decisions about when a task is due. Pure: plain values and arrays in, frozen results out."""

from valvecare.due.rules.words import (
    RESTARTS,
    TRIGGERS,
    DueState,
    TaskKind,
    Trigger,
    TriggerNote,
    restarts,
)

__all__ = [
    "RESTARTS",
    "TRIGGERS",
    "DueState",
    "TaskKind",
    "Trigger",
    "TriggerNote",
    "restarts",
]
