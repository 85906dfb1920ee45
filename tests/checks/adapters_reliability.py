"""Adapters of the reliability table."""

import csv
from datetime import date
from math import log10
from typing import Any

from tests.checks.registry import Inputs, adapter
from valvecare.engineering import (
    failure_finding,
    failure_rates,
    life_tables,
    lifetimes,
    recurrence,
    replacement,
    stock,
)
from valvecare.engineering.counter_series import CounterSeries, counter_series
from valvecare.engineering.counters import RUN_HOURS_CEILING_PER_HOUR
from valvecare.engineering.due_dates import Trigger, whichever_first
from valvecare.engineering.errors import NoSolution, NotEnoughData
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


def _rows(inputs: Inputs, name: str = "data") -> list[dict[str, str]]:
    path = inputs.folder / str(inputs[name])
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def _lives(inputs: Inputs) -> tuple[list[float], list[int]]:
    if "data" not in inputs:
        return inputs["times"], inputs["failed"]
    rows = _rows(inputs)
    time = next(iter(rows[0]))
    return [float(row[time]) for row in rows], [int(row.get("failed") or 1) for row in rows]


def _times(inputs: Inputs) -> list[float]:
    return [float(next(iter(row.values()))) for row in _rows(inputs)]


@adapter("weibull_mle_right_censored", "weibull_mle_small_fleet")
def weibull_mle(inputs: Inputs) -> dict[str, float]:
    fit = lifetimes.weibull_fit(*_lives(inputs))
    return {"beta": fit.shape, "eta": fit.scale, "loglik": fit.log_likelihood}


@adapter("weibull_mle_refused")
def weibull_mle_refused(inputs: Inputs) -> dict[str, Any]:
    try:
        return weibull_mle(inputs)
    except NotEnoughData as refusal:
        return {"status": "insufficient_failures", "words": str(refusal)}


@adapter("weibull_fisher_log_ci_mu_sigma")
def weibull_fisher_log(inputs: Inputs) -> dict[str, float]:
    mu, sigma = lifetimes.log_scale_intervals(*_lives(inputs), confidence=inputs.number("conf"))
    return {"mu_lo": mu.low, "mu_hi": mu.high, "sigma_lo": sigma.low, "sigma_hi": sigma.high}


@adapter("weibull_profile_lr_ci_beta")
def weibull_profile_interval(inputs: Inputs) -> dict[str, float]:
    found = lifetimes.shape_interval(*_lives(inputs), confidence=inputs.number("conf"))
    return {"beta_lo": found.low, "beta_hi": found.high}


@adapter("weibull_B10_and_lr_ci")
def weibull_life(inputs: Inputs) -> dict[str, float]:
    found = lifetimes.life_at(
        *_lives(inputs), probability=inputs.number("p"), confidence=inputs.number("conf")
    )
    return {"b10": found.value, "lo": found.low, "hi": found.high}


@adapter("median_rank_regression_y_on_x")
def median_rank_regression(inputs: Inputs) -> dict[str, float]:
    fit = life_tables.median_rank_fit(inputs["times"], units=inputs["n"])
    return {"slope": fit.shape, "intercept": -fit.shape * log10(fit.scale)}


@adapter("kaplan_meier")
def kaplan_meier(inputs: Inputs) -> dict[str, float]:
    found = life_tables.kaplan_meier(*_lives(inputs))
    return {f"S{age}": found.at(age)[0] for age in inputs["at"]}


@adapter("kaplan_meier_greenwood_se")
def kaplan_meier_error(inputs: Inputs) -> dict[str, float]:
    survival, error = life_tables.kaplan_meier(*_lives(inputs)).at(inputs.number("at"))
    return {"S": survival, "se": error}


@adapter("actuarial_interval_estimate")
def actuarial(inputs: Inputs) -> dict[str, float]:
    rows = [row for row in _rows(inputs) if int(row["plant"]) == inputs["plant"]]
    survival = life_tables.survival_from_counts(
        [float(row["at_start"]) for row in rows], [float(row["cracked"]) for row in rows]
    )
    return {f"F{index}": 1 - float(share) for index, share in enumerate(survival, start=1)}


@adapter("mean_cumulative_function")
def mean_cumulative(inputs: Inputs) -> dict[str, float]:
    rows = _rows(inputs)
    counts = life_tables.mean_cumulative_count(
        [float(row["days"]) for row in rows if row["event"] == "replacement"],
        end_ages=[float(row["days"]) for row in rows if row["event"] == "end"],
        at=inputs["at"],
    )
    return {f"M{age}": float(count) for age, count in zip(inputs["at"], counts, strict=True)}


@adapter("power_law_modified_mle")
def power_law_modified(inputs: Inputs) -> dict[str, float]:
    fit = recurrence.power_law_unbiased(_times(inputs), end=inputs.number("T"))
    return {"b": fit.exponent, "a": fit.factor, "mtbf_end": fit.mean_time}


@adapter("cramer_von_mises_power_law")
def cramer_von_mises(inputs: Inputs) -> dict[str, float]:
    times, end = _times(inputs), inputs.number("T")
    return {
        "cvm": recurrence.cramer_von_mises(times, end=end),
        "beta_unbiased": recurrence.power_law_unbiased(times, end=end).exponent,
    }


@adapter("crow_amsaa_grouped")
def crow_grouped(inputs: Inputs) -> dict[str, float]:
    fit = recurrence.power_law_grouped(inputs["interval_ends"], inputs["counts"])
    return {
        "beta": fit.exponent,
        "lam": fit.factor,
        "intensity": fit.intensity,
        "mtbf": fit.mean_time,
    }


@adapter("crow_amsaa_beta")
def crow(inputs: Inputs) -> dict[str, float]:
    fit = recurrence.power_law(_times(inputs), end=inputs.number("T"))
    return {"beta": fit.exponent, "lam": fit.factor}


@adapter("mtbf_two_sided_time_truncated")
def mtbf_two_sided(inputs: Inputs) -> dict[str, float]:
    hours, failures = inputs.number("T"), inputs["r"]
    low, high = failure_rates.mean_time_limits(
        failures, hours=hours, confidence=inputs.number("conf")
    )
    return {"mtbf": 1 / failure_rates.failure_rate(failures, hours=hours), "lo": low, "hi": high}


@adapter("mtbf_lower_one_sided")
def mtbf_lower(inputs: Inputs) -> dict[str, float]:
    hours = inputs.number("T")
    low = failure_rates.mean_time_lower(
        inputs["r"], hours=hours, confidence=inputs.number("conf"), stops_at_failure=False
    )
    return {"lo": low, "chi2": 2 * hours / low}


@adapter("failure_rate_point")
def failure_rate(inputs: Inputs) -> dict[str, float]:
    hours = inputs.number("units") * inputs.number("hours_each")
    return {"rate": failure_rates.failure_rate(inputs["failures"], hours=hours)}


@adapter("kpi_availability")
def availability(inputs: Inputs) -> dict[str, float]:
    total, failed = inputs.number("days_total"), inputs.number("days_failed")
    return {
        "availability": failure_rates.time_share(total, lost=failed + inputs["days_planned"]),
        "reliability": failure_rates.time_share(total, lost=failed),
    }


@adapter("gamma_poisson_pooling")
def gamma_poisson(inputs: Inputs) -> dict[str, float]:
    found = failure_rates.pooled_rate(
        inputs["failures"],
        hours=inputs.number("hours"),
        prior_shape=inputs.number("prior_shape"),
        prior_hours=inputs.number("prior_hours"),
        confidence=inputs.number("conf"),
    )
    return {"mean": found.per_h, "lo": found.low_per_h, "hi": found.high_per_h}


@adapter("weibayes_eta")
def weibayes(inputs: Inputs) -> dict[str, float]:
    scale = lifetimes.weibayes_scale(
        inputs["times"], failures=inputs["failures"], shape=inputs.number("beta")
    )
    return {"eta": scale}


@adapter("mean_unavailability_exact")
def unavailability(inputs: Inputs) -> dict[str, float]:
    rate, hours = inputs.number("rate_per_h"), inputs.number("interval_h")
    return {"u": failure_finding.mean_unavailability(rate, interval_h=hours)}


@adapter("failure_finding_interval")
def finding_interval(inputs: Inputs) -> dict[str, float]:
    rate, wanted = 1 / inputs.number("mtbf_h"), inputs.number("availability")
    return {
        "exact_h": failure_finding.failure_finding_interval(rate, availability=wanted),
        "approx_h": failure_finding.approximate_interval(rate, availability=wanted),
    }


@adapter("rate_from_test_results")
def tested_rate(inputs: Inputs) -> dict[str, float]:
    found = failure_finding.rate_from_tests(
        inputs["tests"],
        found_failed=inputs["found_failed"],
        interval_h=inputs.number("interval_h"),
        confidence=inputs.number("conf_upper"),
    )
    return {"rate": found.per_h, "rate_upper": found.upper_per_h}


@adapter("pfd_1oo1")
def pfd_single(inputs: Inputs) -> dict[str, float]:
    found = failure_finding.probability_of_failure_on_demand(
        inputs.number("rate_per_h"),
        interval_h=inputs.number("interval_h"),
        repair_h=inputs.number("mttr_h"),
    )
    return {"pfd": found}


@adapter("pfd_partial_test_coverage")
def pfd_partial(inputs: Inputs) -> dict[str, float]:
    found = failure_finding.probability_with_partial_test(
        inputs.number("rate_per_h"),
        interval_h=inputs.number("interval_h"),
        coverage=inputs.number("coverage"),
        overhaul_h=inputs.number("overhaul_h"),
    )
    return {"pfd": found}


@adapter("inspections_within_warning_time")
def inspections(inputs: Inputs) -> dict[str, float]:
    found = failure_finding.inspections_within_warning(
        inputs.number("p_accept"), p_detect=inputs.number("p_detect")
    )
    return {"n": found}


def _replacement(inputs: Inputs) -> dict[str, float]:
    found = replacement.age_replacement(
        shape=inputs.number("beta"),
        scale=inputs.number("eta"),
        planned_cost=inputs.number("cp"),
        failure_cost=inputs.number("cf"),
    )
    return {"t": found.age, "cost_rate": found.cost_rate}


@adapter("age_replacement_optimum")
def age_replacement(inputs: Inputs) -> dict[str, float]:
    return _replacement(inputs)


@adapter("age_replacement_refused")
def age_replacement_refused(inputs: Inputs) -> dict[str, Any]:
    try:
        return _replacement(inputs)
    except NoSolution as refusal:
        return {"status": "no_wear_out", "words": str(refusal)}


@adapter("minimal_repair_overhaul_interval")
def minimal_repair(inputs: Inputs) -> dict[str, float]:
    found = replacement.overhaul_interval(
        shape=inputs.number("beta"),
        scale=inputs.number("eta"),
        overhaul_cost=inputs.number("overhaul"),
        repair_cost=inputs.number("minimal_repair"),
    )
    return {"t": found}


@adapter("poisson_stock_level")
def poisson_stock(inputs: Inputs) -> dict[str, float]:
    mean = stock.expected_demand(
        inputs["units"], rate_per_h=1 / inputs.number("mtbf_h"), period_h=inputs.number("period_h")
    )
    return {
        "mean": mean,
        "stock": stock.stock_for(mean, target=inputs.number("target")),
        "p_with_3": stock.stock_covers(mean, stock=3),
        "p_with_2": stock.stock_covers(mean, stock=2),
    }


@adapter("stock_level_with_uncertain_rate")
def uncertain_stock(inputs: Inputs) -> dict[str, int]:
    shape, hours = inputs.number("post_shape"), inputs.number("post_hours")
    exposure, target = inputs.number("exposure_h"), inputs.number("target")
    return {
        "stock": stock.uncertain_stock_for(shape, hours=hours, exposure_h=exposure, target=target),
        "stock_if_rate_known": stock.stock_for(shape / hours * exposure, target=target),
    }


@adapter("poisson_service_exact")
def poisson_service(inputs: Inputs) -> dict[str, float]:
    return {"p": stock.stock_covers(inputs.number("mean"), stock=inputs["stock"])}


@adapter("group_sample_detection")
def sample_detection(inputs: Inputs) -> dict[str, float]:
    found = failure_finding.sample_detection(
        inputs["group"], defective=inputs["defective"], sample=inputs["sample"]
    )
    return {"p_detect": found}
