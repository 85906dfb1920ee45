"""Placing, moving and taking out: it works, each refusal, and nothing changed by a refusal."""

from datetime import UTC, date, datetime

import pytest

from tests.factories.due import policy_for
from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.register import (
    PumpGroupFactory,
    SiteFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from tests.factories.work import NOW, Job, WorkOrderFactory
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.due.actions import renew_valves
from valvecare.models import CalendarRule, Event, PumpGroup, Slot, Verdict, WorkOrder
from valvecare.planning.actions import add_crew, add_window, check_place, place, unplace
from valvecare.work.rules import OrderKind

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def window(site):
    return WindowFactory(site=site)


@pytest.fixture
def crew(site):
    return CrewFactory(site=site)


@pytest.fixture
def job(site):
    return Job(site, valve=valve_at(site, design=ValveDesignFactory(job_hours=14.0))).to_agreed()


def sister(job, **facts):
    """An agreed order at another valve of the same group."""
    valve = valve_at(job.site, pump__group=job.order.valve.pump.group, **facts)
    return Job(job.site, WorkOrderFactory(valve=valve)).to_agreed()


def put(job, window, crew, **kwargs):
    return job.do(place, window.pk, crew.pk, actor=job.planner, **kwargs)


def refused(job, window, crew, **kwargs):
    before = (
        WorkOrder.objects.filter(pk=job.order.pk).values().get(),
        list(Slot.objects.values()),
        Event.objects.count(),
    )
    with pytest.raises(Refused) as caught:
        put(job, window, crew, **kwargs)
    assert before == (
        WorkOrder.objects.filter(pk=job.order.pk).values().get(),
        list(Slot.objects.values()),
        Event.objects.count(),
    )
    return caught.value.code


def test_an_order_is_placed_in_the_first_free_hours(job, window, crew):
    order = put(job, window, crew)
    assert order.state == "placed"
    slot = Slot.objects.get()
    assert slot.days == {"2026-06-08": 10.0, "2026-06-09": 4.0}
    assert (slot.starts_on, slot.ends_on, slot.hours) == (date(2026, 6, 8), date(2026, 6, 9), 14.0)
    event = Event.objects.get(type="work_order.placed")
    assert event.data["crew"] == crew.name


def test_the_next_order_of_the_crew_follows_in_the_same_day(job, window, crew, site):
    put(job, window, crew)
    other = Job(site, valve=valve_at(site)).to_agreed()
    put(other, window, crew, hours=8.0)
    assert other.order.slot.days == {"2026-06-09": 6.0, "2026-06-10": 2.0}


def test_a_placed_order_moves_and_must_be_readied_again(job, window, crew, site):
    put(job, window, crew)
    job.to_readied = None
    WorkOrder.objects.filter(pk=job.order.pk).update(state="readied", readiness={"kit": "lot 1"})
    put(job, window, CrewFactory(site=site), not_before=date(2026, 6, 15))
    assert (job.order.state, job.order.readiness) == ("placed", {})
    assert Slot.objects.get().starts_on == date(2026, 6, 15)
    assert Event.objects.filter(type="work_order.moved").count() == 1


def test_moving_frees_its_own_hours_first(job, crew, site):
    """A job that fills its slot can be placed again in the same slot."""
    slot = WindowFactory(
        site=site,
        starts_at=datetime(2026, 6, 9, 5, tzinfo=UTC),
        ends_at=datetime(2026, 6, 9, 13, tzinfo=UTC),
    )
    put(job, slot, crew, hours=8.0)
    put(job, slot, crew, hours=8.0)
    assert Slot.objects.get().days == {"2026-06-09": 8.0}


def test_taking_out_gives_the_hours_back(job, window, crew):
    put(job, window, crew)
    job.do(unplace, actor=job.planner, why="Kit is late.")
    assert (job.order.state, Slot.objects.count()) == ("agreed", 0)
    with pytest.raises(Refused):
        job.do(unplace, actor=job.planner)


def test_twenty_hours_do_not_fit_an_eight_hour_slot(job, crew, site):
    """Puzzle 3 of the demo world: ask for the train stop."""
    tuesday = {
        "starts_at": datetime(2026, 5, 5, 5, tzinfo=UTC),
        "ends_at": datetime(2026, 5, 5, 13, tzinfo=UTC),
    }
    slot = WindowFactory(site=site, **tuesday)
    assert refused(job, slot, crew, hours=20.0) == "window_too_short"


def test_ten_days_leave_a_crew_exactly_a_hundred_hours(site, crew):
    """Puzzle 1 of the demo world: the shrunk stop has no slack."""
    window = WindowFactory(
        site=site, ends_at=datetime(2026, 6, 19, 16, tzinfo=UTC), is_total_stop=True
    )
    for hours in (19, 19, 18, 18, 14, 6):
        put(Job(site).to_agreed(), window, crew, hours=float(hours))
    last = Job(site).to_agreed()
    assert refused(last, window, crew, hours=6.5) == "crew_hours_exceeded"
    put(last, window, crew, hours=6.0)
    assert sum(Slot.objects.values_list("hours", flat=True)) == 100.0


def test_nothing_is_opened_in_a_closed_season(job, crew, site):
    rule = CalendarRule.objects.create(
        site=site, name="winter", from_month=11, from_day=1, to_month=3, to_day=31
    )
    december = WindowFactory(
        site=site,
        starts_at=datetime(2026, 12, 7, 5, tzinfo=UTC),
        ends_at=datetime(2026, 12, 11, 17, tzinfo=UTC),
    )
    assert refused(job, december, crew) == "closed_season"
    test = Job(site, kind=OrderKind.FUNCTION_TEST.value).to_agreed()
    put(test, december, crew, hours=2.0)
    rule.exempt_groups.add(job.order.valve.pump.group)
    put(job, december, crew)


def test_duty_and_standby_are_never_out_together(job, window, crew, site):
    """R40. Three installed, two needed: one may be out."""
    put(job, window, crew)
    other, second = sister(job), CrewFactory(site=site)
    assert refused(other, window, second, not_before=date(2026, 6, 9)) == "group_cannot_spare"
    put(other, window, second, not_before=date(2026, 6, 10))


def test_a_total_stop_releases_the_group_unless_it_is_still_needed(job, crew, site):
    stop = WindowFactory(site=site, is_total_stop=True)
    put(job, stop, crew)
    other, second = sister(job), CrewFactory(site=site)
    stop.still_needed.add(job.order.valve.pump.group)
    assert refused(other, stop, second) == "group_cannot_spare"
    stop.still_needed.clear()
    put(other, stop, second)


@pytest.mark.parametrize("word", ["Does not protect", "Not known"])
def test_a_sister_that_does_not_protect_needs_a_reason(job, window, crew, word):
    """Opening the good one would leave the load to the pump that has no protection."""
    other = sister(job)
    PumpGroup.objects.filter(pk=job.order.valve.pump.group_id).update(installed=2, needed=1)
    verdict = Verdict.objects.create(
        valve=other.order.valve,
        judged_at=NOW,
        confirmed_at=NOW,
        updated_at=NOW,
        word=word,
        code="test_failed",
        reason="The bypass passes too little.",
        evidence="test",
        grade="measured with the pump",
        rule_version="verdict 4",
    )
    assert refused(job, window, crew) == "carried_unprotected"
    assert put(other, window, crew).state == "placed"  # the failing one may be opened
    Slot.objects.all().delete()
    put(job, window, crew, because="2V runs above 40 m3/h, shift lead told")
    assert Slot.objects.get().because == "2V runs above 40 m3/h, shift lead told"
    Verdict.objects.filter(pk=verdict.pk).update(word="Protects")
    assert check_place(job.order.pk, window.pk, crew.pk, actor=job.planner).warnings == ()


def test_a_sister_without_any_record_is_refused(job, window, crew):
    other = sister(job)
    PumpGroup.objects.filter(pk=job.order.valve.pump.group_id).update(installed=2, needed=1)
    policy_for(valve=other.order.valve, months=24)
    renew_valves([other.order.valve_id], at=NOW)
    assert refused(job, window, crew) == "group_cannot_spare"


def test_a_valve_put_off_no_longer_blocks_its_group(job, window, crew, site):
    put(job, window, crew)
    other, second = sister(job), CrewFactory(site=site)
    assert refused(other, window, second) == "group_cannot_spare"
    WorkOrder.objects.filter(pk=job.order.pk).update(state="put off")
    put(other, window, second)


def test_a_pump_whose_valve_is_not_known_does_not_count_as_available(site, crew, window):
    """R40 and puzzle 4 of the demo world: prove the unknown valve first."""
    from valvecare.due.models import DueItem, Policy

    group = PumpGroupFactory(site=site, installed=2, needed=1)
    known, unknown = (valve_at(site, pump__group=group) for _ in range(2))
    policy = Policy.objects.create(
        valve=unknown,
        kind="strip-down",
        months=48,
        valid_from=date(2025, 1, 1),
        source="invented",
        owner="engineer",
    )
    DueItem.objects.create(
        valve=unknown,
        kind="strip-down",
        site=site,
        group=group,
        pump=unknown.pump,
        policy=policy,
        as_of=NOW,
        changed_at=NOW,
    )
    first = Job(site, WorkOrderFactory(valve=known)).to_agreed()
    assert refused(first, window, crew) == "group_cannot_spare"
    put(Job(site, WorkOrderFactory(valve=unknown)).to_agreed(), window, crew)


def test_one_crew_at_two_valves_of_a_group_needs_a_reason_that_is_kept(job, crew, site):
    """R41."""
    stop = WindowFactory(site=site, is_total_stop=True)
    put(job, stop, crew)
    other = sister(job)
    found = check_place(other.order.pk, stop.pk, crew.pk, actor=other.planner)
    assert found.fits
    assert [warning.code for warning in found.warnings] == ["same_crew_same_day"]
    assert refused(other, stop, crew) == "same_crew_same_day"
    put(other, stop, crew, because="Each is tested before the next is opened.")
    assert other.order.slot.because == "Each is tested before the next is opened."


def test_a_preview_writes_nothing(job, window, crew):
    found = check_place(job.order.pk, window.pk, crew.pk, actor=job.planner)
    assert found.fits
    assert sum(found.days.values()) == 14.0
    assert Slot.objects.count() == 0
    assert WorkOrder.objects.get(pk=job.order.pk).version == job.order.version


def test_hours_that_nobody_knows_are_asked_for(site, window, crew):
    job = Job(site, valve=valve_at(site, design=None)).to_agreed()
    assert refused(job, window, crew) == "hours_not_known"
    exchange = Job(site, kind=OrderKind.EXCHANGE.value).to_agreed()
    assert refused(exchange, window, crew) == "hours_not_known"
    put(exchange, window, crew, hours=6.0)


def test_placing_needs_sight_permit_state_and_the_present_version(job, window, crew, site):
    away = SiteFactory()
    with pytest.raises(NotFound):
        job.do(place, window.pk, crew.pk, actor=member(away, Role.PLANNER))
    with pytest.raises(Forbidden):
        job.do(place, window.pk, crew.pk)
    with pytest.raises(NotFound):
        put(job, WindowFactory(site=away), crew)
    with pytest.raises(Conflict):
        place(job.order.pk, window.pk, crew.pk, version=1, actor=job.planner, at=NOW)
    raised = Job(site)
    assert refused(raised, window, crew) == "wrong_state"
    assert Slot.objects.count() == 0


def test_order_window_and_crew_belong_to_one_site(job, window, site):
    from tests.factories.register import MembershipFactory

    away = SiteFactory()
    MembershipFactory(user=job.planner, site=away, role=Role.PLANNER.value)
    assert refused(job, window, CrewFactory(site=away)) == "other_site"


def test_windows_and_crews_are_added_by_planners(site):
    group = PumpGroupFactory(site=site)
    facts = {
        "starts_at": datetime(2026, 6, 8, 4, tzinfo=UTC),
        "ends_at": datetime(2026, 6, 26, 16, tzinfo=UTC),
        "at": NOW,
    }
    planner = member(site, Role.PLANNER)
    window = add_window(
        site.code,
        "Stop",
        is_total_stop=True,
        still_needed=[group.code],
        actor=planner,
        **facts,
    )
    assert list(window.still_needed.all()) == [group]
    with pytest.raises(NotFound):
        add_window(site.code, "B", still_needed=["nowhere"], actor=planner, **facts)
    with pytest.raises(Forbidden):
        add_window(site.code, "C", actor=member(site, Role.TECHNICIAN), **facts)
    crew = add_crew(site.code, "A", people=2, hours_per_day=10, actor=planner, at=NOW)
    assert crew.site == site
    with pytest.raises(NotFound):
        add_crew(site.code, "B", people=2, hours_per_day=10, actor=member(SiteFactory()), at=NOW)
