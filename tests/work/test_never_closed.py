"""Closes that must not happen, tried two hundred times each: proof, and the wrench (S-31, S-32).

Spares without identity and expired lots are in tests/parts/test_work.py (S-30), hostile uploads in
tests/core/test_pictures.py and tests/work/test_reviews.py (S-29), signatures in test_signing.py.
"""

from datetime import UTC, date, datetime

import pytest

from tests.factories.register import SiteFactory
from tests.factories.work import GaugeFactory, Job, joint_closed
from valvecare.core.errors import Refused
from valvecare.models import Gate, WorkOrder
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.rules import GateKind

pytestmark = pytest.mark.django_db
TRIES = 200


@pytest.fixture
def site():
    return SiteFactory()


def tried(job, action, *args, **given):
    """How many of the tries went through; the codes of those that did not."""
    done, codes = 0, set()
    version, at = job.order.version, job.tick()
    for _ in range(TRIES):
        try:
            action(job.order.pk, *args, version=version, actor=job.technician, at=at, **given)
            done += 1
        except Refused as refusal:
            codes.add(refusal.code)
    return done, codes


@pytest.mark.parametrize(
    ("case", "flow", "code"),
    [("missing test", None, "not_proven"), ("failed test", 20.0, "not_proven")],
)
def test_no_close_without_a_passed_test(site, figure, case, flow, code):
    job = Job(site).to_moved_by_hand()
    if flow is not None:
        job.test(flow)
    done, codes = tried(job, close_work_order)
    figure("S-31", f"closed with a {case}", done, TRIES)
    assert (done, codes) == (0, {code})
    assert WorkOrder.objects.get(pk=job.order.pk).state == "under way"


def test_no_joint_closed_with_the_wrench_of_the_demo_that_was_due_in_april(site, figure):
    """Gauge trap of the demo plant: TW-07, due 2026-04-30, used in the June job."""
    job = Job(site).to_under_way().gate(GateKind.ISOLATED).as_found()
    job.gate(GateKind.COVER_RELEASED).judge_parts().gate(GateKind.PARTS_JUDGED)
    GaugeFactory(
        site=site, code="TW-07", kind="torque wrench", range_low=40, range_high=400, unit="N m",
        step=5, calibrated_until=date(2026, 4, 30),
    )  # fmt: skip
    job.at = datetime(2026, 6, 12, 9, tzinfo=UTC)
    given = joint_closed(site, wrench="TW-07", disagree_because="it was fine yesterday")
    done, codes = tried(job, pass_gate, GateKind.JOINT_CLOSED, **given)
    figure("S-32", "joints closed with an overdue gauge", done, TRIES)
    assert (done, codes) == (0, {"gauge_overdue"})
    assert not Gate.objects.filter(kind=GateKind.JOINT_CLOSED.value).exists()
