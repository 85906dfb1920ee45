"""Counters: published rule cases, refusals, and the properties a plant relies on."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvecare.engineering.counter_series import (
    accumulated_since,
    counter_series,
    gain_at,
    gain_by_period,
    stray_points,
)
from valvecare.engineering.counters import (
    RUN_HOURS_CEILING_PER_HOUR,
    SEGMENT_KINDS,
    CounterPoint,
    MeterReplacement,
    SegmentKind,
    chain_replacements,
    segment_increment,
    segment_increments,
)
from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.trend import limit_crossing
from valvecare.engineering.usage import counter_forecast

HOUR = 3600.0
DAY = 24 * HOUR
HOURS = {"resolution": 0.1, "ceiling_per_hour": RUN_HOURS_CEILING_PER_HOUR}


def one(v0, v1, *, days=7.0, **more):
    options = {**HOURS, **more}
    return segment_increment(CounterPoint(0.0, v0), CounterPoint(days * DAY, v1), **options)


@pytest.mark.parametrize(
    ("case", "v0", "v1", "more", "kind", "gain"),
    [
        ("plain", 98500.0, 98650.0, {}, "normal", 150.0),
        ("standing still", 98500.0, 98500.0, {}, "normal", 0.0),
        ("at the ceiling", 0.0, 168 * 1.02 + 0.1, {}, "normal", 168 * 1.02 + 0.1),
        ("just above the ceiling", 0.0, 171.5, {}, "impossible", 0.0),
        ("jump of a thousand million", 500.0, 1_000_000_500.0, {}, "impossible", 0.0),
        ("decrease of one hour", 500.0, 499.0, {}, "reset", 0.0),
        ("smallest decrease", 500.0, 499.9, {}, "reset", 0.0),
        ("to zero, nothing declared", 41236.0, 0.0, {}, "reset", 0.0),
        ("roll-over declared", 99950.0, 105.0, {"modulus": 100_000.0}, "rollover", 155.0),
        ("roll-over of five figures", 99_999.9, 0.1, {"modulus": 100_000.0}, "rollover", 0.2),
        ("fall too deep for a roll-over", 500.0, 499.0, {"modulus": 100_000.0}, "reset", 0.0),
        (
            "replaced",
            41230.0,
            12.0,
            {"replacements": [MeterReplacement(DAY, 41236.0, 0.0)]},
            "replaced",
            18.0,
        ),
        (
            "replaced by a used meter that reads higher",
            500.0,
            7_020.0,
            {"replacements": [MeterReplacement(DAY, 510.0, 7_000.0)]},
            "replaced",
            30.0,
        ),
        (
            "replaced twice",
            900.0,
            6.0,
            {"replacements": [MeterReplacement(2 * DAY, 5.0, 2.0), MeterReplacement(DAY, 910, 1)]},
            "replaced",
            18.0,
        ),
        (
            "closing value below the last reading",
            41230.0,
            12.0,
            {"replacements": [MeterReplacement(DAY, 41200.0, 0.0)]},
            "reset",
            0.0,
        ),
        (
            "replaced but more hours than time",
            100.0,
            300.0,
            {"replacements": [MeterReplacement(DAY, 110.0, 0.0)]},
            "impossible",
            0.0,
        ),
        (
            "old meter rolled over before it was replaced",
            99_990.0,
            20.0,
            {"modulus": 1e5, "replacements": [MeterReplacement(DAY, 5.0, 0.0)]},
            "replaced",
            35.0,
        ),
    ],
)
def test_a_segment_is_judged_by_the_stated_order(case, v0, v1, more, kind, gain):
    found = one(v0, v1, **more)
    assert found.kind == kind
    assert found.gain == pytest.approx(gain, abs=1e-9)
    assert found.is_lost is (kind in ("reset", "impossible"))
    assert found.counted_s == (0.0 if found.is_lost else 7 * DAY)


def test_starts_have_no_limit_but_the_stated_one():
    dozen = {"resolution": 1.0, "ceiling_per_hour": 12.0}
    assert one(0.0, 2_000.0, **dozen).kind == SegmentKind.NORMAL
    assert one(0.0, 2_018.0, **dozen).kind == SegmentKind.IMPOSSIBLE
    with pytest.raises(TypeError, match="ceiling_per_hour"):
        segment_increment(CounterPoint(0, 0), CounterPoint(DAY, 3), resolution=1.0)


def test_eight_counter_faults_leave_no_error_in_the_hours():
    """One year of 20 h a day with eight declared faults; the total is exact."""
    days = np.arange(366)
    truth = 20.0 * days
    value = 99_000.0 + truth
    replacements = []
    for day in (40, 80, 120, 160):
        closing = value[day]
        value[day + 1 :] -= closing - 3.0
        replacements.append(MeterReplacement((day + 0.5) * DAY, closing + 10.0, 13.0))
    value = np.mod(value, 100_000.0)
    for day in (200, 240, 280):
        start = value[day]
        value[day + 1 :] = np.mod(value[day + 1 :] - start + 99_985.0, 100_000.0)
        replacements.append(MeterReplacement((day + 0.5) * DAY, start + 5.0, 99_990.0))
    series = counter_series(
        days * DAY, value, modulus=100_000.0, replacements=replacements, **HOURS
    )
    assert series.total == pytest.approx(truth[-1], abs=1e-6)
    assert series.lost_count == 0


def test_published_weeks_add_up():
    weeks = np.arange(5) * 7 * DAY
    plain = counter_series(weeks, [98500.0, 98650, 98800, 98960, 99110], **HOURS)
    assert (plain.total, plain.counted_s) == (610.0, 28 * DAY)
    rolled = counter_series(weeks[:4], [99800.0, 99950, 105, 255], modulus=100_000.0, **HOURS)
    assert rolled.total == 455.0
    assert rolled.kinds == ("normal", "rollover", "normal")
    assert not rolled.is_lower_bound


def test_a_lost_segment_drops_from_hours_and_time_and_marks_a_lower_bound():
    series = counter_series(np.arange(4) * DAY, [100.0, 110, 5, 15], **HOURS)
    assert series.kinds == ("normal", "reset", "normal")
    assert (series.total, series.counted_s, series.lost_count) == (20.0, 2 * DAY, 1)
    assert series.is_lower_bound


def test_a_reading_at_the_very_instant_belongs_to_the_meter_it_is_near():
    swap = [MeterReplacement(DAY, 41_236.0, 0.0)]
    for reading in (41_236.0, 0.0):
        series = counter_series(
            [0, DAY, 2 * DAY], [41_230.0, reading, 20.0], replacements=swap, **HOURS
        )
        assert series.total == 26.0
        assert series.lost_count == 0


def test_a_replacement_outside_the_readings_changes_nothing():
    swap = [MeterReplacement(-DAY, 9.0, 0.0), MeterReplacement(9 * DAY, 9.0, 0.0)]
    with_them = counter_series([0, DAY], [5.0, 9.0], replacements=swap, **HOURS)
    assert with_them.total == 4.0


def _year_with_faults():
    days = np.arange(1000) * DAY
    value = 40_000.0 + 19.0 * np.arange(1000)
    value[300:] -= value[300] - 12.0
    value[600] = 0.0
    swap = [MeterReplacement(299.5 * DAY, 45_690.0, 2.5)]
    return days, value, swap


@pytest.mark.parametrize("seed", range(20))
def test_arrival_order_makes_no_difference(seed):
    time, value, swap = _year_with_faults()
    straight = counter_series(time, value, replacements=swap, **HOURS)
    order = np.random.default_rng(seed).permutation(time.size)
    shuffled = counter_series(time[order], value[order], replacements=swap, **HOURS)
    assert shuffled.total == straight.total
    assert shuffled.counted_s == straight.counted_s
    assert shuffled.kinds == straight.kinds


def test_a_late_reading_replaces_one_segment_by_two():
    time, value, swap = _year_with_faults()
    whole = counter_series(time, value, replacements=swap, **HOURS)
    late = 450
    keep = np.arange(time.size) != late
    before = counter_series(time[keep], value[keep], replacements=swap, **HOURS)
    a, b, c = (CounterPoint(time[i], value[i]) for i in (late - 1, late, late + 1))
    updated = (
        before.total
        - segment_increment(a, c, **HOURS).gain
        + segment_increment(a, b, **HOURS).gain
        + segment_increment(b, c, **HOURS).gain
    )
    assert updated == pytest.approx(whole.total, abs=1e-6)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.01, 400), st.floats(0, 99_999), st.floats(0, 99_999)),
        min_size=1,
        max_size=12,
    ),
    st.booleans(),
)
def test_one_segment_and_many_segments_are_one_rule(rows, has_modulus):
    elapsed, v0, v1 = (np.array(column) for column in zip(*rows, strict=True))
    modulus = 100_000.0 if has_modulus else None
    many = segment_increments(elapsed * HOUR, v0, v1, modulus=modulus, **HOURS)
    for index, (hours, a, b) in enumerate(rows):
        single = segment_increment(
            CounterPoint(0.0, a), CounterPoint(hours * HOUR, b), modulus=modulus, **HOURS
        )
        assert single.kind == SEGMENT_KINDS[many.kind[index]]
        assert single.gain == many.gain[index]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.floats(0, 99_999), min_size=2, max_size=30), st.booleans())
def test_the_total_never_falls_and_never_outruns_time(values, has_modulus):
    time = np.arange(len(values)) * DAY
    series = counter_series(time, values, modulus=1e5 if has_modulus else None, **HOURS)
    steps = np.diff(gain_at(series, time))
    assert (series.segments.gain >= 0).all()
    assert (steps >= -1e-9).all()
    assert series.total <= series.counted_s / HOUR * 1.02 + 0.1 * len(values)


def test_gain_at_midnights_adds_up_to_the_total():
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.uniform(0.2, 30, 400)) * HOUR
    value = 1_000.0 + np.cumsum(np.diff(time, prepend=time[0]) / HOUR * rng.uniform(0, 1, 400))
    series = counter_series(time, value, **HOURS)
    midnights = np.arange(0, time[-1] + 2 * DAY, DAY)
    daily = np.diff(gain_at(series, midnights))
    assert daily.sum() == pytest.approx(series.total, abs=1e-8)
    assert (daily <= 24.5).all()


def test_periods_hold_only_what_counts():
    series = counter_series(np.arange(5) * DAY, [100.0, 110, 5, 15, 27], **HOURS)
    found = gain_by_period(series, [-DAY, 0.5 * DAY, 1.5 * DAY, 3 * DAY, 4 * DAY, 9 * DAY])
    assert found.gain.tolist() == [5.0, 5.0, 10.0, 12.0, 0.0]
    assert found.counted_s.tolist() == [0.5 * DAY, 0.5 * DAY, DAY, DAY, 0.0]
    with pytest.raises(OutOfRange, match="edges_s is '2 edges'; it must be at least 2, ascending"):
        gain_by_period(series, [DAY, 0])


@pytest.mark.parametrize("seed", range(20))
def test_a_shuffled_series_has_the_same_forecast_and_trend(seed):
    """Run hours, date band and trend of a year with faults, in order and shuffled."""
    time, value, swap = _year_with_faults()
    order = np.random.default_rng(seed).permutation(time.size)
    answers = []
    for index in (slice(None), order):
        series = counter_series(time[index], value[index], replacements=swap, **HOURS)
        weeks = gain_by_period(series, np.arange(0, 1000 * DAY, 7 * DAY))
        known = weeks.counted_s > 0
        days, gain = weeks.counted_s[known] / DAY, weeks.gain[known]
        answers.append(
            (
                counter_forecast(days, gain, remaining=900, confidence=0.9, most_per_day=24),
                limit_crossing(
                    np.flatnonzero(known) * 7, gain, limit=150, bad_side="above", confidence=0.9
                ),
            )
        )
    assert answers[0] == answers[1]


def test_accumulated_since_an_act_says_when_it_is_a_lower_bound():
    series = counter_series(np.arange(5) * DAY, [100.0, 110, 120, 3, 13], **HOURS)
    assert accumulated_since(series, 3 * DAY).is_lower_bound is False
    whole = counter_series([DAY, 2 * DAY], [100.0, 110], **HOURS)
    assert accumulated_since(whole, DAY).is_lower_bound is False
    assert accumulated_since(whole, DAY - 1).is_lower_bound is True
    since = accumulated_since(series, 0.5 * DAY)
    assert (since.gain, since.is_lower_bound, since.lost_s) == (25.0, True, DAY)
    early = accumulated_since(series, -2 * DAY)
    assert (early.unseen_s, early.is_lower_bound) == (2 * DAY, True)
    with pytest.raises(NotEnoughData, match="no reading since the instant"):
        accumulated_since(series, 9 * DAY)


@pytest.mark.parametrize(
    ("case", "values", "stray"),
    [
        ("none", [100, 110, 120, 130], []),
        ("drop to zero for one reading", [100, 110, 0, 130], [2]),
        ("spike up for one reading", [100, 110, 9_000, 130], [2]),
        ("two single drops", [100, 110, 0, 130, 0, 150], [2, 4]),
        ("true reset stays", [100, 110, 0, 10], []),
        ("last reading jumps", [100, 110, 120, 9_000], [3]),
        ("two wrong in a row are not found", [100, 110, 9_000, 9_010, 140], []),
    ],
)
def test_stray_readings_are_set_aside_only_when_neighbours_agree(case, values, stray):
    found = stray_points(np.arange(len(values)) * DAY, values, **HOURS)
    assert np.flatnonzero(found).tolist() == stray


@pytest.mark.parametrize(
    ("case", "arguments", "reason"),
    [
        ("missing value", {"to_value": [np.nan]}, "to_value is .* finite throughout"),
        ("infinite time", {"elapsed_s": [np.inf]}, "elapsed_s is .* finite throughout"),
        ("text", {"to_value": ["12 h"]}, "to_value is .* must be numbers"),
        ("negative hours", {"to_value": [-1.0]}, r"to_value is -1.0; it must be at least 0"),
        ("time stands still", {"elapsed_s": [0.0]}, r"elapsed_s is 0.0; it must be above 0"),
        ("above the modulus", {"modulus": 100.0}, "to_value is 110.0; .* below the declared"),
        ("zero modulus", {"modulus": 0.0}, "modulus is 0.0; it must be above 0"),
        ("negative step", {"resolution": -1.0}, "resolution is -1.0; it must be at least 0"),
        ("no ceiling", {"ceiling_per_hour": 0.0}, "ceiling_per_hour is 0.0; .* above 0"),
        ("half a replacement", {"closing_value": [120.0]}, "given together with opening_value"),
        (
            "half a replacement in a list",
            {"closing_value": [120.0], "opening_value": [np.nan]},
            "closing_value is 'one of a pair'",
        ),
        (
            "negative opening",
            {"closing_value": [120.0], "opening_value": [-1.0]},
            "closing_value, opening_value is 'below 0'",
        ),
        ("negative between", {"gained_between": -1.0}, "gained_between is -1.0"),
    ],
)
def test_insane_input_is_refused_by_name(case, arguments, reason):
    plain = {"elapsed_s": [DAY], "from_value": [90.0], "to_value": [110.0], **HOURS}
    plain.update(arguments)
    with pytest.raises(OutOfRange, match=reason):
        segment_increments(
            plain.pop("elapsed_s"), plain.pop("from_value"), plain.pop("to_value"), **plain
        )


def test_series_refusals_name_what_to_do():
    with pytest.raises(OutOfRange, match="two values at time_s 0; keep the one that is right"):
        counter_series([0, 0, DAY], [5.0, 6.0, 7.0], **HOURS)
    with pytest.raises(NotEnoughData, match="have no reading, need at least 1"):
        counter_series([], [], **HOURS)
    with pytest.raises(OutOfRange, match="two lists of one length"):
        counter_series([0, DAY], [5.0], **HOURS)
    with pytest.raises(OutOfRange, match="inside the segment"):
        one(5.0, 6.0, replacements=[MeterReplacement(-1.0, 5.0, 0.0)])
    with pytest.raises(OutOfRange, match="at least the 10 the same meter opened at"):
        chain_replacements([MeterReplacement(0, 50, 10), MeterReplacement(1, 4, 0)])


def test_a_repeated_reading_is_one_reading():
    assert counter_series([0, 0, DAY], [5.0, 5.0, 9.0], **HOURS).total == 4.0
    assert counter_series([0], [5.0], **HOURS).total == 0.0
