"""Condition findings: opened when confirmed, closed when over or after the work, once each."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction

from tests.factories.due import (
    EVENT_FACTS,
    NOON,
    TREND_FACTS,
    act_of,
    administrator,
    condition_rule,
    derived_state,
    scene,
)
from tests.factories.readings import GaugeFactory
from tests.factories.register import MembershipFactory, ProtectionValveFactory, UserFactory
from valvecare.core.errors import Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.due.actions import (
    change_condition_rule,
    refresh_touched,
    set_condition_rule,
    sweep,
    withdraw_act,
)
from valvecare.due.reads import why
from valvecare.due.rules import DueState, TaskKind, Trigger
from valvecare.models import (
    ConditionFinding,
    ConditionRule,
    DueItem,
    Event,
    PlantEvent,
    SeriesState,
    Source,
    WorkOrder,
)
from valvecare.readings.actions import push_readings
from valvecare.readings.actions.record_plant_events import (
    PlantEventRow,
    record_plant_events,
)
from valvecare.readings.rules import PlantEventKind, Row
from valvecare.register.rules import ValveStatus
from valvecare.work.actions.raise_due import raise_due
from valvecare.work.tasks import run_refresh

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
TEST, STRIP = TaskKind.FUNCTION_TEST, TaskKind.STRIP_DOWN

HEARD = []


def hear(job_name):
    """A waker that only listens."""
    HEARD.append(job_name)


@pytest.fixture
def plant():
    """A valve stripped down a year ago, with a gauge on its bypass line; calendar only."""
    found = scene(months=24, run_hours=None, starts=None)
    act_of(found.valve, NOON - 365 * DAY)
    found.gauge = GaugeFactory(pump=found.valve.pump, expected_period_s=3600.0)
    return found


def hourly(plant, *values, until=NOON, at=None):
    """The last reading at `until`, the ones before it an hour apart."""
    count = len(values)
    points = [(until - (count - 1 - n) * HOUR, value) for n, value in enumerate(values)]
    plant.push(plant.gauge, points, at=at or until)


def finding():
    return ConditionFinding.objects.get()


def happened(plant, when, *, kind="reverse rotation", **more):
    source, _ = Source.objects.get_or_create(name="invented")
    return PlantEvent.objects.create(
        pump=plant.valve.pump, kind=kind, at=when, source=source, recorded_at=NOON, **more
    )


@pytest.mark.django_db
def test_one_bad_reading_raises_nothing_and_three_in_a_row_raise_the_task(plant):
    condition_rule()
    hourly(plant, 30.0, 31.0, 99.0)
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    assert not DueItem.objects.filter(kind=TEST.value).exists()
    hourly(plant, 62.0, 63.0, until=NOON + 2 * HOUR)
    found = refresh_touched(NOON + 2 * HOUR)
    assert found.changed == {plant.valve.pk}
    item = plant.item(TEST)
    assert (item.state, item.governed_by) == (DueState.OVERDUE, Trigger.CONDITION)
    assert (item.share_used, item.due_on, item.policy_id) == (1.0, NOON.date(), None)
    assert item.reason == (
        "Condition: bypass line temperature above the limit of 60 degC in 3 readings in a row "
        "since 4 May 2026 (62 to 99 degC) (rule: hot bypass line)."
    )
    # every number of the evidence can be opened
    assert finding().evidence["low"] == 62.0
    assert finding().evidence["high"] == 99.0
    assert Event.objects.filter(type="condition.found", valve=plant.valve).count() == 1


@pytest.mark.django_db
def test_minutes_confirm_too_and_a_gap_in_between_breaks_them(plant):
    condition_rule(confirm_count=None, confirm_minutes=120)
    hourly(plant, 70.0, 50.0, 70.0, 70.0)
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    hourly(plant, 70.0, until=NOON + HOUR)
    sweep(NOON + HOUR)
    assert finding().evidence["readings"] == 3


@pytest.mark.django_db
def test_a_bad_quality_reading_is_not_counted(plant):
    condition_rule()
    hourly(plant, 70.0, 70.0)
    row = Row(series=plant.gauge.tag, at=NOON + HOUR, value=70.0, unit="degC", quality="bad")
    site = plant.gauge.site.code
    push_readings([row], actor=administrator(), at=NOON + HOUR, source="invented", site=site)
    sweep(NOON + HOUR)
    assert not ConditionFinding.objects.exists()


@pytest.mark.django_db
def test_hysteresis_keeps_it_open_until_a_confirmed_return(plant):
    condition_rule()
    hourly(plant, 70.0, 70.0, 70.0)
    sweep(NOON)
    for hours, values, is_open in [
        (3, (58.0, 57.0, 58.0), True),  # inside the limit, not at the release value
        (5, (54.0, 54.0), True),  # at the release value, not confirmed
        (6, (54.0,), False),
    ]:
        at = NOON + hours * HOUR
        hourly(plant, *values, until=at)
        sweep(at)
        assert (finding().closed_at is None) is is_open, hours
    assert finding().closed_words.startswith("bypass line temperature is back at 55 degC")
    assert not DueItem.objects.filter(kind=TEST.value).exists()


@pytest.mark.django_db
def test_a_unit_of_the_rule_is_converted_to_that_of_the_series(plant):
    condition_rule(limit=333.15, unit="K", release=328.15)
    hourly(plant, 59.9, 59.9, 59.9)
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    hourly(plant, 60.1, 60.1, 60.1, until=NOON + 3 * HOUR)
    sweep(NOON + 3 * HOUR)
    assert finding().evidence["limit"] == pytest.approx(60.0)


@pytest.mark.django_db
def test_a_doubtful_series_never_raises_and_never_heals(plant):
    condition_rule()
    doubt = SeriesState.objects.filter(series=plant.gauge)
    hourly(plant, 70.0, 70.0, 70.0)
    doubt.update(doubtful_code="frozen", doubtful_words="no change for nine days")
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    rule = ConditionRule.objects.get()
    assert rule.judged_counts == {"doubtful": 1}
    doubt.update(doubtful_code="", doubtful_words="")
    sweep(NOON + DAY / 2)  # the next day by UTC: the rule is held against all its valves again
    assert finding().closed_at is None
    hourly(plant, 20.0, 20.0, 20.0, until=NOON + 20 * HOUR)
    doubt.update(doubtful_code="frozen", doubtful_words="no change for nine days")
    sweep(NOON + 20 * HOUR)
    assert finding().closed_at is None
    assert plant.item(TEST).state == DueState.OVERDUE


@pytest.mark.django_db
def test_old_readings_raise_nothing(plant):
    condition_rule()
    hourly(plant, 70.0, 70.0, 70.0, until=NOON - 3 * DAY, at=NOON)
    sweep(NOON)
    assert not ConditionFinding.objects.exists()


def days(plant, values, *, last=NOON):
    """One reading a day at eleven in the evening, the last on the day before `last`."""
    first = last - (len(values) * 24 - 11) * HOUR
    points = [(first + n * DAY, value) for n, value in enumerate(values)]
    plant.push(plant.gauge, points, at=last)


@pytest.mark.django_db
def test_a_trend_brings_the_strip_down_forward_with_its_band(plant):
    condition_rule(STRIP, **TREND_FACTS, lead_days=14, name="rising line")
    days(plant, [30 + 0.25 * n + (0.1, -0.1, 0.05)[n % 3] for n in range(20)])
    sweep(NOON)
    item, held = plant.item(), finding()
    # 0.25 K a day from about 34.7 degC on 3 May: 60 degC in about 101 days, due 14 days before
    assert abs((held.likely_on - (NOON + 87 * DAY).date()).days) <= 3
    assert held.earliest_on <= held.likely_on <= held.latest_on
    assert held.evidence["p_two_sided"] < 0.001
    assert (item.state, item.governed_by) == (DueState.COMING_UP, Trigger.CONDITION)
    assert (item.due_on, item.runner_up) == (held.likely_on, Trigger.CALENDAR)
    assert item.reason.startswith("Condition: bypass line temperature moves by +0.2")
    assert item.reason.endswith("(rule: rising line); next calendar, 0.50.")
    found = why(administrator(), item.pk, at=NOON)
    assert [one.rule for one in found.conditions] == ["rising line"]
    assert found.decision.governed_by is Trigger.CONDITION
    assert [one.trigger for one in found.limits] == [Trigger.CALENDAR]


@pytest.mark.django_db
def test_no_trend_raises_nothing_and_the_reason_is_kept(plant):
    rule = condition_rule(STRIP, **TREND_FACTS)
    days(plant, [40.0, 44.0, 39.0, 43.0, 41.0, 42.0, 38.0, 42.5])
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    rule.refresh_from_db()
    assert rule.judged_counts == {"not_shown": 1}
    assert plant.item().governed_by == Trigger.CALENDAR


@pytest.mark.django_db
def test_an_overhaul_starts_the_series_again(plant):
    rule = condition_rule(STRIP, **TREND_FACTS)
    days(plant, [30 + 0.5 * n for n in range(20)])
    sweep(NOON)
    assert finding().closed_at is None
    act = act_of(plant.valve, NOON + HOUR, at=NOON + 2 * HOUR)
    assert finding().closed_words == "strip-down of 2026-05-04 came after the evidence"
    assert plant.item().governed_by == Trigger.CALENDAR
    days(plant, [40.0, 40.1, 40.0], last=NOON + 4 * DAY)
    sweep(NOON + 4 * DAY)
    rule.refresh_from_db()
    assert rule.judged_counts == {"too_few_points": 1}
    withdraw_act(act, actor=administrator(), at=NOON + 4 * DAY, why="not done after all")
    days(plant, [40.5], last=NOON + 5 * DAY)
    sweep(NOON + 5 * DAY)
    assert ConditionFinding.objects.filter(closed_at=None).count() == 1


@pytest.mark.django_db
def test_a_late_day_is_judged_with_the_push_that_brings_it(plant):
    condition_rule(STRIP, **TREND_FACTS)
    sweep(NOON)
    days(plant, [30 + 0.5 * n for n in range(20)])
    refresh_touched(NOON + HOUR)
    assert finding().kind == STRIP


@pytest.mark.django_db
def test_events_are_counted_within_their_days_and_since_the_work(plant):
    condition_rule(**{**EVENT_FACTS, "least_count": 2}, name="reverse twice")
    happened(plant, NOON - 40 * DAY)
    happened(plant, NOON - 10 * DAY)
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    happened(plant, NOON - 2 * DAY, speed_rpm=180, duration_s=14)
    sweep(NOON)
    assert finding().words == (
        "reverse rotation, 2 times since 24 Apr 2026, 180 rpm for 14 s (rule: reverse twice)"
    )
    assert plant.item(TEST).governed_by == Trigger.CONDITION
    sweep(NOON + 60 * DAY)  # the window has passed; the task has not been done
    assert finding().closed_at is None
    act_of(plant.valve, NOON + 61 * DAY, kind=TEST)
    assert finding().closed_words == "function test of 2026-07-04 came after the evidence"
    assert not DueItem.objects.filter(kind=TEST.value).exists()
    sweep(NOON + 61 * DAY)
    assert ConditionFinding.objects.count() == 1


@pytest.mark.django_db
def test_hours_in_low_load_are_a_dose(plant):
    facts = {**EVENT_FACTS, "event_kind": "low load", "least_count": None, "least_hours": 10.0}
    condition_rule(TaskKind.BYPASS_ONLY_INSPECTION, **facts)
    happened(plant, NOON - 3 * DAY, kind="low load", duration_s=6 * 3600)
    sweep(NOON)
    assert not ConditionFinding.objects.exists()
    happened(plant, NOON - 2 * DAY, kind="low load", duration_s=4 * 3600)
    sweep(NOON)
    assert finding().evidence["hours"] == 10.0


@pytest.mark.django_db
def test_two_sweeps_write_once(plant):
    condition_rule()
    condition_rule(STRIP, **TREND_FACTS)
    condition_rule(**EVENT_FACTS)
    happened(plant, NOON - DAY)
    days(plant, [30 + 0.5 * n for n in range(20)])
    hourly(plant, 70.0, 70.0, 70.0)
    sweep(NOON)
    rows = list(ConditionFinding.objects.order_by("pk").values())
    events = Event.objects.filter(type__startswith="condition.").count()
    before = derived_state()
    assert len(rows) == 3
    found = sweep(NOON)
    assert (found.written, found.changed) == (0, frozenset())
    assert list(ConditionFinding.objects.order_by("pk").values()) == rows
    assert Event.objects.filter(type__startswith="condition.").count() == events
    assert derived_state() == before


@pytest.mark.django_db
def test_the_database_keeps_one_open_finding_per_rule_and_valve(plant):
    condition_rule(**EVENT_FACTS)
    happened(plant, NOON - DAY)
    sweep(NOON)
    again = finding()
    again.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        again.save(force_insert=True)


@pytest.mark.django_db
def test_an_order_is_raised_with_the_evidence_and_goes_when_the_condition_does(plant):
    condition_rule()
    hourly(plant, 70.0, 70.0, 70.0)
    sweep(NOON)
    raise_due(NOON)
    order = WorkOrder.objects.get()
    assert (order.kind, order.governed_by) == (TEST, Trigger.CONDITION)
    assert order.why == plant.item(TEST).reason
    assert order.due_on == NOON.date()
    at = NOON + 3 * HOUR
    hourly(plant, 30.0, 31.0, 30.0, until=at)
    sweep(at)
    raise_due(at)
    order.refresh_from_db()
    assert order.state == "dropped"


@pytest.mark.django_db
def test_an_open_order_is_brought_forward():
    plant = scene(months=13, run_hours=None, starts=None)
    act_of(plant.valve, NOON - 365 * DAY)
    condition_rule(STRIP, **EVENT_FACTS, lead_days=5)
    sweep(NOON)
    raise_due(NOON)
    before = WorkOrder.objects.get()
    assert (before.governed_by, before.due_on) == (Trigger.CALENDAR, date(2026, 6, 4))
    happened(plant, NOON - DAY)
    sweep(NOON + HOUR)
    raise_due(NOON + HOUR)
    after = WorkOrder.objects.get()
    assert (after.pk, after.due_on) == (before.pk, date(2026, 5, 9))
    assert (after.governed_by, after.share_used) == (Trigger.CONDITION, 1.0)
    assert after.why == (
        "Condition: reverse rotation on 3 May 2026 (rule: hot bypass line); next calendar, 0.92."
    )


@pytest.mark.django_db
def test_a_valve_out_of_service_and_an_ended_rule_close_their_findings(plant):
    rule = condition_rule(**EVENT_FACTS)
    happened(plant, NOON - DAY)
    sweep(NOON)
    plant.valve.status = ValveStatus.SPARE.value
    plant.valve.save()
    sweep(NOON + HOUR)
    assert finding().closed_words == "the rule is not for this valve any more"
    plant.valve.status = ValveStatus.IN_SERVICE.value
    plant.valve.save()
    sweep(NOON + 2 * HOUR)
    rule.refresh_from_db()
    change_condition_rule(
        rule.pk, {}, version=rule.version, actor=administrator(), at=NOON, is_ended=True
    )
    sweep(NOON + 3 * HOUR)
    assert [one.closed_words for one in ConditionFinding.objects.order_by("pk")] == [
        "the rule is not for this valve any more",
        "the rule has ended",
    ]


@pytest.mark.django_db
def test_scope_is_a_valve_a_group_a_design_or_every_valve(plant):
    other = ProtectionValveFactory(design=plant.valve.design)
    code = plant.valve.design.code
    happened(plant, NOON - DAY)
    source = Source.objects.get()
    PlantEvent.objects.create(
        pump=other.pump, kind="reverse rotation", at=NOON - DAY, source=source, recorded_at=NOON
    )
    wanted = [
        ({"valve": plant.valve}, {plant.valve.pk}),
        ({"group": other.pump.group}, {other.pk}),
        ({"design_code": code}, {plant.valve.pk, other.pk}),
        ({}, {plant.valve.pk, other.pk}),
    ]
    rules = [condition_rule(**EVENT_FACTS, **scope) for scope, _ in wanted]
    sweep(NOON)
    for rule, (_, valves) in zip(rules, wanted, strict=True):
        assert set(rule.findings.values_list("valve_id", flat=True)) == valves


@pytest.mark.django_db
def test_rules_need_the_permit_and_are_changed_by_version(plant):
    site = plant.valve.site_of()
    engineer, planner, stranger = UserFactory(), UserFactory(), UserFactory()
    MembershipFactory(user=engineer, site=site, role=Role.RELIABILITY_ENGINEER.value)
    MembershipFactory(user=planner, site=site, role=Role.PLANNER.value)
    facts = {
        "name": "reverse",
        "source": "s",
        "owner": "o",
        "lead_days": 7,
        "task_kind": "function test",
        "valve": plant.valve,
        **EVENT_FACTS,
    }
    with pytest.raises(Forbidden):
        set_condition_rule(actor=planner, at=NOON, **facts)
    rule = set_condition_rule(actor=engineer, at=NOON, **facts)
    assert ConditionRule.history.count() == 1
    with pytest.raises(NotFound):
        change_condition_rule(
            rule.pk, {"lead_days": 1}, version=rule.version, actor=stranger, at=NOON
        )
    with pytest.raises(Refused) as refusal:
        change_condition_rule(
            rule.pk, {"basis": "limit"}, version=rule.version, actor=engineer, at=NOON
        )
    assert refusal.value.reasons[0].code == "condition_rule_scope_is_fixed"
    sweep(NOON)
    changed = change_condition_rule(
        rule.pk, {"lead_days": 1}, version=rule.version, actor=engineer, at=NOON
    )
    assert (changed.lead_days, changed.judged_on) == (1, None)
    elsewhere = ProtectionValveFactory()
    with pytest.raises(Forbidden):  # it would reach a site where the person may not
        set_condition_rule(actor=engineer, at=NOON, **{**facts, "valve": None})
    assert elsewhere.pk


@pytest.mark.django_db
@pytest.mark.parametrize("kind", [kind.value for kind in PlantEventKind])
def test_a_reported_event_is_counted_by_the_run_it_wakes(
    plant, kind, settings, django_capture_on_commit_callbacks
):
    condition_rule(**{**EVENT_FACTS, "event_kind": kind})
    settings.VALVECARE = {**settings.VALVECARE, "WAKER": "tests.due.test_conditions.hear"}
    HEARD.clear()
    row = PlantEventRow(pump=plant.valve.pump.tag, kind=kind, at=NOON - HOUR, duration_s=60.0)
    for _ in range(2):  # a repeat is a duplicate and wakes nothing
        with django_capture_on_commit_callbacks(execute=True):
            record_plant_events([row], actor=administrator(), at=NOON, source="invented")
    assert HEARD == ["due.refresh"]
    counts = run_refresh(NOON, lambda: None)
    assert (counts["raised"], plant.item(TEST).governed_by) == (1, Trigger.CONDITION)
    assert run_refresh(NOON + HOUR, lambda: None)["raised"] == 0
    assert finding().evidence["kind"] == kind
    assert not PlantEvent.objects.filter(is_new=True).exists()


@pytest.mark.django_db
def test_the_run_after_an_event_and_the_sweep_give_the_same(plant):
    condition_rule(**{**EVENT_FACTS, "least_count": 2})
    happened(plant, NOON - 2 * HOUR)
    assert refresh_touched(NOON).changed == set()
    happened(plant, NOON - HOUR)
    assert refresh_touched(NOON).changed == {plant.valve.pk}
    before = derived_state(), finding().words
    sweep(NOON)
    assert (derived_state(), finding().words) == before
