"""Assurance S-21: the machine's clock is set wrong, then right; nothing is made due by it."""

from datetime import timedelta

import pytest
from structlog.testing import capture_logs

from tests.factories.due import NOON, act_of, scene
from valvecare import tasks
from valvecare.core import clock_watch
from valvecare.core.clock_watch import HOLD_S, ClockWatch
from valvecare.models import DueItem, JobRun, WorkOrder

pytestmark = pytest.mark.django_db

YEAR = timedelta(days=365)
MINUTES = timedelta(minutes=5)


class Machine:
    """A machine whose clock can be set while its steady counter goes on."""

    def __init__(self, monkeypatch):
        self.seconds, self.set_by = 100.0, timedelta(0)
        watch = ClockWatch(lambda: self.seconds)
        monkeypatch.setattr(clock_watch, "of_this_process", watch)
        monkeypatch.setattr("valvecare.tasks.timezone.now", self.now)
        monkeypatch.setattr("valvecare.tasks.clock.now", self.now)

    def now(self):
        return NOON + timedelta(seconds=self.seconds) + self.set_by

    def sweep(self):
        """The next turn of the sweep; did it run?"""
        self.seconds += MINUTES.total_seconds()
        before = JobRun.objects.count()
        tasks.run_job_task("sweep")
        return JobRun.objects.count() > before


@pytest.fixture
def machine(monkeypatch):
    return Machine(monkeypatch)


@pytest.fixture
def valves():
    """Twenty valves that are due in a few months."""
    made = [scene(months=24, run_hours=None, starts=None) for _ in range(20)]
    for one in made:
        act_of(one.valve, NOON - timedelta(days=500))
    return made


def due_dates():
    return list(DueItem.objects.order_by("pk").values_list("due_on", "state"))


@pytest.mark.parametrize("step", [YEAR, timedelta(hours=-2)], ids=["a year on", "2 h back"])
def test_s21_a_clock_set_wrong_and_right_again_raises_nothing(machine, valves, step, figure):
    assert machine.sweep()
    before = due_dates()
    machine.set_by = step
    with capture_logs() as logs:
        ran = [machine.sweep() for _ in range(3)]
    assert (ran, [entry["event"] for entry in logs]) == ([False] * 3, ["clock_jumped"])
    machine.set_by = timedelta(0)
    assert machine.sweep()
    figure("S-21", f"wrong orders, clock set by {step}", WorkOrder.objects.count(), len(valves))
    assert WorkOrder.objects.count() == 0
    assert due_dates() == before


def test_a_clock_that_stays_where_it_is_is_taken_as_true(machine, valves):
    assert machine.sweep()
    machine.set_by = YEAR
    turns = [machine.sweep() for _ in range(round(HOLD_S / MINUTES.total_seconds()) + 1)]
    assert turns == [False] * (len(turns) - 1) + [True]
    assert WorkOrder.objects.count() == len(valves)
    assert machine.sweep()


def test_downtime_is_no_jump(machine, valves):
    assert machine.sweep()
    machine.seconds += YEAR.total_seconds()
    assert machine.sweep()
