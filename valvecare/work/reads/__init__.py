"""Answers about orders, put together from their facts."""

from valvecare.work.reads.card import OrderCard, order_card
from valvecare.work.reads.cover import spring_known
from valvecare.work.reads.due_jobs import JobFilter, due_jobs, job_row
from valvecare.work.reads.facts import (
    facts_of,
    latest_findings,
    latest_test,
    order_steps,
    parts_of,
    replaced_parts,
    spare_lines,
    used_since_strip_down,
)
from valvecare.work.reads.find import find_orders
from valvecare.work.reads.identity import identity_texts
from valvecare.work.reads.measuring import (
    JointReview,
    ReviewLine,
    findings_for_engineer,
    gauge_at,
    joints_for_engineer,
    limits_of,
)
from valvecare.work.reads.mine import MyWork, my_work
from valvecare.work.reads.out import OutOnPhone, out_on_phones
from valvecare.work.reads.procedures import (
    OrderProcedure,
    Preview,
    compare,
    content_hash_of,
    order_procedure,
    preview,
    seen_version,
    serving,
    steps_of,
)
from valvecare.work.reads.signed import (
    SignatureCheck,
    content_of,
    order_content,
    tests_of,
    verify_signature,
    verify_signatures,
)
from valvecare.work.reads.torque import JointCard, cover_of, joint_card, owners_torque, wrench_of

__all__ = [
    "JointReview",
    "joints_for_engineer",
    "JointCard",
    "cover_of",
    "joint_card",
    "owners_torque",
    "wrench_of",
    "SignatureCheck",
    "content_of",
    "order_content",
    "tests_of",
    "verify_signature",
    "verify_signatures",
    "JobFilter",
    "MyWork",
    "OrderCard",
    "OutOnPhone",
    "due_jobs",
    "ReviewLine",
    "facts_of",
    "findings_for_engineer",
    "gauge_at",
    "limits_of",
    "find_orders",
    "identity_texts",
    "job_row",
    "latest_findings",
    "latest_test",
    "my_work",
    "OrderProcedure",
    "Preview",
    "compare",
    "content_hash_of",
    "order_procedure",
    "order_steps",
    "preview",
    "seen_version",
    "serving",
    "steps_of",
    "order_card",
    "out_on_phones",
    "parts_of",
    "replaced_parts",
    "spare_lines",
    "spring_known",
    "used_since_strip_down",
]
