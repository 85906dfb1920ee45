"""Adapters of the reliability table: counters, forecasts, trends, due dates."""

from datetime import date
from typing import Any

from tests.checks.registry import Inputs, adapter
from valvecare.engineering.counter_series import CounterSeries, counter_series
from valvecare.engineering.counters import RUN_HOURS_CEILING_PER_HOUR
from valvecare.engineering.due_dates import Trigger, whichever_first
from valvecare.engineering.trend import LimitSide, kendall_test, limit_crossing
from valvecare.engineering.usage import HOURS_PER_DAY, counter_forecast, usage_rates, usage_sums

HOUR_S = 3600.0
DAY_H = 24.0


def _series(inputs: Inputs) -> CounterSeries:
    hours, values = zip(*inputs["readings_h"], strict=True)
    return counter_series(
        [hour * HOUR_S for hour in hours],
        values,
        resolution=1.0,
        ceiling_per_hour=RUN_HOURS_CEILING_PER_HOUR,
        modulus=inputs.get("modulus"),
    )


@adapter("run_hours_plain")
def run_hours_plain(inputs: Inputs) -> dict[str, float]:
    series = _series(inputs)
    rates = usage_rates(usage_sums(series.elapsed_s / HOUR_S / DAY_H, series.segments.gain))
    return {
        "hours": series.total,
        "elapsed_h": series.counted_s / HOUR_S,
        "rate_per_day": float(rates.per_day[0]),
    }


@adapter("run_hours_rollover")
def run_hours_rollover(inputs: Inputs) -> dict[str, Any]:
    series = _series(inputs)
    flags = ["ok" if kind == "normal" else kind.value for kind in series.kinds]
    return {"hours": series.total, "flags": flags}


@adapter("counter_date_forecast")
def counter_date_forecast(inputs: Inputs) -> dict[str, float | None]:
    days, gain = zip(*inputs["segments_days_hours"], strict=True)
    found = counter_forecast(
        days,
        gain,
        remaining=inputs.number("remaining_h"),
        confidence=inputs.number("conf"),
        most_per_day=HOURS_PER_DAY,
    )
    return {
        "rate_per_day": found.per_day,
        "var_per_day": found.variance_per_day,
        "earliest_d": found.earliest_d,
        "likely_d": found.likely_d,
        "latest_d": found.latest_d,
    }


@adapter("condition_trend_theil_sen")
def condition_trend_theil_sen(inputs: Inputs) -> dict[str, float | None]:
    found = limit_crossing(
        inputs["days"],
        inputs["leak_l_per_min"],
        limit=inputs.number("limit"),
        bad_side=LimitSide.ABOVE,
        confidence=inputs.number("conf"),
    )
    return {
        "slope": found.slope.per_day if found.slope else None,
        "slope_lo": found.slope.low_per_day if found.slope else None,
        "slope_hi": found.slope.high_per_day if found.slope else None,
        "earliest_d": found.earliest_day,
        "likely_d": found.likely_day,
        "latest_d": found.latest_day,
    }


@adapter("kendall_trend_test")
def kendall_trend_test(inputs: Inputs) -> dict[str, float]:
    found = kendall_test(inputs["days"], inputs["values"])
    return {"tau": found.tau, "p_two_sided": found.p_two_sided}


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


@adapter("whichever_first")
def whichever_first_row(inputs: Inputs) -> dict[str, str | None]:
    triggers = []
    for name, band in inputs.items():
        if isinstance(band, str):
            band = dict.fromkeys(("earliest", "likely", "latest"), band)
        if band is not None:
            dates = (_day(band[field]) for field in ("earliest", "likely", "latest"))
            triggers.append(Trigger(name, None, *dates))
    due = whichever_first(triggers)
    return {
        "earliest": due.earliest.isoformat() if due.earliest else None,
        "likely": due.likely.isoformat() if due.likely else None,
        "latest": due.latest.isoformat() if due.latest else None,
        "reason": due.date_set_by,
    }
