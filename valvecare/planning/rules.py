"""What fits where: hours of a day, seasons, groups. Plain values in, reasons out."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from valvecare.core.errors import Reason

ONE_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Season:
    """A yearly season in which nothing may be opened; it may run over the turn of the year."""

    name: str
    first: tuple[int, int]
    last: tuple[int, int]
    exempt_group_ids: frozenset[int]


@dataclass(frozen=True)
class Booking:
    """What the group rule and the crew warning need to know of one slot."""

    order_id: int
    valve_id: int
    valve: str
    crew_id: int
    first_day: date
    last_day: date


@dataclass(frozen=True)
class Placement:
    """Where an order would go: its days with hours, or why not; warnings need a reason."""

    days: Mapping[date, float]
    refusals: tuple[Reason, ...]
    warnings: tuple[Reason, ...]

    @property
    def fits(self) -> bool:
        return not self.refusals


def window_hours(
    starts_at: datetime,
    ends_at: datetime,
    *,
    hours_per_day: float,
    works_weekends: bool,
    zone: ZoneInfo,
) -> dict[date, float]:
    """The elapsed hours a crew can work on each site-local day of the window.

    A day counts with the crew's hours or the hours the window is open on it, whichever is less.
    """
    found: dict[date, float] = {}
    day, last = starts_at.astimezone(zone).date(), ends_at.astimezone(zone).date()
    while day <= last:
        if works_weekends or day.weekday() < 5:
            # instants, so that a day of a clock change has its true length
            opens = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
            shuts = datetime.combine(day + ONE_DAY, time(), tzinfo=zone).astimezone(UTC)
            open_for = min(shuts, ends_at) - max(opens, starts_at)
            hours = min(hours_per_day, open_for / timedelta(hours=1))
            if hours > 0:
                found[day] = hours
        day += ONE_DAY
    return found


def lay_out(
    hours: float, free: Mapping[date, float], *, not_before: date | None = None
) -> dict[date, float]:
    """Fill the free hours of one day after the other; empty when they do not suffice."""
    days: dict[date, float] = {}
    left = hours
    for day in sorted(free):
        if left <= 1e-9:
            break
        if free[day] <= 1e-9 or (not_before is not None and day < not_before):
            continue
        days[day] = min(left, free[day])
        left -= days[day]
    return days if left <= 1e-9 else {}


def why_not_hours(
    hours: float,
    *,
    window: str,
    capacity: Mapping[date, float],
    free: Mapping[date, float],
    not_before: date | None,
) -> Reason | None:
    """Too long for the window even when empty, or no longer enough hours of this crew."""
    total, left = sum(capacity.values()), sum(free.values())
    if hours > total + 1e-9:
        return Reason(
            "window_too_short",
            f"The job takes {hours:g} h; {window} offers this crew {total:g} h in all.",
            "Take a longer window or a second crew.",
            {"hours": hours, "offered_h": round(total, 2)},
        )
    if not lay_out(hours, free, not_before=not_before):
        return Reason(
            "crew_hours_exceeded",
            f"The job takes {hours:g} h; the crew has {left:g} h left in {window}"
            + (f", and not enough from {not_before.isoformat()}." if not_before else "."),
            "Move another order, take another crew or an earlier day.",
            {"hours": hours, "left_h": round(left, 2)},
        )
    return None


def _in_season(day: date, season: Season) -> bool:
    here = (day.month, day.day)
    if season.first <= season.last:
        return season.first <= here <= season.last
    return here >= season.first or here <= season.last


def why_not_season(
    days: Collection[date], *, group_id: int, opens: bool, seasons: Sequence[Season]
) -> Reason | None:
    """Nothing may be opened in a closed season, save in exempt groups."""
    if not opens:
        return None
    for season in seasons:
        closed = [day for day in sorted(days) if _in_season(day, season)]
        if closed and group_id not in season.exempt_group_ids:
            return Reason(
                "closed_season",
                f"On {closed[0].isoformat()} nothing may be opened: {season.name}.",
                "Take a window outside the season, or exempt the group in the register.",
                {"day": closed[0].isoformat(), "season": season.name},
            )
    return None


def why_not_group(
    booking: Booking,
    others: Sequence[Booking],
    unproven: Mapping[int, str],
    *,
    group: str,
    installed: int,
    needed: int,
    total_stop: bool,
) -> Reason | None:
    """At most installed minus needed valves of a group may be out on any day.

    `unproven` are valves of the group (id: tag) without any record: such a pump does not count
    as available. In a total stop the group carries nothing and the rule does not bind.
    """
    if total_stop:
        return None
    spare = installed - needed
    short = _first_short_day(booking, others, unproven, spare=spare)
    if short is None:
        return None
    day, out = short
    why = [f"{tag} is out" for pk, tag in out.items() if pk != booking.valve_id]
    why += [
        f"{tag} is not known"
        for pk, tag in unproven.items()
        if pk not in out and pk != booking.valve_id
    ]
    away = {**unproven, **out, booking.valve_id: booking.valve}
    return Reason(
        "group_cannot_spare",
        f"{group} needs {needed} of {installed}; on {day.isoformat()} "
        + (f"{', '.join(sorted(why))}." if why else "it can spare none."),
        "Take other days, prove the other valve first, or use a total stop.",
        {"day": day.isoformat(), "out": sorted(away.values()), "spare": spare},
    )


def _first_short_day(
    booking: Booking, others: Sequence[Booking], never: Mapping[int, str], *, spare: int
) -> tuple[date, dict[int, str]] | None:
    """The first day on which more valves are away than the group can spare, and those out on it.

    `never`: valves (id: tag) that are not counted on any day.
    """
    day = booking.first_day
    while day <= booking.last_day:
        out = {
            other.valve_id: other.valve
            for other in others
            if other.first_day <= day <= other.last_day
        }
        if len({*never, *out, booking.valve_id}) > spare:
            return day, out
        day += ONE_DAY
    return None


def warn_not_protected(
    booking: Booking,
    others: Sequence[Booking],
    failing: Mapping[int, str],
    unproven: Mapping[int, str],
    *,
    group: str,
    installed: int,
    needed: int,
    total_stop: bool,
) -> Reason | None:
    """The group would have to carry on a pump whose valve is shown or judged not to protect it.

    `failing` (id: tag) are valves whose verdict is 'Does not protect' or 'Not known'. A warning,
    no refusal: where every valve of a group fails, one of them must be opened first.
    """
    if total_stop:
        return None
    spare = installed - needed
    if _first_short_day(booking, others, unproven, spare=spare) is not None:
        return None  # refused by the group rule
    short = _first_short_day(booking, others, {**unproven, **failing}, spare=spare)
    if short is None:
        return None
    day, out = short
    tags = sorted(tag for pk, tag in failing.items() if pk not in out and pk != booking.valve_id)
    return Reason(
        "carried_unprotected",
        f"On {day.isoformat()} {group} would carry on the pump of {', '.join(tags)}, whose valve "
        "is not known to protect it.",
        "Open or prove that valve first, or give the reason and the restriction it runs under.",
        {"day": day.isoformat(), "valves": tags},
    )


def warn_same_crew(booking: Booking, others: Sequence[Booking], *, group: str) -> Reason | None:
    """The same crew at several valves of one group on one day is a common cause."""
    same = sorted(
        {
            other.valve
            for other in others
            if other.crew_id == booking.crew_id
            and other.valve_id != booking.valve_id
            and other.first_day <= booking.last_day
            and booking.first_day <= other.last_day
        }
    )
    if not same:
        return None
    return Reason(
        "same_crew_same_day",
        f"The same crew is at {', '.join(same)} of {group} on the same day: one mistake would "
        "reach all of them.",
        "Use another crew or day, or give the reason why it is right here.",
        {"valves": same},
    )


def why_not_site(order_site: int, window_site: int, crew_site: int) -> Reason | None:
    if order_site == window_site == crew_site:
        return None
    return Reason(
        "other_site",
        "Order, window and crew do not belong to the same site.",
        "Choose a window and a crew of the order's site.",
    )


def why_no_hours(hours: float | None, *, kind: str) -> Reason | None:
    """The hours of a job are never guessed."""
    if hours is None:
        return Reason(
            "hours_not_known",
            f"How long a {kind} of this valve takes is not known.",
            "Give the crew hours, or enter the job hours of the design.",
        )
    if not 0 < hours < 1000:
        return Reason(
            "hours_out_of_range",
            f"{hours:g} h is no job.",
            "Give more than 0 and less than 1000 h.",
        )
    return None


def why_not_because(warnings: Sequence[Reason], because: str) -> tuple[Reason, ...]:
    """Warnings stand in the way until somebody says why they do not."""
    return tuple(warnings) if warnings and not because.strip() else ()
