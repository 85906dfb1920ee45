"""Answers about due dates, as frozen dataclasses: lists, one valve, counts, and the working."""

from valvecare.due.reads.conditions import ConditionRow, conditions_of
from valvecare.due.reads.counts import GroupCounts, SiteCounts, counts_by_site
from valvecare.due.reads.feed import due_feed, feed_row
from valvecare.due.reads.listed import DueFilter, DueList, DueRow, due_list, due_of
from valvecare.due.reads.why import ActUsed, LimitWorking, PolicyUsed, Why, why

__all__ = [
    "ActUsed",
    "ConditionRow",
    "DueFilter",
    "DueList",
    "DueRow",
    "GroupCounts",
    "LimitWorking",
    "PolicyUsed",
    "SiteCounts",
    "Why",
    "conditions_of",
    "counts_by_site",
    "due_feed",
    "due_list",
    "due_of",
    "feed_row",
    "why",
]
