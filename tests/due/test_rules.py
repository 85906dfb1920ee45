"""Decisions on one item: governing limit, states at their boundaries, words, policies.

'Whichever comes first' and 'reached is due' are common practice of preventive maintenance.
"""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvecare.due.rules import (
    DesignFacts,
    DueState,
    Level,
    PolicyFacts,
    TaskKind,
    Trigger,
    TriggerFacts,
    TriggerNote,
    british,
    governing,
    policies_for,
    policy_book,
    restarts,
)
from valvecare.engineering.calendars import add_months
from valvecare.engineering.errors import OutOfRange

ACT = date(2024, 6, 4)
TODAY = date(2026, 5, 4)


def calendar(months=24, act_on=ACT):
    due = add_months(act_on, months)
    return TriggerFacts(Trigger.CALENDAR, months, earliest_on=due, likely_on=due, latest_on=due)


def decided(*facts, act_on=ACT, today=TODAY, margin=0.9, act_kind=TaskKind.STRIP_DOWN):
    return governing(
        TaskKind.STRIP_DOWN,
        facts,
        act_kind=None if act_on is None else act_kind,
        act_on=act_on,
        today=today,
        margin=margin,
    )


def test_the_sentence_names_share_limit_amount_act_and_runner_up():
    found = decided(calendar(), TriggerFacts(Trigger.RUN_HOURS, 12_000, 12_377))
    assert found.sentence == (
        "Run-hours, 1.03 of the 12,000 h limit: 12,377 h since the strip-down of 4 Jun 2024; "
        "next calendar, 0.96."
    )
    assert (found.state, found.governed_by) == (DueState.OVERDUE, Trigger.RUN_HOURS)
    assert (found.runner_up, found.runner_up_share) == (Trigger.CALENDAR, 0.96)


def test_the_calendar_sentence_names_the_day_it_ends():
    found = decided(calendar(12))
    assert found.sentence == (
        "Calendar, 1.92 of the 12-month limit since the strip-down of 4 Jun 2024: "
        "it ended on 4 Jun 2025."
    )
    assert found.due_on == date(2025, 6, 4)


@pytest.mark.parametrize(
    ("case", "used", "state", "shown"),
    [
        ("well below", 8_999.9, DueState.NOT_YET, 0.9),
        ("margin reached exactly", 9_000, DueState.COMING_UP, 0.9),
        ("a hair below the limit is not shown as reached", 9_999.99, DueState.COMING_UP, 0.99),
        ("limit reached exactly is due", 10_000, DueState.OVERDUE, 1.0),
        ("over", 12_000, DueState.OVERDUE, 1.2),
        ("nothing used", 0, DueState.NOT_YET, 0.0),
    ],
)
def test_state_at_the_boundaries(case, used, state, shown):
    found = decided(TriggerFacts(Trigger.RUN_HOURS, 10_000, used))
    assert (found.state, found.share_used) == (state, shown)


@pytest.mark.parametrize(
    ("case", "days_before", "state"),
    [
        ("day before the end", 1, DueState.COMING_UP),
        ("the day itself is due", 0, DueState.OVERDUE),
        ("day after", -1, DueState.OVERDUE),
    ],
)
def test_the_calendar_is_due_on_its_last_day(case, days_before, state):
    due = add_months(ACT, 24)
    assert decided(calendar(), today=due - timedelta(days=days_before)).state is state


def test_on_a_tie_the_calendar_governs():
    day = ACT + (add_months(ACT, 24) - ACT) / 2
    found = decided(calendar(), TriggerFacts(Trigger.STARTS, 100, 50), today=day)
    assert (found.governed_by, found.runner_up) == (Trigger.CALENDAR, Trigger.STARTS)


def test_the_date_can_be_set_by_another_limit_than_the_one_used_most():
    soon = TODAY + timedelta(days=3)
    hours = TriggerFacts(Trigger.RUN_HOURS, 12_000, 9_000, likely_on=soon)
    found = decided(calendar(), hours)
    assert (found.governed_by, found.date_set_by) == (Trigger.CALENDAR, Trigger.RUN_HOURS)
    assert (found.likely_on, found.earliest_on) == (soon, None)
    assert found.latest_on == add_months(ACT, 24)


def test_without_an_act_nothing_is_counted_and_the_words_say_what_is_missing():
    found = decided(calendar(), TriggerFacts(Trigger.RUN_HOURS, 12_000, 500), act_on=None)
    assert (found.state, found.share_used, found.due_on) == (DueState.NO_RECORD, None, None)
    assert [reason.code for reason in found.reasons] == ["no_act"]
    assert found.sentence == (
        "No record: no strip-down, exchange or sister inspection of this valve is recorded, "
        "so nothing can be counted. Record the last one with its date, or do it now."
    )


def test_without_a_policy_the_words_ask_for_one():
    found = decided()
    assert [reason.code for reason in found.reasons] == ["no_policy"]
    assert found.state is DueState.NO_RECORD


def test_without_any_counter_a_counted_limit_is_no_record():
    found = decided(TriggerFacts(Trigger.RUN_HOURS, 12_000, None, has_series=False))
    assert (found.state, found.reasons[0].code) == (DueState.NO_RECORD, "no_counter")
    assert "run-hour counter" in found.sentence


def test_a_missing_meter_is_said_beside_the_governing_limit():
    found = decided(calendar(48), TriggerFacts(Trigger.STARTS, 400, None, has_series=False))
    assert found.state is DueState.NOT_YET
    assert [view.note for view in found.triggers] == [
        TriggerNote.KNOWN,
        TriggerNote.NOT_USED,
        TriggerNote.NO_METER,
    ]
    assert found.sentence.endswith("Starts are not counted: the pump has no start counter.")


@pytest.mark.parametrize(
    ("case", "starts", "words"),
    [
        (
            "no meter",
            TriggerFacts(Trigger.STARTS, 400, None, has_series=False),
            "Starts are not counted while the run-hours rise: the pump has no start counter.",
        ),
        (
            "no reading",
            TriggerFacts(Trigger.STARTS, 400, None),
            "Starts are not counted while the run-hours rise: "
            "no reading of the start counter has arrived.",
        ),
        (
            "old reading",
            TriggerFacts(Trigger.STARTS, 400, 20, is_stale=True, last_reading_on=date(2026, 2, 1)),
            "No reading of the start counter since 1 Feb 2026 while the run-hours rise.",
        ),
    ],
)
def test_a_start_counter_that_is_silent_while_hours_rise_is_said(case, starts, words):
    found = decided(calendar(48), TriggerFacts(Trigger.RUN_HOURS, 12_000, 900), starts)
    assert found.triggers[2].is_silent
    assert words in found.sentence


def test_an_amount_with_lost_readings_is_the_least_it_can_be():
    found = decided(TriggerFacts(Trigger.RUN_HOURS, 12_000, 11_000, is_lower_bound=True))
    assert found.sentence.startswith("Run-hours, at least 0.92 of the 12,000 h limit")
    assert [reason.code for reason in found.reasons] == ["run_hours_governs", "lower_bound"]


def test_a_date_that_has_passed_without_readings_is_coming_up_and_says_so():
    late = TODAY - timedelta(days=20)
    facts = TriggerFacts(
        Trigger.RUN_HOURS,
        12_000,
        8_000,
        is_stale=True,
        last_reading_on=date(2025, 12, 1),
        likely_on=late,
    )
    found = decided(facts)
    assert (found.state, found.share_used) == (DueState.COMING_UP, 0.67)
    assert "At the usual rate it was reached on 14 Apr 2026; no reading confirms it yet." in (
        found.sentence
    )


@pytest.mark.parametrize("used", [-1.0, float("inf")])
def test_an_insane_amount_is_refused(used):
    with pytest.raises(OutOfRange):
        decided(TriggerFacts(Trigger.RUN_HOURS, 12_000, used))


@settings(max_examples=300, deadline=None)
@given(
    months=st.integers(1, 120),
    limits=st.tuples(st.integers(1, 50_000), st.integers(1, 5_000)),
    used=st.tuples(st.floats(0, 60_000), st.floats(0, 6_000)),
    more=st.tuples(st.floats(0, 1_000), st.floats(0, 100), st.integers(0, 400)),
    ahead=st.integers(0, 4_000),
)
def test_more_use_or_a_later_day_never_makes_it_look_better(months, limits, used, more, ahead):
    order = [DueState.NOT_YET, DueState.COMING_UP, DueState.OVERDUE]
    today = ACT + timedelta(days=ahead)

    def look(hours, starts, day):
        return decided(
            calendar(months),
            TriggerFacts(Trigger.RUN_HOURS, limits[0], hours),
            TriggerFacts(Trigger.STARTS, limits[1], starts),
            today=day,
        )

    before = look(*used, today)
    after = look(used[0] + more[0], used[1] + more[1], today + timedelta(days=more[2]))
    assert order.index(after.state) >= order.index(before.state)
    assert after.share_used >= before.share_used


DESIGN = DesignFacts(1, "OAK", "S", 100)


def policy(id, *, kind=TaskKind.STRIP_DOWN, valid_from=date(2020, 1, 1), **who):
    facts = {
        "valve_id": None,
        "group_id": None,
        "design_code": "",
        "variant": None,
        "dn": None,
        "valid_to": None,
        **who,
    }
    return PolicyFacts(
        id=id, kind=kind, months=24, run_hours=None, starts=None, valid_from=valid_from, **facts
    )


LADDER = [
    policy(1, design_code="OAK"),
    policy(2, design_code="OAK", variant="S"),
    policy(3, design_code="OAK", variant="S", dn=100),
    policy(4, group_id=20),
    policy(5, valve_id=10),
]


def resolved(policies, *, design=DESIGN, day=TODAY, kind=TaskKind.STRIP_DOWN):
    found = policies_for(
        policy_book(policies, kind, day),
        {} if design is None else {design.id: design},
        valve_id=np.array([10]),
        group_id=np.array([20]),
        design_id=np.array([0 if design is None else design.id]),
    )
    return int(found[0])


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_the_most_specific_policy_wins(count):
    assert resolved(LADDER[:count]) == count
    assert resolved(list(reversed(LADDER[:count]))) == count


def test_the_ladder_has_its_names():
    assert [one.level for one in reversed(LADDER)] == list(Level)


@pytest.mark.parametrize(
    ("case", "one", "expected"),
    [
        ("another design", policy(1, design_code="ELM"), 0),
        ("plain only does not reach a variant", policy(1, design_code="OAK", variant=""), 0),
        ("another size", policy(1, design_code="OAK", variant="S", dn=80), 0),
        ("another group", policy(1, group_id=21), 0),
        ("another valve", policy(1, valve_id=11), 0),
        ("another kind of task", policy(1, valve_id=10, kind=TaskKind.FUNCTION_TEST), 0),
        ("not valid yet", policy(1, valve_id=10, valid_from=TODAY + timedelta(days=1)), 0),
        ("valid from today", policy(1, valve_id=10, valid_from=TODAY), 1),
        ("ends today", policy(1, valve_id=10, valid_to=TODAY), 0),
        ("ends tomorrow", policy(1, valve_id=10, valid_to=TODAY + timedelta(days=1)), 1),
    ],
)
def test_what_a_policy_reaches(case, one, expected):
    assert resolved([one]) == expected


def test_a_valve_of_unknown_design_still_has_the_policy_of_its_group():
    assert resolved(LADDER, design=None) == 5
    assert resolved(LADDER[:4], design=None) == 4
    assert resolved(LADDER[:3], design=None) == 0


def test_many_valves_are_resolved_as_one_by_one():
    rng = np.random.default_rng(7)
    designs = {
        n: DesignFacts(n, rng.choice(["OAK", "ELM"]), rng.choice(["", "S"]), int(dn))
        for n, dn in enumerate(rng.choice([80, 100], 12), start=1)
    }
    policies = [
        *LADDER,
        policy(6, design_code="ELM", variant=""),
        policy(7, group_id=22),
        policy(8, valve_id=15),
    ]
    book = policy_book(policies, TaskKind.STRIP_DOWN, TODAY)
    valves = np.arange(5, 205)
    groups, kinds = rng.integers(18, 25, 200), rng.integers(0, 13, 200)
    fleet = policies_for(book, designs, valve_id=valves, group_id=groups, design_id=kinds)
    alone = [
        int(
            policies_for(
                book,
                designs,
                valve_id=valves[n : n + 1],
                group_id=groups[n : n + 1],
                design_id=kinds[n : n + 1],
            )[0]
        )
        for n in range(200)
    ]
    assert fleet.tolist() == alone
    assert len(set(alone)) > 4


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (TaskKind.STRIP_DOWN, {TaskKind.STRIP_DOWN, TaskKind.BYPASS_ONLY_INSPECTION}),
        (TaskKind.FUNCTION_TEST, {TaskKind.FUNCTION_TEST}),
        (TaskKind.BYPASS_ONLY_INSPECTION, {TaskKind.BYPASS_ONLY_INSPECTION}),
    ],
)
def test_what_finished_work_restarts(kind, expected):
    assert set(restarts(kind)) == expected


def test_dates_are_written_the_british_way():
    assert british(date(2024, 6, 4)) == "4 Jun 2024"
