"""Answers about orders, put together from their facts."""

from valvecare.work.reads.card import OrderCard, order_card
from valvecare.work.reads.due_jobs import JobFilter, due_jobs, job_row
from valvecare.work.reads.facts import (
    facts_of,
    latest_findings,
    latest_test,
    parts_of,
    replaced_parts,
    spare_lines,
    spring_known,
    used_since_strip_down,
)
from valvecare.work.reads.find import find_orders
from valvecare.work.reads.mine import MyWork, my_work

__all__ = [
    "JobFilter",
    "MyWork",
    "OrderCard",
    "due_jobs",
    "facts_of",
    "find_orders",
    "job_row",
    "latest_findings",
    "latest_test",
    "my_work",
    "order_card",
    "parts_of",
    "replaced_parts",
    "spare_lines",
    "spring_known",
    "used_since_strip_down",
]
