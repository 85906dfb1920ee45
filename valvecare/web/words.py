"""How numbers, days and instants are written for people. One place, for tags and plots alike."""

from datetime import date, datetime

NARROW_SPACE = "\u202f"
NO_BREAK = "\u00a0"
MINUS = "\u2212"
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def figure(value: float, digits: int | None = None) -> str:
    """A number in figures, thousands parted by a narrow space (ISO 80000-1), minus as minus.

    `digits` after the point; None: none from 1000 up, one from 100, two from 0.1, else four, with
    trailing zeros left out.

    >>> figure(11072), figure(27.0), figure(0.45), figure(-3.0, 1)
    ('11\u202f072', '27', '0.45', '\u22123.0')
    """
    if digits is None:
        size = abs(value)
        if size >= 1000 or value == int(value):
            digits = 0
        else:
            digits = 1 if size >= 100 else 2 if size >= 0.1 else 4
        text = f"{value:,.{digits}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    else:
        text = f"{value:,.{digits}f}"
    return text.replace(",", NARROW_SPACE).replace("-", MINUS)


def quantity(value: float, unit: str = "", digits: int | None = None) -> str:
    """Figure and unit, kept on one line.

    >>> quantity(21, "m³/h")
    '21\xa0m³/h'
    """
    return f"{figure(value, digits)}{NO_BREAK}{unit}" if unit else figure(value, digits)


def plain_date(value: date) -> str:
    """A day, month by name so that nobody reads it the wrong way round.

    >>> plain_date(date(2026, 5, 4))
    '4\xa0May\xa02026'
    """
    return f"{value.day}{NO_BREAK}{MONTHS[value.month - 1]}{NO_BREAK}{value.year}"


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
