"""Background jobs of readings."""

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db import connections, router, transaction

from valvecare.core.jobs import Job, register_job
from valvecare.readings.actions.check_readings import check_readings
from valvecare.readings.models import Reading
from valvecare.readings.sql import ensure_months

MONTHS_AHEAD = 2


def run_check(at: datetime, beat: Callable[[], None]) -> Mapping[str, Any]:
    return check_readings(at, beat)


def run_months(at: datetime, beat: Callable[[], None]) -> Mapping[str, Any]:
    """Tables of this month and the next two, so that no push has to make one."""
    database = router.db_for_write(Reading)
    first = at.date().replace(day=1)
    months = [first]
    for _ in range(MONTHS_AHEAD):
        months.append((months[-1] + timedelta(days=32)).replace(day=1))
    with transaction.atomic(using=database):
        made = ensure_months(connections[database], months)
    return {"made": made}


register_job(
    Job(
        "readings.check",
        timedelta(hours=1),
        run_check,
        "Mark series whose readings make no sense.",
    )
)
register_job(
    Job(
        "readings.months",
        timedelta(days=1),
        run_months,
        "Make the tables of the coming months (PostgreSQL).",
    )
)
