"""Index of admin classes."""

from valvecare.due.admin import ActAdmin, DueItemAdmin, PolicyAdmin
from valvecare.planning.admin import CrewAdmin, PlannerWorkOrderAdmin, WindowAdmin
from valvecare.register.admin import LastAdministratorGuard, SiteScopedAdmin
from valvecare.web.admin import EventAdmin, JobRunAdmin

__all__ = [
    "ActAdmin",
    "CrewAdmin",
    "DueItemAdmin",
    "EventAdmin",
    "JobRunAdmin",
    "LastAdministratorGuard",
    "PlannerWorkOrderAdmin",
    "PolicyAdmin",
    "SiteScopedAdmin",
    "WindowAdmin",
]
