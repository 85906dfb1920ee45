"""The demo's counters end at the published sums (fixtures/demo/valves.csv, all invented)."""

from datetime import date, timedelta

import pytest

from valvecare.project.demo.shape import INSPECTED_AT, counters, local, records, table

ZONES = {row["code"]: row["time_zone"] for row in records("sites")}
PUBLISHED = {row["pump"]: row for row in table("valves")}
MADE = {made.pump: made for made in counters(ZONES)}


def test_there_is_a_counter_for_each_of_the_32_pumps():
    assert len(MADE) == 32
    assert set(MADE) == set(PUBLISHED)


@pytest.mark.parametrize("pump", sorted(set(PUBLISHED) - {"AF-CR-2P", "SM-HP-3P"}))
def test_the_increase_since_the_last_inspection_is_the_published_one(pump):
    made, row = MADE[pump], PUBLISHED[pump]
    anchor = local(made.zone, date.fromisoformat(row["last_inspection"]), INSPECTED_AT)
    at = list(made.at).index(anchor)
    assert made.run_hours_h[-1] - made.run_hours_h[at] == pytest.approx(float(row["hours_since"]))
    assert made.starts[-1] - made.starts[at] == int(row["starts_since"])


def test_the_replaced_counter_ends_at_its_closing_value_and_goes_on_from_the_new_one():
    made = MADE["SM-HP-3P"]
    falls = [
        index
        for index, (before, after) in enumerate(
            zip(made.run_hours_h, made.run_hours_h[1:], strict=False)
        )
        if after < before
    ]
    assert len(falls) == 1
    assert 41_236 - 24 <= made.run_hours_h[falls[0]] <= 41_236
    assert 12 <= made.run_hours_h[falls[0] + 1] <= 12 + 24


@pytest.mark.parametrize("pump", sorted(MADE))
def test_no_pump_runs_more_hours_than_have_passed(pump):
    made = MADE[pump]
    for before, after, t0, t1 in zip(
        made.run_hours_h, made.run_hours_h[1:], made.at, made.at[1:], strict=False
    ):
        assert t1 > t0
        assert after - before <= (t1 - t0) / timedelta(hours=1) * 1.02 + 0.02
