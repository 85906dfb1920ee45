"""Older records: read word by word, stored once, clocks restarted by what really restarts them."""

import csv
from datetime import date
from pathlib import Path

import pytest

from tests.factories.due import policy_for
from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import NOW
from valvecare.core.errors import Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.due.rules import TaskKind
from valvecare.models import Act, DueItem, Event, Finding, FunctionTest, WorkOrder
from valvecare.work.actions.record_past_job import record_past_job
from valvecare.work.rules import AsFound, OrderKind, PartDecision, PartName, past_job_from_row

HISTORY = Path(__file__).parents[2] / "fixtures" / "demo" / "history.csv"


def row(**changes):
    return {
        "date": "2023-05-30",
        "task": "strip-down",
        "hours_since": "2900",
        "starts_since": "7300",
        "as_found": "worse",
        "mode": "DOP",
        "part": "lever pin",
        "finding": "worn",
        "measure": "lost motion 1.4 mm limit 1.0",
        "decision": "replace",
        "test_result": "pass",
        "note": "starts govern",
        **changes,
    }


def test_a_row_is_read_word_by_word():
    job = past_job_from_row(row())
    assert (job.kind, job.done_on) == (OrderKind.STRIP_DOWN, date(2023, 5, 30))
    assert (job.run_hours_since, job.starts_since) == (2900.0, 7300.0)
    assert (job.as_found, job.mode, job.passed) == (AsFound.WORSE, "DOP", True)
    assert job.finding.part is PartName.LEVER_PIN
    assert job.finding.found == "worn; lost motion 1.4 mm limit 1.0"
    assert job.finding.decision is PartDecision.REPLACE


@pytest.mark.parametrize(
    ("case", "changes", "found", "value", "unit"),
    [
        ("value and unit", {"measure": "0.05 mm", "finding": "mark"}, "mark", 0.05, "mm"),
        ("sign", {"measure": "+9 % section"}, "worn", 9.0, "% section"),
        ("no value", {"measure": "stiff over 30 mm"}, "worn; stiff over 30 mm", None, ""),
        ("old word", {"part": "guide", "measure": ""}, "guide: worn", None, ""),
        (
            "more words",
            {"decision": "reuse after cleaning", "measure": ""},
            "worn; reuse after cleaning",
            None,
            "",
        ),
        ("nothing", {"part": "all", "finding": "", "measure": ""}, "nothing noted", None, ""),
    ],
)
def test_what_was_found_keeps_the_words_of_the_record(case, changes, found, value, unit):
    finding = past_job_from_row(row(**changes)).finding
    assert (finding.found, finding.value, finding.unit) == (found, value, unit)


def test_a_measured_flow_becomes_numbers():
    job = past_job_from_row(
        row(
            task="function test",
            part="bypass trim",
            finding="not opened",
            measure="bypass 21.0 m3/h +-5 % needed 27",
            decision="",
            test_result="fail for holding",
            note="restriction set: load within 60 s after start",
        )
    )
    flow = job.flow
    assert (flow.bypass_flow_m3_per_h, flow.uncertainty_share, flow.required_m3_per_h) == (
        21.0,
        0.05,
        27.0,
    )
    assert (job.passed, job.test_words) == (False, "for holding")
    assert job.restriction == "load within 60 s after start"
    assert job.finding.not_checked_because == "not opened"


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("task", "overhaul"),
        ("date", "30.05.2023"),
        ("as_found", "fine"),
        ("mode", "ABC"),
        ("part", "gizmo"),
        ("decision", "keep"),
        ("test_result", "okay"),
        ("hours_since", "about 3000"),
        ("starts_since", "-1"),
    ],
)
def test_a_word_that_is_not_known_names_its_column(column, value):
    with pytest.raises(Refused) as caught:
        past_job_from_row(row(**{column: value}))
    assert caught.value.code == "past_job_unreadable"
    assert caught.value.reasons[0].numbers == {"column": column, "value": value}


def test_every_record_of_the_demo_world_can_be_read():
    with HISTORY.open() as file:
        jobs = [past_job_from_row(one) for one in csv.DictReader(file)]
    assert len(jobs) == 31
    assert sum(job.kind is OrderKind.STRIP_DOWN for job in jobs) == 26
    assert sum(job.as_found is AsFound.FAILED for job in jobs) == 4
    assert [job.passed for job in jobs].count(False) == 1


@pytest.fixture
def site(db):
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def engineer(site):
    return member(site, Role.RELIABILITY_ENGINEER)


@pytest.mark.parametrize(
    ("case", "changes", "restarted"),
    [
        ("strip-down, passed", {}, {"strip-down", "bypass-only inspection", "function test"}),
        (
            "strip-down, failed",
            {"test_result": "fail"},
            {"strip-down", "bypass-only inspection"},
        ),
        (
            "sister inspection, passed",
            {"task": "sister inspection"},
            {"strip-down", "bypass-only inspection", "sister inspection", "function test"},
        ),
        ("function test, passed", {"task": "function test"}, {"function test"}),
        ("function test, failed", {"task": "function test", "test_result": "fail"}, set()),
        ("corrective repair of one part", {"task": "corrective"}, set()),
    ],
)
def test_only_what_really_restarts_a_clock_does(site, engineer, case, changes, restarted):
    valve = valve_at(site)
    record_past_job(valve.pk, past_job_from_row(row(**changes)), actor=engineer, at=NOW)
    found = {kind for resets in Act.objects.values_list("resets", flat=True) for kind in resets}
    assert found == restarted


def test_a_past_job_is_a_closed_order_with_its_facts(site, engineer):
    valve = valve_at(site)
    order = record_past_job(valve.pk, past_job_from_row(row()), actor=engineer, at=NOW)
    assert (order.state, order.is_imported, order.as_found) == ("closed", True, "worse")
    assert order.done_at.isoformat() == "2023-05-30T12:00:00+02:00"
    assert (order.run_hours_since, order.starts_since) == (2900.0, 7300.0)
    assert Finding.objects.get().decision == "replace"
    assert FunctionTest.objects.get().result == "pass"
    assert Event.objects.filter(type="work_order.past_job_recorded").count() == 1


def test_the_same_record_twice_is_one_order(site, engineer):
    valve, job = valve_at(site), past_job_from_row(row())
    first = record_past_job(valve.pk, job, actor=engineer, at=NOW)
    again = record_past_job(valve.pk, job, actor=engineer, at=NOW)
    assert first.pk == again.pk
    assert [model.objects.count() for model in (WorkOrder, Finding, FunctionTest)] == [1, 1, 1]


def test_numbers_that_contradict_the_result_are_refused(site, engineer):
    changes = {"measure": "bypass 21.0 m3/h +-5 % needed 27", "decision": ""}
    job = past_job_from_row(row(**changes))
    with pytest.raises(Refused) as caught:
        record_past_job(valve_at(site).pk, job, actor=engineer, at=NOW)
    assert caught.value.code == "result_contradicts_numbers"
    assert WorkOrder.objects.count() == 0


def test_a_past_job_lies_in_the_past_and_needs_a_permit(site, engineer):
    valve, job = valve_at(site), past_job_from_row(row())
    with pytest.raises(Refused) as caught:
        record_past_job(valve.pk, past_job_from_row(row(date="2026-05-05")), actor=engineer, at=NOW)
    assert caught.value.code == "in_the_future"
    with pytest.raises(Forbidden):
        record_past_job(valve.pk, job, actor=member(site, Role.TECHNICIAN), at=NOW)
    with pytest.raises(NotFound):
        record_past_job(valve.pk, job, actor=member(SiteFactory()), at=NOW)
    assert WorkOrder.objects.count() == 0


def test_the_next_due_date_follows_at_once(site, engineer):
    valve = valve_at(site)
    policy_for(valve=valve, kind=TaskKind.STRIP_DOWN, months=36)
    assert DueItem.objects.get(valve=valve).state == "no record"
    record_past_job(valve.pk, past_job_from_row(row()), actor=engineer, at=NOW)
    item = DueItem.objects.get(valve=valve)
    assert (item.state, item.due_on) == ("coming up", date(2026, 5, 30))
    # and the order it wants is there at once as well
    assert WorkOrder.objects.open().get(valve=valve).due_on == date(2026, 5, 30)
