"""What people declare and judge: meters, readings set aside, wrong readings, swapped sensors."""

from datetime import timedelta

import pytest

from tests.factories.readings import (
    LONG_AFTER,
    GaugeFactory,
    SeriesFactory,
    StartsFactory,
    derived,
    integrator,
    push,
    row,
)
from tests.factories.register import PumpFactory, member
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, MeterEvent, Reading, Series, SeriesState, SetAside
from valvecare.readings import actions
from valvecare.readings.rules import MeterEventKind

pytestmark = pytest.mark.django_db


@pytest.fixture
def series():
    return SeriesFactory()


@pytest.fixture
def actor(series):
    return integrator(series.site)


@pytest.fixture
def engineer(series):
    return member(series.site, Role.RELIABILITY_ENGINEER)


def state(series):
    return SeriesState.objects.get(series=series)


def declare(series, hours, closing, opening, actor, kind=MeterEventKind.REPLACED):
    return actions.declare_meter_event(
        series.pk,
        kind=kind,
        event_at=row(series, hours, 0).at,
        closing_value=closing,
        opening_value=opening,
        actor=actor,
        at=LONG_AFTER,
    )


def test_a_replaced_meter_counts_on_from_41236_h_to_12_h(series, actor, engineer):
    """The invented case of the demo world: 41,236 h, then 12 h."""
    push([row(series, 0, 41_230.0), row(series, 24, 30.0)], actor)
    assert (state(series).accumulated, state(series).lost_segments) == (0.0, 1)
    declare(series, 10, 41_236.0, 12.0, engineer)
    assert (state(series).accumulated, state(series).lost_segments) == (24.0, 0)
    assert Event.objects.filter(type="meter.declared").count() == 1


@pytest.mark.parametrize("first", ["event", "readings"])
def test_event_and_readings_may_come_in_either_order(first, series, actor, engineer):
    other = SeriesFactory(pump=series.pump)
    for one, event_first in ((series, first == "event"), (other, first != "event")):
        if event_first:
            declare(one, 10, 41_236.0, 12.0, engineer)
        push([row(one, 0, 41_230.0), row(one, 24, 30.0), row(one, 48, 50.0)], actor)
        if not event_first:
            declare(one, 10, 41_236.0, 12.0, engineer)
    assert derived(series) == derived(other)
    assert state(series).accumulated == 44.0


def test_a_used_meter_that_opened_higher_is_taken_back_when_declared(series, actor, engineer):
    push([row(series, 0, 100.0)], actor)
    late = [row(series, 24, 50_010.0), row(series, 48, 50_030.0)]
    assert push(late, actor).counts["set aside"] == 2
    declare(series, 10, 110.0, 50_000.0, engineer)
    assert state(series).accumulated == 40.0
    assert state(series).lost_segments == 0
    assert list(SetAside.objects.values_list("state", flat=True)) == ["accepted", "accepted"]
    assert push(late, actor).counts["duplicate"] == 2


def test_a_declared_roll_over_counts_on_without_a_modulus(series, actor, engineer):
    push([row(series, 0, 99_990.0), row(series, 24, 4.0)], actor)
    declare(series, 12, 100_000.0, 0.0, engineer, MeterEventKind.ROLLOVER)
    assert state(series).accumulated == 14.0


def test_declaring_twice_is_once_and_another_value_is_refused(series, engineer):
    first = declare(series, 10, 100.0, 0.0, engineer)
    assert declare(series, 10, 100.0, 0.0, engineer) == first
    with pytest.raises(Refused) as refused:
        declare(series, 10, 101.0, 0.0, engineer)
    assert refused.value.code == "other_meter_event"
    assert MeterEvent.objects.count() == 1


def test_meters_that_would_run_backwards_are_refused(series, actor, engineer):
    push([row(series, 0, 100.0), row(series, 100, 30.0)], actor)
    declare(series, 10, 105.0, 50.0, engineer)
    before = derived(series)
    with pytest.raises(Refused) as refused:
        declare(series, 20, 40.0, 0.0, engineer)
    assert refused.value.code == "meter_ran_backwards"
    assert MeterEvent.objects.count() == 1
    assert derived(series) == before


def test_meter_events_are_for_counters_seen_and_permitted(series, actor, engineer):
    gauge = GaugeFactory(pump=series.pump)
    with pytest.raises(Refused) as refused:
        declare(gauge, 10, 1.0, 0.0, engineer)
    assert refused.value.code == "not_a_counter"
    with pytest.raises(Refused) as refused:
        declare(series, 24 * 3650, 1.0, 0.0, engineer)
    assert refused.value.code == "future_time"
    with pytest.raises(NotFound):
        declare(SeriesFactory(), 10, 1.0, 0.0, engineer)
    with pytest.raises(Forbidden):
        declare(series, 10, 1.0, 0.0, member(series.site, Role.PLANNER))
    assert MeterEvent.objects.count() == 0


def waiting_jump(series, actor):
    push([row(series, 0, 100.0), row(series, 1, 1e9)], actor)
    return SetAside.objects.get()


def test_an_accepted_jump_is_stored_and_its_segment_adds_nothing(series, actor, engineer):
    item = waiting_jump(series, actor)
    actions.accept_set_aside(item.pk, version=1, actor=engineer, at=LONG_AFTER, why="checked")
    assert Reading.objects.count() == 2
    kept = state(series)
    assert (kept.points, kept.accumulated, kept.lost_segments) == (2, 0.0, 1)
    item.refresh_from_db()
    assert (item.state, item.judged_by, item.judged_why) == ("accepted", engineer, "checked")


def test_accepting_one_jump_brings_back_those_that_follow_from_it(series, actor, engineer):
    push([row(series, 0, 100.0)], actor)
    push([row(series, 1, 5e4), row(series, 2, 5e4 + 1), row(series, 3, 5e4 + 2)], actor)
    first = SetAside.objects.order_by("at_us").first()
    actions.accept_set_aside(first.pk, version=first.version, actor=engineer, at=LONG_AFTER)
    assert SetAside.objects.filter(state="waiting").count() == 0
    assert (state(series).accumulated, state(series).lost_segments) == (2.0, 1)


def test_a_dismissed_reading_stays_out_when_pushed_again(series, actor, engineer):
    item = waiting_jump(series, actor)
    actions.dismiss_set_aside(item.pk, version=1, actor=engineer, at=LONG_AFTER, why="glitch")
    verdict = push([row(series, 1, 1e9)], actor).verdicts()[0]
    assert (verdict.status, verdict.code) == ("rejected", "dismissed_before")
    assert Reading.objects.count() == 1


def test_judging_needs_the_version_the_permit_and_sight(series, actor, engineer):
    item = waiting_jump(series, actor)
    with pytest.raises(Conflict):
        actions.accept_set_aside(item.pk, version=7, actor=engineer, at=LONG_AFTER)
    with pytest.raises(Forbidden):
        actions.accept_set_aside(
            item.pk, version=1, actor=member(series.site, Role.PLANNER), at=LONG_AFTER
        )
    stranger = member(SeriesFactory().site, Role.RELIABILITY_ENGINEER)
    with pytest.raises(NotFound):
        actions.dismiss_set_aside(item.pk, version=1, actor=stranger, at=LONG_AFTER)
    actions.dismiss_set_aside(item.pk, version=1, actor=engineer, at=LONG_AFTER)
    with pytest.raises(Refused) as refused:
        actions.accept_set_aside(item.pk, version=2, actor=engineer, at=LONG_AFTER)
    assert refused.value.code == "judged_already"
    assert Reading.objects.count() == 1


def test_a_stray_that_a_person_accepts_counts_again(series, actor, engineer):
    push([row(series, h, v) for h, v in ((0, 100.0), (1, 0.0))], actor)
    push([row(series, 2, 102.0)], actor)
    item = SetAside.objects.get(code="stray_reading")
    actions.accept_set_aside(item.pk, version=1, actor=engineer, at=LONG_AFTER)
    assert Reading.objects.get(value=0.0).quality == 0
    assert state(series).lost_segments == 2


def test_a_reading_called_wrong_stays_and_counts_no_more(series, actor, engineer):
    push([row(series, 0, 100.0), row(series, 10, 90.0), row(series, 30, 102.0)], actor)
    assert (state(series).accumulated, state(series).lost_segments) == (12.0, 1)
    wrong = Reading.objects.get(value=90.0)
    actions.call_reading_wrong(
        series.pk, at_us=wrong.at_us, actor=engineer, at=LONG_AFTER, why="gateway restart"
    )
    assert Reading.objects.count() == 3
    assert (state(series).accumulated, state(series).lost_segments) == (2.0, 0)
    with pytest.raises(NotFound):
        actions.call_reading_wrong(series.pk, at_us=1, actor=engineer, at=LONG_AFTER, why="")


def test_a_series_is_added_with_its_state_and_changed_with_its_days(actor, engineer):
    pump = PumpFactory(group__site=engineer.valvecare_memberships.get().site)
    fields = {"tag": "P-9.HOURS", "quantity": "run hours", "unit": "h", "resolution": 0.1}
    series = actions.add_series(pump.pk, fields, actor=engineer, at=LONG_AFTER)
    assert (series.kind, series.site, state(series).points) == ("counter", pump.group.site, 0)
    push([row(series, 0, 99_990.0), row(series, 24, 4.0)], actor)
    assert state(series).accumulated == 0.0
    actions.change_series(
        series.pk, {"rollover_modulus": 100_000.0}, version=1, actor=engineer, at=LONG_AFTER
    )
    assert state(series).accumulated == 14.0
    with pytest.raises(Refused) as refused:
        actions.change_series(
            series.pk, {"rollover_modulus": 9_000.0}, version=2, actor=engineer, at=LONG_AFTER
        )
    assert refused.value.code == "stored_readings_differ"
    assert Series.objects.get(pk=series.pk).rollover_modulus == 100_000.0
    with pytest.raises(Forbidden):
        actions.add_series(pump.pk, {**fields, "tag": "X"}, actor=actor, at=LONG_AFTER)


def test_swapped_sensors_exchange_their_pumps(series, engineer):
    one = GaugeFactory(pump=series.pump)
    two = GaugeFactory(pump=PumpFactory(group=series.pump.group))
    pumps = one.pump_id, two.pump_id
    actions.swap_series(one.pk, two.pk, versions=(1, 1), actor=engineer, at=LONG_AFTER)
    one.refresh_from_db()
    two.refresh_from_db()
    assert (one.pump_id, two.pump_id) == (pumps[1], pumps[0])
    with pytest.raises(Refused) as refused:
        actions.swap_series(
            one.pk,
            StartsFactory(pump=series.pump).pk,
            versions=(2, 1),
            actor=engineer,
            at=LONG_AFTER + timedelta(1),
        )
    assert refused.value.code == "not_a_pair"


def test_what_stored_values_mean_does_not_change(series, actor, engineer):
    push([row(series, 0, 100.0)], actor)
    with pytest.raises(Refused) as refused:
        actions.change_series(series.pk, {"unit": "1"}, version=1, actor=engineer, at=LONG_AFTER)
    assert refused.value.code == "has_readings"
    stranger = member(SeriesFactory().site, Role.RELIABILITY_ENGINEER)
    with pytest.raises(NotFound):
        actions.change_series(series.pk, {"unit": "1"}, version=1, actor=stranger, at=LONG_AFTER)


def test_a_right_value_takes_the_place_of_a_wrong_one_of_its_instant(series, actor, engineer):
    """What the refusal tells a person to do must lead somewhere."""
    gauge = GaugeFactory(pump=series.pump)
    push([row(gauge, 1, 400.0)], actor)  # above what is plausible: set aside
    push([row(gauge, 1, 24.0)], actor)
    item = SetAside.objects.get()
    who = {"actor": engineer, "at": LONG_AFTER}
    with pytest.raises(Refused) as refused:
        actions.accept_set_aside(item.pk, version=item.version, why="steam, seen", **who)
    assert refused.value.code == "other_value_stored"
    at_us = Reading.objects.get(series=gauge).at_us
    actions.call_reading_wrong(gauge.pk, at_us=at_us, why="other sensor", **who)
    item.refresh_from_db()
    actions.accept_set_aside(item.pk, version=item.version, why="steam, seen", **who)
    stored = Reading.objects.get(series=gauge)
    assert (stored.value, stored.quality) == (400.0, 0)
    assert state(gauge).last_value == 400.0
    event = Event.objects.get(type="reading.accepted")
    assert event.data["replaced_bad_value"] == 24.0


def test_a_bad_value_is_not_made_good_when_the_waiting_one_of_its_instant_is_explained(
    series, actor, engineer
):
    push([row(series, 0, 100.0)], actor)
    push([row(series, 24, 50_010.0)], actor)
    push([row(series, 24, 7.0, quality="bad")], actor)
    declare(series, 10, 110.0, 50_000.0, engineer)
    stored = Reading.objects.get(series=series, at_us=Reading.objects.latest("at_us").at_us)
    assert (stored.value, stored.quality) == (50_010.0, 0)
    assert state(series).accumulated == 20.0


def test_an_accepted_reading_that_turns_out_a_stray_waits_again(series, actor, engineer):
    push([row(series, 0, 100.0)], actor)
    push([row(series, 1, 5_000.0)], actor)
    item = SetAside.objects.get()
    actions.accept_set_aside(item.pk, version=item.version, actor=engineer, at=LONG_AFTER)
    push([row(series, 2, 102.0), row(series, 3, 103.0)], actor)
    push([row(series, 1.5, 101.5), row(series, 0.5, 100.5)], actor)
    item.refresh_from_db()
    assert (Reading.objects.get(series=series, value=5_000.0).quality, item.state) == (2, "waiting")
