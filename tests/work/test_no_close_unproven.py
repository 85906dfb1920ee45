"""S-31: a function test that failed, is missing, or is older than the joint closes nothing."""

from datetime import date, timedelta

import pytest

from tests.factories.register import MembershipFactory, SiteFactory
from tests.factories.work import NOW, Job
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.core.signing import FreshCredential
from valvecare.models import FunctionTest, OrderTest, Signature, WorkOrder
from valvecare.protection.rules import ProofMethod, ProofResult
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally

pytestmark = pytest.mark.django_db
CLOSES = 200


def missing(job):
    """Nobody has tested."""


def failed(job):
    job.test(20.0)  # required are 27 m3/h


def undecided(job):
    job.test(27.5)  # 5 % of it reach below the requirement


def on_the_bench(job):
    job.do(record_test, ProofMethod.BENCH, result=ProofResult.PASS)


def older_than_the_joint(job):
    """As an import by hand might leave it: passed, but done before the joint was closed."""
    test = FunctionTest.objects.create(
        valve=job.order.valve,
        done_at=NOW + timedelta(seconds=1),
        method=ProofMethod.FLOW_METER.value,
        bypass_flow_m3_per_h=30.0,
        uncertainty_share=0.05,
        required_m3_per_h=27.0,
        result=ProofResult.PASS.value,
        recorded_at=NOW + timedelta(seconds=1),
    )
    OrderTest.objects.create(order=job.order, revision=1, test=test)


CASES = (missing, failed, undecided, on_the_bench, older_than_the_joint)


def test_no_order_is_closed_without_proof(figure):
    site = SiteFactory()
    closed, codes = 0, set()
    jobs = [Job(site).to_moved_by_hand() for _ in CASES]
    for prepare, job in zip(CASES, jobs, strict=True):
        prepare(job)
    for number in range(CLOSES):
        job = jobs[number % len(jobs)]
        at = job.tick()
        try:
            close_work_order(
                job.order.pk,
                version=job.order.version,
                actor=job.technician,
                at=at,
                credential=FreshCredential(job.technician.pk, at, "password"),
            )
            closed += 1
        except Refused as refusal:
            codes.add(refusal.code)
    figure("S-31", "closed without proof", closed, CLOSES)
    assert closed == 0
    assert not codes - {"not_proven", "test_before_joint", "test_too_old"}
    assert Signature.objects.count() == WorkOrder.objects.filter(state="closed").count() == 0


def test_who_did_the_work_never_approves_it(figure):
    """The way out is a second approver: self-approvals 0 of 200."""
    job = Job(SiteFactory()).to_moved_by_hand()
    MembershipFactory(user=job.technician, site=job.site, role=Role.APPROVER.value)
    approved, codes = 0, set()
    for _ in range(CLOSES):
        at = job.tick()
        try:
            release_provisionally(
                job.order.pk,
                version=job.order.version,
                actor=job.technician,
                at=at,
                until=date(2026, 6, 30),
                restriction="Load within 60 s.",
                words="I accept it.",
                credential=FreshCredential(job.technician.pk, at, "password"),
            )
            approved += 1
        except Refused as refusal:
            codes.add(refusal.code)
    figure("S-31", "self-approvals", approved, CLOSES)
    assert (approved, codes) == (0, {"second_person"})
