"""Embedded mode: threads of the one server process run the jobs from the same registry.

No broker and no messages: a thread looks every few seconds which slot is open, the row in the
database decides who runs. `wake` shortens the wait.
"""

import threading
import time
import uuid

import structlog
from django.db import close_old_connections
from django.utils import timezone

from valvecare.core import clock_watch
from valvecare.core.jobs import REGISTRY, run_job
from valvecare.web import clock

log = structlog.get_logger("valvecare.background")

LOOK_EVERY_S = 5.0
_woken: set[str] = set()
_lock = threading.Lock()
_bell = threading.Event()
_stop = threading.Event()


def wake(job_name: str) -> None:
    """Run this job as soon as a thread is free; many wake-ups before that are one."""
    with _lock:
        _woken.add(job_name)
    _bell.set()


def _run(name: str, slot: str | None) -> None:
    if clock_watch.of_this_process.holds(timezone.now()):
        return
    close_old_connections()
    try:
        run_job(name, now=timezone.now, at=clock.now(), slot=slot)
    except Exception:  # noqa: BLE001 the run's row holds the error; the thread must live on
        log.exception("job_failed", job=name)
    finally:
        close_old_connections()


def _work() -> None:
    looked = 0.0
    while not _stop.is_set():
        _bell.wait(timeout=max(0.1, looked + LOOK_EVERY_S - time.monotonic()))
        with _lock:
            names = sorted(_woken)
            _woken.clear()
            _bell.clear()
        for name in names:
            _run(name, f"wake-{uuid.uuid4().hex}")
        if time.monotonic() - looked >= LOOK_EVERY_S:
            looked = time.monotonic()
            for name in sorted(REGISTRY):
                if not _stop.is_set():
                    _run(name, None)


def start() -> threading.Thread:
    """Start the background thread of this process (a daemon: a kill loses nothing)."""
    thread = threading.Thread(target=_work, name="valvecare-background", daemon=True)
    thread.start()
    return thread


def stop() -> None:
    _stop.set()
    _bell.set()
