"""Assurance S-03 to the end of the chain: the order of arrival never changes a due date."""

import random
from datetime import timedelta

import pytest

from tests.factories.due import NOON, act_of, scene
from valvecare.due.actions import refresh_touched
from valvecare.models import Clock, SeriesUsage

HOURS = 1_000
SEEDS = range(20)


def points():
    """A run-hour counter read every 19 h for two years, with stops and an uneven gain."""
    rng = random.Random(3)
    value, found = 500.0, []
    for n in range(HOURS):
        value = round(value + rng.choice([0.0, 7.5, 19.0]), 2)
        found.append((NOON - timedelta(hours=19 * (HOURS - n)), value))
    return found


def decided(one):
    """Run hours, due dates with their band, and the rate they rest on."""
    clock = Clock.objects.values("used", "per_day", "earliest_on", "likely_on", "latest_on")
    usage = SeriesUsage.objects.values("weeks", "days", "gain", "gain_squared_per_day")
    item = one.item()
    return (
        clock.get(item=item, trigger="run-hours"),
        usage.get(series=one.hours),
        (item.due_on, item.share_used, item.governed_by, item.state, item.details),
    )


def pushed(parts):
    one = scene(months=None, starts=None, run_hours=12_000)
    act_of(one.valve, NOON - timedelta(days=700))
    for part in parts:
        one.push(one.hours, part, at=NOON)
        refresh_touched(NOON)
    return decided(one)


@pytest.mark.django_db
def test_s03_a_shuffled_history_gives_the_same_run_hours_and_due_dates(figure):
    ordered = pushed([points()])
    different = 0
    for seed in SEEDS:
        shuffled = points()
        random.Random(seed).shuffle(shuffled)
        cut = 100 + 40 * seed
        different += pushed([shuffled[:cut], shuffled[cut:], shuffled[: seed * 5]]) != ordered
    figure("S-03", "run hours, rates or due dates that differ", different, len(SEEDS))
    assert different == 0
