"""/livez and /readyz, named as container platforms probe them. No secrets, no versions."""

from datetime import timedelta

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.utils import timezone

from valvecare.core.jobs import REGISTRY
from valvecare.core.models import JobRun

LATE_AFTER_PERIODS = 3
SWEEP = "sweep"


def livez(request: HttpRequest) -> JsonResponse:
    """200 while the process answers."""
    return JsonResponse({"alive": True})


def _database() -> str:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return "the database does not answer"
    return ""


def _migrations() -> str:
    executor = MigrationExecutor(connection)
    pending = executor.migration_plan(executor.loader.graph.leaf_nodes())
    return f"{len(pending)} migrations are pending" if pending else ""


def _sweep() -> str:
    job = REGISTRY.get(SWEEP)
    if job is None:
        return ""
    allowed: timedelta = job.every * LATE_AFTER_PERIODS
    last = (
        JobRun.objects.filter(name=SWEEP, finished_at__isnull=False)
        .order_by("-id")
        .values_list("finished_at", flat=True)
        .first()
    )
    if last is None:
        return "the sweep has not run yet"
    if timezone.now() - last > allowed:
        return f"the last sweep ended more than {allowed} ago"
    return ""


def readyz(request: HttpRequest) -> JsonResponse:
    """200 when every check is empty, 503 with the words of those that are not."""
    found: dict[str, str] = {"database": _database()}
    if not found["database"]:
        found["migrations"] = _migrations()
        if not found["migrations"]:
            found["sweep"] = _sweep()
    wrong = {name: words for name, words in found.items() if words}
    return JsonResponse({"ready": not wrong, "problems": wrong}, status=503 if wrong else 200)
