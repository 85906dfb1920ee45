"""What the OpenAPI document promises, probed with made-up requests, good ones and bad ones.

In process, without a socket. For each chosen operation a bounded number of requests is made from
the document by the schemathesis library: none may end in a 5xx, and status, media type and body of
every answer must be among those the document names. The same requests every run.
"""

from collections.abc import Mapping
from typing import Any

import pytest
import requests
from django.test import Client
from hypothesis import HealthCheck, given, settings

from tests.factories.due import EVENT_FACTS, condition_rule
from tests.factories.protection import plant, protecting, proven, verdict_policy
from tests.factories.readings import GaugeFactory
from tests.factories.register import UserFactory
from tests.factories.work import NOW, WorkOrderFactory
from tests.project.openapi_file import generated
from valvecare.due.actions import sweep
from valvecare.protection.actions import judge_all

schemathesis = pytest.importorskip(
    "schemathesis", reason="needs schemathesis: install the extra 'test'"
)
from schemathesis import checks  # noqa: E402

pytestmark = pytest.mark.django_db

REQUESTS = 5
"""Made-up requests per operation and kind (as the document asks; against it)."""

checks.load_all_checks()
CHECKS = [
    checks.CHECKS.get_one(name)
    for name in (
        "not_a_server_error",
        "status_code_conformance",
        "content_type_conformance",
        "response_schema_conformance",
    )
]
OPERATIONS = (
    # looks: filters, cursors, page sizes
    *("due_list", "due_read", "due_jobs_list", "conditions_list", "condition_rules_list"),
    *("protection_list", "protection_read", "function_tests_list", "events_list"),
    *("valves_list", "valve_read", "pumps_list", "series_list", "series_readings", "series_days"),
    *("plant_events_list", "set_aside_list", "pushes_list", "work_orders_list", "me"),
    *("work_orders_retrieve", "parts_demand", "stock_list", "calculations_list"),
    # doing: bodies of every kind of shape
    *("condition_rule_set", "condition_rule_change", "policy_set", "function_tests_record"),
    *("valve_add", "valve_change", "pump_change", "pump_set_curve", "series_add"),
    *("readings_push", "plant_events_report", "meter_event_declare", "reading_call_wrong"),
    *("work_orders_raise", "work_orders_assign", "work_orders_findings", "crews_add"),
    *("calculation_run_bypass_working_point", "calculation_run_age_replacement"),
)


@pytest.fixture(scope="module")
def document():
    return schemathesis.openapi.from_dict(generated())


@pytest.fixture
def people():
    """An invented plant with something in every list, and who asks: a superuser, logged in."""
    verdict_policy()
    valve = protecting(plant())
    proven(valve, "2026-05-02")
    gauge = GaugeFactory(pump=valve.pump)
    order = WorkOrderFactory(valve=valve, state="agreed")
    rule = condition_rule(**EVENT_FACTS)
    sweep(NOW)
    judge_all(NOW, lambda: None)
    client = Client()
    client.force_login(UserFactory(is_superuser=True, is_staff=True))
    known = {
        "valves": valve.pk,
        "protection": valve.pk,
        "pumps": valve.pump_id,
        "series": gauge.pk,
        "work-orders": order.pk,
        "condition-rules": rule.pk,
        "due": valve.due_items.first().pk,
    }
    return client, known


def answer_to(client: Client, case: Any, known: Mapping[str, int], *, hit: bool) -> Any:
    """Send a made-up request to the application itself; half of them to a record that exists."""
    folder = case.path.split("/")[3]
    if hit and folder in known and len(case.path_parameters) == 1:
        name = next(iter(case.path_parameters))
        case.path_parameters[name] = known[folder]
    sent = requests.Request(**case.as_transport_kwargs(base_url="http://testserver")).prepare()
    headers = {
        f"HTTP_{name.upper().replace('-', '_')}": value
        for name, value in sent.headers.items()
        if name.lower() not in ("content-type", "content-length", "cookie", "authorization")
    }
    found = client.generic(
        sent.method,
        sent.path_url,
        data=sent.body or b"",
        content_type=sent.headers.get("Content-Type", "application/octet-stream"),
        **headers,
    )
    return schemathesis.Response(
        status_code=found.status_code,
        headers={name.lower(): [value] for name, value in found.headers.items()},
        content=b"".join(found) if found.streaming else found.content,
        request=sent,
        elapsed=0.0,
        verify=False,
    )


@pytest.mark.parametrize("operation", OPERATIONS)
def test_no_5xx_and_every_answer_is_one_the_document_names(document, people, operation):
    client, known = people
    asked = document.find_operation_by_id(operation)
    seen: list[int] = []
    for mode in schemathesis.GenerationMode:

        @settings(
            max_examples=REQUESTS,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=asked.as_strategy(generation_mode=mode))
        def probe(case):
            told = answer_to(client, case, known, hit=len(seen) % 2 == 0)
            seen.append(told.status_code)
            case.validate_response(told, checks=CHECKS)

        probe()
    assert seen
