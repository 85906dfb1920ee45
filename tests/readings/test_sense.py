"""Readings that make no sense are found, the series marked, and cleared when they do again."""

import math
import random
from datetime import datetime, timedelta

import pytest

from tests.factories.readings import (
    START,
    GaugeFactory,
    SeriesFactory,
    StartsFactory,
    integrator,
    push,
    row,
)
from tests.factories.register import PumpFactory, member
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import Event, SeriesState
from valvecare.readings import reads
from valvecare.readings.actions import confirm_series, declare_meter_event
from valvecare.readings.actions.check_readings import check_readings
from valvecare.readings.rules import MeterEventKind, Quantity, SeriesKind
from valvecare.readings.rules.sense import Doubt, Found, SeriesFacts, gravest, missing

pytestmark = pytest.mark.django_db


def check(days: float) -> dict[str, int]:
    return check_readings(START + timedelta(days=days), lambda: None)


def state(series):
    return SeriesState.objects.get(series=series)


def lively(day: int, hour: int, base: float = 40.0, seed: int = 1) -> float:
    rng = random.Random(seed * 100_000 + day * 100 + hour)
    return round(base + 8 * math.sin(hour / 24 * 2 * math.pi) + rng.uniform(-1, 1), 2)


def feed(series, values, actor):
    """Four readings a day: `values(day, hour)`; a value None is not sent."""
    rows = [
        row(series, 24 * day + hour, value)
        for day in range(30)
        for hour in (0, 6, 12, 18)
        if (value := values(day, hour)) is not None
    ]
    push(rows, actor)


@pytest.fixture
def hours():
    series = SeriesFactory()
    feed(series, lambda d, h: 1_000.0 + 24 * d + h, integrator(series.site))
    return series


@pytest.fixture
def gauge(hours):
    return GaugeFactory(pump=hours.pump)


@pytest.fixture
def actor(hours):
    return integrator(hours.site)


def test_a_live_gauge_is_not_doubted(gauge, actor):
    feed(gauge, lively, actor)
    assert check(30)["doubtful"] == 0


def test_a_gauge_without_change_for_nine_days_is_frozen(gauge, actor):
    """Invented case of the demo world: 24.10 °C without any change for 9 days."""
    feed(gauge, lambda d, h: lively(d, h) if d < 21 else 24.10, actor)
    assert check(30) == {"checked": 2, "doubtful": 1, "changed": 1}
    kept = state(gauge)
    assert kept.doubtful_code == "frozen"
    assert "24.1 °C without change for 8 days" in kept.doubtful_words
    assert reads.is_doubtful([gauge.pk, gauge.pk + 99]) == {gauge.pk: kept.doubtful_words}
    assert check(30)["changed"] == 0
    assert Event.objects.filter(type="series.doubtful").count() == 1


def test_a_still_gauge_on_a_pump_at_rest_is_not_frozen(actor, hours):
    pump = PumpFactory(group=hours.pump.group)
    rest, gauge = SeriesFactory(pump=pump), GaugeFactory(pump=pump)
    feed(rest, lambda d, h: 500.0, actor)
    feed(gauge, lambda d, h: 24.10, actor)
    assert check(30)["doubtful"] == 0


def test_a_gauge_that_lives_again_is_cleared(gauge, actor):
    feed(gauge, lambda d, h: lively(d, h) if d < 21 else 24.10, actor)
    check(30)
    push([row(gauge, 24 * 30 + h, lively(30, h)) for h in (0, 6, 12)], actor)
    assert check(31)["changed"] == 1
    assert state(gauge).doubtful_code == ""
    assert Event.objects.filter(type="series.sound").count() == 1


def test_a_spike_is_found(gauge, actor):
    feed(gauge, lambda d, h: 180.0 if (d, h) == (27, 12) else lively(d, h), actor)
    assert check(30)["doubtful"] == 1
    assert state(gauge).doubtful_code == "spikes"
    assert "180" in state(gauge).doubtful_words


@pytest.mark.parametrize("quantity", ["power", "bypass line temperature"])
def test_a_pump_that_starts_and_stops_makes_no_spikes(quantity, actor):
    """The power pattern of the demo plant: a day and a half on, three off."""
    unit = "kW" if quantity == "power" else "degC"
    one = GaugeFactory(quantity=quantity, unit=unit, plausible_min=None, plausible_max=None)
    hours = [h for day in range(30) for h in range(24 * day, 24 * day + 24, 6)]
    push(
        [row(one, h, 44.0 + h % 5 / 10 if (h // 36) % 3 == 0 else 0.2 + h % 4 / 10) for h in hours],
        integrator(one.site),
    )
    for day in range(20, 31):
        check(day)
        assert state(one).doubtful_code == "", day


def test_the_one_stop_of_a_month_is_no_spike(hours, actor):
    power = GaugeFactory(pump=hours.pump, quantity="power", unit="kW")
    feed(power, lambda d, h: 0.3 if (d, h) == (27, 12) else lively(d, h, 140.0), actor)
    assert check(30)["doubtful"] == 0
    high = GaugeFactory(pump=hours.pump, quantity="power", unit="kW", plausible_max=None)
    feed(high, lambda d, h: 900.0 if (d, h) == (27, 12) else lively(d, h, 140.0), actor)
    check(30)
    assert state(high).doubtful_code == "spikes"


def test_an_old_spike_is_past(gauge, actor):
    feed(gauge, lambda d, h: 180.0 if (d, h) == (12, 12) else lively(d, h), actor)
    assert check(30)["doubtful"] == 0


def test_silence_is_found(actor, hours):
    gauge = GaugeFactory(pump=hours.pump, expected_period_s=3_600.0)
    feed(gauge, lambda d, h: lively(d, h) if d < 25 else None, actor)
    assert check(30)["doubtful"] == 1
    assert state(gauge).doubtful_code == "missing"
    assert state(gauge).doubtful_words.endswith("; one is expected every hour")


@pytest.mark.parametrize(
    ("silent_h", "period_s", "words"),
    [
        (1_566.0, 86_400.0, "none for 65 days; one is expected every day"),
        (50.0, 43_200.0, "none for 2 days; one is expected every 12 h"),
        (1.5, 900.0, "none for 90 min; one is expected every 15 min"),
        (12.0, 12_000.0, "none for 12 h; one is expected every 200 min"),
        (720.0, 172_800.0, "none for 30 days; one is expected every 2 days"),
        (0.05, 30.0, "none for 3 min; one is expected every 30 s"),
        (1.0, 0.5, "none for 60 min; one is expected every 0.5 s"),
    ],
)
def test_a_silence_is_told_in_the_largest_sensible_unit(silent_h, period_s, words):
    gauge = SeriesFacts(1, "T", Quantity.POWER, SeriesKind.GAUGE, "kW", 0.1, period_s, last_us=0)
    assert missing(gauge, round(silent_h * 3_600e6)).words == words


def test_two_silences_of_one_series_are_told_under_one_heading():
    both = [Found(Doubt.MISSING, "none for 65 days"), Found(Doubt.MISSING, "silent while H rises")]
    assert gravest([*both, Found(Doubt.FROZEN, "24.1 degC")]).words == (
        "Stands still: 24.1 degC; No readings: none for 65 days; silent while H rises"
    )


def test_a_start_counter_missing_while_hours_rise_is_found(actor, hours):
    starts = StartsFactory(pump=hours.pump)
    check(30)
    assert state(starts).doubtful_code == "missing"
    feed(starts, lambda d, h: 10 + d, actor)
    check(30)
    assert state(starts).doubtful_code == ""


def test_kilopascal_named_bar_is_found(actor, hours):
    """Trap of the demo world: a value in kPa named bar."""
    pressure = GaugeFactory(
        pump=hours.pump,
        quantity="discharge pressure",
        unit="bar_g",
        plausible_min=None,
        plausible_max=None,
    )
    feed(
        pressure,
        lambda d, h: lively(d, h, 60.0) * (100 if d >= 26 else 1),
        actor,
    )
    check(30)
    assert state(pressure).doubtful_code == "unit_drift"
    assert "bar_g to kPa" in state(pressure).doubtful_words


def test_a_change_of_load_is_no_change_of_unit(actor, hours):
    flow = GaugeFactory(
        pump=hours.pump, quantity="main flow", unit="m3/h", plausible_min=None, plausible_max=None
    )
    feed(flow, lambda d, h: lively(d, h, 90.0 if d < 26 else 60.0), actor)
    assert check(30)["doubtful"] == 0


def test_sensors_on_each_others_pump_are_found(actor, hours):
    """Trap of the demo world: sensors of two pumps of a group exchanged."""
    group = hours.pump.group
    pumps = [PumpFactory(group=group) for _ in range(2)]
    runs = [
        [(d * 7 + d // 3) % 2 for d in range(30)],
        [(d * 5 + d // 2) % 3 > 0 for d in range(30)],
    ]
    gauges = []
    for n, pump in enumerate(pumps):
        counter = SeriesFactory(pump=pump)
        total = [1_000.0 + 24 * sum(runs[n][:d]) for d in range(31)]
        push([row(counter, 24 * d, total[d]) for d in range(31)], actor)
        gauges.append(GaugeFactory(pump=pump))
    for n, gauge in enumerate(gauges):
        follows = runs[1 - n]
        feed(gauge, lambda d, h, f=follows: lively(d, h, 60.0 if d and f[d - 1] else 25.0), actor)
    check(30)
    assert [state(one).doubtful_code for one in gauges] == ["swapped", "swapped"]
    assert gauges[1].tag in state(gauges[0]).doubtful_words


def test_a_sender_whose_clock_is_wrong_is_found(gauge, actor):
    feed(gauge, lively, actor)
    late = START + timedelta(days=30)
    one = row(gauge, 24 * 30 + 5, 40.0)
    push([one], actor, at=late)
    assert check(30.01)["doubtful"] == 1
    assert state(gauge).doubtful_code == "clock_trouble"
    assert "future time" in state(gauge).doubtful_words


def test_every_series_of_a_sender_whose_clock_is_wrong_is_doubted(hours, actor):
    gauges = [GaugeFactory(pump=PumpFactory(group=hours.pump.group)) for _ in range(12)]
    late = START + timedelta(days=30)
    push([row(gauge, 24 * 30 + 5, 40.0) for gauge in gauges], actor, at=late)
    check(30.01)
    assert {state(one).doubtful_code for one in gauges} == {"clock_trouble"}


def test_an_undeclared_change_of_meter_is_found_and_ends_when_declared(hours, actor):
    """Scenario section 9: a counter that goes on from 12 h, here without its meter event."""
    push([row(hours, 24 * 30 + 24 * n, 12.0 + 24 * n) for n in range(3)], actor)
    check(32.5)
    assert state(hours).doubtful_code == "meter_changed"
    assert "31 Jan 2026" in state(hours).doubtful_words
    declare_meter_event(
        hours.pk,
        kind=MeterEventKind.REPLACED,
        event_at=START + timedelta(days=29, hours=23),
        closing_value=1_719.0,
        opening_value=11.0,
        actor=member(hours.site, Role.RELIABILITY_ENGINEER),
        at=START + timedelta(days=33),
    )
    check(33)
    assert state(hours).doubtful_code == ""


def starting(series, actor, days, first=100.0):
    """Two starts a day."""
    push([row(series, 24 * day, first + 2 * day) for day in range(days)], actor)


def test_run_hours_that_stand_while_the_pump_starts_are_found(actor):
    """A stuck hour meter would let no run-hour limit ever be reached."""
    hours = SeriesFactory()
    starts = StartsFactory(pump=hours.pump)
    actor = integrator(hours.site)
    feed(hours, lambda d, h: 1_000.0 + 6 * min(d, 24), actor)
    starting(starts, actor, 30)
    check(30)
    assert state(hours).doubtful_code == "frozen"
    assert state(hours).doubtful_words == (
        f"Stands still: 1144 h for 5 days while {starts.tag} gained 10"
    )


def test_run_hours_that_stand_while_the_pump_draws_power_are_found(actor):
    hours = SeriesFactory()
    power = GaugeFactory(pump=hours.pump, quantity="power", unit="kW")
    actor = integrator(hours.site)
    feed(hours, lambda d, h: 1_000.0 + min(24 * d + h, 24 * 25), actor)
    feed(power, lambda d, h: lively(d, h, 140.0), actor)
    check(30)
    assert state(hours).doubtful_code == "frozen"
    assert power.tag in state(hours).doubtful_words


def test_run_hours_of_a_pump_at_rest_may_stand(actor):
    hours = SeriesFactory()
    starts = StartsFactory(pump=hours.pump)
    power = GaugeFactory(pump=hours.pump, quantity="power", unit="kW")
    actor = integrator(hours.site)
    feed(hours, lambda d, h: 1_000.0 + min(24 * d + h, 24 * 25), actor)
    push([row(starts, 24 * day, 100.0) for day in range(30)], actor)
    feed(power, lambda d, h: lively(d, h, 140.0) if d < 25 else lively(d, h, 8.0) / 10, actor)
    check(30)
    assert state(hours).doubtful_code == ""


def test_readings_that_wait_make_a_series_doubtful(hours, actor):
    push([row(hours, 24 * 30, 1e9)], actor)
    check(30)
    assert state(hours).doubtful_code == "set_aside"


def test_a_persons_word_keeps_quiet_for_a_week(gauge, actor):
    feed(gauge, lambda d, h: lively(d, h) if d < 21 else 24.10, actor)
    check(30)
    engineer = member(gauge.site, Role.RELIABILITY_ENGINEER)
    at: datetime = START + timedelta(days=30)
    with pytest.raises(Refused):
        confirm_series(gauge.pk, actor=engineer, at=at, why="  ")
    confirm_series(gauge.pk, actor=engineer, at=at, why="hand-held probe agrees")
    assert state(gauge).doubtful_code == ""
    check(33)
    assert state(gauge).doubtful_code == ""
    feed(gauge, lambda d, h: None, actor)
    check(38)
    assert state(gauge).doubtful_code == "frozen"


def test_a_persons_word_answers_its_own_doubt_only(gauge, actor):
    """What was checked by hand on Monday says nothing of a sensor that falls silent on Tuesday."""
    type(gauge).objects.filter(pk=gauge.pk).update(expected_period_s=21_600.0)
    feed(gauge, lambda d, h: 180.0 if (d, h) == (27, 12) else lively(d, h), actor)
    check(30)
    assert state(gauge).doubtful_code == "spikes"
    engineer = member(gauge.site, Role.RELIABILITY_ENGINEER)
    at = START + timedelta(days=30)
    confirm_series(gauge.pk, actor=engineer, at=at, why="steam trap, seen")
    check(30.1)
    assert state(gauge).doubtful_code == ""
    check(33)
    assert state(gauge).doubtful_code == "missing"


def test_the_check_costs_the_same_queries_for_more_series(
    hours, actor, django_assert_max_num_queries
):
    for _ in range(8):
        gauge = GaugeFactory(pump=PumpFactory(group=hours.pump.group))
        feed(gauge, lively, actor)
    with django_assert_max_num_queries(12):
        assert check(30)["checked"] == 9
