"""Runs inside the host (`python -m tests.host.probe`): prints what its pages and API answer."""

import json
import os
from datetime import date
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.host.settings")

import django

django.setup()

from django.apps import apps  # noqa: E402
from django.contrib import admin  # noqa: E402
from django.contrib.auth import get_user_model  # noqa: E402
from django.test import Client  # noqa: E402
from django.urls import reverse  # noqa: E402
from django.utils import timezone  # noqa: E402

from tests.factories.readings import SeriesFactory  # noqa: E402
from tests.factories.register import SiteFactory, valve_at  # noqa: E402
from tests.host.people.admin import HostSeriesAdmin  # noqa: E402
from valvecare import urls  # noqa: E402
from valvecare.core.jobs import run_job  # noqa: E402
from valvecare.due.actions import set_policy  # noqa: E402
from valvecare.due.rules import TaskKind  # noqa: E402
from valvecare.models import Event, Membership, Series, Verdict, WorkOrder  # noqa: E402
from valvecare.register.actions import issue_plant_credential  # noqa: E402
from valvecare.register.rules import Scope  # noqa: E402


def main() -> dict[str, Any]:
    at = timezone.now()
    people = get_user_model().objects
    boss = people.create_superuser("boss@example.invalid")
    planner = people.create_user("planner@example.invalid")
    site = SiteFactory(code="HOST")
    Membership.objects.create(user=planner, site=site, role="planner")
    valve = valve_at(site, tag="HOST-1V")
    SeriesFactory(pump=valve.pump)
    set_policy(
        kind=TaskKind.STRIP_DOWN,
        actor=boss,
        at=at,
        source="invented",
        owner="engineer",
        valid_from=date(2020, 1, 1),
        design_code=valve.design.code,
        months=24,
    )
    run = run_job("sweep", now=timezone.now)
    order = WorkOrder.objects.get()
    _, token = issue_plant_credential(
        "host historian", [site], [scope.value for scope in Scope], 30, actor=boss, at=at
    )

    visitor, client, chief = Client(), Client(), Client()
    client.force_login(planner)
    chief.force_login(boss)
    pages, problems = {}, {}
    for pattern in urls.pages:
        route = getattr(pattern.pattern, "_route", None)
        if route is None or "<" in route:
            continue
        answer = chief.get(f"/plant/valves/{route}", follow=True)
        kind = answer.get("Content-Type", "").split(";")[0]
        ours = kind == "text/html" and b"<html" in answer.content
        pages[route] = [
            answer.status_code,
            b"Invented Works intranet" in answer.content if ours else None,
        ]
    bearer = {"Authorization": f"Bearer {token}"}
    for name, path, asker, headers in (
        ("anonymous", "/plant/valves/api/v1/due-jobs", visitor, {}),
        ("nothing there", "/plant/valves/api/v1/nothing", visitor, {}),
        ("bogus token", "/plant/valves/api/v1/due-jobs", visitor, {"Authorization": "Bearer vc_x"}),
    ):
        answer = asker.get(path, headers=headers)
        problems[name] = [answer.status_code, answer["Content-Type"].split(";")[0]]
    jobs = visitor.get("/plant/valves/api/v1/due-jobs", headers=bearer).json()
    due = visitor.get("/plant/valves/api/v1/due", headers=bearer).json()
    schema = client.get("/plant/valves/api/schema/?format=json").json()
    agreed = client.post(
        f"/plant/valves/api/v1/work-orders/{order.pk}/agree",
        {},
        "application/json",
        headers={"If-Match": '"1"', "Idempotency-Key": "host"},
    )
    event = Event.objects.filter(type="work_order.agreed").get()
    return {
        "pages": pages,
        "problems": problems,
        "sweep": dict(run.counts) if run else None,
        "verdicts": Verdict.objects.filter(is_current=True).count(),
        "job_urls": [job["url"] for job in jobs["results"]],
        "due_urls": [item["url"] for item in due["results"]],
        "schema_paths": sorted(schema["paths"])[:3],
        "agreed": agreed.status_code,
        "event_by": [event.actor_name, str(event.actor_id) == str(planner.pk)],
        "reversed": [reverse("valvecare:protection"), reverse("pump-guard:api-due-jobs")],
        "admin_is_mixed": isinstance(admin.site.get_model_admin(Series), HostSeriesAdmin),
        "admin": {
            model.__name__: chief.get(
                reverse(f"admin:valvecare_{model._meta.model_name}_changelist")
            ).status_code
            for model in apps.get_app_config("valvecare").get_models()
            if admin.site.is_registered(model)
        },
    }


if __name__ == "__main__":
    print(json.dumps(main()))  # noqa: T201 the test reads it
