"""Background jobs: once per time slot, by a row with a lease; messages only wake.

The same functions run under Celery (worker and beat) and in the embedded mode (threads of the
one server process). Two schedulers, two workers or a killed process do no harm: the unique row
per slot decides who runs, the lease lets another take over, every job is idempotent.
"""

import os
import socket
import traceback
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import F, Q
from django.utils.module_loading import import_string

from valvecare.core.conf import options
from valvecare.core.models import JobRun

MAX_ATTEMPTS = 5
"""A job that killed its process this often in one slot is parked and shown, not retried."""

Counts = Mapping[str, Any]


@dataclass(frozen=True)
class Job:
    """`run(at, beat)` does the work; `beat()` prolongs the lease and is called between chunks."""

    name: str
    every: timedelta
    run: Callable[[datetime, Callable[[], None]], Counts]
    words: str


REGISTRY: dict[str, Job] = {}


def register_job(job: Job) -> Job:
    """Make a job known under its name. Registering the same name twice is an error."""
    if job.name in REGISTRY and REGISTRY[job.name] is not job:
        raise ValueError(f"A job named {job.name!r} is registered already.")
    REGISTRY[job.name] = job
    return job


def slot_of(job: Job, at: datetime) -> str:
    """The start of the time slot `at` falls into; equal for every scheduler, drift or not."""
    seconds = int(job.every.total_seconds())
    start = int(at.timestamp()) // seconds * seconds
    return datetime.fromtimestamp(start, tz=UTC).isoformat()


def _claim(name: str, slot: str, owner: str, at: datetime) -> JobRun | None:
    lease = at + timedelta(seconds=options().JOB_LEASE_S)
    with transaction.atomic():
        JobRun.objects.bulk_create([JobRun(name=name, slot=slot)], ignore_conflicts=True)
        free = Q(lease_until__isnull=True) | Q(lease_until__lt=at)
        taken = JobRun.objects.filter(
            free, name=name, slot=slot, finished_at__isnull=True, attempts__lt=MAX_ATTEMPTS
        ).update(
            owner=owner, lease_until=lease, started_at=at, attempts=F("attempts") + 1, error=""
        )
    return JobRun.objects.get(name=name, slot=slot) if taken else None


def run_job(
    name: str,
    *,
    now: Callable[[], datetime],
    at: datetime | None = None,
    slot: str | None = None,
) -> JobRun | None:
    """Run the job for this slot unless it ran, runs, or is parked. Returns its row, or None.

    `now` is the machine's clock (slots and leases); `at` is the business time the job judges
    by, the same instant unless a demo fixes its day. `slot` None means the slot of the present
    time; a wake-up passes a fresh id of its own.
    """
    job = REGISTRY[name]
    start = now()
    slot = slot or slot_of(job, start)
    owner = f"{socket.gethostname()}:{os.getpid()}:{uuid.uuid4().hex[:8]}"
    run = _claim(name, slot, owner, start)
    if run is None:
        return None
    mine = JobRun.objects.filter(pk=run.pk, owner=owner)

    def beat() -> None:
        mine.update(lease_until=now() + timedelta(seconds=options().JOB_LEASE_S))

    try:
        counts = dict(job.run(at or start, beat))
    except Exception:
        mine.update(lease_until=None, error=traceback.format_exc()[-4000:])
        raise
    mine.update(finished_at=now(), lease_until=None, counts=counts)
    return JobRun.objects.get(pk=run.pk)


def wake(name: str) -> None:
    """After commit, ask the configured waker to start the job soon. Failure loses nothing."""
    path = options().WAKER
    if path:
        transaction.on_commit(lambda: import_string(path)(name), robust=True)
