"""A push: verdicts row by row, repeats, conflicts, refusals, counters through faults."""

import importlib
import math
from collections import Counter

import pytest

from tests.factories.readings import (
    GaugeFactory,
    SeriesFactory,
    StartsFactory,
    derived,
    integrator,
    push,
    row,
)
from valvecare.core.errors import Forbidden, Reason
from valvecare.models import Push, Reading, Series, SeriesState, SetAside
from valvecare.readings.rules import Row

pytestmark = pytest.mark.django_db


@pytest.fixture
def series():
    return SeriesFactory()


@pytest.fixture
def actor(series):
    return integrator(series.site)


def state(series):
    return SeriesState.objects.get(series=series)


def test_new_rows_are_stored_and_counted(series, actor):
    result = push([row(series, h, 100 + h) for h in range(5)], actor)
    assert result.counts["created"] == 5
    assert Reading.objects.filter(series=series).count() == 5
    kept = state(series)
    assert (kept.points, kept.accumulated, kept.lost_segments) == (5, 4.0, 0)
    assert kept.last_value == 104.0
    log = Push.objects.get()
    assert (log.rows, log.created, log.duplicates, log.rejected) == (5, 5, 0, 0)


def test_the_same_rows_again_change_nothing(series, actor):
    rows = [row(series, h, 100 + h) for h in range(5)]
    push(rows, actor)
    before = derived(series)
    result = push(rows, actor)
    assert result.counts == {
        "created": 0,
        "duplicate": 5,
        "conflict": 0,
        "rejected": 0,
        "set aside": 0,
    }
    assert derived(series) == before


def test_a_conflict_is_reported_and_the_first_stays(series, actor):
    push([row(series, 1, 100.0)], actor)
    result = push([row(series, 1, 107.0)], actor)
    verdict = result.verdicts()[0]
    assert (verdict.status, verdict.code) == ("conflict", "other_value_stored")
    assert Reading.objects.get().value == 100.0


def test_repeats_and_conflicts_inside_one_push(series, actor):
    rows = [row(series, 1, 100.0), row(series, 1, 100.0), row(series, 1, 101.0)]
    result = push(rows, actor)
    assert [v.status for v in result.verdicts()] == ["created", "duplicate", "conflict"]
    assert Reading.objects.get().value == 100.0


def test_a_late_reading_replaces_one_segment_by_two(series, actor):
    push([row(series, 0, 100.0), row(series, 48, 140.0)], actor)
    push([row(series, 24, 120.0)], actor)
    in_order = SeriesFactory(pump=series.pump)
    push([row(in_order, h, v) for h, v in ((0, 100.0), (24, 120.0), (48, 140.0))], actor)
    assert derived(series) == derived(in_order)
    assert state(series).accumulated == 40.0


def test_a_fall_never_lowers_the_total_and_makes_it_a_lower_bound(series, actor):
    push([row(series, 0, 100.0), row(series, 10, 110.0), row(series, 20, 109.0)], actor)
    push([row(series, 30, 119.0)], actor)
    kept = state(series)
    assert kept.accumulated == 20.0
    assert (kept.lost_segments, kept.is_lower_bound) == (1, True)


def test_an_impossible_jump_is_set_aside_and_not_stored(series, actor):
    push([row(series, 0, 100.0)], actor)
    result = push([row(series, 1, 1e9)], actor)
    verdict = result.verdicts()[0]
    assert (verdict.status, verdict.code) == ("set aside", "impossible_jump")
    assert Reading.objects.count() == 1
    waiting = SetAside.objects.get()
    assert (waiting.state, waiting.value, waiting.raw["unit"]) == ("waiting", 1e9, "h")
    assert push([row(series, 1, 1e9)], actor).counts["set aside"] == 1
    assert SetAside.objects.count() == 1
    push([row(series, 2, 102.0)], actor)
    assert state(series).accumulated == 2.0


def test_a_zero_from_a_restarted_gateway_is_put_before_a_person(series, actor):
    """0 h between 100 h and 102 h: stored as a fall, then shown to be the wrong one."""
    push([row(series, 0, 100.0), row(series, 1, 0.0)], actor)
    assert state(series).lost_segments == 1
    assert push([row(series, 2, 102.0)], actor).counts["created"] == 1
    kept = state(series)
    assert (kept.accumulated, kept.lost_segments, kept.points) == (2.0, 0, 2)
    aside = SetAside.objects.get()
    assert (aside.code, aside.value) == ("stray_reading", 0.0)
    assert Reading.objects.get(value=0.0).quality == 2


def test_two_jumps_in_a_row_wait_together(series, actor):
    push([row(series, 0, 100.0)], actor)
    assert push([row(series, 1, 5e4), row(series, 2, 5e4 + 1)], actor).counts["set aside"] == 2
    assert state(series).points == 1


def test_a_roll_over_of_a_declared_modulus_counts_on(actor, series):
    series = SeriesFactory(pump=series.pump, rollover_modulus=100_000.0)
    push([row(series, 0, 99_990.0), row(series, 24, 4.0)], actor)
    assert state(series).accumulated == 14.0
    assert state(series).lost_segments == 0


def test_bad_quality_is_stored_and_counts_for_nothing(series, actor):
    push([row(series, 0, 100.0), row(series, 1, 900.0, quality="bad")], actor)
    push([row(series, 2, 102.0)], actor)
    assert Reading.objects.count() == 3
    assert (state(series).points, state(series).accumulated) == (2, 2.0)
    again = push([row(series, 1, 900.0, quality="bad")], actor)
    assert again.counts["duplicate"] == 1


def test_a_gauge_keeps_its_daily_spread(series, actor):
    gauge = GaugeFactory(pump=series.pump)
    push([row(gauge, h, v) for h, v in ((1, 24.1), (5, 30.2), (9, 22.3))], actor)
    (_, days) = derived(gauge)
    assert len(days) == 1
    (day,) = gauge.days.all()
    assert (day.v_min, day.v_max, day.v_last, day.n) == (22.3, 30.2, 22.3, 3)
    assert math.isclose(day.v_mean, (24.1 + 30.2 + 22.3) / 3, abs_tol=1e-6)


def test_an_implausible_value_waits_for_a_person(series, actor):
    gauge = GaugeFactory(pump=series.pump)
    result = push([row(gauge, 1, 999.0)], actor)
    assert result.verdicts()[0].code == "implausible_value"
    assert Reading.objects.count() == 0


STRICT = [
    ("nan", {"value": math.nan}, "not_finite"),
    ("infinity", {"value": math.inf}, "not_finite"),
    ("1e400 as a whole number", {"value": 10**400}, "not_finite"),
    ("1e308", {"value": 1e308}, "value_out_of_bounds"),
    ("true", {"value": True}, "not_a_number"),
    ("text", {"value": "101"}, "not_a_number"),
    ("underscored", {"value": "1_000"}, "not_a_number"),
    ("other digits", {"value": "٣"}, "not_a_number"),
    ("decimal comma", {"value": "1,5"}, "not_a_number"),
    ("nothing", {"value": None}, "not_a_number"),
    ("below zero", {"value": -1.0}, "negative_counter"),
    ("no unit", {"unit": None}, "unit_mismatch"),
    ("unknown unit", {"unit": "fortnight"}, "unit_mismatch"),
    ("unknown quality", {"quality": "fair"}, "unknown_quality"),
    ("unknown tag", {"series": "P-NOBODY"}, "unknown_series"),
    ("tag with NUL", {"series": "P\0"}, "unknown_series"),
    ("unknown site", {"site": "NOWHERE"}, "unknown_series"),
    ("time without offset", {"at": "naive"}, "time_without_offset"),
    ("time as text", {"at": "2026-01-01T00:00:00Z"}, "time_without_offset"),
    ("1970", {"at": 1970}, "time_too_old"),
    ("far future", {"at": 9999}, "future_time"),
]


@pytest.mark.parametrize(("case", "wrong", "code"), STRICT, ids=[c[0] for c in STRICT])
def test_a_wrong_row_is_refused_by_itself(series, actor, case, wrong, code):
    good = row(series, 1, 101.0)
    bad = row(series, 2, 102.0)
    for name, value in wrong.items():
        if value == "naive":
            value = good.at.replace(tzinfo=None)
        elif isinstance(value, int) and not isinstance(value, bool) and name == "at":
            value = good.at.replace(year=value)
        setattr(bad, name, value)
    result = push([good, bad], actor)
    verdicts = result.verdicts()
    assert [v.status for v in verdicts] == ["created", "rejected"]
    assert verdicts[1].code == code
    assert Reading.objects.count() == 1


def test_a_row_the_edge_could_not_read_is_logged(series, actor):
    result = push([Reason("malformed", "Not a row."), row(series, 1, 100.0)], actor)
    assert [v.status for v in result.verdicts()] == ["rejected", "created"]
    assert Push.objects.get().codes == {"malformed": 1}


def test_the_clock_skew_is_taken_and_flagged(series, actor):
    one = row(series, 1, 100.0)
    result = push(
        [one], actor, at=one.at.replace(minute=0) - (row(series, 0.05, 0).at - row(series, 0, 0).at)
    )
    verdict = result.verdicts()[0]
    assert (verdict.status, verdict.code) == ("created", "ahead_of_clock")


def test_a_retired_series_takes_nothing(series, actor):
    Series.objects.filter(pk=series.pk).update(retired_at=row(series, 0, 0).at)
    assert push([row(series, 1, 100.0)], actor).verdicts()[0].code == "retired_series"


def test_a_stranger_may_not_push_and_sees_no_tags(series, actor):
    stranger = integrator(SeriesFactory().site)
    verdict = push([row(series, 1, 100.0)], stranger).verdicts()[0]
    assert verdict.code == "unknown_series"
    with pytest.raises(Forbidden):
        push([row(series, 1, 100.0)], integrator())
    assert Reading.objects.count() == 0


def test_one_tag_at_two_sites_needs_the_site(series):
    twin = SeriesFactory(tag=series.tag)
    actor = integrator(series.site, twin.site)
    assert push([row(series, 1, 100.0)], actor).verdicts()[0].code == "ambiguous_series"
    assert push([row(series, 1, 100.0, site=twin.site.code)], actor).counts["created"] == 1
    assert push([row(series, 1, 100.0)], actor, site=series.site.code).counts["created"] == 1
    assert Counter(Reading.objects.values_list("series_id", flat=True)) == {
        series.pk: 1,
        twin.pk: 1,
    }


def test_a_series_without_a_state_gets_one(series, actor):
    SeriesState.objects.all().delete()
    assert push([row(series, 1, 100.0)], actor).counts["created"] == 1
    assert state(series).points == 1


def test_units_are_converted_by_the_table(series, actor):
    gauge = GaugeFactory(
        pump=series.pump,
        quantity="discharge pressure",
        unit="bar_g",
        plausible_min=None,
        plausible_max=None,
    )
    assert push([row(gauge, 1, 1400.0, unit="kPa_g")], actor).counts["created"] == 1
    assert Reading.objects.get().value == 14.0
    assert push([row(gauge, 1, 14.0)], actor).counts["duplicate"] == 1
    assert push([row(gauge, 2, 14.0, unit="bar")], actor).verdicts()[0].code == "unit_not_stated"
    assert push([row(gauge, 2, 14.0, unit="bar_a")], actor).verdicts()[0].code == "unit_mismatch"


def test_starts_above_the_stated_ceiling_are_set_aside(series, actor):
    starts = StartsFactory(pump=series.pump)
    push([row(starts, 0, 10)], actor)
    assert push([row(starts, 1, 16)], actor).counts["created"] == 1
    assert push([row(starts, 2, 60)], actor).counts["set aside"] == 1
    assert state(starts).accumulated == 6.0


def test_large_pushes_go_in_chunks_and_give_the_same(series, actor, monkeypatch):
    module = importlib.import_module("valvecare.readings.actions.push_readings")
    monkeypatch.setattr(module, "CHUNK", 7)
    other = SeriesFactory(pump=series.pump)
    rows = [row(series, h, 100 + h / 2) for h in range(40)]
    assert push(rows, actor).counts["created"] == 40
    monkeypatch.undo()
    push([row(other, h, 100 + h / 2) for h in range(40)], actor)
    assert derived(series) == derived(other)


def test_source_keys_are_kept(series, actor):
    push([row(series, 1, 100.0, source_key="h-17"), row(series, 2, 101.0)], actor)
    assert list(Reading.objects.order_by("at_us").values_list("source_key", flat=True)) == [
        "h-17",
        None,
    ]


def test_the_number_of_queries_does_not_grow_with_the_rows(
    series, actor, django_assert_max_num_queries
):
    more = [SeriesFactory(pump=series.pump) for _ in range(30)]
    push([row(one, 0, 100.0) for one in more], actor)
    with django_assert_max_num_queries(16):
        push([row(one, h, 100.0 + h) for one in more for h in range(1, 6)], actor)


def test_a_row_is_typed():
    assert Row.__struct_fields__ == (
        "series",
        "at",
        "value",
        "unit",
        "quality",
        "site",
        "source_key",
    )


@pytest.mark.parametrize(
    "tag", ['a"b', "a\\b", "a,b", "{a}", "a\nb", "NULL", "a'b", "%s", "é µ 中", ""]
)
def test_a_tag_of_any_letters_is_found_and_nothing_else(tag, series, actor):
    odd = SeriesFactory(pump=series.pump, tag=tag)
    assert push([row(odd, 1, 100.0)], actor).counts["created"] == 1
    assert list(Reading.objects.values_list("series_id", flat=True)) == [odd.pk]
