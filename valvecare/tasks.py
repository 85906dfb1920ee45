"""Index of background jobs, and the one Celery task that runs them by name."""

import importlib
from typing import Any

from celery import shared_task
from django.utils import timezone

from valvecare.core import clock_watch
from valvecare.core.jobs import REGISTRY, run_job
from valvecare.web import clock

CAPABILITIES_WITH_JOBS: tuple[str, ...] = ("readings", "work", "protection")

for _name in CAPABILITIES_WITH_JOBS:
    importlib.import_module(f"valvecare.{_name}.tasks")


@shared_task(name="valvecare.run_job")
def run_job_task(name: str, slot: str | None = None) -> None:
    """Run the named job for its present time slot, or for a wake-up slot.

    Not while the machine's clock has just jumped.
    """
    if not clock_watch.of_this_process.holds(timezone.now()):
        run_job(name, now=timezone.now, at=clock.now(), slot=slot)


def beat_schedule() -> dict[str, dict[str, Any]]:
    """The beat schedule in code: one entry per registered job."""
    return {
        name: {
            "task": "valvecare.run_job",
            "schedule": job.every,
            "args": [name],
            "options": {"expires": job.every.total_seconds()},
        }
        for name, job in REGISTRY.items()
    }
