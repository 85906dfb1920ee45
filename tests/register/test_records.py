"""Add, change, retire and bring back: works, refuses with its reason, stale, stranger."""

from datetime import UTC, datetime

import pytest
from django.core.exceptions import ValidationError

from tests.factories.register import (
    ProtectionValveFactory,
    PumpFactory,
    PumpGroupFactory,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from valvecare.core.errors import Conflict, Forbidden, NotFound, Reason, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, ProtectionValve, Pump, PumpGroup, Site, ValveDesign
from valvecare.register.actions import (
    add_record,
    bring_back_record,
    change_record,
    refuse_retirement_when,
    retire_record,
)
from valvecare.register.actions.records import _CHECKS

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


@pytest.fixture
def site():
    return SiteFactory(code="NH")


@pytest.fixture
def planner(site):
    return member(site, Role.PLANNER)


def test_a_new_group_has_history_a_person_and_an_event(site, planner):
    group = PumpGroup(site=site, code="NH-X", service="make-up", installed=2, needed=1)
    add_record(group, actor=planner, at=AT, reason="new plant part")
    kept = group.history.get()
    assert (kept.history_user, kept.history_change_reason) == (planner, "new plant part")
    event = Event.objects.get()
    assert (event.type, event.site, event.actor, event.words) == (
        "pumpgroup.added",
        site,
        planner,
        "NH-X added.",
    )


def test_only_an_installation_administrator_adds_a_site(planner):
    new = Site(code="ZZ", name="Invented", time_zone="Asia/Dubai")
    with pytest.raises(Forbidden) as refused:
        add_record(new, actor=planner, at=AT)
    assert str(refused.value) == (
        "You may not add site here. An administrator of the installation may."
    )
    add_record(new, actor=UserFactory(is_superuser=True), at=AT)
    assert Event.objects.get().type == "site.added"


def test_a_site_needs_a_real_time_zone():
    new = Site(code="ZZ", name="Invented", time_zone="Mars/Olympus")
    with pytest.raises(ValidationError) as refused:
        add_record(new, actor=UserFactory(is_superuser=True), at=AT)
    assert refused.value.message_dict == {"time_zone": ["'Mars/Olympus' is not an IANA time zone."]}


def test_a_record_is_not_added_under_a_foreign_or_retired_one(site, planner):
    foreign = PumpGroupFactory()
    with pytest.raises(NotFound):
        add_record(Pump(group=foreign, tag="P-9", role="duty"), actor=planner, at=AT)
    old = PumpGroupFactory(site=site, code="OLD", retired_at=AT)
    with pytest.raises(Refused) as refused:
        add_record(Pump(group=old, tag="P-9", role="duty"), actor=planner, at=AT)
    assert str(refused.value) == (
        "OLD is retired; a retired record is not changed. Bring it back first, with a reason."
    )
    assert not Pump.objects.exists()


def test_a_tag_names_one_thing_at_a_site(site, planner):
    valve = valve_at(site, tag="V-1")
    other = PumpFactory(group__site=site)
    with pytest.raises(Refused) as refused:
        add_record(ProtectionValve(pump=other, tag="V-1", serial="S"), actor=planner, at=AT)
    assert refused.value.code == "tag_in_use"
    assert "The tag V-1 is in use at site NH already." in str(refused.value)
    second = valve_at(site, tag="V-2")
    with pytest.raises(Refused):
        change_record(ProtectionValve, second.pk, {"tag": "V-1"}, version=1, actor=planner, at=AT)
    second.refresh_from_db()
    assert (second.tag, second.version) == ("V-2", 1)
    assert valve_at(SiteFactory(), tag="V-1").tag == valve.tag


def test_a_change_is_told_field_by_field(site, planner):
    valve = valve_at(site, serial="not known")
    changed = change_record(
        ProtectionValve,
        valve.pk,
        {"serial": "S-7", "seal_material": valve.seal_material},
        version=1,
        actor=planner,
        at=AT,
        reason="plate cleaned",
    )
    assert (changed.serial, changed.version) == ("S-7", 2)
    event = Event.objects.get()
    assert (event.type, event.valve) == ("protectionvalve.changed", valve)
    assert event.data == {
        "changes": {"serial": {"from": "not known", "to": "S-7"}},
        "reason": "plate cleaned",
    }
    assert valve.history.first().history_change_reason == "plate cleaned"


def test_stale_stranger_and_role_are_told_apart(site, planner):
    valve = valve_at(site)
    given = {"version": 7, "actor": planner, "at": AT}
    with pytest.raises(Conflict):
        change_record(ProtectionValve, valve.pk, {"serial": "X"}, **given)
    with pytest.raises(NotFound):
        change_record(
            ProtectionValve, valve.pk, {"serial": "X"}, **given | {"actor": UserFactory()}
        )
    technician = member(site, Role.TECHNICIAN)
    with pytest.raises(Forbidden) as refused:
        change_record(
            ProtectionValve, valve.pk, {"serial": "X"}, version=1, actor=technician, at=AT
        )
    assert "Roles that may: planner, reliability engineer." in str(refused.value)
    valve.refresh_from_db()
    assert (valve.version, Event.objects.count()) == (1, 0)


def test_designs_are_shared_and_changed_by_engineers_only(site, planner):
    design = ValveDesignFactory()
    with pytest.raises(Forbidden):
        change_record(ValveDesign, design.pk, {"lift_mm": 24.0}, version=1, actor=planner, at=AT)
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    change_record(ValveDesign, design.pk, {"lift_mm": 24.0}, version=1, actor=engineer, at=AT)
    assert ValveDesign.objects.get().lift_mm == 24.0
    assert Event.objects.get().site is None


def test_a_valve_keeps_its_site_and_is_not_retired_by_its_status(site, planner):
    there = SiteFactory(code="SM")
    from valvecare.register.actions import add_member

    boss = UserFactory(is_superuser=True)
    add_member(there, planner, Role.PLANNER, actor=boss, at=AT)
    valve, pump = valve_at(site, tag="V-1"), PumpFactory(group__site=there)
    for changes, code in (
        ({"pump": pump}, "stays_at_its_site"),
        ({"status": "retired"}, "retire_with_reason"),
    ):
        with pytest.raises(Refused) as refused:
            change_record(ProtectionValve, valve.pk, changes, version=1, actor=planner, at=AT)
        assert refused.value.code == code


@pytest.mark.parametrize(
    ("case", "reason", "code"),
    [("no reason", " ", "reason_needed"), ("still carries", "scrapped", "still_carries")],
)
def test_a_pump_is_not_retired(case, reason, code, site, planner):
    valve = valve_at(site, tag="V-1")
    with pytest.raises(Refused) as refused:
        retire_record(Pump, valve.pump.pk, version=1, actor=planner, at=AT, reason=reason)
    assert refused.value.code == code
    if case == "still carries":
        assert str(refused.value) == (
            f"{valve.pump} still carries protection valves: V-1. "
            "Retire or move the protection valves first."
        )
    valve.pump.refresh_from_db()
    assert (valve.pump.version, valve.pump.retired_at) == (1, None)


def test_the_whole_column_can_be_retired_from_below(site, planner):
    valve = valve_at(site)
    for row in (valve, valve.pump, valve.pump.group, site):
        kept = retire_record(
            type(row), row.pk, version=1, actor=planner, at=AT, reason="plant closed"
        )
        assert kept.retired_at == AT
    valve.refresh_from_db()
    assert valve.status == "retired"
    with pytest.raises(Refused) as refused:
        retire_record(ProtectionValve, valve.pk, version=2, actor=planner, at=AT, reason="again")
    assert str(refused.value) == f"{valve} is retired already. Nothing needs to be done."
    with pytest.raises(Refused):
        change_record(ProtectionValve, valve.pk, {"serial": "X"}, version=2, actor=planner, at=AT)


def test_a_later_capability_can_object_to_a_retirement(site, planner):
    valve = valve_at(site, tag="V-1")

    @refuse_retirement_when
    def open_job(record):
        if isinstance(record, ProtectionValve):
            return Reason("job_open", "WO-000001 is under way.", "Close it first.")
        return None

    try:
        with pytest.raises(Refused) as refused:
            retire_record(ProtectionValve, valve.pk, version=1, actor=planner, at=AT, reason="old")
        assert refused.value.code == "job_open"
    finally:
        _CHECKS.remove(open_job)


def test_a_retired_valve_comes_back_as_a_spare(site, planner):
    valve = valve_at(site)
    retire_record(ProtectionValve, valve.pk, version=1, actor=planner, at=AT, reason="wrong one")
    ProtectionValveFactory(pump=valve.pump)
    common = {"actor": planner, "at": AT}
    with pytest.raises(Refused) as refused:
        bring_back_record(ProtectionValve, valve.pk, version=2, reason="", **common)
    assert refused.value.code == "reason_needed"
    back = bring_back_record(ProtectionValve, valve.pk, version=2, reason="mistake", **common)
    assert (back.status, back.retired_at) == ("spare", None)
    with pytest.raises(Refused) as refused:
        bring_back_record(ProtectionValve, valve.pk, version=3, reason="mistake", **common)
    assert refused.value.code == "not_retired"
    with pytest.raises(NotFound):
        bring_back_record(
            ProtectionValve, valve.pk, version=3, reason="x", actor=UserFactory(), at=AT
        )
