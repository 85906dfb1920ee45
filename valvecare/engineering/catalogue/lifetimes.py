"""Catalogue entries: hidden failures, lives of parts, replacement, stock."""

from collections.abc import Callable, Mapping
from typing import Any

from valvecare.engineering import failure_finding, lifetimes, replacement, stock
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.parts import (
    CONFIDENCE,
    HOUR,
    PER_H,
    SHARE,
    having,
    number,
    out,
    rows,
    whole,
    yes_no,
)
from valvecare.engineering.plausible import Window

_TEXTBOOK = "textbook; worked cases in docs/methods"
_HOURS = Window("hours of use, up to ten thousand years", above=0.0, at_most=1e8)
_INTERVAL = Window("a day to a hundred years", at_least=24.0, at_most=876_000.0)
_RATE = number(
    "rate_per_h", "Failure rate", "rate_per_h", PER_H,
    Window("failures per hour", above=0.0, at_most=2e-3), 1e-5,
)  # fmt: skip
_CONFIDENCE = number(
    "confidence", "Confidence", "confidence", SHARE, CONFIDENCE, 0.9, help="A share below 1."
)
_NIST = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *(500,) * 10)
_LIVES = rows(
    "lives", "Lives", "lives",
    (
        number("time_h", "Hours of use", "times", HOUR, _HOURS, 54.0),
        yes_no("failed", "Failed (no: still good then)", "failed", True),
    ),
    tuple((float(hours), hours < 500) for hours in _NIST), least=2,
    help="One row per part: hours, and whether it failed then or was still good.",
)  # fmt: skip
_TARGET = number(
    "target", "Wanted probability that stock covers the demand", "target", SHARE, CONFIDENCE, 0.95
)
_SHAPE = number(
    "shape", "Weibull shape", "shape", None, Window("a shape", above=0.0, at_most=50.0), 2.5
)
_SCALE = number("scale_h", "Weibull scale", "scale", HOUR, _HOURS, 1000.0)
_MONEY = Window("money", above=0.0, at_most=1e12)


def _of_lives(function: Callable[..., Any], *names: str) -> Callable[[Mapping[str, Any]], Any]:
    def run(v: Mapping[str, Any]) -> Any:
        return function(
            v["lives"]["times"], v["lives"]["failed"], **{name: v[name] for name in names}
        )

    return run


ENTRIES = (
    Computation(
        name="failure-finding-interval",
        title="Longest interval between function tests",
        group=Group.LIFETIMES,
        purpose="Keeps a wanted availability of a hidden function.",
        function=failure_finding.failure_finding_interval,
        inputs=(
            _RATE,
            number("availability", "Wanted availability", "availability", SHARE, CONFIDENCE, 0.98),
        ),
        outputs=(out("interval_h", "Longest interval", "", HOUR),),
        formula="T: (1 - e^(-λT))/(λT) = A",
        sources=(_TEXTBOOK,),
        assumptions=("constant rate; good as new after each test",),
        example=Example(
            expected={"interval_h": 4054.2387}, tolerance=1e-6,
            source="solved a second way; the rule of thumb gives 4000 h (common practice)",
        ),
        page="failure-finding",
    ),
    Computation(
        name="hidden-failure-rate",
        title="Rate of a hidden failure from test results",
        group=Group.LIFETIMES,
        purpose="How often the function was found lost, as a rate with its upper limit.",
        function=failure_finding.rate_from_tests,
        inputs=(
            whole("tests", "Tests done", "tests", 1, 1_000_000, 60),
            whole("found_failed", "Found failed", "found_failed", 0, 1_000_000, 3),
            number("interval_h", "Interval between the tests", "interval_h", HOUR, _INTERVAL,
                   8760.0),
            having(_CONFIDENCE, label="Confidence, one-sided"),
        ),
        outputs=(
            out("rate_per_h", "Rate", "per_h", PER_H),
            out("upper_rate_per_h", "Upper limit", "upper_per_h", PER_H, is_uncertainty=True),
        ),
        formula="λ = -ln(1 - k/n)/T; Clopper-Pearson upper limit",
        sources=(_TEXTBOOK,),
        example=Example(
            expected={"rate_per_h": 5.8553989e-6, "upper_rate_per_h": 1.3042257e-5},
            tolerance=1e-6, source="binomial likelihood, computed a second way",
        ),
        page="failure-finding",
    ),
    Computation(
        name="weibull-fit",
        title="Weibull fit of lives",
        group=Group.LIFETIMES,
        purpose="Shape and scale from failures and survivors. Not for hidden failures.",
        function=lifetimes.weibull_fit,
        run=_of_lives(lifetimes.weibull_fit),
        inputs=(_LIVES,),
        outputs=(
            out("shape", "Shape", "shape"),
            out("scale_h", "Scale", "scale", HOUR),
            out("failures", "Failures", "failures"),
            out("units", "Parts", "units"),
        ),
        formula="maximum likelihood with survivors",
        sources=("NIST/SEMATECH e-Handbook 8.4.1.3 (seen)",),
        example=Example(
            expected={"shape": 1.7208, "scale_h": 606.528}, tolerance=2e-4,
            source="NIST/SEMATECH e-Handbook 8.4.1.3: 1.7208, 606.528 (published)",
        ),
        page="lifetimes",
    ),
    Computation(
        name="weibull-shape",
        title="Weibull shape with its interval",
        group=Group.LIFETIMES,
        purpose="Is there wear-out: only if the lower limit of the shape exceeds 1.",
        function=lifetimes.shape_interval,
        run=_of_lives(lifetimes.shape_interval, "confidence"),
        inputs=(_LIVES, having(_CONFIDENCE, label="Confidence, two-sided", example=0.95)),
        outputs=(
            out("shape", "Shape", "value"),
            out("lower", "Lower limit", "low", is_uncertainty=True),
            out("upper", "Upper limit", "high", is_uncertainty=True),
        ),
        formula="likelihood ratio interval of the shape",
        sources=(_TEXTBOOK,),
        example=Example(
            expected={"shape": 1.7208, "lower": 0.90564536, "upper": 2.8857379}, tolerance=1e-4,
            source="data NIST/SEMATECH 8.4.1.3; interval computed a second way",
        ),
        page="lifetimes",
    ),
    Computation(
        name="weibull-life",
        title="Life by which a share has failed, with its interval",
        group=Group.LIFETIMES,
        purpose="For example the life by which a tenth of the parts has failed.",
        function=lifetimes.life_at,
        run=_of_lives(lifetimes.life_at, "probability", "confidence"),
        inputs=(
            _LIVES,
            number("failed_share", "Share that has failed by then", "probability", SHARE,
                   Window("a share", at_least=0.001, at_most=0.999), 0.1),
            having(_CONFIDENCE, label="Confidence, two-sided"),
        ),
        outputs=(
            out("life_h", "Life", "value", HOUR),
            out("lower_h", "Lower limit", "low", HOUR, is_uncertainty=True),
            out("upper_h", "Upper limit", "high", HOUR, is_uncertainty=True),
        ),
        formula="t_p = η (-ln(1 - p))^(1/β); extremes over the likelihood region",
        sources=(_TEXTBOOK,),
        example=Example(
            expected={"life_h": 164.0}, tolerance=1e-3,
            source="606.528 × (-ln 0.9)^(1/1.7208), by hand on the published fit",
        ),
        page="lifetimes",
    ),
    Computation(
        name="age-replacement",
        title="Age at which to replace",
        group=Group.LIFETIMES,
        purpose="The age of planned replacement that costs least; refused without wear-out.",
        function=replacement.age_replacement,
        inputs=(
            _SHAPE,
            _SCALE,
            number("planned_cost", "Cost of a planned replacement", "planned_cost", None, _MONEY,
                   1.0, help="In any currency, the same in both."),
            number("failure_cost", "Cost of a failure", "failure_cost", None, _MONEY, 5.0),
        ),
        outputs=(
            out("age_h", "Age", "age", HOUR),
            out("saving", "Saving against running to failure", "saving", SHARE),
        ),
        formula="minimum of (c_p R(t) + c_f (1 - R(t)))/∫R",
        sources=(_TEXTBOOK,),
        example=Example(
            expected={"age_h": 493.19}, tolerance=5e-4,
            source="public reliability package's documentation: 493.19 (published, on a grid)",
        ),
        page="lifetimes",
    ),
    Computation(
        name="stock-level",
        title="Stock that covers a demand",
        group=Group.STOCK,
        purpose="Smallest stock that covers a Poisson demand with a wanted probability.",
        function=stock.stock_for,
        inputs=(
            number("mean_demand", "Mean demand in the lead time", "mean", None,
                   Window("pieces", above=0.0, at_most=1_000.0), 3.0,
                   help="See expected-demand."),
            _TARGET,
        ),
        outputs=(out("stock", "Stock"),),
        formula="smallest s with Σ e^(-m) m^k/k! ≥ target, k to s",
        sources=("Poisson, textbooks",),
        example=Example(
            expected={"stock": 6}, source="mean 3, 95 %: 6 (published inputs and answer)"
        ),
        page="stock",
    ),
    Computation(
        name="expected-demand",
        title="Pieces wanted in a period",
        group=Group.STOCK,
        purpose="Mean demand from the number fitted, the rate and the period.",
        function=stock.expected_demand,
        inputs=(
            whole("units", "Pieces fitted", "units", 1, 1_000_000, 1),
            having(_RATE, example=1 / 8760),
            number("period_h", "Period, for example the lead time", "period_h", HOUR, _INTERVAL,
                   26_280.0),
        ),
        outputs=(out("mean_demand", "Mean demand"),),
        formula="m = n λ t",
        sources=("Poisson, textbooks",),
        example=Example(
            expected={"mean_demand": 3.0}, source="26 280/8760", tolerance=1e-9
        ),
        page="stock",
    ),
    Computation(
        name="stock-level-uncertain",
        title="Stock that covers a demand of uncertain rate",
        group=Group.STOCK,
        purpose="As stock-level, with the uncertainty of the rate carried along.",
        function=stock.uncertain_stock_for,
        inputs=(
            number("evidence_failures", "Failures seen, with the family's share", "shape", None,
                   Window("failures", above=0.0, at_most=1e3), 2.5),
            number("evidence_hours_h", "In these hours of use", "hours", HOUR, _HOURS, 100_000.0),
            number("exposure_h", "Hours of use in the lead time, all pieces", "exposure_h", HOUR,
                   _HOURS, 73_440.0),
            having(_TARGET, example=0.98),
        ),
        outputs=(out("stock", "Stock"),),
        formula="negative binomial: Gamma rate, Poisson demand",
        sources=("Gamma-Poisson, textbooks",),
        example=Example(
            expected={"stock": 7}, source="computed a second way; 5 if the rate were known"
        ),
        page="stock",
    ),
)  # fmt: skip
