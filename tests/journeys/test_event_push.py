"""A reported plant event makes the due state right within seconds, in both modes.

The real program with real processes. With PostgreSQL and Redis: one Celery worker and no beat, so
that nothing but the wake-up of the push can have done it. Without: the one server on SQLite.
"""

import time
from datetime import UTC, datetime, timedelta

import pytest

from tests.faults.ground import rows
from tests.journeys.openapi_client import fetch
from tests.journeys.processes import embedded, production, wait_until

WITHIN_S = 10.0
"""Promised are seconds; a busy test machine is given ten. A sweep comes every five minutes."""

SCENE = """
from django.contrib.auth import get_user_model
from tests.factories.due import EVENT_FACTS, act_of, condition_rule, policy_for
from tests.factories.protection import proven, verdict_policy
from tests.factories.register import ProtectionValveFactory, SiteFactory
from datetime import timedelta
from django.utils import timezone
at = timezone.now()
get_user_model().objects.create_superuser("admin", password="a-long-journey-password")
site = SiteFactory(code="EV", atmospheric_pressure_bar_a=1.013)
valve = ProtectionValveFactory(tag="EV-1", pump__tag="EV-P1", pump__group__site=site,
    pump__with_curve=True)
policy_for(valve=valve, months=24, at=at)
act_of(valve, at - timedelta(days=90), at=at)
proven(valve, str((at - timedelta(days=80)).date()))
verdict_policy()
condition_rule(**EVENT_FACTS)
"""
DUE = "SELECT state, governed_by FROM valvecare_due_item WHERE kind = 'function test'"
ORDERS = "SELECT why FROM valvecare_work_order WHERE kind = 'function test'"
VERDICT = "SELECT code FROM valvecare_verdict WHERE is_current"


@pytest.fixture(
    params=[
        "embedded",
        pytest.param("celery", marks=[pytest.mark.postgres, pytest.mark.redis]),
    ]
)
def plant(request, tmp_path):
    mode = embedded if request.param == "embedded" else production
    with mode(tmp_path) as installation:
        installation.manage("shell", "-c", SCENE)
        installation.start_web()
        if request.param == "celery":
            installation.start_worker()
            installation.ask_worker("sweep", "before")
        wait_until(lambda: rows(installation, VERDICT), 60, "the first sweep")
        yield installation


def test_a_pushed_event_is_due_and_doubted_within_seconds(plant, record_property):
    token = plant.manage(
        *("issue_token", "plant", "--as", "admin", "--site", "EV"),
        *("--scope", "readings:write", "--days", "1"),
    ).strip()
    assert rows(plant, DUE) == []
    at = datetime.now(UTC) - timedelta(seconds=5)
    event = {"pump": "EV-P1", "kind": "reverse rotation", "at": at.isoformat(), "speed_rpm": 180.0}
    began = time.monotonic()
    answer = fetch("POST", f"{plant.url}/api/v1/plant-events", token, {"events": [event]})
    assert answer.status == 200, answer.raw[:300]
    wait_until(lambda: rows(plant, ORDERS), WITHIN_S, "the order is raised")
    wait_until(
        lambda: rows(plant, VERDICT) == [("closing_in_doubt",)], WITHIN_S, "the valve is doubted"
    )
    took = time.monotonic() - began
    assert took < WITHIN_S
    record_property("seconds from event to order and verdict", round(took, 2))
    assert rows(plant, DUE) == [("overdue", "condition")]
    assert rows(plant, ORDERS)[0][0].startswith("Condition: reverse rotation on ")
