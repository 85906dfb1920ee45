"""Catalogue entries: counters, usage, whichever comes first, limit crossing."""

from collections.abc import Mapping
from typing import Any

from valvecare.engineering import counter_series, due_dates, trend, usage
from valvecare.engineering.catalogue.forms import Computation, Example, Form, Group, Input, Unit
from valvecare.engineering.catalogue.parts import (
    CONFIDENCE,
    SHARE,
    choice,
    number,
    out,
    rows,
    text,
    whole,
    yes_no,
)
from valvecare.engineering.counters import MeterReplacement
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible import Window

_TIME = Unit("duration", "h")
_COUNTER = Window("a counter", at_least=0.0, at_most=1e9)
_CONFIDENCE = number(
    "confidence", "Confidence, two-sided", "confidence", SHARE, CONFIDENCE, 0.9,
    help="0.9 leaves 5 % on either side.",
)  # fmt: skip
_ELAPSED = Window("s", at_least=0.0, at_most=3.2e9)


def _counter(v: Mapping[str, Any]) -> counter_series.CounterSeries:
    met = v["replacements"] or {"time_s": (), "closing_value": (), "opening_value": ()}
    return counter_series.counter_series(
        v["readings"]["time_s"],
        v["readings"]["value"],
        resolution=v["resolution"],
        ceiling_per_hour=v["ceiling_per_hour"],
        modulus=v["modulus"],
        replacements=[MeterReplacement(*row) for row in zip(*met.values(), strict=True)],
    )


def _first(v: Mapping[str, Any]) -> due_dates.Due:
    table = v["triggers"]
    rows_of = zip(*table.values(), strict=True)
    return due_dates.whichever_first(
        [due_dates.Trigger(**dict(zip(table, row, strict=True))) for row in rows_of]
    )


def _crossing(v: Mapping[str, Any]) -> trend.Crossing:
    return trend.limit_crossing(
        v["readings"]["days"],
        v["readings"]["values"],
        limit=v["limit"],
        bad_side=trend.LimitSide(v["bad_side"]),
        confidence=v["confidence"],
        least_points=v["least_points"],
        most_chance=v["most_chance"],
    )


def _forecast(v: Mapping[str, Any]) -> usage.CounterForecast:
    days, gains = v["segments"]["segment_days"], v["segments"]["segment_gain"]
    most = v["most_per_day"]
    for place, (length, gain) in enumerate(zip(days, gains, strict=True)):
        if most is not None and gain > 1.1 * most * length:
            why = f"a step of {length:g} days gains no more than {most:g} a day"
            raise OutOfRange(f"segment_gain[{place}]", gain, f"at most {most * length:g}", why)
    return usage.counter_forecast(
        days, gains, **{name: value for name, value in v.items() if name != "segments"}
    )


def _date(name: str, label: str) -> Input:
    return Input(
        name=name, label=label, form=Form.DATE, si=name.removesuffix("_on"), example=None,
        if_absent="No such date.",
    )  # fmt: skip


_BAND_WORDS = {
    "whole": "Earliest, likely and latest could all be given.",
    "no_latest": "The rate is too uncertain for a last date.",
    "rate_only": "Too little evidence for a band: only the likely date is given.",
    "standing_still": "The counter stands still, or is too slow to give a date.",
    "no_data": "There is nothing to work a rate out from.",
    "used_up": "Nothing is left: it is due.",
}
_TREND_WORDS = {
    "reached": "The trend has reached the limit.",
    "crosses": "The readings show a trend that will cross the limit.",
    "no_latest": "The trend heads for the limit, but too uncertainly for a last day.",
    "too_few_points": "Too few readings for a trend.",
    "not_shown": "The readings do not show a trend: no day can be given.",
    "heads_away": "The readings head away from the limit.",
}

ENTRIES = (
    Computation(
        name="counter-series",
        title="What a counter gained",
        group=Group.DATES,
        purpose="Judges every step of run-hour or start readings: rollover, meter exchange, "
        "reset, impossible.",
        function=counter_series.counter_series,
        run=_counter,
        inputs=(
            rows(
                "readings", "Readings", "readings",
                (
                    number("elapsed_h", "Time since any fixed start", "time_s", _TIME, _ELAPSED,
                           0.0),
                    number("value", "Counter", "value", None, _COUNTER, 99_800.0),
                ),
                ((0.0, 99_800.0), (168.0, 99_950.0), (336.0, 105.0), (504.0, 255.0)), least=1,
            ),
            number("resolution", "Smallest step of the counter", "resolution", None,
                   Window("a step", at_least=0.01, at_most=100.0), 1.0),
            number("ceiling_per_hour", "Most it can gain in an hour", "ceiling_per_hour", None,
                   Window("per hour", at_least=0.01, at_most=1000.0), 1.02,
                   help="1 for run hours, with a little tolerance."),
            number("modulus", "Rolls over at", "modulus", None,
                   Window("a counter", above=1.0, at_most=1e9), 100_000.0,
                   if_absent="It does not roll over: a fall is a reset and lost."),
            rows(
                "replacements", "Meter exchanges", "replacements",
                (
                    number("elapsed_h", "Time", "time_s", _TIME, _ELAPSED, 0.0),
                    number("closing_value", "Last value of the old meter", "closing_value", None,
                           _COUNTER, 0.0),
                    number("opening_value", "First value of the new meter", "opening_value",
                           None, _COUNTER, 0.0),
                ),
                None, least=1, if_absent="No exchange was declared.",
            ),
        ),
        outputs=(
            out("total", "Gained", "total"),
            out("is_lower_bound", "Only a lower bound", "is_lower_bound"),
            out("kinds", "Steps judged", "kinds"),
            out("lost_count", "Steps lost", "lost_count"),
            out("counted_h", "Time covered by steps that count", "counted_s", _TIME),
        ),
        formula="sum of the steps that can be true",
        sources=("own rules, docs/methods/counters.md",),
        aliases={"from_value": "readings", "to_value": "readings"},
        example=Example(
            expected={"total": 455.0, "kinds": ["normal", "rollover", "normal"]},
            source="150 + (100 000 - 99 950 + 105) + 150, by hand", tolerance=1e-9,
        ),
        page="counters",
    ),
    Computation(
        name="usage-forecast",
        title="When a remaining amount is used up",
        group=Group.DATES,
        purpose="Rate of use and the band of days: earliest, likely, latest.",
        function=usage.counter_forecast,
        run=_forecast,
        inputs=(
            rows(
                "segments", "Steps that count", "segments",
                (
                    number("days", "Length, days", "segment_days", None,
                           Window("days", at_least=1.0 / 24.0, at_most=4000.0), 7.0),
                    number("gain", "Gained", "segment_gain", None, _COUNTER, 140.0),
                ),
                ((7, 140), (7, 155), (7, 120), (7, 160), (14, 290), (7, 150), (7, 145), (7, 98)),
                least=1, help="Weeks rather than hours, for a plant that works in weeks.",
            ),
            number("remaining", "Remaining, in the counter's unit", "remaining", None,
                   Window("an amount", at_least=-1e9, at_most=1e9), 2400.0,
                   help="Limit less used; 0 or below is used up."),
            _CONFIDENCE,
            number("most_per_day", "Most it can gain in a day", "most_per_day", None,
                   Window("per day", at_least=0.1, at_most=1_000.0), 24.0,
                   if_absent="The counter has no such limit.", help="24 for run hours."),
            whole("least_segments", "Policy: steps needed for a band", "least_segments", 2, 1000,
                  4),
            number("least_days", "Policy: days needed for a band", "least_days", None,
                   Window("days", at_least=1.0, at_most=4000.0), 28.0),
        ),
        outputs=(
            out("per_day", "Rate per day", "per_day"),
            out("likely_d", "Likely, days from now", "likely_d"),
            out("earliest_d", "Earliest, days from now", "earliest_d", is_uncertainty=True),
            out("latest_d", "Latest, days from now", "latest_d", is_uncertainty=True),
        ),
        formula="roots d of r d ∓ t √(s² d + s² d²/D) = R",
        sources=("ratio estimate and diffusion variance, docs/methods/usage-rate.md",),
        example=Example(
            expected={"per_day": 19.968254, "likely_d": 120.19078, "earliest_d": 107.59593},
            source="worked case computed a second way", tolerance=1e-6,
        ),
        reason_words=_BAND_WORDS,
        page="usage-rate",
    ),
    Computation(
        name="whichever-first",
        title="Whichever comes first",
        group=Group.DATES,
        purpose="Which limit governs, how much of it is used, and the band of dates.",
        function=due_dates.whichever_first,
        run=_first,
        inputs=(
            rows(
                "triggers", "Limits that apply", "triggers",
                (
                    text("name", "Name", "name", "calendar"),
                    number("share", "Share used", "share", SHARE,
                           Window("a share", at_least=0.0, at_most=100.0), 0.5,
                           if_absent="Not known: the answer is incomplete or has no record."),
                    _date("earliest_on", "Earliest"),
                    _date("likely_on", "Likely"),
                    _date("latest_on", "Latest"),
                    yes_no("is_lower_bound", "Share is a lower bound", "is_lower_bound", False),
                ),
                (
                    ("calendar", 0.71, "2027-05-01", "2027-05-01", "2027-05-01", False),
                    ("run hours", 0.78, "2027-02-10", "2027-04-03", "2027-06-20", False),
                    ("starts", 0.52, "2027-03-01", "2027-07-15", None, False),
                ),
                least=1,
            ),
        ),
        outputs=(
            out("state", "State", "state"),
            out("governed_by", "Governed by", "governed_by"),
            out("share_used", "Share used", "share_used", SHARE),
            out("runner_up", "Runner-up", "runner_up"),
            out("likely_on", "Likely date", "likely"),
            out("date_set_by", "Date set by", "date_set_by"),
            out("earliest_on", "Earliest date", "earliest", is_uncertainty=True),
            out("latest_on", "Latest date", "latest", is_uncertainty=True),
        ),
        formula="largest share governs; earliest date of each kind",
        sources=("definition of this project, docs/methods/due-date.md",),
        example=Example(
            expected={
                "governed_by": "run hours", "likely_on": "2027-04-03",
                "earliest_on": "2027-02-10", "latest_on": "2027-05-01",
            },
            source="field by field by hand",
        ),
        page="due-date",
    ),
    Computation(
        name="limit-crossing",
        title="When a condition reading crosses its limit",
        group=Group.TREND,
        purpose="A robust line through the readings, and the days at which it meets the limit.",
        function=trend.limit_crossing,
        run=_crossing,
        inputs=(
            rows(
                "readings", "Readings", "readings",
                (
                    number("day", "Day", "days", None,
                           Window("days", at_least=0.0, at_most=40_000.0), 0.0),
                    number("value", "Reading", "values", None,
                           Window("a reading", at_least=-1e9, at_most=1e9), 0.8),
                ),
                ((0, 0.8), (30, 1.0), (61, 0.9), (92, 1.3), (122, 1.5), (153, 1.4), (183, 3.9),
                 (214, 1.9)),
                least=2, help="Since the last overhaul, one a day.",
            ),
            number("limit", "Limit, in the unit of the readings", "limit", None,
                   Window("a limit", at_least=-1e9, at_most=1e9), 4.0),
            choice("bad_side", "Bad is", "bad_side", tuple(trend.LimitSide), "above"),
            _CONFIDENCE,
            whole("least_points", "Policy: readings needed", "least_points", 3, 1000, 5),
            number("most_chance", "Policy: most chance that there is no trend", "most_chance",
                   SHARE, Window("a chance", at_least=0.001, at_most=0.5), 0.1),
        ),
        outputs=(
            out("reason", "What the readings say", "reason"),
            out("is_beyond_now", "Last reading beyond the limit", "is_beyond_now"),
            out("slope_per_day", "Slope per day", "slope.per_day"),
            out("likely_day", "Likely day", "likely_day"),
            out("earliest_day", "Earliest day", "earliest_day", is_uncertainty=True),
            out("latest_day", "Latest day", "latest_day", is_uncertainty=True),
        ),
        formula="Theil-Sen slope with Sen's interval; trend shown by Kendall's test",
        sources=("Sen (1968), Kendall: textbooks; docs/methods/trend.md",),
        example=Example(
            expected={"likely_day": 594.6, "earliest_day": 312.375, "latest_day": 782.75},
            source="worked case computed a second way", tolerance=1e-6,
        ),
        reason_words=_TREND_WORDS,
        page="trend",
    ),
)  # fmt: skip
