"""Gauges, findings judged by rule, and the record of a closed joint: exact reasons, nothing kept.

Limits are the invented part data of the factory's design; the figures beside them are by hand.
"""

from datetime import UTC, date, datetime

import pytest

from tests.factories.register import SiteFactory, member
from tests.factories.work import GaugeFactory, Job, joint_closed, refused, sound
from valvecare.core.permits import Role
from valvecare.models import Finding, Gate, Measurement
from valvecare.work.actions.decide_part import decide_part
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.reads import findings_for_engineer
from valvecare.work.rules import PASSES, FindingGrade, GateKind, PartDecision, PartName, Stage

pytestmark = pytest.mark.django_db

FIT = {"found": "polish", "grade": FindingGrade.USED, "decision": PartDecision.REUSE}


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


@pytest.fixture
def job(site):
    job = Job(site).to_under_way().gate(GateKind.ISOLATED).as_found()
    return job.gate(GateKind.COVER_RELEASED)


def test_a_wrench_overdue_since_april_closes_no_joint_in_june(site, job):
    """The gauge trap: TW-07 was due on 2026-04-30 and was used in the June job."""
    GaugeFactory(
        site=site,
        code="TW-07",
        kind="torque wrench",
        range_low=40,
        range_high=400,
        unit="N m",
        step=5,
        calibrated_until=date(2026, 4, 30),
    )
    job.judge_parts().gate(GateKind.PARTS_JUDGED)
    job.at = datetime(2026, 6, 12, 9, tzinfo=UTC)
    given = joint_closed(site, wrench="TW-07")
    assert refused(job, pass_gate, GateKind.JOINT_CLOSED, **given) == "gauge_overdue"
    job.do(pass_gate, GateKind.JOINT_CLOSED, **joint_closed(site))
    data = Gate.objects.get(kind="joint closed").data
    assert (data["wrench"], data["torque_nm"]) == ("TW-01", 215.0)
    assert data["compared"]["words"].startswith("no computed torque: No torque: not known is ")


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"new_gasket": False}, "gasket_not_new"),
        ({"lubricant": " "}, "no_lubricant"),
        ({"torque_nm": None}, "no_torque"),
        ({"passes": PASSES[:-1]}, "passes_missing"),
        ({"passes": (*PASSES, "a sixth")}, "passes_missing"),
        ({"wrench": ""}, "gauge_not_named"),
        ({"wrench": "TW-99"}, "gauge_unknown"),
        ({"wrench": "DG-01"}, "gauge_of_other_kind"),
        ({"torque_nm": 401.0}, "out_of_gauge_range"),
    ],
)
def test_a_joint_that_says_too_little_stays_open(site, job, given, code):
    job.judge_parts().gate(GateKind.PARTS_JUDGED)
    joint = joint_closed(site, **given)
    assert refused(job, pass_gate, GateKind.JOINT_CLOSED, **joint) == code


@pytest.mark.parametrize(
    ("part", "values", "says"),
    [
        # reuse depth 0.05, overcut 0.05, 0.2 at a time, 0.6 in all
        (PartName.MAIN_DISC, {"seat_depth": 0.05}, "reuse"),
        (PartName.MAIN_DISC, {"seat_depth": 0.06}, "lap"),
        (PartName.MAIN_DISC, {"seat_depth": 0.02, "contact_ring": 0}, "lap"),
        (PartName.MAIN_DISC, {"seat_depth": 0.15}, "lap"),
        (PartName.MAIN_DISC, {"seat_depth": 0.16}, "replace"),
        (PartName.MAIN_DISC, {"seat_depth": 0.15, "metal_removed": 0.4}, "lap"),
        (PartName.MAIN_DISC, {"seat_depth": 0.15, "metal_removed": 0.41}, "replace"),
        (PartName.DISC_GUIDE, {"clearance": 0.45}, "reuse"),
        (PartName.DISC_GUIDE, {"clearance": 0.46}, "replace"),
        # free 130, fitted 100, 10 % of the 30 mm may be lost: 127.0
        (PartName.CLOSING_SPRING, {"free_length": 127.0}, "reuse"),
        (PartName.CLOSING_SPRING, {"free_length": 126.9}, "replace"),
        (PartName.CLOSING_SPRING, {"free_length": 99.0}, "replace"),
        # 48 holes, 95 %: 45.6
        (PartName.BREAKING_BUSHING, {"holes_open": 46}, "reuse"),
        (PartName.BREAKING_BUSHING, {"holes_open": 45}, "replace"),
    ],
)
def test_the_rule_says_what_the_limits_say(job, part, values, says):
    grade = FindingGrade.USED if says == "reuse" else FindingGrade.REWORK
    job.do(
        record_finding,
        part,
        found="seen",
        grade=grade,
        decision=PartDecision(says),
        measurements=sound(job.order, part, **values),
    )
    row = Finding.objects.get()
    assert (row.rule_says, row.decision, row.for_engineer) == (says, says, False)
    assert Measurement.objects.filter(finding=row).count() == len(sound(job.order, part))


def test_severe_damage_goes_before_every_measurement(job):
    values = sound(job.order, PartName.CLOSING_SPRING)
    given = {**FIT, "measurements": values, "kinds": ["corrosion pit"]}
    assert refused(job, record_finding, PartName.CLOSING_SPRING, **given) == "rule_says_otherwise"


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ([], "measurement_missing"),
        ([{"quantity": "clearance of the guide", "value": 0.3, "gauge": ""}], "gauge_not_named"),
        ([{"quantity": "clearance of the guide", "value": 0.3, "gauge": "X"}], "gauge_unknown"),
        ([{"quantity": "holes open", "value": 48}], "not_measured_here"),
        (
            [{"quantity": "clearance of the guide", "value": 501, "gauge": "DG-01"}],
            "out_of_gauge_range",
        ),
        (
            [{"quantity": "clearance of the guide", "value": 300, "gauge": "DG-01"}],
            "insane_measure",
        ),
    ],
)
def test_a_guide_without_a_sound_measurement_is_not_judged_fit(site, job, given, code):
    GaugeFactory(site=site)
    assert refused(job, record_finding, PartName.DISC_GUIDE, **FIT, measurements=given) == code


def test_out_of_limits_never_passes_silently(site, job, figure):
    """S-32: 40 values past their limit, said to be fit: refused, or kept open by name."""
    silent = 0
    for step in range(1, 41):
        values = sound(job.order, PartName.DISC_GUIDE, clearance=0.45 + step * 0.01)
        given = {**FIT, "measurements": values}
        silent += refused(job, record_finding, PartName.DISC_GUIDE, **given) != (
            "rule_says_otherwise"
        )
    figure("S-32", "values past their limit passed silently", silent, 40)
    assert silent == 0
    job.judge_parts()
    job.do(
        record_finding, PartName.DISC_GUIDE, **given, disagree_because="Only a burr at the edge."
    )
    assert refused(job, pass_gate, GateKind.PARTS_JUDGED) == "waits_for_engineer"
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    [line] = findings_for_engineer(engineer)
    assert (line.part, line.rule_says, line.because) == (
        "disc guide",
        "replace",
        "Only a burr at the edge.",
    )
    job.do(
        decide_part,
        PartName.DISC_GUIDE,
        PartDecision.REUSE,
        because="Burr dressed; 0.31 mm beside it.",
        actor=engineer,
    )
    assert findings_for_engineer(engineer) == []
    job.gate(GateKind.PARTS_JUDGED)


def test_a_lapped_seat_is_measured_again(job):
    job.judge_parts()
    part = PartName.BODY_SEAT
    assert (
        refused(
            job,
            record_finding,
            part,
            **FIT,
            stage=Stage.AS_LEFT,
            measurements=sound(job.order, part),
        )
        == "not_lapped"
    )
    job.do(
        record_finding,
        part,
        found="wire-drawn",
        grade=FindingGrade.REWORK,
        decision=PartDecision.LAP,
        measurements=sound(job.order, part, seat_depth=0.1),
        kinds=["wire-drawing"],
    )
    job.gate(GateKind.PARTS_JUDGED)
    joint = joint_closed(job.site)
    assert refused(job, pass_gate, GateKind.JOINT_CLOSED, **joint) == "not_measured_after_lapping"
    job.do(
        record_finding,
        part,
        **FIT,
        stage=Stage.AS_LEFT,
        measurements=sound(job.order, part, seat_depth=0.0, metal_removed=0.15),
    )
    job.gate(GateKind.JOINT_CLOSED)
    stages = Finding.objects.filter(part=part.value).values_list("stage", flat=True)
    assert list(stages.order_by("id")) == ["as found", "as found", "as left"]
