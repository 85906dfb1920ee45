"""Finished work restarts clocks; a mistaken act is withdrawn by a further one."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from valvecare.core.conf import options
from valvecare.core.errors import Reason, Refused
from valvecare.core.events import record
from valvecare.due.actions.structure import renew_valves
from valvecare.due.models import Act
from valvecare.due.rules import TaskKind, british, restarts
from valvecare.engineering.calendars import local_date


@transaction.atomic
def restart_clocks(
    valve: Any,
    kind: TaskKind,
    done_at: datetime,
    origin: str,
    actor: Any,
    at: datetime,
    note: str = "",
    *,
    resets: Sequence[TaskKind] | None = None,
) -> Act:
    """Record finished work and decide the valve anew in the same transaction.

    `done_at` may lie in the past: the latest act counts, whatever the order of recording. What is
    restarted follows from the kind (`rules.RESTARTS`); `resets` names less, for work that was
    not completed, or nothing. The same act again (valve, kind, time, origin) changes nothing.
    The caller has checked the permit. Raises `Refused` for an act in the future.
    """
    kind = TaskKind(kind)
    if done_at > at + timedelta(seconds=options().CLOCK_SKEW_S):
        raise Refused(
            Reason(
                "act_in_the_future",
                f"The work is dated {done_at.isoformat()}, later than now.",
                "Give the time at which it was finished.",
            )
        )
    allowed = restarts(kind)
    restarted = sorted(allowed if resets is None else {TaskKind(one) for one in resets})
    foreign = sorted(set(restarted) - set(allowed))
    if foreign:
        raise Refused(
            Reason(
                "restarts_too_much",
                f"A {kind} does not restart the clock of: {', '.join(foreign)}.",
                f"It can restart: {', '.join(allowed)}.",
            )
        )
    known: Act | None = Act.objects.filter(
        valve=valve, kind=kind.value, done_at=done_at, origin=origin, withdraws__isnull=True
    ).first()
    if known is not None:
        return known
    act: Act = Act.objects.create(
        valve=valve,
        kind=kind.value,
        done_at=done_at,
        done_on=local_date(done_at, valve.site_of().time_zone),
        resets=[one.value for one in restarted],
        origin=origin,
        note=note,
        recorded_at=at,
        recorded_by=actor,
    )
    words = f"{valve}: {kind} of {british(act.done_on)}"
    words += f" restarts {', '.join(restarted)}." if restarted else " restarts nothing."
    record("act.recorded", act, actor=actor, at=at, words=words, data={"origin": origin})
    renew_valves([valve.pk], at=at)
    return act


@transaction.atomic
def withdraw_act(act: Act, *, actor: Any, at: datetime, why: str) -> Act:
    """Declare an act void by a further record; the clocks go back to the one before it.

    The caller has checked the permit. Raises `Refused` when it is withdrawn already, or is itself
    a withdrawal, or without a reason.
    """
    if act.withdraws is not None or Act.objects.filter(withdraws=act).exists():
        raise Refused(
            Reason("act_is_void", f"{act} is void already.", "Record the right act instead.")
        )
    if not why.strip():
        raise Refused(
            Reason("no_reason", "A withdrawal needs a reason.", "Say what was wrong with the act.")
        )
    void: Act = Act.objects.create(
        valve=act.valve,
        kind=act.kind,
        done_at=act.done_at,
        done_on=act.done_on,
        resets=[],
        origin=act.origin,
        note=why,
        withdraws=act,
        recorded_at=at,
        recorded_by=actor,
    )
    words = f"{act.valve}: {act.kind} of {british(act.done_on)} withdrawn: {why}"
    record("act.withdrawn", void, actor=actor, at=at, words=words, data={"origin": act.origin})
    renew_valves([act.valve.pk], at=at)
    return void
