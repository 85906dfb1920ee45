"""Signatures: S-33 to S-35. No close without one, and no edit of a signed record unseen."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from tests.factories.register import PASSWORD, SiteFactory, member
from tests.factories.work import Job, refused
from tests.work.test_pages import send, signed_in
from valvecare.core.permits import Role
from valvecare.core.signing import FreshCredential
from valvecare.models import ClosedRevision, Event, IdempotentAnswer, Signature, WorkOrder
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.reopen import reopen
from valvecare.work.reads import content_of, verify_signature
from valvecare.work.rules import canonical

pytestmark = pytest.mark.django_db


@pytest.fixture
def job():
    return Job(SiteFactory(time_zone="Europe/Oslo"))


def test_nothing_is_closed_unsigned(job, figure):
    """S-34: stale, somebody else's, none, and a blank meaning: 0 of 200 close."""
    job.to_proven()
    me, other = job.technician.pk, job.planner.pk
    for n in range(50):
        at = job.at + timedelta(minutes=1)
        stale = FreshCredential(me, at - timedelta(minutes=5, seconds=n + 1), "password")
        assert refused(job, close_work_order, credential=stale) == "stale_credential"
        fresh_at = FreshCredential(me, job.at + timedelta(minutes=1), "password")
        assert refused(job, close_work_order, credential=fresh_at, meaning=" ") == "no_meaning"
        assert refused(job, close_work_order, credential=None) == "not_signed"
        theirs = FreshCredential(other, job.at + timedelta(minutes=1), "password")
        assert refused(job, close_work_order, credential=theirs) == "other_person"
    figure("S-34", "closed unsigned", WorkOrder.objects.filter(state="closed").count(), 200)
    assert Signature.objects.count() == WorkOrder.objects.filter(state="closed").count() == 0


@pytest.mark.parametrize("given", ["", "not it", "only-for-test"])
def test_the_page_asks_for_the_password_and_never_keeps_it(job, given):
    job.to_proven()
    client = signed_in(job.technician)
    answer = send(client, job.order, "close", {"password": given, "meaning": "performed"})
    assert answer.status_code in (400, 409)
    assert WorkOrder.objects.get(pk=job.order.pk).state == "proven"
    assert not given or given not in answer.content.decode()
    fields = {"password": PASSWORD, "meaning": "checked"}
    assert send(client, job.order, "close", fields, key="second").status_code == 303
    row = Signature.objects.get()
    assert (row.name, row.meaning, row.method) == (
        job.technician.get_username(),
        "checked",
        "password",
    )
    stored = repr(list(IdempotentAnswer.objects.values())) + repr(list(Event.objects.values()))
    assert PASSWORD not in stored


REOPENED = 50
SKIPPED = {"id", "version", "updated_at", "verdict_before"}
"""Handling of the record, not the work: not signed."""

TABLES = {
    "valvecare_work_order": "id = %(order)s",
    "valvecare_gate": "order_id = %(order)s",
    "valvecare_finding": "order_id = %(order)s",
    "valvecare_measurement": "order_id = %(order)s",
    "valvecare_function_test": "valve_id = %(valve)s",
    "valvecare_signature": "order_id = %(order)s",
}
HELD = {"state", "kind", "ended_at", "order_id", "valve_id", "test_id", "finding_id", "raised_in"}
"""Left out: keys, and columns that the constraints of the database hold together."""


def edits(job):
    """Text and number columns of every signed row, each as one UPDATE."""
    for table, where in TABLES.items():
        with connection.cursor() as cursor:
            columns = connection.introspection.get_table_description(cursor, table)
            clause = where % {"order": job.order.pk, "valve": job.order.valve_id}
            cursor.execute(f"SELECT id FROM {table} WHERE {clause} ORDER BY id")  # noqa: S608
            ids = [row[0] for row in cursor.fetchall()]
        for column in columns:
            kind = connection.introspection.get_field_type(column.type_code, column)
            if column.name in SKIPPED | HELD or column.name.endswith(("_id", "_by")):
                continue
            if kind in ("CharField", "TextField"):
                change = f"{column.name} || 'x'"
            elif kind == "FloatField":
                change = f"COALESCE({column.name}, 0.25) * 1.001 + 0.001"
            else:
                continue
            for pk in ids:
                yield f"UPDATE {table} SET {column.name} = {change} WHERE id = {pk}"  # noqa: S608


def test_every_edit_by_sql_is_seen(job, figure):
    """S-35: single-field edits of a signed record, each undone before the next."""
    job.to_proven().do(close_work_order, remarks="No leak.")
    signature = Signature.objects.get()
    assert verify_signature(signature).is_intact
    tried = seen = refused_by_database = 0
    for statement in edits(job):
        try:
            with transaction.atomic():
                with connection.cursor() as cursor:
                    cursor.execute(statement)
                tried += 1
                check = verify_signature(Signature.objects.get(pk=signature.pk))
                seen += not check.is_intact
                transaction.set_rollback(True)
        except DatabaseError:
            refused_by_database += 1
    assert tried >= 100
    assert refused_by_database < tried / 4
    figure("S-35", "edits of one field by SQL seen", seen, tried)
    assert seen == tried
    assert verify_signature(Signature.objects.get()).is_intact


def test_the_command_names_what_was_changed(job):
    job.to_proven().do(close_work_order)
    out = StringIO()
    call_command("verify_signatures", stdout=out)
    assert "1 signatures verified, none changed." in out.getvalue()
    WorkOrder.objects.filter(pk=job.order.pk).update(remarks="Was fine.")
    with pytest.raises(CommandError, match="1 of 1"):
        call_command("verify_signatures", stdout=out)
    Signature.objects.all().delete()
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("verify_signatures", stdout=out)
    assert "closed without a signature" in out.getvalue()


def test_reopening_voids_the_signature_and_hides_nothing(job, figure):
    """S-33: the old revision stays verifiable; the new one needs a signature of its own."""
    job.to_proven().do(close_work_order, remarks="No leak.")
    engineer = member(job.site, Role.RELIABILITY_ENGINEER)
    hidden, first = 0, canonical(content_of(Signature.objects.get()))
    for number in range(2, REOPENED + 2):
        row = Signature.objects.latest("id")
        before = canonical(content_of(row))
        job.do(reopen, "The spring length was left out.", work_again=False, actor=engineer)
        check = verify_signature(row)
        hidden += canonical(content_of(row)) != before or not check.is_intact or check.is_current
        job.do(close_work_order, remarks=f"Spring {380 + number} mm.")
        assert ClosedRevision.objects.count() == number - 1
    rows = list(Signature.objects.order_by("id"))
    checks = [verify_signature(row) for row in rows]
    hidden += canonical(content_of(rows[0])) != first
    hidden += sum(not check.is_intact for check in checks)
    assert [check.is_current for check in checks] == [False] * REOPENED + [True]
    figure("S-33", "hidden changes in reopened revisions", hidden, REOPENED)
    assert hidden == 0
