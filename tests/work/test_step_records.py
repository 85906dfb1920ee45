"""Steps of a procedure at the valve: answers, witnesses, and what stays open."""

import pytest

from tests.factories.procedures import TEST_STEPS, drafted, in_use, written
from tests.factories.register import SiteFactory, UserFactory, ValveDesignFactory, member
from tests.factories.work import NOW, GaugeFactory, Job, refused, snapshot, sound
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, ProcedureVersion, StepRecord, WorkOrder
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_steps import record_steps, witness_step
from valvecare.work.actions.reopen import reopen
from valvecare.work.actions.start import start
from valvecare.work.actions.use_procedure import put_in_use, withdraw
from valvecare.work.actions.write_procedure import change_draft, draft_version
from valvecare.work.reads import order_card, order_steps
from valvecare.work.reads.steps import plain_step
from valvecare.work.rules import AsFound, FindingGrade, OrderKind, PartDecision, PartName

pytestmark = pytest.mark.django_db

KIND = OrderKind.FUNCTION_TEST


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    in_use(site=site)
    design = ValveDesignFactory(has_lever=False)
    return Job(site, kind=KIND.value, valve__design=design).to_under_way()


def answer(job, *numbers, outcome="done", **given):
    rows = [{"step": number, "outcome": outcome, **given} for number in numbers]
    return job.do(record_steps, rows)


def open_numbers(job):
    return [line.number for line in order_steps(job.order) if line.state.is_open]


def measured(job, value=41.5, gauge=None, **given):
    code = gauge or GaugeFactory(site=job.site).code
    row = {"step": 4, "outcome": "done", "value": value, "gauge": code, **given}
    return job.do(record_steps, [row])


def all_but_the_hold_point(job):
    answer(job, 1, 3)
    job.as_found()
    measured(job)
    answer(job, 5)
    return job.test()


def witness(job, step=5, actor=None):
    who = actor or member(job.site, Role.SHIFT_LEAD)
    return job.do(witness_step, step, actor=who)


# ---- which steps


def test_the_steps_that_apply_are_asked_with_the_numbers_of_the_procedure(job):
    assert [line.number for line in order_steps(job.order)] == [1, 2, 3, 4, 5, 7, 8]


def test_what_is_not_known_is_asked_and_says_why(site):
    in_use(site=site)
    job = Job(site, kind=KIND.value, valve__design=None).to_under_way()
    [line] = [line for line in order_steps(job.order) if line.number == 6]
    assert line.is_unsure
    assert line.why == "shown because 'has lever' is not known"


# ---- answering


def test_an_answer_settles_its_step_and_the_latest_counts(job):
    answer(job, 1, outcome="not done", because="no plate")
    answer(job, 1)
    [line] = [line for line in order_steps(job.order) if line.number == 1]
    shown = plain_step(line)
    assert (shown.said, shown.by) == ("done", job.technician.get_username())
    assert StepRecord.objects.count() == 2
    event = Event.objects.filter(type="work_order.steps_recorded").latest("id")
    assert event.data["steps"] == [
        {"step": 1, "outcome": "done", "because": "", "value": None, "unit": ""}
    ]


def test_a_measured_value_is_kept_with_unit_and_gauge(job):
    measured(job)
    row = StepRecord.objects.get()
    assert (row.value, row.unit, row.gauge.code) == (41.5, "mm", "DG-01")


@pytest.mark.parametrize(
    ("case", "given", "code"),
    [
        ("unknown step", {"step": 99}, "not_a_step"),
        ("step that does not apply", {"step": 6}, "not_a_step"),
        ("gate is recorded as a gate", {"step": 2}, "step_points_elsewhere"),
        ("test is recorded as a test", {"step": 7}, "step_points_elsewhere"),
        ("not done without a reason", {"step": 1, "outcome": "not done"}, "no_because"),
        ("does not apply, no reason", {"step": 1, "outcome": "does not apply"}, "no_because"),
        (
            "caution not read",
            {"step": 3, "outcome": "not done", "because": "hurry"},
            "caution_not_read",
        ),
        ("witness is no answer", {"step": 5, "outcome": "witnessed"}, "not_an_answer"),
        ("value missing", {"step": 4}, "no_value"),
        ("gauge missing", {"step": 4, "value": 3.0}, "gauge_not_named"),
        ("gauge unknown", {"step": 4, "value": 3.0, "gauge": "XX-9"}, "gauge_unknown"),
        ("value of a check", {"step": 1, "value": 3.0}, "nothing_measured"),
        (
            "value of what was not done",
            {"step": 4, "outcome": "not done", "because": "no light", "value": 1.0},
            "value_of_nothing",
        ),
    ],
)
def test_an_answer_is_refused_and_nothing_changes(job, case, given, code):
    assert refused(job, record_steps, [{"outcome": "done", **given}]) == code
    assert StepRecord.objects.count() == 0


def test_an_overdue_gauge_is_refused(job):
    late = GaugeFactory(site=job.site, code="DG-09", calibrated_until="2026-04-30")
    late.refresh_from_db()
    row = {"step": 4, "outcome": "done", "value": 3.0, "gauge": "DG-09"}
    assert refused(job, record_steps, [row]) == "gauge_overdue"


def test_one_bad_answer_refuses_all(job):
    rows = [{"step": 1, "outcome": "done"}, {"step": 2, "outcome": "done"}]
    assert refused(job, record_steps, rows) == "step_points_elsewhere"
    assert refused(job, record_steps, rows[:1] * 2) == "answered_twice"
    assert refused(job, record_steps, []) == "no_answers"
    assert StepRecord.objects.count() == 0


def test_a_stranger_a_reader_and_a_stale_form_answer_nothing(job):
    rows = [{"step": 1, "outcome": "done"}]
    before = snapshot(job.order)
    for actor, error in (
        (UserFactory(), NotFound),
        (member(job.site, Role.AUDITOR), Forbidden),
        (member(job.site, Role.CONTRACTOR), NotFound),
    ):
        with pytest.raises(error):
            job.do(record_steps, rows, actor=actor)
    with pytest.raises(Conflict):
        record_steps(
            job.order.pk, rows, version=job.order.version - 1, actor=job.technician, at=NOW
        )
    assert snapshot(job.order) == before
    assert StepRecord.objects.count() == 0


# ---- hold points


def test_a_hold_point_is_open_until_a_second_person_has_looked(job):
    answer(job, 5)
    assert 5 in open_numbers(job)
    witness(job)
    assert 5 not in open_numbers(job)
    [line] = [line for line in order_steps(job.order) if line.number == 5]
    assert plain_step(line).witnessed_by == Event.objects.latest("id").actor_name
    answer(job, 5)  # done again: the witness looks again
    assert 5 in open_numbers(job)


@pytest.mark.parametrize(
    ("case", "who", "code"),
    [
        ("who did it", "technician", "second_person"),
        ("nothing done yet", "early", "nothing_to_witness"),
        ("no hold point", "no hold", "no_hold_point"),
        ("twice", "twice", "witnessed_already"),
    ],
)
def test_a_witness_is_refused(job, case, who, code):
    lead = member(job.site, Role.SHIFT_LEAD)
    step, actor = 5, lead
    if who != "early":
        answer(job, 1, 5)
    if who == "technician":
        actor = job.technician
    if who == "no hold":
        step = 1
    if who == "twice":
        witness(job, actor=lead)
    assert refused(job, witness_step, step, actor=actor) == code


def test_done_by_another_and_typed_in_neither_is_the_witness(job):
    other = member(job.site, Role.TECHNICIAN)
    job.do(record_steps, [{"step": 5, "outcome": "done"}], done_by=other.get_username())
    assert refused(job, witness_step, 5, actor=other) == "second_person"
    assert refused(job, witness_step, 5, actor=job.technician) == "second_person"
    witness(job)
    assert 5 not in open_numbers(job)


def test_the_role_a_hold_point_names_is_asked_for(site):
    rows = [
        {**row, "witness": "reliability engineer"} if "witness" in row else row
        for row in TEST_STEPS
    ]
    in_use(rows, site=site)
    job = Job(site, kind=KIND.value).to_under_way()
    answer(job, 5)
    lead = member(site, Role.SHIFT_LEAD)
    assert refused(job, witness_step, 5, actor=lead) == "wrong_witness"
    witness(job, actor=member(site, Role.RELIABILITY_ENGINEER))
    assert 5 not in open_numbers(job)


JUDGED_STEPS = [
    TEST_STEPS[0],
    {
        "phase": "inspect",
        "kind": "judge part",
        "words": "Disc guide: score.",
        "part": "disc guide",
        "witness": "second person",
    },
    {
        "phase": "inspect",
        "kind": "measure",
        "words": "Clearance of the guide.",
        "part": "disc guide",
        "quantity": "clearance of the guide",
        "witness": "second person",
    },
    {"phase": "inspect", "kind": "gate", "words": "Judged.", "gate": "every part judged"},
    {"phase": "inspect", "kind": "gate", "words": "Moved.", "gate": "moved by hand"},
]
"""A receiving check, cut short: 2 a part judged and 3 a value read at it, each a hold point."""


@pytest.fixture
def judged(site):
    """Its procedure written past the check of what a receiving check must ask."""
    version = drafted(JUDGED_STEPS, site=site, kind=OrderKind.RECEIVING_CHECK)
    job = Job(site, kind=OrderKind.RECEIVING_CHECK.value).to_under_way()
    job.order.procedure = version
    job.order.save()
    return job


def found(job, clearance=0.3, **given):
    part = PartName.DISC_GUIDE
    return job.do(
        record_finding,
        part,
        found="even polish",
        grade=FindingGrade.USED,
        decision=PartDecision.REUSE,
        measurements=sound(job.order, part, clearance=clearance),
        **given,
    )


def test_who_judged_or_measured_a_part_is_no_witness_of_it(judged):
    """The order is given to somebody else, so only the finding says who did it."""
    other, typist = (member(judged.site, Role.TECHNICIAN) for _ in range(2))
    found(judged, actor=typist, done_by=other.get_username())
    for step in (2, 3):
        for person in (other, typist):
            assert refused(judged, witness_step, step, actor=person) == "second_person"
    card = order_card(judged.order.pk, other)
    assert card.to_witness == ()
    witness(judged, 2)
    witness(judged, 3)
    assert open_numbers(judged) == [1, 4, 5]


def test_a_part_found_anew_is_looked_at_anew(judged):
    found(judged)
    witness(judged, 2)
    assert 2 not in open_numbers(judged)
    found(judged, clearance=0.31)
    assert 2 in open_numbers(judged)
    witness(judged, 2)
    assert 2 not in open_numbers(judged)


def test_who_tested_is_no_witness_of_the_test(site):
    rows = [*TEST_STEPS[:6], {**TEST_STEPS[6], "witness": "second person"}]
    in_use(rows, site=site)
    design = ValveDesignFactory(has_lever=False)
    job = Job(site, kind=KIND.value, valve__design=design).to_under_way()
    all_but_the_hold_point(job)
    WorkOrder.objects.filter(pk=job.order.pk).update(assigned_to=None)
    assert refused(job, witness_step, 7) == "second_person"
    lead = member(site, Role.SHIFT_LEAD)
    witness(job, 7, actor=lead)
    assert 7 not in open_numbers(job)
    job.test(31.0)
    assert 7 in open_numbers(job)


def test_an_auditor_and_a_contractor_witness_nothing(job):
    answer(job, 5)
    for role, error in ((Role.AUDITOR, Forbidden), (Role.CONTRACTOR, NotFound)):
        with pytest.raises(error):
            job.do(witness_step, 5, actor=member(job.site, role))


# ---- what stays open


def test_an_open_mandatory_step_keeps_the_order_open_and_is_named(job):
    all_but_the_hold_point(job)
    before = snapshot(job.order)
    with pytest.raises(Refused) as caught:
        job.do(close_work_order)
    assert snapshot(job.order) == before
    [reason] = caught.value.reasons
    assert reason.code == "steps_open"
    assert "5 'Return line sealed open.', waits for its witness" in reason.words
    assert reason.numbers == {"steps": [5]}
    witness(job)
    job.do(close_work_order)
    assert job.order.state == "closed"


def test_not_done_because_is_an_answer_and_a_step_that_is_not_mandatory_may_stay_open(job):
    answer(job, 3)
    job.as_found()
    answer(job, 1, 4, outcome="not done", because="no light")
    answer(job, 5)
    witness(job)
    job.test()
    assert open_numbers(job) == [8]
    job.do(close_work_order)
    assert job.order.state == "closed"


def test_cautions_and_hold_points_come_before_the_next_gate(site):
    rows = [TEST_STEPS[2], TEST_STEPS[4], *TEST_STEPS[:2], *TEST_STEPS[6:]]
    in_use(rows, site=site)
    job = Job(site, kind=KIND.value).to_under_way()
    give = {"grade": AsFound.AS_EXPECTED}
    assert refused(job, record_as_found, "warm", **give) == "steps_open_before_gate"
    answer(job, 1)
    assert refused(job, record_as_found, "warm", **give) == "steps_open_before_gate"
    answer(job, 2)
    witness(job, step=2)
    job.do(record_as_found, "warm", **give)  # the plain check before it asks only at the close
    assert open_numbers(job) == [3, 5, 6]


def test_without_a_procedure_all_is_as_it_was(site):
    job = Job(site, kind=KIND.value).to_under_way()
    assert order_steps(job.order) == ()
    job.as_found().test()
    job.do(close_work_order)
    assert job.order.procedure is None


# ---- which version


def next_version(version, rows, at=NOW):
    """A new version of the same procedure, put in use."""
    version.procedure.refresh_from_db()
    site = version.procedure.site
    writer = member(site, Role.RELIABILITY_ENGINEER)
    new = draft_version(
        version.procedure_id,
        version=version.procedure.version,
        words="Two steps less.",
        actor=writer,
        at=at,
    )
    change_draft(new.pk, written(rows), version=new.version, actor=writer, at=at)
    new.refresh_from_db()
    second = member(site, Role.RELIABILITY_ENGINEER)
    return put_in_use(new.pk, "Read.", version=new.version, actor=second, at=at)


def test_a_running_job_keeps_the_version_it_started_with(job, site):
    first = job.order.procedure
    second = next_version(first, [*TEST_STEPS[:3], TEST_STEPS[6]])
    first.refresh_from_db()
    assert (first.state, second.state, second.number) == ("superseded", "in use", 2)
    assert WorkOrder.objects.get(pk=job.order.pk).procedure == first
    assert [line.number for line in order_steps(job.order)] == [1, 2, 3, 4, 5, 7, 8]
    all_but_the_hold_point(job)
    witness(job)
    job.do(close_work_order)
    later = Job(site, kind=KIND.value).to_under_way()
    assert later.order.procedure == second
    assert [line.number for line in order_steps(later.order)] == [1, 2, 3, 4]


def test_a_readied_order_keeps_its_version_and_one_that_moves_gets_the_new_one(site):
    first = in_use(site=site)
    job = Job(site, kind=KIND.value).to_readied()
    assert job.order.procedure == first
    second = next_version(first, TEST_STEPS[:3] + TEST_STEPS[6:])
    job.do(start)
    assert job.order.procedure == first
    other = Job(site, kind=KIND.value).to_readied()
    assert other.order.procedure == second


def test_a_withdrawn_version_is_not_started_and_a_running_job_says_so(job, site):
    version = job.order.procedure
    waiting = Job(site, kind=KIND.value).to_readied()
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    withdraw(version.pk, "T1 was too long.", version=version.version, actor=engineer, at=NOW)
    assert refused(waiting, start) == "procedure_withdrawn"
    card = order_card(job.order.pk, job.technician)
    assert card.procedure_withdrawn == "T1 was too long."


def test_two_that_serve_alike_are_refused_when_the_order_is_readied(site):
    in_use(site=site)
    twin = drafted(site=site, code="theirs")
    # past our own rule, as an import from elsewhere might be
    ProcedureVersion.objects.filter(pk=twin.pk).update(
        state="in use", valid_from=NOW, content_hash="0" * 64, scope_key="elsewhere"
    )
    job = Job(site, kind=KIND.value)
    with pytest.raises(Refused) as caught:
        job.to_readied()
    assert caught.value.code == "procedures_tie"


def test_reopening_the_record_keeps_the_answers_and_working_again_asks_anew(job):
    all_but_the_hold_point(job)
    witness(job)
    job.do(close_work_order)
    engineer = member(job.site, Role.RELIABILITY_ENGINEER)
    job.do(reopen, "A remark is missing.", work_again=False, actor=engineer)
    assert open_numbers(job) == [8]
    job.do(close_work_order)
    job.do(reopen, "It leaks again.", work_again=True, actor=engineer)
    assert open_numbers(job) == [1, 2, 3, 4, 5, 7, 8]


def test_a_gate_of_another_kind_stays_refused_in_its_own_words(job):
    assert refused(job, pass_gate, "isolated") == "gate_not_in_kind"
