"""Hours, seasons and groups: plain values, no database."""

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from valvecare.planning.rules import (
    Booking,
    Season,
    lay_out,
    warn_not_protected,
    warn_same_crew,
    why_no_hours,
    why_not_because,
    why_not_group,
    why_not_hours,
    why_not_season,
    window_hours,
)

OSLO = ZoneInfo("Europe/Oslo")
JUNE = date(2026, 6, 8)


def hours(first, last, per_day=10.0, weekends=False):
    return window_hours(first, last, hours_per_day=per_day, works_weekends=weekends, zone=OSLO)


def test_a_three_week_stop_offers_a_crew_150_hours():
    """15 working days of 10 h: the invented summer stop of the demo world."""
    found = hours(datetime(2026, 6, 8, 6, tzinfo=OSLO), datetime(2026, 6, 26, 18, tzinfo=OSLO))
    assert len(found) == 15
    assert sum(found.values()) == 150.0


def test_an_eight_hour_slot_offers_eight_hours():
    found = hours(datetime(2026, 5, 5, 7, tzinfo=OSLO), datetime(2026, 5, 5, 15, tzinfo=OSLO))
    assert found == {date(2026, 5, 5): 8.0}


@pytest.mark.parametrize(
    ("case", "day", "offered"),
    [
        ("spring: the clock loses an hour", date(2026, 3, 29), 23.0),
        ("autumn: the clock gains one, a crew offers 24 h at most", date(2026, 10, 25), 24.0),
    ],
)
def test_a_whole_day_across_the_clock_change(case, day, offered):
    begin = datetime.combine(day, time(), tzinfo=OSLO)
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=OSLO)
    assert hours(begin, end, 24.0, weekends=True) == {day: offered}


def test_days_off_offer_nothing_unless_the_window_says_so():
    week = (datetime(2026, 6, 12, 6, tzinfo=OSLO), datetime(2026, 6, 15, 18, tzinfo=OSLO))
    assert sorted(hours(*week)) == [date(2026, 6, 12), date(2026, 6, 15)]
    assert len(hours(*week, weekends=True)) == 4


def test_hours_fill_one_day_after_the_other():
    free = {JUNE: 4.0, date(2026, 6, 9): 10.0, date(2026, 6, 10): 10.0}
    assert lay_out(14, free) == {JUNE: 4.0, date(2026, 6, 9): 10.0}
    assert lay_out(14, free, not_before=date(2026, 6, 9)) == {
        date(2026, 6, 9): 10.0,
        date(2026, 6, 10): 4.0,
    }
    assert lay_out(24, free) == {JUNE: 4.0, date(2026, 6, 9): 10.0, date(2026, 6, 10): 10.0}
    assert lay_out(24.5, free) == {}


def test_a_job_longer_than_the_window_and_one_longer_than_what_is_left():
    day = date(2026, 5, 5)
    facts = {"window": "slot", "capacity": {day: 8.0}, "not_before": None}
    long = why_not_hours(20, free={day: 8.0}, **facts)
    assert (long.code, long.numbers) == ("window_too_short", {"hours": 20, "offered_h": 8.0})
    full = why_not_hours(6, free={day: 3.0}, **facts)
    assert (full.code, full.numbers) == ("crew_hours_exceeded", {"hours": 6, "left_h": 3.0})
    assert why_not_hours(8, free={day: 8.0}, **facts) is None


WINTER = Season("winter", (11, 1), (3, 31), frozenset({9}))


@pytest.mark.parametrize(
    ("case", "day", "group", "opens", "closed"),
    [
        ("first day", date(2026, 11, 1), 1, True, True),
        ("over the year's end", date(2027, 1, 1), 1, True, True),
        ("last day", date(2026, 3, 31), 1, True, True),
        ("day after", date(2026, 4, 1), 1, True, False),
        ("day before", date(2026, 10, 31), 1, True, False),
        ("exempt group", date(2026, 12, 1), 9, True, False),
        ("nothing is opened", date(2026, 12, 1), 1, False, False),
    ],
)
def test_a_closed_season(case, day, group, opens, closed):
    found = why_not_season([day], group_id=group, opens=opens, seasons=[WINTER])
    assert (found.code if found else None) == ("closed_season" if closed else None)


def booking(valve, first=8, last=9, crew=1, order=None):
    return Booking(
        order or valve, valve, f"V{valve}", crew, date(2026, 6, first), date(2026, 6, last)
    )


@pytest.mark.parametrize(
    ("case", "others", "unproven", "needed", "stop", "refused"),
    [
        ("one of three, two needed", [], {}, 2, False, False),
        ("two of three, two needed", [booking(2)], {}, 2, False, True),
        ("two of three, one needed", [booking(2)], {}, 1, False, False),
        ("the other on other days", [booking(2, 10, 12)], {}, 2, False, False),
        ("one day in common", [booking(2, 9, 12)], {}, 2, False, True),
        ("all needed", [], {}, 3, False, True),
        ("total stop", [booking(2), booking(3)], {}, 3, True, False),
        ("another valve is not known", [], {2: "V2"}, 2, False, True),
        ("this valve is not known itself", [], {1: "V1"}, 2, False, False),
        ("a known one out and not known is one", [booking(2)], {2: "V2"}, 1, False, False),
    ],
)
def test_a_group_can_spare_what_is_installed_less_what_is_needed(
    case, others, unproven, needed, stop, refused
):
    found = why_not_group(
        booking(1), others, unproven, group="G", installed=3, needed=needed, total_stop=stop
    )
    assert (found.code if found else None) == ("group_cannot_spare" if refused else None)


@pytest.mark.parametrize(
    ("case", "others", "failing", "unproven", "needed", "stop", "warned"),
    [
        ("nothing against any", [], {}, {}, 2, False, []),
        ("a sister fails", [], {2: "V2"}, {}, 2, False, ["V2"]),
        ("it fails itself", [], {1: "V1"}, {}, 2, False, []),
        ("one of three is enough", [], {2: "V2"}, {}, 1, False, []),
        ("the failing one is out as well", [booking(2)], {2: "V2"}, {}, 1, False, []),
        ("two fail", [], {2: "V2", 3: "V3"}, {}, 1, False, ["V2", "V3"]),
        ("with one not known", [], {2: "V2"}, {3: "V3"}, 1, False, ["V2"]),
        ("refused in any case", [], {2: "V2"}, {3: "V3"}, 2, False, []),
        ("total stop", [], {2: "V2"}, {}, 2, True, []),
    ],
)
def test_a_group_is_not_carried_by_a_failing_valve_without_a_reason(
    case, others, failing, unproven, needed, stop, warned
):
    found = warn_not_protected(
        booking(1),
        others,
        failing,
        unproven,
        group="G",
        installed=3,
        needed=needed,
        total_stop=stop,
    )
    assert (found.numbers["valves"] if found else []) == warned


def test_the_same_crew_at_two_valves_of_a_group_is_a_warning():
    assert warn_same_crew(booking(1), [booking(2, crew=2)], group="G") is None
    assert warn_same_crew(booking(1), [booking(2, 10, 11)], group="G") is None
    found = warn_same_crew(booking(1), [booking(2)], group="G")
    assert (found.code, found.numbers) == ("same_crew_same_day", {"valves": ["V2"]})
    assert why_not_because([found], " ") == (found,)
    assert why_not_because([found], "Tested between the two.") == ()


def test_hours_are_never_guessed():
    assert why_no_hours(None, kind="exchange").code == "hours_not_known"
    assert why_no_hours(0, kind="exchange").code == "hours_out_of_range"
    assert why_no_hours(float("nan"), kind="exchange").code == "hours_out_of_range"
    assert why_no_hours(8, kind="exchange") is None
