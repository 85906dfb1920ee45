"""What a condition rule says, without a database.

The arithmetic of slope, interval and test has its published checks in tests/checks and
tests/engineering; here are the decisions built on it. The eight points are worked case R61 of
docs/methods/trend.md.
"""

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from valvecare.due.rules.advance import CONDITION, ConditionColumns, with_conditions
from valvecare.due.rules.condition import (
    DailyMeans,
    PlantEventFacts,
    Recent,
    Say,
    event_says,
    limit_says,
    trend_says,
    why_not_condition_rule,
)
from valvecare.due.rules.decide import COMING_UP, NO_RECORD, NOT_YET, OVERDUE, Decisions
from valvecare.engineering.trend import LimitSide
from valvecare.readings.models import micros
from valvecare.readings.rules import PlantEventKind, Quantity

TODAY = date(2026, 5, 4)
LAST = micros(datetime(2026, 5, 4, 6, tzinfo=UTC))
DAY_US = 86_400_000_000


def limit(recent, *, is_open=False, bad_side=LimitSide.ABOVE, limit=60.0, release=55.0):
    return limit_says(
        recent,
        is_open=is_open,
        quantity=Quantity.BYPASS_TEMPERATURE,
        limit=limit,
        release=release,
        unit="degC",
        bad_side=bad_side,
        found_on=TODAY,
    )


def run(low, high, *, last, count=3, **more):
    begin = LAST - 2 * 3_600_000_000
    return Recent("T", LAST, last, from_us=begin, count=count, low=low, high=high, **more)


def test_one_bad_reading_opens_nothing():
    said = limit(run(40.0, 99.0, last=99.0))
    assert (said.say, said.code) == (Say.NOTHING, "not_confirmed")
    said = limit(Recent("T", LAST, 99.0))
    assert (said.say, said.code) == (Say.NOTHING, "not_confirmed")


def test_readings_in_a_row_at_the_limit_open_with_their_evidence():
    said = limit(run(60.0, 64.0, last=62.0))
    assert (said.say, said.code) == (Say.OPEN, "beyond")
    assert said.words == (
        "bypass line temperature above the limit of 60 degC in 3 readings in a row since "
        "4 May 2026 (60 to 64 degC)"
    )
    assert (said.began_on, said.likely_on, said.evidence_us) == (TODAY, TODAY, LAST)
    assert (said.evidence["low"], said.evidence["high"], said.evidence["readings"]) == (60, 64, 3)


def test_between_limit_and_release_nothing_changes():
    assert limit(run(56.0, 58.0, last=57.0)).say is Say.NOTHING
    assert limit(run(56.0, 58.0, last=57.0), is_open=True).code == "goes_on"


def test_one_good_reading_closes_nothing_and_a_confirmed_run_does():
    assert limit(run(50.0, 64.0, last=50.0), is_open=True).code == "not_confirmed"
    said = limit(run(50.0, 55.0, last=50.0), is_open=True)
    assert (said.say, said.code) == (Say.CLOSE, "released")


def test_the_bad_side_may_lie_below():
    below = {"bad_side": LimitSide.BELOW, "limit": 2.0, "release": 2.5}
    assert limit(run(1.0, 2.0, last=2.0), **below).say is Say.OPEN
    assert limit(run(1.0, 2.1, last=2.0), **below).say is Say.NOTHING
    assert limit(run(2.5, 3.0, last=3.0), is_open=True, **below).say is Say.CLOSE


@pytest.mark.parametrize("is_open", [False, True])
@pytest.mark.parametrize(
    ("case", "recent", "code"),
    [
        ("no reading", None, "no_reading"),
        ("doubted and hot", run(90.0, 99.0, last=99.0, doubt="frozen"), "doubtful"),
        ("doubted and cold", run(10.0, 11.0, last=10.0, doubt="frozen"), "doubtful"),
        ("old and hot", run(90.0, 99.0, last=99.0, is_old=True), "stale"),
        ("old and cold", run(10.0, 11.0, last=10.0, is_old=True), "stale"),
    ],
)
def test_what_is_not_believed_neither_opens_nor_closes(case, recent, code, is_open):
    said = limit(recent, is_open=is_open)
    assert (said.say, said.code) == (Say.NOTHING, code)


R61_DAYS = [0, 30, 61, 92, 122, 153, 183, 214]
R61_VALUES = [0.8, 1.0, 0.9, 1.3, 1.5, 1.4, 3.9, 1.9]
R61_FIRST = (TODAY - date(1970, 1, 1)).days - 215


def trend(values=R61_VALUES, *, is_open=False, horizon_days=400, least_points=5, **more):
    means = DailyMeans(
        "D", [R61_FIRST + day for day in R61_DAYS[: len(values)]], values, LAST, **more
    )
    return trend_says(
        means,
        is_open=is_open,
        quantity=Quantity.STRAINER_DIFFERENCE,
        limit=4.0,
        unit="bar",
        bad_side=LimitSide.ABOVE,
        least_points=least_points,
        horizon_days=horizon_days,
        confidence=0.9,
        today=TODAY,
    )


def test_a_shown_trend_gives_the_band_of_the_worked_case():
    said = trend()
    first = TODAY - timedelta(days=215)
    assert (said.say, said.code) == (Say.OPEN, "crosses")
    assert said.earliest_on == first + timedelta(days=312)  # 312.375
    assert said.likely_on == first + timedelta(days=594)  # 594.6
    assert said.latest_on == first + timedelta(days=782)  # 782.75
    assert said.began_on == first
    assert round(said.evidence["per_day"], 7) == 0.0054348
    assert round(said.evidence["p_two_sided"], 7) == 0.005506
    assert "probability of chance 0.0055" in said.words


def test_no_trend_opens_nothing_and_says_why():
    said = trend([1.0, 1.4, 0.9, 1.3, 1.1, 1.2, 0.8, 1.25])
    assert (said.say, said.code) == (Say.NOTHING, "not_shown")
    assert "it may be chance; 8 days (probability 0." in said.words
    said = trend([3.0, 2.8, 2.6, 2.4, 2.2, 2.0, 1.8, 1.6])
    assert (said.say, said.code) == (Say.NOTHING, "heads_away")
    said = trend(R61_VALUES[:4])
    assert (said.say, said.code) == (Say.NOTHING, "too_few_points")
    assert trend(doubt="frozen").code == "doubtful"
    assert trend(is_old=True).code == "stale"


def test_the_horizon_has_hysteresis():
    assert trend(horizon_days=370).code == "beyond_horizon"  # likely 379 days from today
    assert trend(horizon_days=370).say is Say.NOTHING
    assert trend(horizon_days=370, is_open=True).say is Say.OPEN  # goes on until 1.25 horizons
    assert trend(horizon_days=300, is_open=True).say is Say.CLOSE


def test_an_open_trend_is_not_closed_by_doubt_and_is_by_a_trend_that_ended():
    assert trend(is_open=True, doubt="frozen").say is Say.NOTHING
    flat = [1.0, 1.4, 0.9, 1.3, 1.1, 1.2, 0.8, 1.25]
    assert trend(flat, is_open=True).say is Say.CLOSE


@pytest.mark.parametrize("more", [0.0, 0.5, 1.0, 2.0])
def test_a_faster_rise_is_never_later(more):
    slow = trend([1.0 + 0.004 * day for day in R61_DAYS], horizon_days=2000)
    fast = trend([1.0 + 0.004 * day * (1 + more) for day in R61_DAYS], horizon_days=2000)
    assert fast.likely_on <= slow.likely_on


def event(n, days_ago, *, duration_s=None, speed_rpm=None):
    return PlantEventFacts(n, LAST - days_ago * DAY_US, duration_s, speed_rpm, "")


def events(*found, is_open=False, least_count=None, least_hours=None):
    return event_says(
        found,
        is_open=is_open,
        kind=PlantEventKind.REVERSE_ROTATION,
        within_days=30,
        least_count=least_count,
        least_hours=least_hours,
        found_on=TODAY,
    )


def test_events_are_counted():
    said = events(event(1, 3), least_count=2)
    assert (said.say, said.code) == (Say.NOTHING, "too_few_events")
    assert said.words == "reverse rotation: 1 of 2 in 30 days"
    said = events(event(1, 3), event(2, 1), least_count=2)
    assert said.say is Say.OPEN
    assert said.words == "reverse rotation, 2 times since 1 May 2026"
    one = events(event(1, 1, duration_s=14, speed_rpm=180), least_count=1)
    assert one.words == "reverse rotation on 3 May 2026, 180 rpm for 14 s"


def test_hours_of_events_are_added_up():
    assert events(event(1, 3, duration_s=3600), least_hours=1.5).say is Say.NOTHING
    parts = (event(1, 3, duration_s=3600), event(2, 1, duration_s=1800))
    assert events(*parts, least_hours=1.5).say is Say.OPEN


def test_only_work_closes_what_an_event_opened():
    assert events(least_count=1, is_open=True).say is Say.NOTHING


LIMIT_RULE = {
    "basis": "limit",
    "quantity": "bypass line temperature",
    "bad_side": "above",
    "limit": 60.0,
    "unit": "degC",
    "release": 55.0,
    "confirm_count": 3,
    "lead_days": 0,
}
EMPTY = {
    **dict.fromkeys(("quantity", "bad_side", "unit", "event_kind", "design_code"), ""),
    **dict.fromkeys(
        (
            *("limit", "release", "confirm_count", "confirm_minutes", "least_points"),
            *("horizon_days", "confidence", "within_days", "least_count", "least_hours"),
            *("valve_id", "group_id"),
        )
    ),
}


@pytest.mark.parametrize(
    ("case", "changes", "field"),
    [
        ("one reading would raise", {"confirm_count": 1}, "confirm_count"),
        ("no confirmation", {"confirm_count": None}, "confirm_count"),
        ("no release value", {"release": None}, "release"),
        ("release on the bad side", {"release": 61.0}, "release"),
        ("release at the limit", {"release": 60.0}, "release"),
        ("a counter", {"quantity": "run hours", "unit": "h"}, "quantity"),
        ("another unit", {"unit": "bar_g"}, "unit"),
        ("a field of another basis", {"within_days": 3}, "within_days"),
        ("two scopes", {"valve_id": 1, "design_code": "OAK-1"}, "valve"),
    ],
)
def test_a_rule_that_is_not_whole_is_refused(case, changes, field):
    assert why_not_condition_rule(SimpleNamespace(**{**EMPTY, **LIMIT_RULE})) == {}
    found = why_not_condition_rule(SimpleNamespace(**{**EMPTY, **LIMIT_RULE, **changes}))
    assert list(found) == [field]


def decided(state, likely, *, governing=0):
    def one(value, dtype):
        return np.array([value], dtype=dtype)

    none = np.full((1, 3), np.nan)
    false = np.zeros((1, 3), dtype=bool)
    return Decisions(
        state=one(state, "int8"),
        governing=one(governing, "int8"),
        runner_up=one(-1, "int8"),
        share=none,
        shown=none,
        note=np.zeros((1, 3), dtype="int8"),
        is_lower_bound=false,
        is_stale=false,
        is_silent=false,
        is_unconfirmed=one(False, "bool"),
        earliest=one(likely, "datetime64[D]"),
        likely=one(likely, "datetime64[D]"),
        latest=one(likely, "datetime64[D]"),
        set_by=one(governing, "int8"),
    )


def beside(found, likely, *, is_limited=True):
    day = np.array([likely], dtype="datetime64[D]")
    return with_conditions(
        found,
        ConditionColumns(np.array([7]), np.array([1.0]), day, day, day),
        today=np.array([TODAY], dtype="datetime64[D]"),
        is_limited=np.array([is_limited]),
    )


@pytest.mark.parametrize(
    ("case", "state", "clock_on", "condition_on", "now", "governs"),
    [
        ("earlier and reached", NOT_YET, "2026-09-01", "2026-05-04", OVERDUE, True),
        ("earlier, ahead", NOT_YET, "2026-09-01", "2026-05-20", COMING_UP, True),
        ("later than the clocks", NOT_YET, "2026-09-01", "2026-10-01", NOT_YET, False),
        ("the clock is reached already", OVERDUE, "2026-04-30", "2026-04-20", OVERDUE, False),
    ],
)
def test_whichever_comes_first_governs(case, state, clock_on, condition_on, now, governs):
    found = beside(decided(state, clock_on), condition_on)
    assert found.state[0] == now
    assert bool(found.governing[0] == CONDITION) is governs
    assert str(found.likely[0]) == min(clock_on, condition_on)
    assert found.runner_up[0] == (0 if governs else -1)


def test_no_record_stays_no_record_but_takes_the_date():
    found = beside(decided(NO_RECORD, "NaT", governing=-1), "2026-05-20")
    assert (found.state[0], found.governing[0]) == (NO_RECORD, -1)
    assert str(found.likely[0]) == "2026-05-20"


def test_without_any_policy_the_condition_decides_alone():
    found = beside(decided(NO_RECORD, "NaT", governing=-1), "2026-05-04", is_limited=False)
    assert (found.state[0], found.governing[0]) == (OVERDUE, CONDITION)
