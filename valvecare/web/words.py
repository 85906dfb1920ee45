"""How numbers, days and instants are written for people. One place, for tags and plots alike."""

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

NARROW_SPACE = "\u202f"
NO_BREAK = "\u00a0"
MINUS = "\u2212"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def figure(value: float, digits: int | None = None) -> str:
    """A number in figures, thousands parted by a narrow space (ISO 80000-1), minus as minus.

    `digits` after the point; None: none from 1000 up, one from 100, two from 0.1, else four, with
    trailing zeros left out. Below 0.001 four digits that count and a power of ten, so that what is
    not zero is never written as zero.

    >>> figure(11072), figure(27.0), figure(0.45), figure(-3.0, 1), figure(5.8e-6)
    ('11\u202f072', '27', '0.45', '\u22123.0', '5.8\xa0×\xa010⁻⁶')
    """
    if digits is None:
        size = abs(value)
        value += 0.0  # minus nothing is nothing
        if 0 < size < 1e-3:
            return _small(value)
        if size >= 1000 or value == int(value):
            digits = 0
        else:
            digits = 1 if size >= 100 else 2 if size >= 0.1 else 4
        text = f"{value:,.{digits}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    else:
        text = f"{value:,.{digits}f}"
    return text.replace(",", NARROW_SPACE).replace("-", MINUS)


def _small(value: float) -> str:
    base, _, power = f"{value:.3e}".partition("e")
    raised = str(int(power)).translate(_RAISED)
    return f"{float(base):g}{NO_BREAK}×{NO_BREAK}10{raised}".replace("-", MINUS)


def quantity(value: float, unit: str = "", digits: int | None = None) -> str:
    """Figure and unit, kept on one line.

    >>> quantity(21, "m³/h")
    '21\xa0m³/h'
    """
    return f"{figure(value, digits)}{NO_BREAK}{unit}" if unit else figure(value, digits)


def plain_share(value: float) -> str:
    """A share of a limit with two decimals; 1.00 only when reached, so that 0.997 is 0.99.

    >>> plain_share(0.997), plain_share(1.0), plain_share(1.432)
    ('0.99', '1.00', '1.43')
    """
    return figure(min(round(value, 2), 0.99) if value < 1 else value, 2)


def plain_date(value: date) -> str:
    """A day, month by name so that nobody reads it the wrong way round.

    >>> plain_date(date(2026, 5, 4))
    '4\xa0May\xa02026'
    """
    return f"{value.day}{NO_BREAK}{MONTHS[value.month - 1]}{NO_BREAK}{value.year}"


def zone_of(place: Any) -> ZoneInfo:
    """The zone of a site, of anything with `site_of()`, or of an IANA name."""
    if hasattr(place, "site_of"):
        place = place.site_of()
    return ZoneInfo(str(getattr(place, "time_zone", place)))


def zone_name(moment: datetime) -> str:
    """The abbreviation in use at that moment (CEST), or UTC+04:00 where the zone has none."""
    name = moment.tzname() or ""
    if name.isalpha():
        return name
    offset = f"{moment:%z}"
    return f"UTC{offset[:3]}:{offset[3:5]}"


def plain_time(moment: datetime) -> str:
    """An instant in its own zone: 4 May 2026, 14:00 CEST."""
    return f"{plain_date(moment.date())}, {moment:%H:%M}{NO_BREAK}{zone_name(moment)}"


def plain_age(age: timedelta) -> str:
    """How old something is, in the unit that says it best.

    >>> plain_age(timedelta(minutes=40)), plain_age(timedelta(hours=47)), plain_age(timedelta(9))
    ('40\xa0min', '47\xa0h', '9\xa0days')
    """
    minutes = age.total_seconds() / 60
    if minutes < 120:
        return quantity(minutes, "min", 0)
    return quantity(minutes / 60, "h", 0) if minutes < 2880 else quantity(age.days, "days")
