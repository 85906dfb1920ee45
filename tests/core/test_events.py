from datetime import UTC, datetime

import pytest
from django.contrib.auth import get_user_model
from django.db import transaction

from valvecare.core.errors import Conflict, Forbidden
from valvecare.core.events import record, recorded
from valvecare.core.records import change, create, retire
from valvecare.models import Event, Membership, PumpGroup, Site

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return Site.objects.create(code="AA", name="Here", time_zone="UTC")


@pytest.fixture
def planner(site):
    user = get_user_model().objects.create_user("planner")
    Membership.objects.create(user=user, site=site, role="planner")
    return user


def test_an_event_is_told_to_hosts_only_after_commit(site, django_capture_on_commit_callbacks):
    heard = []

    def listen(sender, event_id, type, **_):
        heard.append((event_id, type))

    recorded.connect(listen)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            event = record("site.added", site, actor=None, at=NOW)
            assert heard == []
        assert heard == [(event.pk, "site.added")]
    finally:
        recorded.disconnect(listen)


def test_an_event_vanishes_with_its_transaction(site):
    with pytest.raises(RuntimeError), transaction.atomic():
        record("site.added", site, actor=None, at=NOW)
        raise RuntimeError
    assert Event.objects.count() == 0


def test_create_change_and_retire_leave_history_events_and_reasons(site, planner):
    group = create(
        PumpGroup(site=site, code="AA-FW", service="feed", installed=3, needed=2),
        actor=planner,
        at=NOW,
        permit="change_register",
    )
    group = change(
        PumpGroup.objects.all(),
        group.pk,
        {"needed": 1, "service": "feed"},
        version=1,
        actor=planner,
        at=NOW,
        permit="change_register",
        reason="new boiler",
    )
    retire(
        PumpGroup.objects.all(),
        group.pk,
        version=2,
        actor=planner,
        at=NOW,
        permit="change_register",
        reason="scrapped",
    )
    assert list(Event.objects.order_by("id").values_list("type", flat=True)) == [
        "pumpgroup.added",
        "pumpgroup.changed",
        "pumpgroup.retired",
    ]
    changed = Event.objects.get(type="pumpgroup.changed")
    assert changed.data == {"changes": {"needed": {"from": 2, "to": 1}}, "reason": "new boiler"}
    assert changed.site_id == site.pk
    assert [row.history_change_reason for row in group.history.order_by("history_id")] == [
        None,
        "new boiler",
        "scrapped",
    ]
    assert {row.history_user_id for row in group.history.all()} == {planner.pk}


def test_a_change_by_a_role_without_the_permit_changes_nothing(site):
    technician = get_user_model().objects.create_user("technician")
    Membership.objects.create(user=technician, site=site, role="technician")
    group = PumpGroup.objects.create(site=site, code="G", service="s", installed=2, needed=1)
    with pytest.raises(Forbidden):
        change(
            PumpGroup.objects.for_user(technician),
            group.pk,
            {"needed": 2},
            version=1,
            actor=technician,
            at=NOW,
            permit="change_register",
        )
    group.refresh_from_db()
    assert (group.needed, group.version, Event.objects.count()) == (1, 1, 0)


def test_a_stale_change_changes_nothing(site, planner):
    group = PumpGroup.objects.create(site=site, code="G", service="s", installed=2, needed=1)
    with pytest.raises(Conflict):
        change(
            PumpGroup.objects.all(),
            group.pk,
            {"needed": 2},
            version=3,
            actor=planner,
            at=NOW,
            permit="change_register",
        )
    group.refresh_from_db()
    assert (group.needed, group.version) == (1, 1)
