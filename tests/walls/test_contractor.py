"""A contractor is let in to one job: every route is walked, and nothing else of the site shows.

Broken object and function level authorisation: OWASP API Security Top 10 2023, API1 and API5
(from memory). New routes are walked unasked.
"""

import pytest
from django.apps import apps
from django.test import Client

from tests.factories.look import proof, verdict
from tests.factories.parts import BinFactory
from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.procedures import in_use
from tests.factories.readings import SeriesFactory
from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import GaugeFactory, WorkOrderFactory, due_item
from tests.walls.test_routes import ROUTES, SHARED, ask, filled
from valvecare.core.permits import Role
from valvecare.models import Event, WorkOrder
from valvecare.register.actions import make_label
from valvecare.register.rules import LabelKind

pytestmark = pytest.mark.django_db
OTHER = "Qx7other"
"""Part of every name of what is not the contractor's job."""


def full(site, name):
    """A valve with everything that hangs on one, named so that any trace of it is found."""
    valve = valve_at(
        site, tag=f"{name}-1V", serial=f"{name}-serial", pump__tag=f"{name}-1P",
        pump__group__code=f"{name}-G", pump__with_curve=True,
    )  # fmt: skip
    person = member(site, Role.PLANNER, username=f"{name}-planner")
    Event.objects.create(
        at="2026-05-04T10:00Z", type="valve.opened", site=site, valve=valve,
        object_type="protectionvalve", object_id=str(valve.pk), object_name=valve.tag,
        actor=person, actor_name=str(person),
    )  # fmt: skip
    SeriesFactory(pump=valve.pump, tag=f"{name}-HOURS")
    due_item(valve, reason=f"{name}-reason")
    proof(valve, 30.0, "pass", words=f"{name}-words")
    verdict(valve, "Protects", reason=f"{name}-verdict")
    make_label(LabelKind.VALVE, valve.pk, actor=person, at="2026-05-04T10:00Z")
    return WorkOrderFactory(valve=valve, why=f"{name}-why", state="agreed")


@pytest.fixture
def world():
    site = SiteFactory(code="AF")
    other = full(site, OTHER)
    mine = full(site, "mine")
    WindowFactory(site=site, name=f"{OTHER}-stop")
    CrewFactory(site=site, name=f"{OTHER}-crew")
    GaugeFactory(site=site, code=f"{OTHER}-TW")
    BinFactory(store__site=site, store__name=f"{OTHER}-store")
    in_use(site=site, code=f"{OTHER.lower()}-procedure", words=f"{OTHER}-words")
    person = member(site, Role.CONTRACTOR, is_staff=True, username="af-contractor")
    mine.assigned_to = person
    mine.save()
    client = Client(raise_request_exception=False)
    client.force_login(person)
    return client, mine, other


def ids():
    found = set()
    for model in apps.get_app_config("valvecare").get_models():
        if not model.__name__.startswith("Historical"):
            found |= set(model._base_manager.values_list("pk", flat=True)[:20])
    return sorted(pk for pk in found if isinstance(pk, int))[:8]


def test_a_contractor_finds_no_trace_of_another_valve(world):
    client, mine, _ = world
    leaks, opened = [], 0
    for route in ROUTES:
        if SHARED.search(route.path):
            continue
        for value in ids() if route.names else [1]:
            path = filled(route, value)
            for query in ("",) if route.names else ("", f"?q={OTHER}"):
                answer = client.get(path + query)
                text = b"".join(answer) if answer.streaming else answer.content
                text = text.replace(f'value="{OTHER}"'.encode(), b"")
                opened += answer.status_code == 200
                if OTHER.encode() + b"-" in text or answer.status_code == 500:
                    leaks.append((answer.status_code, path + query))
    assert leaks == [], leaks
    assert opened > 20
    page = client.get(f"/at-the-valve/work-orders/{mine.pk}/")
    assert (page.status_code, b"mine-1V" in page.content) == (200, True)


def test_a_contractor_changes_nothing_of_another_valve(world):
    client, mine, other = world
    models = [
        model
        for model in apps.get_app_config("valvecare").get_models()
        if model.__name__ not in ("IdempotentAnswer", "WorkOrder", "TakenAlong", "Event")
    ]
    kept = {model: sorted(map(str, model._base_manager.values())) for model in models}
    before = WorkOrder.objects.filter(pk=other.pk).values().get()
    wrong = []
    for route in ROUTES:
        if not route.names or SHARED.search(route.path):
            continue
        for value in (other.pk, other.valve_id):
            if value in (mine.pk, mine.valve_id):
                continue
            for method in ("post", "patch"):
                if ask(client, method, filled(route, value)).status_code == 500:
                    wrong.append((method, str(route)))
    assert wrong == []
    assert WorkOrder.objects.filter(pk=other.pk).values().get() == before
    for model, rows in kept.items():
        assert sorted(map(str, model._base_manager.values())) == rows, model.__name__


def test_the_job_is_seen_with_all_that_it_needs(world):
    client, mine, other = world
    for path in ("", "pack/", "card/", "identity/"):
        at = f"/at-the-valve/work-orders/{mine.pk}/{path}"
        assert client.get(at).status_code == 200, at
        assert client.get(at.replace(str(mine.pk), str(other.pk))).status_code == 404
    assert client.get(f"/valves/{mine.valve_id}/").status_code == 200
    rows = client.get("/api/v1/work-orders").json()["results"]
    assert [row["id"] for row in rows] == [mine.pk]
    assert client.get(f"/api/v1/work-orders/{mine.pk}").status_code == 200
    started = client.post(
        f"/api/v1/work-orders/{mine.pk}/start", {}, content_type="application/json",
        HTTP_IF_MATCH=f'"{mine.version}"',
    )  # fmt: skip
    assert started.status_code in (200, 409)


def test_a_second_role_at_the_site_opens_the_site(world):
    client, mine, other = world
    person = mine.assigned_to
    person.valvecare_memberships.create(site=mine.site, role=Role.TECHNICIAN.value)
    assert client.get(f"/at-the-valve/work-orders/{other.pk}/").status_code == 200


def test_the_job_goes_when_it_is_given_to_somebody_else(world):
    client, mine, _ = world
    mine.assigned_to = None
    mine.save()
    assert client.get(f"/at-the-valve/work-orders/{mine.pk}/").status_code == 404
    assert client.get(f"/valves/{mine.valve_id}/").status_code == 404
