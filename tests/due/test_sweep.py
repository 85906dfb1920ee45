"""Sweep and refresh: one result, whatever ran first, how often, or where it was killed."""

import random
import threading
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection, connections, transaction

from tests.factories.due import (
    NOON,
    act_of,
    administrator,
    daily,
    derived_state,
    policy_for,
    scene,
)
from tests.factories.readings import SeriesFactory
from tests.factories.register import (
    ProtectionValveFactory,
    PumpFactory,
    PumpGroupFactory,
    SiteFactory,
    ValveDesignFactory,
)
from valvecare.due.actions import (
    change_policy,
    refresh_touched,
    renew_valves,
    set_policy,
    sweep,
)
from valvecare.due.rules import DueState, TaskKind, Trigger
from valvecare.models import Clock, DueItem, Policy, ProtectionValve, SeriesState, SeriesUsage
from valvecare.readings.actions import push_readings
from valvecare.readings.rules import Row
from valvecare.register.rules import ValveStatus

DAY = timedelta(days=1)
LATER = NOON + 3 * DAY


class Killed(BaseException):
    """Stands for the end of the process in the middle of its work."""


def fleet(count=12, *, days=60):
    """Valves of one design with counters, acts on different days, readings up to the demo day."""
    design = ValveDesignFactory(code="OAK-1")
    policy_for(design_code="OAK-1", months=24, run_hours=3_000, starts=200)
    made = []
    for number in range(count):
        group = PumpGroupFactory(site=SiteFactory(), needed=1)
        valve = ProtectionValveFactory(pump=PumpFactory(group=group), design=design)
        hours = SeriesFactory(pump=valve.pump)
        rows = daily(NOON - days * DAY, days, 5 + number)
        push(hours, rows)
        made.append((valve, hours))
    sweep(NOON)
    for number, (valve, _) in enumerate(made[1:], start=1):
        act_of(valve, NOON - (10 + 3 * number) * DAY)
    return made


def push(series, points, *, at=NOON):
    rows = [Row(series=series.tag, at=when, value=value, unit="h") for when, value in points]
    site = series.site.code
    return push_readings(rows, actor=administrator(), at=at, source="invented", site=site)


def more_readings(made, *, some):
    for number, (_, hours) in enumerate(made[:some]):
        last = 1_000.0 + (5 + number) * 60
        push(hours, [(LATER - DAY, last + 20), (LATER - DAY / 2, last + 25)], at=LATER)


@pytest.mark.django_db
def test_a_refresh_and_a_sweep_store_the_same_bytes():
    made = fleet()
    more_readings(made, some=7)
    touched = {hours.pk for _, hours in made[:7]}
    point = transaction.savepoint()
    swept = sweep(LATER)
    by_sweep = derived_state()
    transaction.savepoint_rollback(point)
    found = refresh_touched(LATER)
    by_refresh = derived_state()
    assert found.looked == 7
    # the sweep also looks at what only the calendar moved
    ids = set(Clock.objects.filter(series_id__in=touched).values_list("item_id", flat=True))
    for name, key in (("DueItem", "id"), ("Clock", "item_id")):
        mine = [row for row in by_refresh[name] if row[key] in ids]
        theirs = [row for row in by_sweep[name] if row[key] in ids]
        assert mine == theirs
    assert by_refresh["SeriesUsage"] == by_sweep["SeriesUsage"]
    assert swept.changed >= found.changed
    sweep(LATER)
    assert derived_state() == by_sweep


@pytest.mark.django_db
def test_what_is_kept_equals_what_is_worked_out_afresh():
    made = fleet()
    more_readings(made, some=5)
    push(made[2][1], [(NOON - 31.5 * DAY, 1_000.0 + 7 * 28.5)], at=LATER)  # a late reading
    sweep(LATER)
    kept = derived_state()
    renew_valves([valve.pk for valve, _ in made], at=LATER, afresh=True)
    assert derived_state() == kept


@pytest.mark.django_db
def test_a_second_sweep_at_the_same_instant_changes_nothing():
    fleet()
    sweep(LATER)
    before = derived_state()
    found = sweep(LATER)
    assert (found.looked, found.written, found.changed) == (12, 0, frozenset())
    assert derived_state() == before


@pytest.mark.django_db
def test_small_chunks_give_the_same_as_one():
    made = fleet()
    more_readings(made, some=7)
    point = transaction.savepoint()
    sweep(LATER)
    whole = derived_state()
    transaction.savepoint_rollback(point)
    assert sweep(LATER, chunk=5).looked == 12
    assert derived_state() == whole


@pytest.mark.django_db
def test_changed_at_moves_only_with_the_decision():
    one = scene(months=None, starts=None)
    start = NOON - 42 * DAY
    one.push(one.hours, daily(start, 43, 12, start=0.0), at=LATER)
    act_of(one.valve, start)
    before = one.item()
    one.push(one.hours, [(NOON + 1.5 * DAY, 12 * 43.5)], at=LATER)
    assert refresh_touched(LATER).changed == frozenset()
    after = one.item()
    # 6 h more of 12,000 h: the words move, neither the share of two decimals nor the date does
    assert (before.share_used, after.share_used) == (0.04, 0.04)
    assert "522 h since" in after.reason
    assert (after.changed_at, after.as_of) == (before.changed_at, LATER)
    one.push(one.hours, [(NOON + 2.5 * DAY, 12 * 43.5 + 23)], at=LATER)
    assert refresh_touched(LATER).changed == {one.valve.pk}
    assert (one.item().share_used, one.item().changed_at) == (0.05, LATER)


@pytest.mark.django_db
def test_an_even_use_leaves_the_date_where_it_is_all_day_long():
    one = scene(months=None, starts=None, zone="Asia/Kathmandu")
    start = NOON - 42 * DAY
    one.push(one.hours, daily(start, 42, 12, start=0.0), at=NOON)
    act_of(one.valve, start)
    dates = set()
    for hour in range(1, 49):
        at = NOON + timedelta(hours=hour)
        one.push(one.hours, [(at, 12 * (42 + hour / 24))], at=at)
        refresh_touched(at)
        dates.add(one.item().due_on)
    # 12,000 h at 12 h a day: a thousand days from the act, on the site's calendar
    assert dates == {date(2026, 3, 23) + timedelta(days=1_000)}


@pytest.mark.django_db
def test_a_refresh_clears_the_marks_of_all_series():
    made = fleet(3)
    more_readings(made, some=3)
    assert SeriesState.objects.filter(touched_us__isnull=False).count() == 3
    refresh_touched(LATER)
    assert not SeriesState.objects.filter(touched_us__isnull=False).exists()


@pytest.mark.django_db
def test_a_new_valve_a_retired_one_and_a_moved_one_are_noticed():
    made = fleet(4)
    retired, moved = made[0][0], made[1][0]
    fresh = ProtectionValveFactory(design=retired.design, pump__group__needed=1)
    other = SiteFactory(code="ELSE", time_zone="Pacific/Honolulu")
    ProtectionValve.objects.filter(pk=retired.pk).update(status=ValveStatus.RETIRED.value)
    ProtectionValve.objects.filter(pk=moved.pk).update(
        pump=PumpFactory(group=PumpGroupFactory(site=other, needed=1))
    )
    sweep(LATER)
    assert not DueItem.objects.filter(valve=retired).exists()
    assert DueItem.objects.get(valve=fresh).policy == Policy.objects.get()
    item = DueItem.objects.get(valve=moved)
    assert (item.site, item.group.site) == (other, other)
    # the counter stayed with the old pump
    assert not Clock.objects.filter(item=item, series__isnull=False).exists()


@pytest.mark.django_db
def test_a_counter_that_is_added_later_joins_its_clock():
    one = scene(starts=None)
    one.hours.retired_at = NOON
    one.hours.save()
    sweep(NOON)
    act_of(one.valve, NOON - 10 * DAY)
    assert "the pump has no run-hour counter" in one.item().reason
    new = SeriesFactory(pump=one.valve.pump)
    push(new, [(NOON - 20 * DAY, 0.0), (NOON, 480.0)])
    sweep(LATER)
    assert Clock.objects.get(item=one.item(), trigger=Trigger.RUN_HOURS.value).used == 240.0


@pytest.mark.django_db
def test_a_policy_for_next_week_takes_effect_on_its_first_day_at_the_site():
    one = scene(months=24, run_hours=None, starts=None, zone="Asia/Kathmandu")
    act_of(one.valve, datetime(2025, 5, 4, 6, tzinfo=UTC))
    old = one.policy
    changes = {"valid_to": date(2026, 5, 11)}
    change_policy(old.pk, changes, version=old.version, actor=administrator(), at=NOON)
    new = policy_for(valve=one.valve, months=6, valid_from=date(2026, 5, 11))
    assert one.item().policy == old
    midnight = datetime(2026, 5, 10, 18, 15, tzinfo=UTC)  # of 11 May in Kathmandu
    sweep(midnight - timedelta(seconds=1))
    assert (one.item().policy, one.item().state) == (old, DueState.NOT_YET)
    sweep(midnight)
    assert (one.item().policy, one.item().state) == (new, DueState.OVERDUE)


@pytest.mark.django_db
def test_a_valve_without_any_policy_is_shown_as_no_record():
    valve = ProtectionValveFactory()
    sweep(NOON)
    item = DueItem.objects.get(valve=valve)
    assert (item.state, item.policy) == (DueState.NO_RECORD, None)
    assert item.reason.startswith("No policy: nothing limits the strip-down of this valve.")


@pytest.mark.django_db
def test_limits_changed_behind_the_back_of_the_action_are_noticed():
    one = scene(months=24, run_hours=None, starts=None)
    act_of(one.valve, NOON - 300 * DAY)
    Policy.objects.filter(pk=one.policy.pk).update(months=6)
    sweep(LATER)
    assert one.item().state == DueState.OVERDUE


@pytest.mark.django_db
def test_an_old_reading_is_said_once_it_is_old():
    one = scene(starts=None)
    one.push(one.hours, daily(NOON - 30 * DAY, 30, 10), at=NOON)
    act_of(one.valve, NOON - 30 * DAY)
    assert "No reading" not in one.item().reason
    sweep(NOON + 13 * DAY)
    assert "No reading" not in one.item().reason
    sweep(NOON + 14 * DAY)
    assert "No reading of the run-hour counter since 4 May 2026." in one.item().reason


@pytest.mark.django_db
def test_the_rate_of_use_comes_from_complete_weeks_only():
    one = scene(months=None, starts=None, run_hours=1_000)
    # Monday 2 March to Sunday 26 April at 10 h a day, then five days of standstill
    first = datetime(2026, 3, 2, tzinfo=UTC)
    points = daily(first, 56, 10, start=0)
    points += [(points[-1][0] + n * DAY, 560.0) for n in range(1, 6)]
    one.push(one.hours, points, at=NOON)
    act_of(one.valve, first)
    usage = SeriesUsage.objects.get(series=one.hours)
    assert (usage.week_on, usage.weeks) == (date(2026, 4, 27), 8)
    clock = Clock.objects.get(item=one.item())
    assert clock.per_day == pytest.approx(560 / 56)
    # 440 h left at 10 h a day from 2 May
    assert clock.likely_on == date(2026, 6, 15)


@pytest.mark.django_db
def test_a_limit_reached_in_the_past_keeps_its_day():
    one = scene(months=None, starts=None, run_hours=200)
    one.push(one.hours, daily(NOON - 30 * DAY, 30, 10), at=NOON)
    act_of(one.valve, NOON - 30 * DAY)
    # 200 h after 20 days of 10 h
    assert (one.item().state, one.item().due_on) == (DueState.OVERDUE, date(2026, 4, 24))
    one.push(one.hours, daily(NOON + DAY, 2, 10, start=1_310.0), at=LATER)
    refresh_touched(LATER)
    assert one.item().due_on == date(2026, 4, 24)


@pytest.mark.parametrize("point", range(10))
@pytest.mark.django_db(transaction=True)
def test_a_run_killed_anywhere_and_run_again_ends_as_an_undisturbed_one(monkeypatch, point):
    """S-15, at ten points; every write of the run is a place where the process may end."""
    made = fleet(6)
    more_readings(made, some=4)
    ProtectionValveFactory(design=made[0][0].design, pump__group__needed=1)
    calls = 0
    target = random.Random(point).randrange(1, 9)

    def dying(execute, sql, params, many, context):
        nonlocal calls
        if sql.lstrip().upper().startswith(("UPDATE", "INSERT", "DELETE")):
            calls += 1
            if calls == target:
                raise Killed
        return execute(sql, params, many, context)

    monkeypatch.setattr(sweep_module_of(), "SETTLE_BATCH", 2)
    monkeypatch.setattr(sweep_module_of(), "TOUCHED_BATCH", 2)
    with connection.execute_wrapper(dying), pytest.raises(Killed):
        sweep(LATER)
    sweep(LATER)
    again = derived_state(but=["id", "item_id"])
    renew_valves(ProtectionValve.objects.values_list("pk", flat=True), at=LATER, afresh=True)
    assert derived_state(but=["id", "item_id"]) == again
    assert DueItem.objects.count() == 7
    assert sweep(LATER).written == 0


def sweep_module_of():
    import importlib

    return importlib.import_module("valvecare.due.actions.sweep")


def at_once(*jobs):
    """Run the jobs in threads of their own that start together; return what they raised."""
    gate, raised = threading.Barrier(len(jobs)), []

    def run(job):
        try:
            gate.wait(timeout=20)
            job()
        except Exception as error:  # noqa: BLE001 reported to the test
            raised.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return raised


@pytest.mark.django_db(transaction=True)
def test_two_sweeps_at_once_end_as_one():
    made = fleet(8)
    more_readings(made, some=6)
    ProtectionValveFactory(design=made[0][0].design, pump__group__needed=1)
    raised = at_once(lambda: sweep(LATER), lambda: sweep(LATER), lambda: refresh_touched(LATER))
    assert raised == []
    kept = derived_state()
    assert len(kept["DueItem"]) == 9
    renew_valves(ProtectionValve.objects.values_list("pk", flat=True), at=LATER, afresh=True)
    assert derived_state() == kept
    assert sweep(LATER).written == 0


@pytest.mark.django_db(transaction=True)
def test_no_touch_is_lost_while_refreshes_and_pushes_run_at_once():
    made = fleet(3)
    series = [hours for _, hours in made]

    def pushing():
        for step in range(1, 13):
            for number, hours in enumerate(series):
                value = 1_000.0 + (5 + number) * 60 + step
                push(hours, [(NOON + step * timedelta(hours=2), value)], at=LATER)

    def refreshing():
        for _ in range(25):
            refresh_touched(LATER)

    assert at_once(pushing, refreshing, refreshing) == []
    refresh_touched(LATER)
    kept = derived_state()
    renew_valves([valve.pk for valve, _ in made], at=LATER, afresh=True)
    assert derived_state() == kept
    clock = Clock.objects.get(series=series[1], trigger=Trigger.RUN_HOURS.value)
    assert clock.used == pytest.approx(6 * 13 + 12)


@pytest.mark.django_db(transaction=True)
def test_a_job_closed_during_a_sweep_is_not_overwritten():
    made = fleet(6)
    more_readings(made, some=6)
    valve = made[3][0]
    raised = at_once(lambda: sweep(LATER), lambda: act_of(valve, NOON + DAY, at=LATER))
    assert raised == []
    item = DueItem.objects.get(valve=valve)
    assert item.act.done_at == NOON + DAY
    kept = derived_state()
    renew_valves([one.pk for one, _ in made], at=LATER, afresh=True)
    assert derived_state() == kept


@pytest.mark.django_db
def test_the_sweep_asks_as_often_for_many_valves_as_for_few(django_assert_num_queries):
    from django.test.utils import CaptureQueriesContext

    made = fleet(4)
    sweep(LATER)
    with CaptureQueriesContext(connection) as few:
        sweep(LATER)
    for _ in range(20):
        ProtectionValveFactory(design=made[0][0].design, pump__group__needed=1)
    sweep(LATER)
    with CaptureQueriesContext(connection) as many:
        sweep(LATER)
    assert len(many) == len(few)


@pytest.mark.django_db
def test_a_policy_is_never_the_fallback_of_another_kind():
    one = scene()
    set_policy(
        kind=TaskKind.FUNCTION_TEST,
        valve=one.valve,
        months=12,
        valid_from=date(2020, 1, 1),
        source="invented",
        owner="reliability engineer",
        actor=administrator(),
        at=NOON,
    )
    kinds = DueItem.objects.filter(valve=one.valve).values_list("kind", flat=True)
    assert set(kinds) == {TaskKind.STRIP_DOWN.value, TaskKind.FUNCTION_TEST.value}
