"""Two sweeps at once raise one task of a condition, never two; on SQLite and PostgreSQL."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from django.db import connection

from tests.factories.due import (
    EVENT_FACTS,
    NOON,
    act_of,
    administrator,
    condition_rule,
    scene,
)
from tests.factories.readings import GaugeFactory
from tests.factories.register import ProtectionValveFactory
from valvecare.due.actions import refresh_touched, sweep
from valvecare.due.rules import TaskKind
from valvecare.models import ConditionFinding, DueItem, Event, PlantEvent, Source, WorkOrder
from valvecare.readings.actions import push_readings
from valvecare.readings.rules import Row
from valvecare.work.actions.raise_due import raise_due

pytestmark = pytest.mark.django_db(transaction=True)

VALVES, ROUNDS, AT_ONCE = 12, 3, 4
HOUR = timedelta(hours=1)


def _group():
    """Valves of one pump group, each with a gauge, none of them due by anything."""
    first = scene(months=24, run_hours=None, starts=None)
    group = first.valve.pump.group
    valves = [first.valve]
    valves += [ProtectionValveFactory(pump__group=group) for _ in range(VALVES - 1)]
    return group, valves, [GaugeFactory(pump=valve.pump) for valve in valves]


def _hot(gauges, until, degc):
    rows = [
        Row(series=gauge.tag, at=until - back * HOUR, value=degc + back, unit="degC")
        for gauge in gauges
        for back in range(3)
    ]
    site = gauges[0].site.code
    push_readings(rows, actor=administrator(), at=until, source="invented", site=site)


def _at_once(*runs):
    """Run all of them at the same moment, each with a connection of its own."""
    start = Barrier(len(runs))

    def call(run):
        try:
            start.wait(30)
            run()
        finally:
            connection.close()

    with ThreadPoolExecutor(len(runs)) as pool:
        for done in [pool.submit(call, run) for run in runs]:
            done.result(120)


def test_sweeps_and_refreshes_at_once_open_one_finding_one_item_and_one_order():
    group, valves, gauges = _group()
    condition_rule(group=group)
    condition_rule(
        TaskKind.BYPASS_ONLY_INSPECTION, **{**EVENT_FACTS, "name": "backwards", "group": group}
    )
    source = Source.objects.create(name="invented plant")
    for number in range(ROUNDS):
        at = NOON + number * 24 * HOUR
        _hot(gauges, at, 70.0)
        PlantEvent.objects.bulk_create(
            PlantEvent(
                pump=valve.pump, kind="reverse rotation", at=at, source=source, recorded_at=at
            )
            for valve in valves
        )

        def whole(now=at):
            sweep(now)
            raise_due(now)

        def touched(now=at):
            changed = refresh_touched(now).changed
            raise_due(now, valve_ids=changed)

        _at_once(*[whole, touched] * (AT_ONCE // 2))
        raise_due(at)
        held = ConditionFinding.objects.filter(closed_at__isnull=True)
        assert held.count() == 2 * VALVES
        assert held.values("rule", "valve").distinct().count() == 2 * VALVES
        assert Event.objects.filter(type="condition.found").count() == 2 * VALVES * (number + 1)
        asked = DueItem.objects.filter(governed_by="condition")
        assert asked.count() == asked.values("valve", "kind").distinct().count() == 2 * VALVES
        orders = WorkOrder.objects.open().filter(governed_by="condition")
        assert orders.count() == orders.values("valve", "kind").distinct().count() == 2 * VALVES
        # the work is done: all findings are over, once each, and the next round starts anew
        done = at + 12 * HOUR
        for valve in valves:
            act_of(valve, done, at=done)
        _at_once(lambda: sweep(done), lambda: sweep(done))  # noqa: B023 run before the loop goes on
        assert not held.exists()
        assert Event.objects.filter(type="condition.over").count() == 2 * VALVES * (number + 1)
        WorkOrder.objects.open().update(state="dropped", ended_at=done)
