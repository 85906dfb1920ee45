"""The wheel turns once, with real parts: server, worker, beat, PostgreSQL, Redis, Chromium.

Register from a sheet, twelve months of readings from outside, sweep, due job, planned in the
admin, closed on a phone, and the next due date right to the day. The plant is invented.
"""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import pytest
from django.urls import reverse
from playwright.sync_api import Page, sync_playwright

from tests.conftest import CHROMIUM
from tests.journeys.openapi_client import Api
from tests.journeys.processes import PASSWORD, Installation, production, wait_until

pytestmark = [pytest.mark.postgres, pytest.mark.redis, pytest.mark.browser]

ZONE = ZoneInfo("Europe/Oslo")
HOURS_PER_DAY, LIMIT_HOURS = 20.0, 3_000
DAYS_TO_LIMIT = 150  # by hand: 3,000 h at 20 h a day
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

SHEETS = {
    "sites": [
        ("code", "name", "time_zone", "atmospheric_pressure_bar_a"),
        ("JY", "Journey Works (invented)", "Europe/Oslo", 1.013),
    ],
    "groups": [
        ("site", "code", "service", "installed", "needed"),
        ("JY", "JY-FW", "boiler feed", 2, 1),
    ],
    "designs": [
        (
            "code",
            "variant",
            "dn",
            "revision",
            "bypass_dn",
            "principle",
            "has_lever",
            "bypass_stages",
            "spring_rate_n_per_mm",
            "spring_free_length_mm",
            "spring_fitted_length_mm",
            "job_hours",
            "cover_bolt_thread",
            "cover_bolt_grade",
            "limits_source",
        ),
        (
            "JRN-40",
            "",
            80,
            "A",
            40,
            "sleeve bypass (invented)",
            "no",
            1,
            5,
            120,
            95,
            8,
            *["not known"] * 3,
        ),
    ],
    "pumps": [
        (
            "site",
            "tag",
            "group",
            "role",
            "medium",
            "curve_source",
            "stable_min_flow_source",
            "allowed_rise_source",
            "returns_to",
            "return_line_cooling_source",
        ),
        ("JY", "JY-FW-1P", "JY-FW", "duty", "water", *["not known"] * 5),
    ],
    "valves": [
        (
            "site",
            "tag",
            "pump",
            "design",
            "design_dn",
            "design_revision",
            "serial",
            "stamped_identity",
            "built_year",
            "seal_material",
            "attitude",
        ),
        (
            "JY",
            "JY-FW-1V",
            "JY-FW-1P",
            "JRN-40",
            80,
            "A",
            "JRN-0001",
            "not known",
            2015,
            "EPDM",
            "horizontal",
        ),
    ],
}

SET_UP = """
from datetime import date
from django.contrib.auth import get_user_model
from django.utils import timezone
from valvecare.due.actions import set_policy
from valvecare.due.rules import TaskKind
from valvecare.models import Membership, Pump, Site, VerdictPolicy
from valvecare.readings.actions.add_series import add_series
users = get_user_model().objects
admin, site, at = users.get(username="admin"), Site.objects.get(code="JY"), timezone.now()
for name, role, staff in (("planner", "planner", True), ("fitter", "technician", False)):
    user = users.create_user(name, password={password!r}, is_staff=staff)
    Membership.objects.create(user=user, site=site, role=role)
pump = Pump.objects.get(tag="JY-FW-1P")
add_series(pump.pk, dict(tag="JY.FW1.H", quantity="run hours", unit="h", resolution=0.01),
           actor=admin, at=at)
add_series(pump.pk, dict(tag="JY.FW1.S", quantity="starts", unit="1", resolution=1,
           max_starts_per_hour=10), actor=admin, at=at)
set_policy(kind=TaskKind.FUNCTION_TEST, actor=admin, at=at, source="invented", owner="engineer",
           valid_from=date(2020, 1, 1), design_code="JRN-40", months=24, run_hours={hours},
           starts=600)
VerdictPolicy.objects.create(margin_share=0.05, line_sensor_k=1, time_constant_share=0.3,
           power_share=0.01, source="invented", owner="engineer", valid_from=date(2020, 1, 1))
"""


@pytest.fixture(scope="module")
def plant(tmp_path_factory):
    with production(tmp_path_factory.mktemp("wheel")) as installation:
        installation.manage(
            "createsuperuser", "--noinput", "--username", "admin", "--email", "a@example.invalid"
        )
        installation.start_web(workers=2)
        installation.start_worker()
        installation.start_beat()
        yield installation


@pytest.fixture(scope="module")
def browser():
    # the event loop of the browser driver is in this thread; our ORM calls are not
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_FLAGS)
        yield chromium
        chromium.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


def signed_in(browser, plant: Installation, name: str, width: int) -> Page:
    page = browser.new_context(viewport={"width": width, "height": 844}).new_page()
    page.goto(f"{plant.url}/login/")
    page.fill("[name=username]", name)
    page.fill("[name=password]", PASSWORD)
    page.click("button[type=submit]")
    page.wait_for_url(f"{plant.url}/")
    return page


def sheet_file(path: Path) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in SHEETS.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def import_register(browser, plant: Installation, path: Path) -> None:
    page = signed_in(browser, plant, "admin", 1280)
    page.goto(plant.url + reverse("admin:valvecare_register_import"))
    page.set_input_files("input[type=file]", str(path))
    page.locator("form[enctype] [type=submit]").first.click()
    page.locator("[name=confirm]").click()
    page.wait_for_load_state()
    page.context.close()


def twelve_months() -> list[dict]:
    """Daily counters at 06:00 site time, 20 h a day, a start every second day."""
    today = datetime.now(UTC).astimezone(ZONE).replace(hour=6, minute=0, second=0, microsecond=0)
    if today > datetime.now(UTC):
        today -= timedelta(days=1)
    rows = []
    for day in range(366):
        at = (today - timedelta(days=365 - day)).isoformat()
        rows.append({"series": "JY.FW1.H", "at": at, "value": 500 + 20.0 * day, "unit": "h"})
        rows.append({"series": "JY.FW1.S", "at": at, "value": 40 + day // 2, "unit": "1"})
    return rows


def place_in_admin(browser, plant: Installation, order: int) -> None:
    page = signed_in(browser, plant, "planner", 1280)
    today = datetime.now(UTC).astimezone(ZONE).date()
    page.goto(plant.url + reverse("admin:valvecare_window_add"))
    page.select_option("[name=site]", label="JY")
    page.fill("[name=name]", "Journey stop")
    page.fill("[name=starts_at_0]", today.isoformat())
    page.fill("[name=starts_at_1]", "00:00:00")
    page.fill("[name=ends_at_0]", (today + timedelta(days=9)).isoformat())
    page.fill("[name=ends_at_1]", "18:00:00")
    page.check("[name=is_total_stop]")
    page.check("[name=works_weekends]")
    page.click("[name=_save]")
    page.goto(plant.url + reverse("admin:valvecare_crew_add"))
    page.select_option("[name=site]", label="JY")
    page.fill("[name=name]", "Journey crew")
    page.fill("[name=people]", "2")
    page.fill("[name=hours_per_day]", "10")
    page.click("[name=_save]")
    orders = plant.url + reverse("admin:valvecare_workorder_changelist")
    for action in ("agree_selected", "place_selected"):
        page.goto(orders)
        page.check(f"input[name=_selected_action][value='{order}']")
        page.select_option("[name=action]", action)
        page.click("#changelist-form button[name=index], #changelist-form [type=submit]")
        if action == "place_selected":
            page.select_option("[name=window]", index=1)
            page.select_option("[name=crew]", index=1)
            page.fill("[name=hours]", "4")
            page.fill("[name=because]", "invented journey")
            page.click("[name=look]")
        shown = page.locator("form:has([name=confirmed])")
        assert shown.locator("[name=seen]").count() == 1, page.locator("#content").inner_text()
        shown.locator("input[type=submit]").click()
        page.wait_for_load_state()
    page.context.close()


ANSWERED = """key => {
    if (document.readyState !== 'complete') return false;
    const field = document.querySelector('#next form [name=idempotency_key]');
    return !field || field.value !== key || document.querySelector('.refusal') !== null;
}"""

ANSWERS = {
    "ready": lambda form: [
        field.fill("shown, no. 17") for field in form.locator("input[name^=item_]").all()
    ],
    "start": lambda form: None,
    "identity": lambda form: form.locator("[name=text]").fill("JRN-0001"),
    "steps": lambda form: [
        field.select_option("done") for field in form.locator("select[name^=outcome_]").all()
    ],
    "as-found": lambda form: (
        form.locator("[name=words]").fill("bypass warm, no leak"),
        form.locator("[name=grade]").select_option("as expected"),
    ),
    "findings": lambda form: (
        form.locator("[name=found]").fill("light marks"),
        form.locator("[name=grade]").select_option("1"),
        form.locator("[name=decision]").select_option("reuse"),
    ),
    "tests": lambda form: (
        form.locator("[name=method]").select_option("flow meter"),
        form.locator("[name=bypass_flow_m3_per_h]").fill("29,4"),
        form.locator("[name=uncertainty_percent]").fill("2"),
        form.locator("[name=required_m3_per_h]").fill("27"),
    ),
    "close": lambda form: form.locator("[name=remarks]").fill("invented journey"),
}


def close_on_the_phone(browser, plant: Installation, order: int) -> list[str]:
    """Answer whatever the page asks next until the order is closed; returns the steps taken."""
    page = signed_in(browser, plant, "fitter", 390)
    page.goto(f"{plant.url}/at-the-valve/")
    page.locator(f"a[href$='/work-orders/{order}/']").first.click()
    page.wait_for_url(f"**/work-orders/{order}/")
    page.locator("#next form").wait_for()
    done = []
    for _ in range(60):
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        form = page.locator("#next form")
        if form.count() == 0:
            break
        verb = form.get_attribute("action").rstrip("/").rsplit("/", 1)[1]
        if verb == "gates":
            gate = form.locator("[name=gate]").input_value()
            if form.locator("[name=rods]").count():
                form.locator("[name=rods]").select_option("long rods and clamp")
            done.append(f"gate {gate}")
        else:
            ANSWERS[verb](form)
            if form.locator("[name=password]").count():
                form.locator("[name=password]").fill(PASSWORD)
            done.append(verb)
        key = form.locator("[name=idempotency_key]").input_value()
        form.locator("[type=submit]").click()
        page.wait_for_function(ANSWERED, arg=key)  # the page sends the step itself, then moves on
        refusal = page.locator(".refusal")
        assert refusal.count() == 0, (done, refusal.all_inner_texts())
    page.context.close()
    return done


def test_the_wheel_turns_once(plant, browser, tmp_path):
    import_register(browser, plant, sheet_file(tmp_path / "register.xlsx"))
    plant.manage("shell", "-c", SET_UP.format(password=PASSWORD, hours=LIMIT_HOURS))
    scopes = ("readings:write", "due:read", "work:read", "register:read", "protection:read")
    wanted = [word for scope in scopes for word in ("--scope", scope)]
    token = plant.manage(
        "issue_token", "journey client", "--as", "admin", "--site", "JY", "--days", "30", *wanted
    ).strip()
    api = Api(plant.url, token)

    # push: only what the document asks for
    assert "rows" in api.required_of("readings_push")
    rows = twelve_months()
    pushed = api.call("readings_push", {"source": "journey", "rows": rows})
    assert pushed.status == 200, pushed.raw[:500]
    assert [result["status"] for result in pushed.json["results"]] == ["created"] * len(rows)

    # the worker sweeps, then the plant system pulls the due job
    plant.ask_worker("sweep", "journey")

    def job():
        found = api.call("due_jobs_list", query={"site": "JY"})
        assert found.status == 200, found.raw[:500]
        return [row for row in found.json["results"] if row["kind"] == "function test"]

    (due_job,) = wait_until(job, 90, "the worker raises the order of a valve without a record")
    assert due_job["valve"]["tag"] == "JY-FW-1V"
    order = due_job["id"]

    place_in_admin(browser, plant, order)
    placed = api.call("work_orders_retrieve", order_id=order)
    assert placed.json["state"] == "placed"

    before = datetime.now(UTC).astimezone(ZONE).date()
    ready_by_planner(browser, plant, order)
    steps = close_on_the_phone(browser, plant, order)
    assert steps == [
        "start",
        "steps",
        "identity",
        "steps",
        "as-found",
        "steps",
        "tests",
        "steps",
        "steps",
        "close",
    ]
    closed = api.call("work_orders_retrieve", order_id=order)
    assert closed.json["state"] == "closed"

    # the clock restarts: next due by run-hours, right to the day
    due = api.call("due_list", query={"site": "JY", "kind": "function test"})
    (item,) = due.json["results"]
    assert item["governed_by"] in ("run-hours", "calendar", "starts")
    assert item["state"] == "not yet"
    after = datetime.now(UTC).astimezone(ZONE).date()
    expected = {(day + timedelta(days=DAYS_TO_LIMIT)).isoformat() for day in (before, after)}
    assert item["due_on"] in expected

    # the story
    events = api.call("events_list", query={"site": "JY"})
    types = [event["type"] for event in events.json["results"]]
    for wanted in ("work_order.raised", "work_order.placed", "work_order.closed"):
        assert wanted in types, types
    left = api.call("due_jobs_list", query={"site": "JY", "kind": "function test"})
    assert left.json["results"] == []


def ready_by_planner(browser, plant: Installation, order: int) -> None:
    page = signed_in(browser, plant, "planner", 1280)
    page.goto(f"{plant.url}/at-the-valve/work-orders/{order}/")
    form = page.locator("#next form")
    assert form.get_attribute("action").rstrip("/").endswith("ready")
    ANSWERS["ready"](form)
    key = form.locator("[name=idempotency_key]").input_value()
    form.locator("[type=submit]").click()
    page.wait_for_function(ANSWERED, arg=key)
    assert page.locator(".refusal").count() == 0
    page.context.close()
