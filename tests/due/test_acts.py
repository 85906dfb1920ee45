"""Acts restart clocks: late, mistaken, repeated, and on the site's own date."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil.relativedelta import relativedelta

from tests.factories.due import NOON, act_of, administrator, daily, policy_for, scene
from valvecare.core.errors import Refused
from valvecare.due.actions import refresh_touched, renew_valves, restart_clocks, withdraw_act
from valvecare.due.models import FIRST_DAY
from valvecare.due.rules import DueState, TaskKind, Trigger
from valvecare.engineering.calendars import day_start
from valvecare.models import Act, Clock, DueItem, Event

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


def used(item):
    return {limit["trigger"]: limit["used"] for limit in item.details["limits"]}


@pytest.fixture
def counted():
    """A valve whose pump gained 10 h and 1 start a day for 400 days up to the demo day."""
    one = scene()
    first = NOON - 400 * DAY
    one.push(one.hours, daily(first, 400, 10), at=NOON)
    one.push(one.starts, daily(first, 400, 1), at=NOON)
    return one


def test_a_new_valve_has_no_record_until_an_act(counted):
    item = counted.item()
    assert (item.state, item.share_used, item.act) == (DueState.NO_RECORD, None, None)
    assert item.listed_on == FIRST_DAY


def test_an_act_restarts_every_clock_at_once(counted):
    act = act_of(counted.valve, NOON - 100 * DAY)
    item = counted.item()
    assert item.act == act
    assert used(item) == {Trigger.CALENDAR: None, Trigger.RUN_HOURS: 1_000, Trigger.STARTS: 100}
    assert item.state == DueState.NOT_YET
    assert item.due_on == date(2026, 5, 4) + timedelta(days=300)  # 300 starts at 1 a day


def test_an_act_between_two_readings_counts_the_part_of_the_segment_after_it(counted):
    act_of(counted.valve, NOON - timedelta(days=99, hours=18))
    clock = Clock.objects.get(item=counted.item(), trigger=Trigger.RUN_HOURS.value)
    # a quarter of the segment lies before the act: 10 h x 0.25
    assert clock.used == pytest.approx(1_000 - 2.5, abs=1e-6)


def test_the_latest_act_counts_whatever_the_order_of_recording(counted):
    later = act_of(counted.valve, NOON - 50 * DAY)
    act_of(counted.valve, NOON - 200 * DAY, origin="found in an old file")
    item = counted.item()
    assert item.act == later
    assert used(item)[Trigger.RUN_HOURS] == 500


def test_a_later_act_recorded_first_can_be_withdrawn(counted):
    early = act_of(counted.valve, NOON - 200 * DAY)
    late = act_of(counted.valve, NOON - 50 * DAY, origin="wrong valve")
    void = withdraw_act(late, actor=administrator(), at=NOON, why="was the neighbour's job")
    item = counted.item()
    assert (item.act, void.withdraws) == (early, late)
    assert used(item)[Trigger.RUN_HOURS] == 2_000
    assert Act.objects.count() == 3
    assert Event.objects.filter(type="act.withdrawn", valve=counted.valve).count() == 1


def test_withdrawing_the_only_act_leaves_no_record(counted):
    act = act_of(counted.valve, NOON - 50 * DAY)
    withdraw_act(act, actor=administrator(), at=NOON, why="never done")
    assert counted.item().state == DueState.NO_RECORD
    with pytest.raises(Refused, match="void already"):
        withdraw_act(act, actor=administrator(), at=NOON, why="again")


def test_a_withdrawal_needs_a_reason(counted):
    act = act_of(counted.valve, NOON - 50 * DAY)
    with pytest.raises(Refused, match="needs a reason"):
        withdraw_act(act, actor=administrator(), at=NOON, why=" ")
    assert Act.objects.count() == 1


def test_the_same_act_twice_is_one(counted):
    one = act_of(counted.valve, NOON - 50 * DAY)
    assert act_of(counted.valve, NOON - 50 * DAY) == one
    assert (Act.objects.count(), Event.objects.filter(type="act.recorded").count()) == (1, 1)


def test_work_that_restarts_nothing_is_recorded_and_changes_nothing(counted):
    first = act_of(counted.valve, NOON - 200 * DAY)
    act_of(counted.valve, NOON - 10 * DAY, origin="lever pin replaced only", resets=[])
    assert counted.item().act == first
    assert used(counted.item())[Trigger.RUN_HOURS] == 2_000


def test_a_function_test_does_not_restart_the_strip_down_clock(counted):
    policy_for(valve=counted.valve, kind=TaskKind.FUNCTION_TEST, months=12)
    strip = act_of(counted.valve, NOON - 200 * DAY)
    test = act_of(counted.valve, NOON - 10 * DAY, kind=TaskKind.FUNCTION_TEST)
    assert counted.item().act == strip
    assert counted.item(TaskKind.FUNCTION_TEST).act == test


def test_an_act_may_not_restart_what_its_kind_does_not(counted):
    with pytest.raises(Refused, match="does not restart the clock of: strip-down"):
        act_of(
            counted.valve,
            NOON - DAY,
            kind=TaskKind.FUNCTION_TEST,
            resets=[TaskKind.STRIP_DOWN],
        )
    assert not Act.objects.exists()


def test_an_act_in_the_future_is_refused(counted):
    with pytest.raises(Refused, match="later than now"):
        restart_clocks(counted.valve, TaskKind.STRIP_DOWN, NOON + DAY, "typing error", None, NOON)
    assert not Act.objects.exists()


def test_late_readings_from_before_the_act_correct_what_was_used(counted):
    one = scene()
    one.push(one.hours, [(NOON - 20 * DAY, 100.0), (NOON, 300.0)], at=NOON)
    act_of(one.valve, NOON - 10 * DAY)
    assert used(one.item())[Trigger.RUN_HOURS] == 100  # half of an even segment
    one.push(one.hours, [(NOON - 12 * DAY, 290.0)], at=NOON)
    refresh_touched(NOON)
    # 190 h by the late reading, then 10 h in 12 days; 10/12 of them after the act
    assert used(one.item())[Trigger.RUN_HOURS] == 8


def test_the_first_reading_after_the_act_corrects_the_part_of_its_segment():
    one = scene()
    one.push(one.hours, [(NOON - 20 * DAY, 100.0), (NOON - 12 * DAY, 180.0)], at=NOON)
    act_of(one.valve, NOON - 10 * DAY)
    assert used(one.item())[Trigger.RUN_HOURS] == 0
    one.push(one.hours, [(NOON - 8 * DAY, 220.0)], at=NOON)
    refresh_touched(NOON)
    assert used(one.item())[Trigger.RUN_HOURS] == 20  # 40 h in 4 days, half after the act


ZONES = ["UTC", "Europe/Stockholm", "Asia/Kathmandu", "Pacific/Honolulu", "Pacific/Kiritimati"]
"""UTC, summer time, +05:45, -10, and beyond the date line (+14)."""


def valve_with(zone, months):
    """A valve at a site in this zone with a calendar limit only."""
    return scene(zone=zone, months=months, run_hours=None, starts=None).valve


@pytest.mark.parametrize("zone", ZONES)
def test_every_day_of_a_leap_year_is_due_on_its_own_local_date(zone, figure):
    """S-19: 02:30 on each day of 2024, absent in spring and twice in autumn where clocks change.

    Expected dates from zoneinfo and dateutil, outside our own calendar code.
    """
    place = ZoneInfo(zone)
    days = [date(2024, 1, 1) + n * DAY for n in range(366)]
    valve = valve_with(zone, 14)
    wrong = []
    for number, day in enumerate(days):
        local = datetime(day.year, day.month, day.day, 2, 30, fold=number % 2, tzinfo=place)
        done_at = local.astimezone(UTC)
        made = act_of(valve, done_at, origin=f"day {number}")
        item = DueItem.objects.get(valve=valve)
        expected = done_at.astimezone(place).date() + relativedelta(months=14)
        if (made.done_on, item.due_on) != (done_at.astimezone(place).date(), expected):
            wrong.append((day, made.done_on, item.due_on))
    figure("S-19", f"wrong dates, {zone}", len(wrong), len(days))
    assert wrong == []


@pytest.mark.parametrize("zone", ZONES)
def test_a_task_becomes_due_at_the_first_instant_of_its_day_at_the_site(zone):
    valve = valve_with(zone, 12)
    act_of(valve, datetime(2025, 3, 30, 12, tzinfo=ZoneInfo(zone)))
    begins = day_start(date(2026, 3, 30), zone)
    states = []
    for at in (begins - timedelta(microseconds=1), begins):
        renew_valves([valve.pk], at=at)
        states.append(DueItem.objects.get(valve=valve).state)
    assert states == [DueState.COMING_UP, DueState.OVERDUE]


@pytest.mark.parametrize(
    ("case", "done", "months", "expected"),
    [
        ("31 January to a leap February", date(2024, 1, 31), 1, date(2024, 2, 29)),
        ("30 January", date(2024, 1, 30), 1, date(2024, 2, 29)),
        ("29 January in a common year", date(2023, 1, 29), 1, date(2023, 2, 28)),
        ("29 February yearly", date(2024, 2, 29), 12, date(2025, 2, 28)),
        ("29 February after four years", date(2024, 2, 29), 48, date(2028, 2, 29)),
        ("year end", date(2024, 12, 31), 2, date(2025, 2, 28)),
        ("53-week year", date(2020, 12, 31), 12, date(2021, 12, 31)),
        ("ten years, no drift", date(2014, 8, 31), 120, date(2024, 8, 31)),
    ],
)
def test_months_are_clamped_to_the_end_of_the_month(case, done, months, expected, figure):
    """S-20. Clamping as W3C XML Schema part 2, appendix E (from memory)."""
    valve = valve_with("UTC", months)
    act_of(valve, datetime(done.year, done.month, done.day, 12, tzinfo=UTC))
    due_on = DueItem.objects.get(valve=valve).due_on
    figure("S-20", f"days of drift, {case}", (due_on - expected).days, 0)
    assert due_on == expected


def test_a_clock_set_back_neither_fails_nor_makes_anything_due(counted):
    """S-21: the machine's clock shows a time before the act."""
    act_of(counted.valve, NOON - DAY)
    renew_valves([counted.valve.pk], at=NOON - 30 * DAY)
    item = counted.item()
    assert (item.state, item.share_used) == (DueState.NOT_YET, 0.0)
