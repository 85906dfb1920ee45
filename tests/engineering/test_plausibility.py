"""Data sense: what is found, what is not, and refusals."""

import numpy as np
import pytest

from valvecare.engineering.errors import NotEnoughData, OutOfRange
from valvecare.engineering.plausibility import (
    Gap,
    frozen,
    gaps,
    spikes,
    swapped_pair,
    unit_drift,
)

HOUR, DAY = 3600.0, 86_400.0
WEEK = {"resolution": 0.0, "at_least_s": 7 * DAY, "least_count": 24}
PRESSURE = {"bar to kPa": 100.0, "bar to MPa": 0.1, "bar to psi": 14.5038}
HAMPEL = {"half_window": 3, "threshold_sigmas": 3.0, "least_distance": 0.5}


def _live(days):
    time = np.arange(0, days * DAY, HOUR)
    return time, 24.0 + np.sin(time / DAY) + np.random.default_rng(1).normal(0, 0.05, time.size)


def test_a_line_temperature_without_change_for_nine_days_is_frozen():
    time, value = _live(30)
    value[-9 * 24 - 1 :] = 24.10
    found = frozen(time, value, **WEEK)
    assert (found.is_frozen, found.lasted_s, found.count) == (True, 9 * DAY, 217)
    assert found.reason == (
        "217 readings within 0 over 777600 s; frozen from 604800 s and 24 readings"
    )
    order = np.random.default_rng(0).permutation(time.size)
    assert frozen(time[order], value[order], **WEEK) == found


@pytest.mark.parametrize(
    ("case", "standing_days", "resolution", "is_frozen"),
    [
        ("six days", 6, 0.0, False),
        ("seven days", 7, 0.0, True),
        ("live", 0, 0.0, False),
        ("live, but coarse", 0, 5.0, True),
    ],
)
def test_standing_still_is_judged_by_time_and_resolution(
    case, standing_days, resolution, is_frozen
):
    time, value = _live(30)
    if standing_days:
        value[-standing_days * 24 - 1 :] = 24.10
    found = frozen(time, value, **{**WEEK, "resolution": resolution})
    assert found.is_frozen is is_frozen


def test_few_readings_are_not_called_frozen():
    assert not frozen([0, 30 * DAY], [5.0, 5.0], **WEEK).is_frozen


def test_spikes_are_found_and_a_step_is_not():
    value = np.random.default_rng(4).normal(10, 0.1, 60)
    value[[7, 30]] = 25.0, -3.0
    assert np.flatnonzero(spikes(value, **HAMPEL)).tolist() == [7, 30]
    step = np.where(np.arange(40) < 20, 10.0, 14.0)
    assert not spikes(step, **HAMPEL).any()
    assert not spikes(np.full(9, 3.0), **HAMPEL).any()
    quiet = np.full(9, 3.0)
    quiet[4] = 3.4
    assert not spikes(quiet, **HAMPEL).any()


def test_spikes_follow_a_shift_and_a_scale():
    value = np.random.default_rng(6).standard_cauchy(200)
    plain = spikes(value, half_window=4, threshold_sigmas=3, least_distance=0.0)
    moved = spikes(7 + 2 * value, half_window=4, threshold_sigmas=3, least_distance=0.0)
    assert plain.tolist() == moved.tolist()
    assert 10 < plain.sum() < 100


def test_gaps_reach_up_to_the_question():
    time = [0, HOUR, 2 * HOUR, 9 * HOUR, 10 * HOUR]
    assert gaps(time, longest_s=2 * HOUR, until_s=11 * HOUR) == (Gap(2 * HOUR, 9 * HOUR),)
    assert gaps(time[::-1], longest_s=2 * HOUR, until_s=13 * HOUR) == (
        Gap(2 * HOUR, 9 * HOUR),
        Gap(10 * HOUR, 13 * HOUR),
    )
    assert gaps([0], longest_s=HOUR, until_s=HOUR) == ()


@pytest.mark.parametrize(
    ("case", "factor", "name"),
    [
        ("same unit", 1.0, None),
        ("same unit, drifting", 1.08, None),
        ("to kPa", 100.0, "bar to kPa"),
        ("to MPa", 0.1, "bar to MPa"),
        ("to psi", 14.5038, "bar to psi"),
        ("half the pressure", 0.5, None),
        ("sign changed", -1.0, None),
    ],
)
def test_a_jump_is_named_only_when_it_looks_like_a_unit(case, factor, name):
    before = np.random.default_rng(8).normal(13.9, 0.2, 50)
    found = unit_drift(before, before[::-1] * factor, factors=PRESSURE, tolerance=0.1)
    assert found.factor_name == name
    assert found.ratio == pytest.approx(factor, rel=1e-9)


def _pair():
    rng = np.random.default_rng(9)
    run_a, run_b = (rng.random(200) < 0.5).astype(float), (rng.random(200) < 0.3).astype(float)
    warm = [20 + 40 * run + rng.normal(0, 4, 200) for run in (run_a, run_b)]
    return run_a, run_b, *warm


def test_swapped_sensors_are_found_and_right_ones_are_not():
    run_a, run_b, warm_a, warm_b = _pair()
    rule = {"driver_a": run_a, "driver_b": run_b, "margin": 0.3, "least_count": 50}
    assert not swapped_pair(warm_a, warm_b, **rule).is_swapped
    found = swapped_pair(warm_b, warm_a, **rule)
    assert found.is_swapped
    assert found.crossed_a > 0.9
    assert abs(found.own_a) < 0.2


def test_one_sensor_on_the_wrong_machine_is_no_swap():
    run_a, run_b, warm_a, _ = _pair()
    both = warm_a, warm_a + np.random.default_rng(3).normal(0, 2, 200)
    rule = {"margin": 0.3, "least_count": 50}
    assert not swapped_pair(*both, driver_a=run_a, driver_b=run_b, **rule).is_swapped
    assert not swapped_pair(*both, driver_a=run_b, driver_b=run_a, **rule).is_swapped


def test_machines_that_run_alike_give_no_evidence():
    run_a, _, warm_a, _ = _pair()
    other = warm_a + np.random.default_rng(3).normal(0, 2, 200)
    found = swapped_pair(other, warm_a, driver_a=run_a, driver_b=run_a, margin=0.3, least_count=50)
    assert not found.is_swapped


@pytest.mark.parametrize(
    ("case", "error", "call", "reason"),
    [
        ("no reading", NotEnoughData, lambda: frozen([], [], **WEEK), "have no reading"),
        ("missing value", OutOfRange, lambda: frozen([0], [np.nan], **WEEK), "value is .* finite"),
        ("two lengths", OutOfRange, lambda: frozen([0, 1], [1.0], **WEEK), "of one length"),
        ("negative step", OutOfRange,
         lambda: frozen([0], [1.0], **{**WEEK, "resolution": -1}), "resolution is -1.0"),
        ("no time", OutOfRange,
         lambda: frozen([0], [1.0], **{**WEEK, "at_least_s": 0}), "at_least_s is 0.0"),
        ("short window", NotEnoughData, lambda: spikes([1, 2, 3], **HAMPEL), "need at least 7"),
        ("no threshold", OutOfRange,
         lambda: spikes([1] * 9, **{**HAMPEL, "threshold_sigmas": 0}), "threshold_sigmas is 0.0"),
        ("question too early", OutOfRange, lambda: gaps([5], longest_s=1, until_s=4),
         "until_s is 4.0; it must be not before the last reading"),
        ("no times", NotEnoughData, lambda: gaps([], longest_s=1, until_s=4), "have no reading"),
        ("no factor", OutOfRange,
         lambda: unit_drift([1] * 3, [1] * 3, factors={}, tolerance=0.1), "one known ratio"),
        ("factor of one", OutOfRange,
         lambda: unit_drift([1] * 3, [1] * 3, factors={"same": 1}, tolerance=0.1), "other than 1"),
        ("median zero", OutOfRange,
         lambda: unit_drift([0] * 3, [1] * 3, factors=PRESSURE, tolerance=0.1), "median is 0.0"),
        ("two values", NotEnoughData,
         lambda: unit_drift([1] * 2, [1] * 3, factors=PRESSURE, tolerance=0.1), "at least 3 each"),
        ("standing driver", OutOfRange,
         lambda: swapped_pair([1, 2] * 5, [2, 1] * 5, driver_a=[1] * 10, driver_b=[0, 1] * 5,
                              margin=0.3, least_count=5), "driver_a is 'the same throughout'"),
        ("sensors of two lengths", OutOfRange,
         lambda: swapped_pair([1, 2], [2], driver_a=[1, 0], driver_b=[0, 1],
                              margin=0.3, least_count=5), "sensors, drivers is"),
        ("few instants", NotEnoughData,
         lambda: swapped_pair([1, 2], [2, 1], driver_a=[1, 0], driver_b=[0, 1],
                              margin=0.3, least_count=5), "have 2 instants, need at least 5"),
    ],
)  # fmt: skip
def test_insane_input_is_refused_by_name(case, error, call, reason):
    with pytest.raises(error, match=reason):
        call()
