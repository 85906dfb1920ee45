"""Lists, counts and the working of one item."""

from datetime import date, timedelta

import pytest

from tests.factories.due import NOON, act_of, policy_for, scene
from tests.factories.register import ProtectionValveFactory, SiteFactory, member
from valvecare.core.errors import NotFound
from valvecare.due.actions import change_policy, sweep
from valvecare.due.reads import DueFilter, counts_by_site, due_list, due_of, why
from valvecare.due.rules import DueState, Level, TaskKind, Trigger
from valvecare.models import DueItem, FleetMark, Policy, ProtectionValve
from valvecare.register.rules import ValveStatus

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant():
    site = SiteFactory(code="HERE", name="Invented plant")
    policy_for(design_code="OAK-6", months=24)
    valves = [
        ProtectionValveFactory(
            tag=f"V{n}", pump__group__site=site, design__code="OAK-6", design__revision=f"R{n}"
        )
        for n in range(4)
    ]
    sweep(NOON)
    act_of(valves[1], NOON - timedelta(days=800))
    act_of(valves[2], NOON - timedelta(days=700))
    act_of(valves[3], NOON - timedelta(days=100))
    return site, valves


def test_the_list_for_people_shows_no_record_first_then_the_largest_share(plant):
    site, _ = plant
    found = due_list(member(site), DueFilter())
    assert [(row.valve, row.state, row.share_used) for row in found.rows] == [
        ("V0", "no record", None),
        ("V1", "overdue", 1.09),
        ("V2", "coming up", 0.96),
        ("V3", "not yet", 0.14),
    ]
    assert found.total == found.total_of_all == 4


def test_counts_by_site_and_group(plant, django_assert_num_queries):
    site, valves = plant
    person = member(site)
    with django_assert_num_queries(2):
        (found,) = counts_by_site(person)
    assert (found.code, found.name, found.total) == ("HERE", "Invented plant", 4)
    assert (found.no_record, found.overdue, found.coming_up, found.not_yet) == (1, 1, 1, 1)
    groups = {group.group_id: group for group in found.groups}
    assert groups[valves[1].pump.group_id].overdue == 1
    assert sum(group.total for group in found.groups) == 4
    (tests,) = counts_by_site(person, kind=TaskKind.FUNCTION_TEST)
    assert (tests.total, tests.groups) == (0, ())


def test_a_stranger_counts_nothing(plant):
    assert [site.total for site in counts_by_site(member(SiteFactory()))] == [0]


def test_all_tasks_of_a_valve(plant):
    _, valves = plant
    policy_for(valve=valves[1], kind=TaskKind.FUNCTION_TEST, months=12)
    assert [row.kind for row in due_of(valves[1])] == ["function test", "strip-down"]


def test_the_working_names_policy_act_limits_and_what_is_not_used(plant):
    site, valves = plant
    item = DueItem.objects.get(valve=valves[2])
    found = why(member(site), item.pk, at=NOON)
    assert (found.policy.level, found.policy.who) == (Level.DESIGN, "design OAK-6")
    assert (found.act.done_on, found.act.origin) == (date(2024, 6, 3), "invented record")
    (limit,) = found.limits
    assert (limit.used, limit.of, limit.unit, limit.remaining) == (700.0, 730.0, "days", 30.0)
    assert limit.share == pytest.approx(700 / 730)
    assert (limit.is_governing, limit.formula_source) == (
        True,
        "engineering.calendars.calendar_share",
    )
    assert found.not_used == (Trigger.RUN_HOURS, Trigger.STARTS)
    assert found.decision.sentence == item.reason


def test_the_working_is_of_the_instant_of_the_question(plant):
    site, valves = plant
    item = DueItem.objects.get(valve=valves[2])
    later = why(member(site), item.pk, at=NOON + timedelta(days=31))
    assert (later.item.state, later.decision.state) == (DueState.COMING_UP, DueState.OVERDUE)


def test_the_working_of_another_site_is_not_found(plant):
    item = DueItem.objects.first()
    with pytest.raises(NotFound):
        why(member(SiteFactory()), item.pk, at=NOON)


def test_the_working_without_policy_or_act():
    valve = ProtectionValveFactory()
    sweep(NOON)
    found = why(member(valve.site_of()), DueItem.objects.get().pk, at=NOON)
    assert (found.policy, found.act, found.limits) == (None, None, ())
    assert [reason.code for reason in found.reasons] == ["no_policy"]


def test_the_register_is_looked_at_after_a_recorded_change_and_once_an_hour():
    one = scene()
    sweep(NOON)
    mark = FleetMark.objects.get()
    soon = NOON + timedelta(minutes=5)
    # behind the back of every action: no history, so nobody sees it yet
    ProtectionValve.objects.filter(pk=one.valve.pk).update(status=ValveStatus.SPARE.value)
    sweep(soon)
    assert DueItem.objects.filter(valve=one.valve).exists()
    sweep(NOON + timedelta(hours=1))
    assert not DueItem.objects.filter(valve=one.valve).exists()
    # a saved change is seen by the very next sweep
    valve = ProtectionValve.objects.get(pk=one.valve.pk)
    valve.status = ValveStatus.IN_SERVICE.value
    valve.save()
    sweep(NOON + timedelta(hours=1, minutes=5))
    assert DueItem.objects.filter(valve=one.valve).exists()
    assert FleetMark.objects.get().mark != mark.mark


def test_a_counter_that_was_read_before_it_was_limited_has_its_rate_at_once():
    one = scene(run_hours=None, starts=None)
    start = NOON - timedelta(days=70)
    one.push(one.hours, [(start + timedelta(days=n), 12.0 * n) for n in range(71)], at=NOON)
    sweep(NOON)
    act_of(one.valve, start)
    policy = Policy.objects.get()
    change_policy(
        policy.pk,
        {"run_hours": 6_000},
        version=policy.version,
        actor=one.admin,
        at=NOON,
    )
    (hours,) = [
        limit
        for limit in why(one.admin, one.item().pk, at=NOON).limits
        if limit.trigger is Trigger.RUN_HOURS
    ]
    assert (hours.used, hours.per_day) == (840.0, pytest.approx(12.0))
    assert hours.likely_on == date(2026, 2, 23) + timedelta(days=500)
