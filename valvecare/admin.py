"""Index of admin classes."""

from valvecare.due.admin import ActAdmin, DueItemAdmin, PolicyAdmin
from valvecare.web.admin import EventAdmin, JobRunAdmin

__all__ = [
    "ActAdmin",
    "DueItemAdmin",
    "EventAdmin",
    "JobRunAdmin",
    "PolicyAdmin",
]
