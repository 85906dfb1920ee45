"""Is the machine's clock to be trusted just now? Background jobs wait while it has jumped.

A clock that is set a year forward would make everything due at once. So the time that passed by
the clock is held against the steady counter of the machine, which nobody can set. While the two
differ by more than an hour nothing is decided, for half an hour; a clock that is set right in that
time has done no harm, one that is still where it jumped to is then taken as true.
"""

import time
from collections.abc import Callable
from datetime import datetime

import structlog

log = structlog.get_logger("valvecare.clock")

JUMP_S = 3_600.0
"""Smaller steps (summer time is none: instants are UTC) shift no due date by a day."""

HOLD_S = 1_800.0


def machine_seconds() -> float:
    """Seconds since the machine started; goes on in its sleep where the system can tell."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class ClockWatch:
    """What this process has seen of the clock."""

    def __init__(self, steady: Callable[[], float] = machine_seconds) -> None:
        self._steady = steady
        self._last: tuple[datetime, float] | None = None
        self._since: float | None = None

    def holds(self, now: datetime) -> bool:
        """True while jobs have to wait, because the clock jumped to `now` a short while ago."""
        steady = self._steady()
        if self._last is None:
            self._last = (now, steady)
            return False
        passed = steady - self._last[1]
        jump_s = (now - self._last[0]).total_seconds() - passed
        if abs(jump_s) > JUMP_S:
            if self._since is None:
                self._since = steady
                log.error("clock_jumped", seconds=round(jump_s), jobs_wait_s=HOLD_S)
            if steady - self._since < HOLD_S:
                return True
            log.error("clock_jump_accepted", seconds=round(jump_s))
        self._last, self._since = (now, steady), None
        return False


of_this_process = ClockWatch()
