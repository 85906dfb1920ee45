"""The Celery application. The beat schedule is made in code from the registered jobs."""

import os
import threading
import uuid
from typing import Any

import structlog
from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")

log = structlog.get_logger("valvecare.celery")

app = Celery("valvecare")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["valvecare"])


@app.on_after_finalize.connect
def _schedule(sender: Celery, **_: Any) -> None:
    import django
    from django.apps import apps

    if not apps.ready:
        django.setup()
    from valvecare.tasks import beat_schedule

    sender.conf.beat_schedule = beat_schedule()


PATIENCE_S = 0.5
"""How long a request waits for a broker that does not answer."""

_senders: dict[str, threading.Thread] = {}


def _send(job_name: str) -> None:
    try:
        app.send_task("valvecare.run_job", args=[job_name, f"wake-{uuid.uuid4().hex}"], retry=False)
    except Exception as error:  # noqa: BLE001 a wake-up is best effort, the sweep finds the row
        log.warning("wake_up_failed", job=job_name, error=repr(error))


def wake(job_name: str) -> None:
    """Ask a worker to run the job soon. A broker that is down is logged, nothing is lost.

    The message is sent beside the request, which waits `PATIENCE_S` at most; there is never more
    than one sender per job that waits for a broker that hangs.
    """
    before = _senders.get(job_name)
    if before is not None:
        before.join(PATIENCE_S)
        if before.is_alive():
            log.warning("wake_up_skipped", job=job_name)
            return
    sender = threading.Thread(target=_send, args=(job_name,), name="valvecare-wake", daemon=True)
    _senders[job_name] = sender
    sender.start()
    sender.join(PATIENCE_S)
