"""kill -9 in mid-sweep, doubled schedulers, doubled sweeps: nothing lost, nothing twice.

The real program with real processes. With PostgreSQL and Redis: Celery worker and beat. Without:
the one server with its background thread on SQLite. Fleet and plant are invented.
"""

import random
import time

import pytest
import redis

from tests.faults.ground import (
    Tally,
    build_fleet,
    forget_what_was_derived,
    overlap,
    runs,
    tally,
)
from tests.journeys.processes import Installation, embedded, production, wait_until

VALVES = 600
DUE = 400
"""Two thirds of the fleet: no record, or overdue."""
LEASE_S = 3
ROUNDS = 3
"""Rounds of kills; each has one or two kills and then a run that may finish."""
QUIET_ROUND_S = 120.0


def leased(installation: Installation) -> Installation:
    """A lease short enough to wait for; the default is five minutes."""
    installation.env["JOB_LEASE_S"] = str(LEASE_S)
    build_fleet(installation, VALVES)
    if "REDIS_URL" in installation.env:  # wake-ups of the building are not part of the tests
        with redis.Redis.from_url(installation.env["REDIS_URL"]) as store:
            store.flushdb()
    return installation


@pytest.fixture(scope="module")
def plant(tmp_path_factory):
    with production(tmp_path_factory.mktemp("sweep")) as installation:
        yield leased(installation)


@pytest.fixture
def shop(tmp_path):
    with embedded(tmp_path) as installation:
        yield leased(installation)


def under_way(installation: Installation, slot: str | None = None):
    """The attempts of the unfinished sweep, or 0."""
    for run in runs(installation):
        if not run.finished and run.attempts and slot in (None, run.slot):
            return run.attempts
    return 0


def catch(installation: Installation, attempts: int, slot: str | None = None) -> bool:
    """Wait until an attempt of a sweep is under way; False when it was over before we looked."""
    end = time.monotonic() + 60
    while time.monotonic() < end:
        if under_way(installation, slot) >= attempts:
            return True
        if any(run.finished and slot in (None, run.slot) for run in runs(installation)):
            return False
        time.sleep(0.01)
    raise AssertionError(f"no sweep within 60 s: {runs(installation)}")


def finished(installation: Installation):
    return [run for run in runs(installation) if run.finished]


def told(figure, promise: str, found: Tally, of: int) -> None:
    for name, group in vars(found).items():
        figure(promise, name.replace("_", " "), len(group), of)


@pytest.mark.parametrize("case", range(ROUNDS), ids=lambda n: f"round-{n}")
@pytest.mark.postgres
@pytest.mark.redis
def test_a_killed_worker_loses_and_doubles_nothing(case, plant, figure):
    rng = random.Random(1500 + case)
    forget_what_was_derived(plant)
    slot, kills, wanted = f"killed-{case}", 0, 1 + case % 2
    for attempt in range(1, wanted + 1):
        plant.start_worker()
        plant.ask_worker("sweep", slot)
        if catch(plant, attempt, slot):
            time.sleep(rng.uniform(0.0, 0.6))
        plant.kill("worker")
        kills += bool(under_way(plant, slot))
        time.sleep(LEASE_S + 0.5)
    before = tally(plant, VALVES)
    plant.start_worker()
    # the next message for the slot, as a beat or a redelivery brings it
    plant.ask_worker("sweep", slot)
    wait_until(lambda: finished(plant), 90, "a sweep finishes after the kills")
    plant.ask_worker("sweep", f"after-{case}")
    wait_until(lambda: len(finished(plant)) == 2, 90, "the next sweep finishes")
    plant.kill("worker")
    found = tally(plant, VALVES)
    told(figure, "S-15", found, VALVES)
    figure("S-15", "killed in mid-sweep", kills, wanted)
    figure("S-15", "orders still missing at the last kill", len(before.lost), DUE)
    assert found.wrong == 0, found
    taken, after = runs(plant)
    assert taken.slot == slot
    assert taken.attempts == 1 + kills
    assert (after.counts["raised"], after.counts["verdicts_changed"]) == (0, 0)


@pytest.mark.postgres
@pytest.mark.redis
def test_two_sweeps_at_once_raise_every_order_once(plant, figure):
    overlapped, tries = 0, 3
    plant.start_worker()
    plant.ask_worker("housekeeping", "warm-up")
    for n in range(tries):
        forget_what_was_derived(plant)
        plant.manage(
            "shell", "-c", SEND.format(messages=[("sweep", f"{n}-a"), ("sweep", f"{n}-b")])
        )
        wait_until(lambda: len(finished(plant)) == 2, 90, "both sweeps finish")
        overlapped += overlap(plant)
        found = tally(plant, VALVES)
        told(figure, "S-13", found, VALVES)
        assert found.wrong == 0, found
        assert sum(run.counts["raised"] for run in runs(plant)) == DUE
    plant.kill("worker")
    figure("S-13", "pairs of sweeps that did run at the same time", overlapped, tries)
    assert overlapped > 0, "no two sweeps met: the test has shown nothing"


SEND = """
from valvecare.project.celery import app
for args in {messages}:
    app.send_task("valvecare.run_job", args=[word for word in args if word])
"""


@pytest.mark.postgres
@pytest.mark.redis
def test_two_beats_run_every_slot_once(plant, figure):
    """Two beats for a minute and a half; what they send every five minutes is sent by hand."""
    forget_what_was_derived(plant)
    plant.start_worker()
    for name in ("beat", "beat-too"):
        plant.start(
            name,
            *("-m", "celery", "-A", "valvecare.project", "beat", "--loglevel", "INFO"),
            *("--schedule", str(plant.logs / name)),
        )
    plant.manage("shell", "-c", SEND.format(messages=[("sweep", None)] * 6))
    wait_until(lambda: finished(plant), 60, "the sweep of this slot finishes")

    def ticks():
        return [plant.log_of(name).count("due.refresh (") for name in ("beat", "beat-too")]

    wait_until(lambda: min(ticks()) >= 1, QUIET_ROUND_S, "both beats have ticked")
    wait_until(
        lambda: runs(plant, "due.refresh") and all(r.finished for r in runs(plant, "due.refresh")),
        60,
        "the minute job finishes",
    )
    for name in ("beat", "beat-too", "worker"):
        plant.kill(name)
    found = tally(plant, VALVES)
    told(figure, "S-17", found, VALVES)
    minute = runs(plant, "due.refresh")
    figure("S-17", "runs of the minute job", len(minute), sum(ticks()))
    assert found.wrong == 0, found
    every = minute + runs(plant, "protection.refresh") + runs(plant)
    assert {run.attempts for run in every} == {1}
    assert sum(run.counts["raised"] for run in runs(plant)) == DUE
    assert len({run.slot for run in minute}) == len(minute) < sum(ticks())


def test_a_killed_server_loses_and_doubles_nothing(shop, figure):
    """Embedded: the server with its background thread is killed, again and again."""
    rng = random.Random(31)
    kills = wanted = 0
    for _ in range(3):
        wanted += 1
        shop.start_web()
        if catch(shop, 1):
            time.sleep(rng.uniform(0.0, 0.4))
        shop.kill("web")
        kills += bool(under_way(shop))
        if finished(shop):
            forget_what_was_derived(shop)
        time.sleep(LEASE_S + 0.5)
    before = tally(shop, VALVES)
    killed = under_way(shop)
    shop.start_web()
    wait_until(lambda: finished(shop), 60, "a sweep finishes after the kills")
    done = finished(shop)[0]
    shop.kill("web")
    found = tally(shop, VALVES)
    told(figure, "S-15 embedded", found, VALVES)
    figure("S-15 embedded", "killed in mid-sweep", kills, wanted)
    figure("S-15 embedded", "orders still missing at the last kill", len(before.lost), DUE)
    assert kills > 0
    assert found.wrong == 0, found
    # taken over in its slot, or superseded by the next one
    assert done.attempts == killed + 1 or len(runs(shop)) > 1
