"""Usage rate and day band: the worked case, an outside root finder, refusals, properties."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import t as student

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.usage import (
    BAND_REASONS,
    UsageSums,
    counter_forecast,
    days_to_use,
    usage_rates,
    usage_sums,
)

DAYS = [7, 7, 7, 7, 14, 7, 7, 7]
GAIN = [140, 155, 120, 160, 290, 150, 145, 98]
POLICY = {"confidence": 0.9, "most_per_day": 24.0}


def test_worked_case():
    """Open case R59."""
    found = counter_forecast(DAYS, GAIN, remaining=2400, **POLICY)
    assert found.per_day == pytest.approx(19.968254, rel=1e-6)
    assert found.variance_per_day == pytest.approx(60.480726, rel=1e-6)
    assert found.earliest_d == pytest.approx(107.59593, rel=1e-6)
    assert found.likely_d == pytest.approx(120.19078, rel=1e-6)
    assert found.latest_d == pytest.approx(135.43035, rel=1e-6)
    assert found.reason == "whole"


@pytest.mark.parametrize("remaining", [1.0, 250.0, 2400.0, 40_000.0])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.99])
def test_band_equals_the_roots_found_by_an_outside_root_finder(remaining, confidence):
    found = counter_forecast(
        DAYS, GAIN, remaining=remaining, confidence=confidence, most_per_day=None
    )
    quantile = student.ppf((1 + confidence) / 2, len(DAYS) - 1)

    def short_of(day, sign):
        spread = found.variance_per_day * (day + day * day / sum(DAYS))
        return found.per_day * day + sign * quantile * np.sqrt(spread) - remaining

    assert found.earliest_d == pytest.approx(brentq(short_of, 1e-9, 1e5, args=(1,)), rel=1e-8)
    assert found.latest_d == pytest.approx(brentq(short_of, 1e-9, 1e5, args=(-1,)), rel=1e-8)


def test_variance_by_sums_equals_variance_by_definition():
    found = counter_forecast(DAYS, GAIN, remaining=1, **POLICY)
    days, gain = np.array(DAYS), np.array(GAIN)
    rate = gain.sum() / days.sum()
    assert found.variance_per_day == pytest.approx(
        ((gain - rate * days) ** 2 / days).sum() / (len(days) - 1), rel=1e-12
    )


@pytest.mark.parametrize(
    ("case", "days", "gain", "remaining", "reason", "dated"),
    [
        ("three segments", [10, 10, 10], [200, 180, 190], 500, "rate_only", (0, 1, 0)),
        ("27 days", [7, 7, 7, 6], [140, 150, 130, 120], 500, "rate_only", (0, 1, 0)),
        ("28 days", [7, 7, 7, 7], [140, 150, 130, 140], 500, "whole", (1, 1, 1)),
        ("standing still", [7] * 5, [0] * 5, 500, "standing_still", (0, 0, 0)),
        ("hardly moving", [7] * 5, [1e-300] * 5, 500, "standing_still", (0, 0, 0)),
        ("without end", [7] * 5, [100] * 5, 1e300, "standing_still", (0, 0, 0)),
        ("no segment", [], [], 500, "no_data", (0, 0, 0)),
        ("wild use", [7] * 4, [0, 0, 0, 160], 500, "no_latest", (1, 1, 0)),
        ("used up", [7] * 5, [100] * 5, 0, "used_up", (1, 1, 1)),
        ("over the limit, standing still", [7] * 5, [0] * 5, -20, "used_up", (1, 1, 1)),
    ],
)
def test_what_cannot_be_said_is_not_said(case, days, gain, remaining, reason, dated):
    found = counter_forecast(days, gain, remaining=remaining, **POLICY)
    assert found.reason == reason
    shown = (found.earliest_d, found.likely_d, found.latest_d)
    assert tuple(int(value is not None) for value in shown) == dated
    if reason == "used_up":
        assert shown == (0.0, 0.0, 0.0)


def test_hours_cannot_come_sooner_than_the_clock_allows():
    found = counter_forecast([7] * 6, [160, 168, 168, 167, 168, 150], remaining=2400, **POLICY)
    assert found.earliest_d == 100.0
    assert found.earliest_d <= found.likely_d <= found.latest_d


def test_steady_use_has_no_spread():
    found = counter_forecast([7] * 6, [140] * 6, remaining=2000, **POLICY)
    assert (found.earliest_d, found.likely_d, found.latest_d) == pytest.approx((100, 100, 100))


segments = st.lists(
    st.tuples(st.floats(0.5, 60), st.floats(0, 24)).map(lambda x: (x[0], x[0] * x[1])),
    min_size=1,
    max_size=15,
)


@settings(max_examples=200, deadline=None)
@given(segments, st.floats(0, 50_000), st.floats(0.1, 5_000))
def test_more_hours_run_are_never_later(rows, remaining, more):
    days, gain = zip(*rows, strict=True)
    before = counter_forecast(days, gain, remaining=remaining + more, **POLICY)
    after = counter_forecast(days, gain, remaining=remaining, **POLICY)
    for name in ("earliest_d", "likely_d", "latest_d"):
        early, late = getattr(after, name), getattr(before, name)
        assert late is None or early <= late * (1 + 1e-12)
    faster = list(gain)
    faster[-1] += more
    assert after.likely_d is None or counter_forecast(
        days, faster, remaining=remaining, **POLICY
    ).likely_d <= after.likely_d * (1 + 1e-12)


@settings(max_examples=150, deadline=None)
@given(segments, st.randoms(use_true_random=False), st.floats(1, 9_000))
def test_order_of_segments_makes_no_difference(rows, shuffler, remaining):
    moved = list(rows)
    shuffler.shuffle(moved)
    first, second = (
        counter_forecast(*zip(*order, strict=True), remaining=remaining, **POLICY)
        for order in (rows, moved)
    )
    if first.reason == second.reason == "whole" and first.variance_per_day > 1e-6:
        assert second.earliest_d == pytest.approx(first.earliest_d, rel=1e-6)
        assert second.latest_d == pytest.approx(first.latest_d, rel=1e-4)
    assert (second.likely_d is None) == (first.likely_d is None)


def test_the_band_is_in_order_and_widens_with_confidence():
    previous = None
    for confidence in (0.5, 0.8, 0.9, 0.99):
        found = counter_forecast(
            DAYS, GAIN, remaining=2400, confidence=confidence, most_per_day=None
        )
        assert found.earliest_d < found.likely_d < found.latest_d
        if previous:
            assert found.earliest_d < previous.earliest_d
            assert found.latest_d > previous.latest_d
        previous = found


def test_a_fleet_in_one_call_equals_item_by_item():
    rng = np.random.default_rng(5)
    counts = rng.integers(0, 12, 300)
    item = np.repeat(np.arange(300), counts)
    days = rng.uniform(1, 20, item.size)
    gain = days * rng.uniform(0, 24, item.size) * rng.integers(0, 2, item.size)
    remaining = rng.uniform(-100, 20_000, 300)
    shuffled = rng.permutation(item.size)
    sums = usage_sums(days[shuffled], gain[shuffled], item=item[shuffled], items=300)
    band = days_to_use(remaining, sums, usage_rates(sums), **POLICY)
    reasons = set()
    for index in range(300):
        mine = item == index
        single = counter_forecast(days[mine], gain[mine], remaining=remaining[index], **POLICY)
        assert BAND_REASONS[band.reason[index]] == single.reason
        reasons.add(single.reason)
        for name in ("earliest_d", "likely_d"):
            value, array = getattr(single, name), float(getattr(band, name)[index])
            assert array == pytest.approx(np.nan if value is None else value, nan_ok=True, rel=1e-9)
    assert len(reasons) == 6


def test_sums_kept_per_item_can_be_added_up():
    whole = usage_sums(DAYS, GAIN)
    parts = [usage_sums(DAYS[:3], GAIN[:3]), usage_sums(DAYS[3:], GAIN[3:])]
    joined = UsageSums(
        *(sum(getattr(p, f) for p in parts)
          for f in ("count", "days", "gain", "gain_squared_per_day"))
    )  # fmt: skip
    assert usage_rates(joined).variance_per_day == pytest.approx(
        usage_rates(whole).variance_per_day, rel=1e-12
    )


@pytest.mark.parametrize(
    ("case", "call", "reason"),
    [
        ("no time", lambda: usage_sums([0.0], [1.0]), "segment_days is 0.0; .* above 0"),
        ("negative gain", lambda: usage_sums([1.0], [-1.0]), "segment_gain is -1.0; .* at least 0"),
        ("missing gain", lambda: usage_sums([1.0], [np.nan]), "segment_gain is .* finite"),
        ("two lengths", lambda: usage_sums([1.0], [1.0, 2.0]), "of one length"),
        ("unknown item", lambda: usage_sums([1.0], [1.0], item=[3], items=2), "from 0 to 1"),
        ("part of an item", lambda: usage_sums([1.0], [1.0], item=[0.5], items=2), "whole number"),
        ("no confidence", lambda: counter_forecast(DAYS, GAIN, remaining=1, confidence=1.0,
                                                    most_per_day=24), "confidence is 1.0"),
        ("no limit a day", lambda: counter_forecast(DAYS, GAIN, remaining=1, confidence=0.9,
                                                    most_per_day=0), "most_per_day is 0.0"),
        ("endless remainder", lambda: counter_forecast(DAYS, GAIN, remaining=np.inf, **POLICY),
         "remaining is .* finite"),
        ("spread of one", lambda: usage_rates(usage_sums(DAYS, GAIN), least_segments=1),
         "least_segments is 1.0; .* at least 2 .a spread needs two."),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, call, reason):
    with pytest.raises(OutOfRange, match=reason):
        call()


def test_confidence_has_no_silent_default():
    with pytest.raises(TypeError, match="confidence"):
        counter_forecast(DAYS, GAIN, remaining=1, most_per_day=24)
