"""Answers about guided function tests."""

from valvecare.proving.reads.begin import (
    BeginView,
    begin_view,
    begin_view_of_order,
    limits_for,
    policy_on,
)
from valvecare.proving.reads.run import (
    ReadingLine,
    RunCard,
    latest_run,
    run_card,
    run_card_of_order,
    run_facts,
)

__all__ = [
    "BeginView",
    "ReadingLine",
    "RunCard",
    "begin_view",
    "begin_view_of_order",
    "latest_run",
    "limits_for",
    "policy_on",
    "run_card",
    "run_card_of_order",
    "run_facts",
]
