"""Every route, walked as nobody and as a member of another site. New routes are walked unasked.

Anonymous (S-36): 401, 403 or the login page, except the public list below. A stranger (S-38):
404, 403, an answer without a trace of the foreign site, or a form that refuses.
OWASP API Security Top 10 2023, API1 and API5 (from memory).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.apps import apps
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from tests.factories.look import proof, verdict
from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.readings import SeriesFactory
from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import WorkOrderFactory, due_item
from valvecare.core.permits import Role
from valvecare.models import Event, Site

pytestmark = pytest.mark.django_db

PUBLIC = {
    "login",
    "logout",
    "livez",
    "readyz",
    "manifest",
    "service-worker",
    "security-txt",
    "offline",
    "admin:login",
    "admin:logout",
    "admin:jsi18n",
    "api-catch-all",
    "jsi18n",
}
"""Names of routes anybody may open. A new public route must be added here by hand."""

METHODS = ("get", "post", "put", "patch", "delete")
SECRET = "Zq9foreign"
"""Part of every name at the foreign site; may not turn up in an answer to a stranger."""


@dataclass(frozen=True)
class Route:
    name: str
    path: str
    names: tuple[str, ...]
    """Names of the path's parameters."""

    def __str__(self) -> str:
        return f"{self.name or '-'} {self.path}"


def _parts(pattern: Any) -> tuple[str, tuple[str, ...]]:
    """The text of one step with `{name}` for parameters; regular expressions by their groups."""
    route = getattr(pattern, "_route", None)
    if route is not None:
        names = tuple(re.findall(r"<(?:[^:>]+:)?([^>]+)>", route))
        return re.sub(r"<(?:[^:>]+:)?([^>]+)>", r"{\1}", route), names
    text = pattern._regex.strip("^$")
    names = tuple(re.findall(r"\(\?P<([^>]+)>", text))
    text = re.sub(r"\(\?P<([^>]+)>(?:[^()]|\([^()]*\))*\)", r"{\1}", text)
    count = 0
    while "(" in text:
        text, done = re.subn(r"\([^()]*\)\??", f"{{unnamed{count}}}", text, count=1)
        names += (f"unnamed{count}",)
        count += done
    return text.replace("\\", "").replace("$", "").replace("?", ""), names


def routes(
    resolver: Any = None, at: str = "/", spaces: str = "", names: Any = ()
) -> Iterator[Route]:
    for entry in (resolver or get_resolver()).url_patterns:
        step, more = _parts(entry.pattern)
        if isinstance(entry, URLResolver):
            space = f"{spaces}{entry.namespace}:" if entry.namespace else spaces
            yield from routes(entry, at + step, space, (*names, *more))
        elif isinstance(entry, URLPattern):
            name = f"{spaces}{entry.name}" if entry.name else ""
            if not name and step.startswith("api/"):
                name = "valvecare:api-catch-all"
            yield Route(name.removeprefix("valvecare:"), at + step, (*names, *more))


ROUTES = sorted(set(routes()), key=str)


def filled(route: Route, value: Any) -> str:
    return re.sub(r"\{[^}]+\}", str(value), route.path)


def ask(client: Client, method: str, path: str) -> Any:
    more = {} if method == "get" else {"data": {}, "content_type": "application/json"}
    if method == "post" and "/api/" not in path:
        more = {"data": {}}
    return getattr(client, method)(path, HTTP_IF_MATCH='"1"', **more)


def is_shut(answer: Any) -> bool:
    if answer.status_code in (301, 302):
        return "login" in answer["Location"] or answer["Location"].rstrip("/") != answer.request[
            "PATH_INFO"
        ].rstrip("/")
    return answer.status_code in (401, 403, 404, 405)


def test_the_walk_sees_the_register():
    paths = {route.path for route in ROUTES}
    assert "/api/v1/valves/{pk}/retire" in paths
    assert "/admin/valvecare/pump/{object_id}/change/" in paths or "/admin/" in paths


@pytest.mark.parametrize("route", ROUTES, ids=str)
def test_nobody_gets_in(route):
    if route.name in PUBLIC:
        return
    client = Client(raise_request_exception=False)
    for method in METHODS:
        answer = ask(client, method, filled(route, 1))
        shut = is_shut(answer)
        assert shut, f"{method} {route} answers {answer.status_code} to nobody"


def foreign_world() -> Any:
    """Rows of every capability at a site of which the stranger is no member."""
    site = SiteFactory(code=f"{SECRET}-x", name=f"{SECRET} plant")
    valve = valve_at(
        site,
        tag=f"{SECRET}-1V",
        serial=f"{SECRET}-serial",
        pump__tag=f"{SECRET}-1P",
        pump__group__code=f"{SECRET}-FW",
        pump__with_curve=True,
    )
    person = member(site, Role.PLANNER, username=f"{SECRET}-planner")
    Event.objects.create(
        at="2026-05-04T10:00Z",
        type="valve.opened",
        site=site,
        valve=valve,
        object_type="protectionvalve",
        object_id=str(valve.pk),
        object_name=valve.tag,
        actor=person,
        actor_name=str(person),
    )
    SeriesFactory(pump=valve.pump, tag=f"{SECRET}-HOURS")
    due_item(valve, reason=f"{SECRET}-reason")
    WorkOrderFactory(valve=valve, why=f"{SECRET}-why")
    WindowFactory(site=site, name=f"{SECRET}-stop")
    CrewFactory(site=site, name=f"{SECRET}-crew")
    proof(valve, 30.0, "pass", words=f"{SECRET}-words")
    verdict(valve, "Protects", reason=f"{SECRET}-verdict")
    return site


def foreign_ids() -> list[Any]:
    """Primary keys of every row the foreign world has, of every capability."""
    found: set[Any] = set()
    for model in apps.get_app_config("valvecare").get_models():
        if not model.__name__.startswith("Historical"):
            found |= set(model._base_manager.values_list("pk", flat=True)[:20])
    return sorted((pk for pk in found if not isinstance(pk, tuple)), key=str)[:8]


@pytest.fixture
def stranger():
    """A member of another site with every role there, who may use the admin."""
    foreign_world()
    ids = foreign_ids()
    person = member(SiteFactory(code="HERE"), Role.PLANNER, is_staff=True, username="stranger")
    for role in Role:
        if role is not Role.PLANNER:
            member_site = person.valvecare_memberships.first().site
            person.valvecare_memberships.create(site=member_site, role=role.value)
    client = Client(raise_request_exception=False)
    client.force_login(person)
    client.foreign_ids = ids
    return client


SHARED = re.compile(
    r"valve-?design|jsi18n|logout|login|password_change|schema|docs|/admin/(?!valv)"
)
"""What all sites share, or what names no record."""


def test_a_stranger_finds_no_trace_of_a_foreign_site(stranger):
    ids = stranger.foreign_ids
    leaks = []
    for route in ROUTES:
        if SHARED.search(route.path):
            continue
        for value in ids if route.names else [1]:
            path = filled(route, value)
            for query in ("",) if route.names else ("", f"?q={SECRET}", f"?site={SECRET}-x"):
                answer = stranger.get(path + query)
                text = b"".join(answer) if answer.streaming else answer.content
                if query:  # what was asked for may be repeated, nothing else
                    text = text.replace(f"{SECRET}-x".encode(), b"")
                if SECRET.encode() + b"-" in text or answer.status_code == 500:
                    leaks.append((answer.status_code, path + query))
                if answer.status_code in (404, 405):
                    break
    assert leaks == []


def foreign_rows(model: Any) -> list[str]:
    """All rows but the stranger's own site, which they may change."""
    rows = model._base_manager.values()
    return sorted(map(str, rows.exclude(code="HERE") if model is Site else rows))


def test_a_stranger_changes_nothing_at_a_foreign_site(stranger):
    models = list(apps.get_app_config("valvecare").get_models())
    kept = {model: foreign_rows(model) for model in models}
    wrong = []
    ids = stranger.foreign_ids[:4]
    for route in ROUTES:
        if not route.names or SHARED.search(route.path):
            continue
        for value in ids:
            for method in METHODS[1:]:
                answer = ask(stranger, method, filled(route, value))
                if answer.status_code == 500:
                    wrong.append((answer.status_code, method, str(route)))
    assert wrong == []
    for model, rows in kept.items():
        assert foreign_rows(model) == rows, model.__name__
