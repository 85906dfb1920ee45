"""Whichever comes first: the demo fleet's published answers, refusals, properties.

tests/engineering/data/demo_fleet_shares.csv: the invented demo fleet on its demo day, 2026-05-04,
with the answers published beside it (shares to two decimals).
"""

import csv
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvecare.engineering.calendars import calendar_share, calendar_shares
from valvecare.engineering.due_dates import (
    DUE_STATES,
    NONE,
    DueState,
    Trigger,
    dates_after,
    first_dates,
    governing_shares,
    shares_used,
    whichever_first,
)
from valvecare.engineering.errors import OutOfRange

KINDS = ("calendar", "run-hours", "starts")
DEMO_DAY = date(2026, 5, 4)
with (Path(__file__).parent / "data" / "demo_fleet_shares.csv").open() as rows:
    FLEET = list(csv.DictReader(rows))
RECORDED = [row for row in FLEET if row["last_inspection"]]


def _shares(row):
    last = date.fromisoformat(row["last_inspection"])
    return [
        calendar_share(last, DEMO_DAY, months=int(row["limit_months"])),
        float(shares_used(float(row["hours_since"]), float(row["limit_hours"]))),
        float(shares_used(float(row["starts_since"]), float(row["limit_starts"]))),
    ]


@pytest.mark.parametrize("row", RECORDED, ids=lambda row: row["valve"])
def test_each_recorded_demo_valve_has_its_published_answer(row):
    due = whichever_first(
        [Trigger(kind, share) for kind, share in zip(KINDS, _shares(row), strict=True)]
    )
    assert due.share_used == pytest.approx(float(row["share_used"]), abs=0.01)
    assert due.governed_by == row["governed_by"]
    expected = DueState.REACHED if float(row["share_used"]) > 1 else DueState.NOT_REACHED
    assert due.state == expected


def test_the_whole_demo_fleet_in_one_call():
    def column(name, kind):
        return np.array(
            [row[name] or ("NaT" if kind == "datetime64[D]" else "nan") for row in FLEET]
        ).astype(kind)

    share = np.stack(
        [
            calendar_shares(
                column("last_inspection", "datetime64[D]"),
                np.datetime64(DEMO_DAY),
                months=column("limit_months", int),
            ),
            shares_used(column("hours_since", float), column("limit_hours", float)),
            shares_used(column("starts_since", float), column("limit_starts", float)),
        ],
        axis=1,
    )
    found = governing_shares(share, applies=True)
    states = [DUE_STATES[code].value for code in found.state]
    assert {state: states.count(state) for state in set(states)} == {
        "reached": 4,
        "not_reached": 27,
        "no_record": 1,
    }
    for index, row in enumerate(FLEET):
        if row["governed_by"] == "no record":
            assert (found.governing[index], states[index]) == (NONE, "no_record")
            assert np.isnan(found.share[index])
        else:
            assert KINDS[found.governing[index]] == row["governed_by"]
            assert found.share[index] == pytest.approx(float(row["share_used"]), abs=0.01)
    high = (found.share >= 0.9) & (found.share < 1)
    assert [FLEET[i]["valve"] for i in np.flatnonzero(high)] == [
        "NH-DH-3V", "NH-BC-2V", "NH-FW-1V", "SM-HP-4V", "AF-FW-1V", "AF-CR-1V", "AF-PW-3V",
    ]  # fmt: skip


def test_published_date_case():
    """Open case R64: field-wise minimum, a missing latest counts as never."""
    due = whichever_first(
        [
            Trigger("calendar", 0.5, *[date(2027, 5, 1)] * 3),
            Trigger("run_hours", 0.4, date(2027, 2, 10), date(2027, 4, 3), date(2027, 6, 20)),
            Trigger("starts", 0.3, date(2027, 3, 1), date(2027, 7, 15), None),
        ]
    )
    assert (due.earliest, due.likely, due.latest) == (
        date(2027, 2, 10),
        date(2027, 4, 3),
        date(2027, 5, 1),
    )
    assert (due.date_set_by, due.date_runner_up) == ("run_hours", "calendar")
    assert (due.governed_by, due.runner_up) == ("calendar", "run_hours")


@pytest.mark.parametrize(
    ("case", "shares", "state", "governed_by", "not_known"),
    [
        ("exactly reached is due", [1.0, 0.2], "reached", "a", ()),
        ("a hair before", [np.nextafter(1.0, 0.0), 0.2], "not_reached", "a", ()),
        ("no record is never fine", [None, None], "no_record", None, ("a", "b")),
        ("one gap is never fine", [0.1, None], "incomplete", "a", ("b",)),
        ("a gap does not hide what is reached", [1.2, None], "reached", "a", ("b",)),
        ("zero is a share", [0.0, 0.0], "not_reached", "a", ()),
        ("on a tie the earlier governs", [0.7, 0.7], "not_reached", "a", ()),
        ("largest share governs", [0.7, 0.71], "not_reached", "b", ()),
    ],
)
def test_state_and_governing_trigger(case, shares, state, governed_by, not_known):
    due = whichever_first([Trigger(n, s) for n, s in zip("ab", shares, strict=True)])
    assert (due.state, due.governed_by, due.not_known) == (state, governed_by, not_known)


def test_an_item_without_limits_says_so():
    assert whichever_first([]).state == DueState.NO_LIMIT
    found = governing_shares([[0.5, 2.0]], applies=[[False, False]])
    assert DUE_STATES[found.state[0]] == DueState.NO_LIMIT
    assert found.governing.tolist() == [NONE]


def test_a_share_without_limit_is_ignored_and_a_lower_bound_is_carried():
    found = governing_shares(
        [[0.5, 2.0], [0.5, 0.6]],
        applies=[[True, False], [True, True]],
        is_lower_bound=[[False, True], [False, True]],
    )
    assert found.governing.tolist() == [0, 1]
    assert found.runner_up.tolist() == [NONE, 0]
    assert found.is_lower_bound.tolist() == [False, True]


def test_a_trigger_with_a_likely_date_only_leaves_no_earliest_after_it():
    rate_only = Trigger("run_hours", 0.4, None, date(2027, 1, 10), None)
    calendar = Trigger("calendar", 0.5, *[date(2027, 5, 1)] * 3)
    due = whichever_first([calendar, rate_only])
    assert (due.earliest, due.likely, due.latest) == (None, date(2027, 1, 10), date(2027, 5, 1))
    assert (due.date_set_by, due.date_runner_up) == ("run_hours", "calendar")


def test_no_dates_at_all_is_no_date():
    due = whichever_first([Trigger("calendar", None)])
    assert (due.earliest, due.likely, due.latest, due.date_set_by) == (None,) * 4


maybe_share = st.one_of(st.none(), st.floats(0, 3))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(maybe_share, maybe_share, maybe_share), min_size=1, max_size=8))
def test_fleet_and_single_item_are_one_rule(rows):
    table = np.array([[np.nan if s is None else s for s in row] for row in rows])
    fleet = governing_shares(table, applies=True)
    for index, row in enumerate(rows):
        due = whichever_first([Trigger(k, s) for k, s in zip(KINDS, row, strict=True)])
        assert due.state == DUE_STATES[fleet.state[index]]
        assert due.governed_by == (
            None if fleet.governing[index] == NONE else KINDS[fleet.governing[index]]
        )


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.floats(0, 2), min_size=3, max_size=3), st.floats(0, 1), st.permutations(range(3))
)
def test_more_use_never_lowers_the_share_and_trigger_order_is_no_matter(shares, extra, order):
    before = governing_shares([shares], applies=True)
    after = governing_shares([[shares[0] + extra, *shares[1:]]], applies=True)
    assert after.share[0] >= before.share[0]
    moved = governing_shares([[shares[i] for i in order]], applies=True)
    assert moved.share[0] == before.share[0]
    assert moved.state[0] == before.state[0]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 900), st.integers(0, 90), st.integers(0, 90)),
                min_size=1, max_size=4))  # fmt: skip
def test_the_band_stays_in_order_and_no_trigger_comes_before_it(rows):
    early = np.array([[a for a, _, _ in rows]])
    middle = early + [[b for _, b, _ in rows]]
    late = middle + [[c for _, _, c in rows]]
    found = first_dates(*(np.datetime64(DEMO_DAY) + t for t in (early, middle, late)))
    assert found.earliest[0] <= found.likely[0] <= found.latest[0]
    assert found.likely[0] == np.datetime64(DEMO_DAY) + middle.min()
    assert middle[0, found.set_by[0]] == middle.min()


def test_days_ahead_are_rounded_down_and_never_means_no_date():
    found = dates_after(["2026-05-04", "2026-05-04", "2026-05-04"], [0.99, np.nan, 1e12])
    assert found.astype(str).tolist() == ["2026-05-04", "NaT", "NaT"]
    assert dates_after("2024-02-28", 1.0) == np.datetime64("2024-02-29")


@pytest.mark.parametrize(
    ("case", "call", "reason"),
    [
        ("negative share", lambda: governing_shares([[-0.1]], applies=True), "share is -0.1"),
        ("endless share", lambda: governing_shares([[np.inf]], applies=True), "finite, or not"),
        ("one row short", lambda: governing_shares([0.5, 0.6], applies=True), "items by 1 to 127"),
        ("no trigger column", lambda: governing_shares([[]], applies=True), "items by 1 to 127"),
        ("negative hours", lambda: shares_used([-1.0], [100.0]), "used is -1.0; .* at least 0"),
        ("zero limit", lambda: shares_used([1.0], [0.0]), "limit is 0.0; .* above 0"),
        ("endless limit", lambda: shares_used([1.0], [np.inf]), "limit is inf; .* finite"),
        ("negative days", lambda: dates_after("2026-05-04", -1.0), "days is -1.0; .* at least 0"),
        ("no date", lambda: dates_after("NaT", 1.0), "as_of is 'NaT'; it must be given"),
        ("scalar share", lambda: whichever_first([Trigger("starts", -1)]), "starts share is -1.0"),
        ("not a number", lambda: whichever_first([Trigger("starts", np.nan)]), "a finite number"),
        (
            "twice the same",
            lambda: whichever_first([Trigger("starts", 1), Trigger("starts", 1)]),
            "triggers is 'starts, starts'; it must be of different names",
        ),
        (
            "latest before likely",
            lambda: first_dates([["NaT"]], [["2026-05-04"]], [["2026-05-03"]]),
            "a band out of order",
        ),
        (
            "tables of two shapes",
            lambda: first_dates([["NaT"]], [["NaT", "NaT"]], [["NaT"]]),
            "three tables of one shape",
        ),
    ],
)
def test_insane_input_is_refused_by_name(case, call, reason):
    with pytest.raises(OutOfRange, match=reason):
        call()


def test_overdue_by_one_day_and_due_today():
    last = date(2024, 5, 4)
    for shift, state in ((-1, "reached"), (0, "reached"), (1, "not_reached")):
        share = calendar_share(last + timedelta(shift), DEMO_DAY, months=24)
        assert whichever_first([Trigger("calendar", share)]).state == state
