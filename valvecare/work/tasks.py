"""Background jobs: the sweep of the fleet, the quick refresh after a push, housekeeping."""

from collections.abc import Callable
from datetime import datetime, timedelta

from valvecare.core.conf import options
from valvecare.core.jobs import Counts, Job, register_job
from valvecare.core.models import IdempotentAnswer, JobRun
from valvecare.due.actions import refresh_touched, sweep
from valvecare.protection.actions import judge_all, judge_lines, judge_touched
from valvecare.protection.reads.touched import valves_of_touched_lines
from valvecare.work.actions.raise_due import raise_due
from valvecare.work.actions.tell_verdicts import tell_verdict_changes

KEEP_JOB_RUNS = timedelta(days=30)
CHUNK = 5_000


def run_sweep(at: datetime, beat: Callable[[], None]) -> Counts:
    """Decide what is due in the whole fleet, judge every valve, then let open orders follow."""
    due = sweep(at, beat)
    judge_lines(at, beat)
    beat()
    verdicts = judge_all(at, beat)
    raised = raise_due(at, beat=beat)
    return {**due.counts, **verdicts.counts, **raised, **tell_verdict_changes(at, beat=beat)}


def run_refresh(at: datetime, beat: Callable[[], None]) -> Counts:
    """Decide and judge the valves whose readings were touched, raise what they want, tell."""
    lines = valves_of_touched_lines()
    due = refresh_touched(at, beat)
    moved = due.changed | judge_lines(at, beat, valve_ids=lines)
    verdicts = judge_touched(at, beat, also=moved | lines)
    raised = raise_due(at, valve_ids=moved, beat=beat)
    told = tell_verdict_changes(at, judged_at=at, beat=beat)
    return {**due.counts, **verdicts.counts, **raised, **told}


def run_housekeeping(at: datetime, beat: Callable[[], None]) -> Counts:
    """Forget old idempotency answers and old finished job runs, in chunks."""
    old_answers = IdempotentAnswer.objects.filter(
        created_at__lt=at - timedelta(days=options().IDEMPOTENCY_DAYS)
    )
    old_runs = JobRun.objects.filter(finished_at__lt=at - KEEP_JOB_RUNS)
    counts = {}
    for name, rows in (("answers", old_answers), ("job_runs", old_runs)):
        gone = 0
        while ids := list(rows.order_by("pk").values_list("pk", flat=True)[:CHUNK]):
            gone += rows.model._default_manager.filter(pk__in=ids).delete()[0]
            beat()
        counts[name] = gone
    return counts


SWEEP = register_job(
    Job("sweep", timedelta(minutes=5), run_sweep, "Decide, judge and raise for the whole fleet.")
)
REFRESH = register_job(
    Job(
        "due.refresh",
        timedelta(minutes=1),
        run_refresh,
        "Decide and judge what was touched by readings.",
    )
)
HOUSEKEEPING = register_job(
    Job("housekeeping", timedelta(days=1), run_housekeeping, "Forget old answers and runs.")
)
