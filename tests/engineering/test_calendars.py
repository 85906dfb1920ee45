"""Calendars: month rule without drift, shares, local days in awkward zones."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from valvecare.engineering.calendars import (
    add_months,
    add_months_array,
    calendar_share,
    calendar_shares,
    day_start,
    local_date,
    local_dates,
    occurrence,
)
from valvecare.engineering.errors import OutOfRange

# UTC; two with summer time (north, south); quarter and half hours; half-hour summer time; the
# date line; midnight left out; midnight twice in the night of the change.
ZONES = (
    "UTC",
    "Europe/Berlin",
    "America/Santiago",
    "Asia/Kathmandu",
    "Asia/Kolkata",
    "Australia/Lord_Howe",
    "Pacific/Honolulu",
    "Pacific/Kiritimati",
    "Pacific/Chatham",
    "America/Havana",
    "Africa/Cairo",
)


@pytest.mark.parametrize(
    ("case", "anchor", "months", "expected"),
    [
        ("plain", "2023-06-14", 48, "2027-06-14"),
        ("31 January, common year", "2023-01-31", 1, "2023-02-28"),
        ("31 January, leap year", "2024-01-31", 1, "2024-02-29"),
        ("30 January", "2024-01-30", 1, "2024-02-29"),
        ("29 February, one year", "2024-02-29", 12, "2025-02-28"),
        ("29 February, four years", "2024-02-29", 48, "2028-02-29"),
        ("century that is no leap year", "2096-02-29", 48, "2100-02-28"),
        ("over the year's end", "2025-12-31", 2, "2026-02-28"),
        ("month end is not carried", "2023-02-28", 1, "2023-03-28"),
        ("53-week year", "2020-12-31", 12, "2021-12-31"),
        ("no months", "2024-02-29", 0, "2024-02-29"),
    ],
)
def test_months_are_counted_on_the_calendar(case, anchor, months, expected):
    assert add_months(date.fromisoformat(anchor), months).isoformat() == expected
    assert str(add_months_array(anchor, months)) == expected


def test_array_equals_scalar_and_an_outside_library_for_every_day_of_five_years():
    days = np.arange("2023-01-01", "2028-01-01", dtype="datetime64[D]")
    plain = days.astype(object)
    shares_at = date(2034, 1, 1)
    for months in range(1, 61):
        array = add_months_array(days, months)
        assert array.astype(object).tolist() == [add_months(day, months) for day in plain]
        if months in (1, 3, 12, 13, 24, 36, 48, 60):
            assert array.astype(object).tolist() == [
                day + relativedelta(months=months) for day in plain
            ]
        shares = calendar_shares(days, np.datetime64(shares_at), months=months)
        assert shares.tolist() == [calendar_share(day, shares_at, months=months) for day in plain]


@pytest.mark.parametrize("day_of_month", [28, 29, 30, 31])
@pytest.mark.parametrize("every", [1, 3, 12])
def test_no_drift_after_ten_years(day_of_month, every):
    anchor = date(2016, 1, day_of_month)
    dates = [occurrence(anchor, n, every_months=every) for n in range(1, 120 // every + 1)]
    drift = [
        day.day
        - min(
            day_of_month, ((day.replace(day=28) + timedelta(4)).replace(day=1) - timedelta(1)).day
        )
        for day in dates
    ]
    assert drift == [0] * len(dates)
    assert dates[-1] == date(2026, 1, day_of_month)


def test_thirty_day_rule_counts_days():
    assert occurrence(date(2024, 1, 31), 1, every_days=30) == date(2024, 3, 1)
    assert occurrence(date(2016, 2, 29), 122, every_days=30) - date(2016, 2, 29) == timedelta(3660)


def test_share_is_one_on_the_due_date_and_rises_every_day():
    last = date(2024, 2, 29)
    due = add_months(last, 12)
    assert calendar_share(last, due, months=12) == 1.0
    assert calendar_share(last, last, months=12) == 0.0
    shares = [calendar_share(last, last + timedelta(n), months=12) for n in range(500)]
    assert np.diff(shares).min() > 0


@pytest.mark.parametrize("zone", ZONES)
def test_every_instant_has_the_wall_calendar_date_and_no_day_is_skipped_or_doubled(zone):
    """366 days of 2024: starts rise, and the second before belongs to the day before."""
    days = [date(2024, 1, 1) + timedelta(n) for n in range(367)]
    starts = [day_start(day, zone) for day in days]
    for day, start in zip(days, starts, strict=True):
        assert local_date(start, zone) == day
        assert local_date(start - timedelta(seconds=1), zone) == day - timedelta(1)
    lengths = {(b - a) for a, b in zip(starts, starts[1:], strict=False)}
    assert timedelta(hours=22) < min(lengths) <= timedelta(hours=24)
    assert timedelta(hours=24) <= max(lengths) < timedelta(hours=26)


@pytest.mark.parametrize("zone", ZONES)
def test_array_of_instants_equals_one_by_one(zone):
    rng = np.random.default_rng(11)
    seconds = np.concatenate(
        [
            rng.integers(1_690_000_000, 1_760_000_000, 800),
            np.arange(1_711_756_800, 1_711_850_000, 450),
        ]
    )
    expected = [datetime.fromtimestamp(int(s), ZoneInfo(zone)).date() for s in seconds]
    assert local_dates(seconds, zone).astype(object).tolist() == expected


@pytest.mark.parametrize(
    ("case", "instant", "zone", "expected"),
    [
        ("absent hour in spring", "2026-03-29T02:30:00+01:00", "Europe/Berlin", "2026-03-29"),
        ("first 02:30 in autumn", "2026-10-25T00:30:00+00:00", "Europe/Berlin", "2026-10-25"),
        ("second 02:30 in autumn", "2026-10-25T01:30:00+00:00", "Europe/Berlin", "2026-10-25"),
        (
            "quarter past six hours east",
            "2026-05-03T18:14:59+00:00",
            "Asia/Kathmandu",
            "2026-05-03",
        ),
        ("the second after", "2026-05-03T18:15:00+00:00", "Asia/Kathmandu", "2026-05-04"),
        ("ten hours west", "2026-05-04T09:59:59+00:00", "Pacific/Honolulu", "2026-05-03"),
        ("fourteen hours east", "2026-05-03T10:00:00+00:00", "Pacific/Kiritimati", "2026-05-04"),
    ],
)
def test_local_date_at_awkward_instants(case, instant, zone, expected):
    assert local_date(datetime.fromisoformat(instant), zone).isoformat() == expected


def test_a_day_the_site_left_out_has_no_length():
    """Apia went from 29 to 31 December 2011 (IANA time zone database)."""
    left_out = day_start(date(2011, 12, 30), "Pacific/Apia")
    assert left_out == day_start(date(2011, 12, 31), "Pacific/Apia")
    assert left_out == datetime(2011, 12, 30, 10, tzinfo=UTC)


def test_a_day_whose_midnight_is_left_out_begins_at_the_change():
    """Cairo sets its clocks on at midnight of the last Friday of April."""
    start = day_start(date(2024, 4, 26), "Africa/Cairo")
    assert start == datetime(2024, 4, 25, 22, tzinfo=UTC)
    assert start.astimezone(ZoneInfo("Africa/Cairo")).hour == 1


def test_a_gap_that_begins_before_midnight_belongs_to_the_day_before():
    """Toronto went from 23:30 to 00:30 on 30 March 1919 (IANA time zone database)."""
    start = day_start(date(1919, 3, 31), "America/Toronto")
    assert start == datetime(1919, 3, 31, 4, 30, tzinfo=UTC)


@settings(max_examples=200, deadline=None)
@given(
    st.dates(date(1990, 1, 1), date(2090, 1, 1)),
    st.integers(0, 120),
    st.integers(0, 120),
)
def test_more_months_are_never_earlier(anchor, a, b):
    low, high = sorted((a, b))
    assert add_months(anchor, low) <= add_months(anchor, high)
    assert add_months(anchor, low) <= add_months(anchor + timedelta(1), low)


@pytest.mark.parametrize(
    ("case", "call", "reason"),
    [
        ("part of a month", lambda: add_months(date(2024, 1, 1), 1.5), "months is 1.5; .* whole"),
        ("negative", lambda: add_months(date(2024, 1, 1), -1), "months is -1.0; .* from 0 to 1200"),
        ("missing", lambda: add_months(date(2024, 1, 1), None), "months is None; it must be given"),
        ("instant", lambda: add_months(datetime(2024, 1, 1, tzinfo=UTC), 1), "date without time"),
        ("text", lambda: add_months("2024-01-01", 1), "anchor is '2024-01-01'"),
        ("after 9999", lambda: add_months(date(9990, 1, 1), 240), "at or below 9999"),
        (
            "zero limit",
            lambda: calendar_share(date(2024, 1, 1), date(2024, 1, 2), months=0),
            "months",
        ),
        (
            "act in the future",
            lambda: calendar_share(date(2024, 1, 2), date(2024, 1, 1), months=12),
            "on or after 2024-01-02 .the last act lies in the future.",
        ),
        (
            "array, part of a month",
            lambda: add_months_array(["2024-01-01"], [1.5]),
            "whole numbers",
        ),
        ("array, negative", lambda: add_months_array(["2024-01-01"], [-1]), "from 0 to 1200"),
        (
            "array, future act",
            lambda: calendar_shares(["2027-01-01"], "2026-05-04", months=[12]),
            "on or after the last act of every item",
        ),
        (
            "array, no limit",
            lambda: calendar_shares(["2024-01-01"], "2026-05-04", months=[0]),
            "1200",
        ),
        ("array, no date", lambda: calendar_shares(["2024-01-01"], "NaT", months=[12]), "as_of is"),
        (
            "both rules",
            lambda: occurrence(date(2024, 1, 1), 1, every_months=1, every_days=1),
            "one of",
        ),
        ("no rule", lambda: occurrence(date(2024, 1, 1), 1), "exactly one of the two"),
        (
            "days after 9999",
            lambda: occurrence(date(9999, 1, 1), 400, every_days=1),
            "number is 400; .* at or below 9999",
        ),
        ("no offset", lambda: local_date(datetime(2024, 1, 1), "UTC"), "instant with its offset"),  # noqa: DTZ001
        ("unknown zone", lambda: local_date(datetime.now(UTC), "Mars/Base"), "zone is 'Mars/Base'"),
        ("path as zone", lambda: day_start(date(2024, 1, 1), "../etc/x"), "IANA time zone"),
        ("instant not finite", lambda: local_dates([np.nan], "UTC"), "finite, between the years"),
    ],
)
def test_insane_input_is_refused_by_name(case, call, reason):
    with pytest.raises(OutOfRange, match=reason):
        call()


def test_no_record_stays_no_record():
    assert np.isnat(add_months_array("NaT", 12))
    assert np.isnan(calendar_shares("NaT", "2026-05-04", months=12))
