"""Background job: judge again what changed by an event, within a minute even without a wake-up."""

from collections.abc import Callable
from datetime import datetime, timedelta

from valvecare.core.jobs import Counts, Job, register_job
from valvecare.protection.actions import judge_touched


def run_refresh(at: datetime, beat: Callable[[], None]) -> Counts:
    """Judge the valves touched by changes of the register, events, judgements and policies."""
    return judge_touched(at, beat).counts


REFRESH = register_job(
    Job(
        "protection.refresh",
        timedelta(minutes=1),
        run_refresh,
        "Judge the valves whose facts changed by an event.",
    )
)
