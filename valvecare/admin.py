"""Index of admin classes."""

from valvecare.web.admin import EventAdmin, JobRunAdmin

__all__ = ["EventAdmin", "JobRunAdmin"]
