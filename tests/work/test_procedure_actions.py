"""Write a procedure, put a version in use, withdraw it; the default set beside a plant's own."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from tests.factories.due import administrator
from tests.factories.procedures import TEST_STEPS, drafted, in_use, written
from tests.factories.register import SiteFactory, UserFactory, member, valve_at
from tests.factories.work import NOW
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, Procedure, ProcedureStep, ProcedureVersion
from valvecare.work.actions import load_procedures
from valvecare.work.actions.load_procedures import load_default_set
from valvecare.work.actions.use_procedure import put_in_use, withdraw
from valvecare.work.actions.write_procedure import change_draft, draft_procedure, draft_version
from valvecare.work.reads import content_hash_of, seen_version, serving, steps_of
from valvecare.work.rules import OrderKind

pytestmark = pytest.mark.django_db

ENGINEER = Role.RELIABILITY_ENGINEER


@pytest.fixture
def site():
    return SiteFactory()


@pytest.fixture
def second(site):
    return member(site, ENGINEER)


def state():
    """Everything an action could have changed."""
    return (
        list(Procedure.objects.order_by("pk").values()),
        list(ProcedureVersion.objects.order_by("pk").values()),
        list(ProcedureStep.objects.order_by("pk").values()),
        Event.objects.count(),
    )


def refused(action, *args, error=Refused, **kwargs):
    before = state()
    with pytest.raises(error) as caught, transaction.atomic():
        action(*args, at=NOW, **kwargs)
    assert state() == before
    return caught.value


def use(row, actor, words="Read and tried.", **given):
    return put_in_use(row.pk, words, version=row.version, actor=actor, at=NOW, **given)


# ---- drafting


def test_a_draft_is_written_and_its_story_told(site):
    row = drafted(site=site)
    assert (str(row), row.state, row.number) == ("ours version 1", "draft", 1)
    assert steps_of(row.pk) == written(TEST_STEPS)
    event = Event.objects.get(type="procedure.drafted")
    assert (event.site, event.data) == (site, {"procedure": "ours", "version": 1})


def test_a_new_draft_begins_from_the_version_in_use(site, second):
    row = in_use(site=site)
    row.procedure.refresh_from_db()
    new = draft_version(
        row.procedure_id, version=row.procedure.version, words="Rods.", actor=second, at=NOW
    )
    assert (new.number, new.state) == (2, "draft")
    assert steps_of(new.pk) == steps_of(row.pk)
    assert ProcedureVersion.objects.get(pk=row.pk).state == "in use"
    again = refused(
        draft_version,
        row.procedure_id,
        version=row.procedure.version + 1,
        words="Again.",
        actor=second,
    )
    assert again.code == "draft_exists"


def test_a_procedure_may_begin_from_any_version_that_is_seen(site, second):
    row = in_use(site=site)
    facts = {"title": "T", "kind": row.procedure.kind, "owner": "approver", "source": "invented"}
    copy = draft_procedure("copy", **facts, site=site.code, copy_of=row.pk, actor=second, at=NOW)
    assert steps_of(copy.pk) == steps_of(row.pk)
    stranger = member(SiteFactory(), ENGINEER)
    other = refused(draft_procedure, "x", **facts, copy_of=row.pk, actor=stranger, error=NotFound)
    assert other.code == "not_found"


def test_who_may_not_write_and_where(site):
    facts = {"title": "T", "kind": "strip-down", "owner": "approver", "source": "invented"}
    planner = member(site, Role.PLANNER)
    refused(draft_procedure, "p", **facts, site=site.code, actor=planner, error=Forbidden)
    refused(draft_procedure, "p", **facts, site=site.code, actor=UserFactory(), error=NotFound)
    engineer = member(site, ENGINEER)
    valve_at(SiteFactory())  # a shared procedure needs the permit where it would serve
    refused(draft_procedure, "p", **facts, actor=engineer, error=Forbidden)
    refused(
        draft_procedure,
        "not a slug",
        **facts,
        site=site.code,
        actor=engineer,
        error=ValidationError,
    )
    refused(
        draft_procedure,
        "p",
        **{**facts, "owner": "boss"},
        site=site.code,
        actor=engineer,
        error=ValidationError,
    )


def test_a_code_is_taken_once(site, second):
    drafted(site=site)
    facts = {"title": "T", "kind": "strip-down", "owner": "approver", "source": "invented"}
    refused(draft_procedure, "ours", **facts, site=site.code, actor=second, error=ValidationError)


# ---- changing a draft


def test_only_a_draft_changes_and_only_on_the_version_that_was_seen(site, second):
    row = drafted(site=site)
    less = written(TEST_STEPS[:3])
    changed = change_draft(row.pk, less, version=1, actor=second, at=NOW, words="Shorter.")
    assert steps_of(row.pk) == less
    assert (changed.words, changed.changed_by) == ("Shorter.", second)
    refused(change_draft, row.pk, less, version=1, actor=second, error=Conflict)
    stranger = member(SiteFactory(), ENGINEER)
    refused(change_draft, row.pk, less, version=2, actor=stranger, error=NotFound)
    long = [*less, written([{**TEST_STEPS[0], "words": "x" * 501}])[0]]
    refused(change_draft, row.pk, long, version=2, actor=second, error=ValidationError)
    done = in_use(site=site, code="other", kind=OrderKind.FUNCTION_TEST)
    assert refused(change_draft, done.pk, less, version=done.version, actor=second).code == (
        "not_a_draft"
    )


# ---- putting in use


def test_put_in_use_keeps_hash_time_and_name(site, second):
    row = use(drafted(site=site), second)
    assert (row.state, row.valid_from, row.signed_off_by) == ("in use", NOW, second)
    assert row.content_hash == content_hash_of(steps_of(row.pk))
    event = Event.objects.get(type="procedure.put_in_use")
    assert event.data["content_hash"] == row.content_hash
    assert serving(valve_at(site), OrderKind.FUNCTION_TEST).version == row.pk


def test_put_in_use_is_refused(site, second):
    row = drafted(site=site)
    writer = row.drafted_by
    who = {"version": row.version}
    assert refused(put_in_use, row.pk, "Read.", actor=writer, **who).code == "second_person"
    assert refused(put_in_use, row.pk, " ", actor=second, **who).code == "no_statement"
    refused(put_in_use, row.pk, "Read.", actor=member(site, Role.PLANNER), **who, error=Forbidden)
    # an approver may put versions in use, but the owner of this one is the engineer
    approver = member(site, Role.APPROVER)
    refused(put_in_use, row.pk, "Read.", actor=approver, **who, error=Forbidden)
    refused(put_in_use, row.pk, "Read.", actor=second, version=9, error=Conflict)
    use(row, second)
    row.refresh_from_db()
    assert (
        refused(put_in_use, row.pk, "Read.", actor=second, version=row.version).code
        == "not_a_draft"
    )


def test_nobody_who_wrote_any_of_it_puts_it_in_use(site, second):
    """First drafted, then changed by two others: the one in the middle wrote it too."""
    row = drafted(site=site)
    middle, last = member(site, ENGINEER), member(site, ENGINEER)
    for number, actor in enumerate((middle, last), 1):
        change_draft(row.pk, written(TEST_STEPS), version=number, actor=actor, at=NOW)
    for actor in (row.drafted_by, middle, last):
        found = refused(put_in_use, row.pk, "Read.", actor=actor, version=3)
        assert found.code == "second_person"
    row.refresh_from_db()
    assert use(row, second).state == "in use"


def test_a_contractor_sees_no_procedures_but_a_second_role_shows_them(site):
    own, shared = drafted(site=site), drafted(code="shared")
    contractor = member(site, Role.CONTRACTOR)
    for row in (own, shared):
        with pytest.raises(NotFound):
            seen_version(row.pk, contractor)
    assert not Procedure.objects.for_user(contractor).exists()
    contractor.valvecare_memberships.create(site=site, role=Role.TECHNICIAN.value)
    assert seen_version(own.pk, contractor) == own


def test_what_is_wrong_with_the_steps_comes_back_step_by_step(site, second):
    row = drafted(TEST_STEPS[2:6], site=site)
    error = refused(put_in_use, row.pk, "Read.", version=row.version, actor=second)
    assert [reason.code for reason in error.reasons] == ["gates_missing", "no_test"]


def test_another_procedure_for_the_same_keeps_the_place_until_it_is_withdrawn(site, second):
    first = in_use(site=site)
    twin = drafted(site=site, code="theirs")
    error = refused(put_in_use, twin.pk, "Read.", version=twin.version, actor=second)
    assert error.code == "another_in_use"
    withdraw(first.pk, "Too long.", version=first.version, actor=second, at=NOW)
    assert use(twin, second).state == "in use"


def test_the_database_itself_keeps_one_in_use_per_scope(site):
    in_use(site=site)
    twin = drafted(site=site, code="theirs")
    with pytest.raises(IntegrityError), transaction.atomic():
        ProcedureVersion.objects.filter(pk=twin.pk).update(
            state="in use", valid_from=NOW, content_hash="0" * 64
        )


# ---- withdrawing


def test_withdrawn_serves_no_more_and_keeps_its_reason(site, second):
    row = in_use(site=site)
    later = NOW + timedelta(hours=1)
    gone = withdraw(row.pk, "T1 is too long.", version=row.version, actor=second, at=later)
    assert (gone.state, gone.ended_at, gone.ended_why) == ("withdrawn", later, "T1 is too long.")
    assert serving(valve_at(site), OrderKind.FUNCTION_TEST).version is None
    again = refused(withdraw, row.pk, "Twice.", version=gone.version, actor=second)
    assert again.code == "wrong_state"


def test_withdrawing_needs_its_reason_and_the_permit(site, second):
    row = in_use(site=site)
    assert refused(withdraw, row.pk, "", version=row.version, actor=second).code == "no_why"
    technician = member(site, Role.TECHNICIAN)
    refused(withdraw, row.pk, "No.", version=row.version, actor=technician, error=Forbidden)
    stranger = member(SiteFactory(), ENGINEER)
    refused(withdraw, row.pk, "No.", version=row.version, actor=stranger, error=NotFound)


def test_shared_versions_are_seen_by_all_and_own_ones_only_at_the_site(site):
    shared = drafted(code="shared")
    own = drafted(site=site)
    other = member(SiteFactory(), Role.TECHNICIAN)
    assert seen_version(shared.pk, other) == shared
    with pytest.raises(NotFound):
        seen_version(own.pk, other)
    with pytest.raises(NotFound):
        seen_version(shared.pk, UserFactory())


# ---- the default set beside a plant's own


def test_loading_never_overwrites_what_a_plant_wrote(site, second):
    own = drafted(code="strip-down", kind=OrderKind.FUNCTION_TEST)  # the code is the plant's
    mine = in_use(code="our-test")  # the same scope as the default function test
    lines = {line.code: line.words for line in load_default_set(at=NOW)}
    assert lines["strip-down"] == "left alone: the plant has its own of this name"
    assert lines["function-test"].startswith("added as a draft: our-test version 1 is in use")
    own.refresh_from_db()
    mine.refresh_from_db()
    assert (own.state, mine.state) == ("draft", "in use")
    assert steps_of(own.pk) == written(TEST_STEPS)


def test_a_later_default_comes_as_a_draft_beside_the_version_in_use(monkeypatch):
    load_default_set(at=NOW)
    first = ProcedureVersion.objects.get(procedure__code="function-test")
    shipped = load_procedures.default_set()
    changed = tuple(
        load_procedures.Shipped(
            row.code, row.title, row.kind, row.owner, row.source, row.steps[:-1]
        )
        if row.code == "function-test"
        else row
        for row in shipped
    )
    monkeypatch.setattr(load_procedures, "default_set", lambda: changed)
    lines = {line.code: line.words for line in load_default_set(at=NOW)}
    assert lines["function-test"] == "version 2 added as a draft: compare it, then use it"
    assert set(lines.values()) - {lines["function-test"]} == {"there already"}
    first.refresh_from_db()
    assert first.state == "in use"
    new = ProcedureVersion.objects.get(procedure__code="function-test", number=2)
    use(new, administrator())
    first.refresh_from_db()
    assert first.state == "superseded"
    assert {line.words for line in load_default_set(at=NOW)} == {"there already"}
