"""A person's own request with an Idempotency-Key, CSRF check and all."""

import pytest
from django.test import Client

from tests.factories.register import SiteFactory, member, valve_at
from valvecare.core.permits import Role
from valvecare.models import WorkOrder


@pytest.mark.django_db
def test_a_signed_in_person_repeats_a_request_under_one_key():
    site = SiteFactory()
    valve = valve_at(site)
    client = Client(enforce_csrf_checks=True)
    client.force_login(member(site, Role.PLANNER))
    client.cookies["csrftoken"] = token = "x" * 32
    body = {"valve": valve.pk, "kind": "corrective", "due_on": "2026-06-01", "why": "Cold bypass."}
    headers = {"X-CSRFToken": token, "Idempotency-Key": "once"}
    answers = [
        client.post("/api/v1/work-orders", body, "application/json", headers=headers)
        for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert answers[1]["Idempotency-Replayed"] == "true"
    assert WorkOrder.objects.count() == 1
