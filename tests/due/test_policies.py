"""Policies: who may set them, what is refused, what follows at once."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from tests.factories.due import NOON, act_of, administrator, policy_for, scene
from tests.factories.register import (
    MembershipFactory,
    ProtectionValveFactory,
    SiteFactory,
    member,
)
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.due.actions import change_policy, set_policy
from valvecare.due.rules import DueState, TaskKind
from valvecare.models import DueItem, Event, Policy

pytestmark = pytest.mark.django_db

ENGINEER = Role.RELIABILITY_ENGINEER


def setting(actor, **given):
    facts = {
        "kind": TaskKind.STRIP_DOWN,
        "months": 24,
        "valid_from": date(2026, 1, 1),
        "source": "invented",
        "owner": "reliability engineer",
        **given,
    }
    return set_policy(actor=actor, at=NOON, **facts)


def test_a_policy_for_a_group_decides_its_valves_at_once():
    valve = ProtectionValveFactory()
    group = valve.pump.group
    act_of(valve, NOON - timedelta(days=800))
    assert DueItem.objects.get(valve=valve).state == DueState.NO_RECORD
    policy = setting(member(group.site, ENGINEER), group=group)
    item = DueItem.objects.get(valve=valve)
    assert (item.policy, item.state) == (policy, DueState.OVERDUE)
    event = Event.objects.get(type="policy.set")
    assert (event.site, event.words) == (
        group.site,
        f"Policy for strip-down of group {group.code}: 24 months.",
    )
    assert policy.history.count() == 1


def test_the_more_specific_policy_wins_as_a_whole():
    one = scene(months=48, run_hours=None, starts=None)
    setting(administrator(), group=one.valve.pump.group, months=6, run_hours=100)
    assert one.item().policy == one.policy
    assert [clock.trigger for clock in one.item().clocks.all()] == ["calendar"]


def test_a_second_equally_specific_policy_is_refused_and_says_which_there_is():
    one = scene()
    with pytest.raises(Refused, match="There is a policy already for strip-down of valve") as info:
        setting(administrator(), valve=one.valve)
    assert info.value.reasons[0].numbers == {"policy": one.policy.pk}
    assert Policy.objects.count() == 1


def test_the_database_itself_refuses_two_open_policies_for_one_scope():
    one = scene()
    twin = Policy.objects.get(pk=one.policy.pk)
    twin.pk, twin.valid_from = None, date(2026, 2, 1)
    with pytest.raises(IntegrityError), transaction.atomic():
        twin.save()


@pytest.mark.parametrize(
    ("case", "days", "is_refused"),
    [("begins a day too early", -1, True), ("begins the day the old one ends", 0, False)],
)
def test_policies_of_one_scope_may_follow_but_not_overlap(case, days, is_refused):
    one = scene()
    end = date(2026, 7, 1)
    change_policy(one.policy.pk, {"valid_to": end}, version=1, actor=administrator(), at=NOON)
    start = end + timedelta(days=days)
    if is_refused:
        with pytest.raises(Refused):
            setting(administrator(), valve=one.valve, valid_from=start)
    else:
        setting(administrator(), valve=one.valve, valid_from=start)
    assert Policy.objects.count() == (1 if is_refused else 2)


@pytest.mark.parametrize(
    ("case", "given"),
    [
        ("nobody named", {}),
        ("two named", {"design_code": "OAK", "valve": True}),
        ("variant without design", {"valve": True, "variant": "S"}),
        ("size without variant", {"design_code": "OAK", "dn": 100}),
        ("no limit", {"valve": True, "months": None}),
        ("ends before it begins", {"valve": True, "valid_to": date(2025, 1, 1)}),
        ("months of zero", {"valve": True, "months": 0}),
        ("hours not above zero", {"valve": True, "run_hours": 0.0}),
        ("hours not a number", {"valve": True, "run_hours": float("nan")}),
        ("negative starts", {"valve": True, "starts": -5}),
        ("no source", {"valve": True, "source": ""}),
        ("no owner", {"valve": True, "owner": ""}),
    ],
)
def test_a_senseless_policy_is_refused(case, given):
    if "valve" in given:
        given = {**given, "valve": ProtectionValveFactory()}
    with pytest.raises(ValidationError):
        setting(administrator(), **given)
    assert not Policy.objects.exists()


def test_only_a_reliability_engineer_of_the_site_sets_a_policy():
    valve = ProtectionValveFactory()
    site = valve.site_of()
    with pytest.raises(Forbidden, match="reliability engineer"):
        setting(member(site, Role.PLANNER), valve=valve)
    with pytest.raises(Forbidden):
        setting(member(SiteFactory(), ENGINEER), valve=valve)
    assert setting(member(site, ENGINEER), valve=valve).pk


def test_a_policy_for_a_design_needs_the_permit_at_every_site_that_has_it():
    here, there = ProtectionValveFactory(design__code="OAK-9"), ProtectionValveFactory()
    there.design = here.design
    there.save()
    person = member(here.site_of(), ENGINEER)
    with pytest.raises(Forbidden):
        setting(person, design_code="OAK-9")
    MembershipFactory(user=person, site=there.site_of(), role=ENGINEER.value)
    policy = setting(person, design_code="OAK-9")
    assert set(DueItem.objects.values_list("policy", flat=True)) == {policy.pk}


def test_a_change_is_kept_in_history_and_events_and_decides_anew():
    one = scene(months=24, run_hours=None, starts=None)
    act_of(one.valve, NOON - timedelta(days=300))
    person = member(one.valve.site_of(), ENGINEER)
    changed = change_policy(
        one.policy.pk, {"months": 6}, version=1, actor=person, at=NOON, reason="fibre found"
    )
    assert (changed.months, changed.version) == (6, 2)
    assert one.item().state == DueState.OVERDUE
    last = changed.history.first()
    assert (last.months, last.history_user, last.history_change_reason) == (
        6,
        person,
        "fibre found",
    )
    event = Event.objects.get(type="policy.changed")
    assert event.data["changes"] == {"months": {"from": 24, "to": 6}}


@pytest.mark.parametrize(
    ("case", "changes", "version", "error"),
    [
        ("stale", {"months": 6}, 7, Conflict),
        ("what it is for", {"group": None}, 1, Refused),
        ("no limit left", {"months": None, "run_hours": None, "starts": None}, 1, ValidationError),
    ],
)
def test_a_change_that_may_not_be_changes_nothing(case, changes, version, error):
    one = scene()
    with pytest.raises(error), transaction.atomic():
        change_policy(one.policy.pk, changes, version=version, actor=administrator(), at=NOON)
    kept = Policy.objects.get()
    assert (kept.version, kept.months) == (1, 24)


def test_a_stranger_does_not_see_the_policy_of_another_site():
    one = scene()
    stranger = member(SiteFactory(), ENGINEER)
    with pytest.raises(NotFound):
        change_policy(one.policy.pk, {"months": 6}, version=1, actor=stranger, at=NOON)
    assert list(Policy.objects.for_user(stranger)) == []


def test_a_policy_for_a_design_is_seen_by_members_of_every_site():
    policy = policy_for(design_code="OAK-7", months=12)
    assert list(Policy.objects.for_user(member(SiteFactory()))) == [policy]


def test_a_policy_for_many_valves_is_left_to_the_sweep(monkeypatch, settings):
    woken = []
    monkeypatch.setattr("valvecare.due.actions.policies.AT_ONCE", 2)
    monkeypatch.setattr("valvecare.due.actions.policies.wake", woken.append)
    for _ in range(3):
        ProtectionValveFactory(design__code="OAK-8", design__revision=f"R{_}")
    policy_for(design_code="OAK-8", months=12)
    assert woken == ["sweep"]
    assert not DueItem.objects.exists()
