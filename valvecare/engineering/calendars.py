"""Calendar arithmetic for due dates: months, shares of a period, local days in a time zone.

One rule for months: count months on the calendar, keep the day of the anchor, clamp it to the
month's end. Always from the anchor, never from the last result, so nothing drifts.
"""

from calendar import monthrange
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import ArrayLike, NDArray

from valvecare.engineering.errors import OutOfRange, require_number

MOST_MONTHS = 1200  # a hundred years: beyond it a limit is a typing error
SECONDS_PER_DAY = 86_400


def _whole(name: str, value: object, *, at_least: int, at_most: int) -> int:
    number = require_number(name, value)
    if number != int(number) or not at_least <= number <= at_most:
        raise OutOfRange(name, number, f"a whole number from {at_least} to {at_most}")
    return int(number)


def _plain_date(name: str, value: object) -> date:
    if isinstance(value, datetime) or not isinstance(value, date):
        raise OutOfRange(name, str(value), "a date without time", "take the site's local date")
    return value


def add_months(anchor: date, months: int) -> date:
    """The date a number of months after the anchor, clamped to the end of the month.

    Parameters
    ----------
    anchor : date without time (an instant has no month until its zone is known: `local_date`)
    months : whole number from 0 to 1200

    Returns
    -------
    date: same day of the month, or the month's last day where the month is shorter

    Raises
    ------
    OutOfRange : `months` not whole or outside the range, `anchor` not a plain date, year above 9999

    Assumptions
    -----------
    Gregorian calendar as in ISO 8601-1.

    Source
    ------
    W3C XML Schema Part 2 (2nd ed., 2004), appendix E 'Adding durations to dateTimes': the day is
    limited to the last day of the resulting month (from memory). ISO 8601-1 names the calendar
    and the duration P1M but leaves the end of the month open (from memory).

    Examples
    --------
    >>> add_months(date(2024, 1, 31), 1), add_months(date(2024, 1, 31), 2)
    (datetime.date(2024, 2, 29), datetime.date(2024, 3, 31))
    """
    start = _plain_date("anchor", anchor)
    count = start.month - 1 + _whole("months", months, at_least=0, at_most=MOST_MONTHS)
    year, month = start.year + count // 12, count % 12 + 1
    if year > date.max.year:
        raise OutOfRange("months", months, "such that the year stays at or below 9999")
    return date(year, month, min(start.day, monthrange(year, month)[1]))


def add_months_array(anchors: ArrayLike, months: ArrayLike) -> NDArray[np.datetime64]:
    """`add_months` for arrays of `datetime64[D]`; equal to it for every date.

    Parameters
    ----------
    anchors : dates, any shape; NaT stays NaT
    months : whole numbers from 0 to 1200, same shape or broadcasting

    Returns
    -------
    array of `datetime64[D]`

    Raises
    ------
    OutOfRange : `months` not integers or outside the range

    Assumptions
    -----------
    As `add_months`.

    Source
    ------
    As `add_months`.

    Examples
    --------
    >>> add_months_array(["2024-01-31", "NaT"], [1, 1]).astype(str).tolist()
    ['2024-02-29', 'NaT']
    """
    days = np.asarray(anchors, dtype="datetime64[D]")
    steps = np.asarray(months)
    if not np.issubdtype(steps.dtype, np.integer):
        raise OutOfRange("months", str(steps.dtype), "whole numbers")
    if ((steps < 0) | (steps > MOST_MONTHS)).any():
        raise OutOfRange("months", int(steps.min()), f"from 0 to {MOST_MONTHS}")
    start_month = days.astype("datetime64[M]")
    day_of_month = days - start_month.astype("datetime64[D]")
    target = start_month + steps.astype("timedelta64[M]")
    month_end = (target + np.timedelta64(1, "M")).astype("datetime64[D]") - np.timedelta64(1, "D")
    return np.asarray(np.minimum(target.astype("datetime64[D]") + day_of_month, month_end))


def occurrence(
    anchor: date,
    number: int,
    *,
    every_months: int | None = None,
    every_days: int | None = None,
) -> date:
    """The n-th date of a repeating rule, counted from its anchor.

    Parameters
    ----------
    anchor : date of occurrence 0
    number : 0 or above
    every_months, every_days : the rule; exactly one, above 0

    Returns
    -------
    date

    Raises
    ------
    OutOfRange : both or none of the two given, or a number outside its range

    Assumptions
    -----------
    Monthly rules as `add_months`; a rule in days counts days, whatever the calendar does.

    Source
    ------
    As `add_months`.

    Examples
    --------
    >>> [occurrence(date(2023, 11, 30), n, every_months=3).isoformat() for n in range(3)]
    ['2023-11-30', '2024-02-29', '2024-05-30']
    """
    count = _whole("number", number, at_least=0, at_most=36_525)
    if (every_months is None) == (every_days is None):
        raise OutOfRange(
            "every_months, every_days", f"{every_months}, {every_days}", "exactly one of the two"
        )
    if every_months is not None:
        step = _whole("every_months", every_months, at_least=1, at_most=MOST_MONTHS)
        return add_months(anchor, step * count)
    step = _whole("every_days", every_days, at_least=1, at_most=36_525)
    try:
        return _plain_date("anchor", anchor) + timedelta(days=step * count)
    except OverflowError as error:
        raise OutOfRange("number", number, "such that the year stays at or below 9999") from error


def calendar_share(last: date, as_of: date, *, months: int) -> float:
    """Share of a calendar limit used: days gone over days allowed.

    Parameters
    ----------
    last : site-local date of the act that started the clock
    as_of : site-local date of the question, on or after `last`
    months : the limit, 1 to 1200

    Returns
    -------
    float, 1 on the due date, above 1 when overdue

    Raises
    ------
    OutOfRange : as `add_months`, `as_of` before `last`

    Assumptions
    -----------
    Every day counts the same.

    Source
    ------
    Definition of this project (docs/methods/due-date.md).

    Examples
    --------
    >>> round(calendar_share(date(2023, 6, 14), date(2026, 5, 4), months=48), 2)
    0.72
    """
    _whole("months", months, at_least=1, at_most=MOST_MONTHS)
    due = add_months(last, months)
    if _plain_date("as_of", as_of) < last:
        raise OutOfRange(
            "as_of", as_of.isoformat(), f"on or after {last}", "the last act lies in the future"
        )
    return (as_of - last).days / (due - last).days


def calendar_shares(last: ArrayLike, as_of: ArrayLike, *, months: ArrayLike) -> NDArray[np.float64]:
    """`calendar_share` for arrays of `datetime64[D]`; NaN where `last` is NaT (no record).

    Parameters
    ----------
    last, as_of : dates; `as_of` one date or one per item
    months : limits, whole numbers from 1 to 1200

    Returns
    -------
    array of floats

    Raises
    ------
    OutOfRange : as `calendar_share`; the whole array is refused

    Assumptions
    -----------
    As `calendar_share`.

    Source
    ------
    As `calendar_share`.

    Examples
    --------
    >>> calendar_shares(["2023-06-14", "NaT"], "2026-05-04", months=[48, 48]).round(2).tolist()
    [0.72, nan]
    """
    start = np.asarray(last, dtype="datetime64[D]")
    today = np.asarray(as_of, dtype="datetime64[D]")
    limit = np.asarray(months)
    if np.isnat(today).any():
        raise OutOfRange("as_of", "NaT", "given")
    if (limit < 1).any():
        raise OutOfRange("months", int(limit.min()), f"from 1 to {MOST_MONTHS}")
    if (today < start).any():
        raise OutOfRange("as_of", str(today.min()), "on or after the last act of every item")
    day = np.timedelta64(1, "D")
    share = (today - start) / day / ((add_months_array(start, limit) - start) / day)
    return np.asarray(share, dtype=np.float64)


@lru_cache(maxsize=512)
def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise OutOfRange("zone", name, "a zone of the IANA time zone database") from error


def _aware(name: str, instant: object) -> datetime:
    if not isinstance(instant, datetime) or instant.utcoffset() is None:
        raise OutOfRange(name, str(instant), "an instant with its offset", "a bare local time")
    return instant


def local_date(instant: datetime, zone: str) -> date:
    """The date a site's wall calendar shows at an instant.

    Parameters
    ----------
    instant : aware datetime in any offset
    zone : name in the IANA time zone database, for example "Asia/Kathmandu"

    Returns
    -------
    date

    Raises
    ------
    OutOfRange : instant without offset, unknown zone

    Assumptions
    -----------
    The installed version of the time zone database is right.

    Source
    ------
    IANA time zone database through Python's zoneinfo (PEP 615); instants as ISO 8601-1 with offset.

    Examples
    --------
    >>> local_date(datetime(2026, 5, 3, 18, 20, tzinfo=UTC), "Asia/Kathmandu")
    datetime.date(2026, 5, 4)
    """
    return _aware("instant", instant).astimezone(_zone(zone)).date()


def day_start(day: date, zone: str) -> datetime:
    """The instant at which a date begins at a site, in UTC.

    Parameters
    ----------
    day : the local date
    zone : name in the IANA time zone database

    Returns
    -------
    aware datetime in UTC. Where midnight is left out, the instant of the change of clocks; where
    midnight comes twice, the first; a date that a site left out altogether begins and ends at
    the same instant.

    Raises
    ------
    OutOfRange : not a plain date, unknown zone

    Assumptions
    -----------
    As `local_date`.

    Source
    ------
    As `local_date`.

    Examples
    --------
    >>> day_start(date(2026, 5, 4), "Asia/Kathmandu").isoformat()
    '2026-05-03T18:15:00+00:00'
    """
    place = _zone(zone)
    midnight = datetime.combine(_plain_date("day", day), time(), tzinfo=place)
    found = midnight.astimezone(UTC)
    if found.astimezone(place).replace(tzinfo=None) == midnight.replace(tzinfo=None):
        return found
    low, high = int(found.timestamp()) - 2 * SECONDS_PER_DAY, int(found.timestamp())
    while high - low > 1:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, place).date() >= day:
            high = middle
        else:
            low = middle
    return datetime.fromtimestamp(high, UTC)


def local_dates(instants_s: ArrayLike, zone: str) -> NDArray[np.datetime64]:
    """`local_date` for an array of instants in one zone.

    Parameters
    ----------
    instants_s : seconds since 1970-01-01T00:00Z, any shape, finite
    zone : name in the IANA time zone database

    Returns
    -------
    array of `datetime64[D]`, same shape

    Raises
    ------
    OutOfRange : unknown zone, an instant not finite or outside the years 1900 to 9998

    Assumptions
    -----------
    A zone changes its clocks at most once within a UTC day.

    Source
    ------
    As `local_date`.

    Examples
    --------
    >>> local_dates([1777832400.0], "Asia/Kathmandu").astype(str).tolist()
    ['2026-05-04']
    """
    place = _zone(zone)
    seconds = np.asarray(instants_s, dtype=np.float64)
    if not (np.isfinite(seconds) & (seconds > -2.2e9) & (seconds < 2.53e11)).all():
        raise OutOfRange("instants_s", "outside", "finite, between the years 1900 and 9998")

    def offset_s(second: float) -> float:
        offset = datetime.fromtimestamp(float(second), place).utcoffset()
        return 0.0 if offset is None else offset.total_seconds()

    utc_day = np.floor(seconds / SECONDS_PER_DAY)
    days, where = np.unique(utc_day, return_inverse=True)
    at_start = np.array([offset_s(day * SECONDS_PER_DAY) for day in days])
    at_end = np.array([offset_s((day + 1) * SECONDS_PER_DAY) for day in days])
    offsets = at_start[where].reshape(seconds.shape)
    changes = (at_start != at_end)[where].reshape(seconds.shape)
    if changes.any():
        offsets[changes] = [offset_s(second) for second in seconds[changes]]
    local_day = np.floor((seconds + offsets) / SECONDS_PER_DAY).astype(np.int64)
    return np.asarray(local_day, dtype="datetime64[D]")
