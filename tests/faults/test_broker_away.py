"""Redis refuses or hangs: people and plant systems still get their answer, the work is done later.

Assurance S-16. The line to Redis runs through the test, which cuts, holds and mends it.
"""

import json
import time
import urllib.parse
import urllib.request
from datetime import UTC, datetime, timedelta
from functools import partial
from http.cookiejar import CookieJar

import pytest

from tests.factories.register import PASSWORD
from tests.faults.ground import rows
from tests.faults.line import Line
from tests.journeys.openapi_client import fetch
from tests.journeys.processes import production, wait_until

pytestmark = [pytest.mark.postgres, pytest.mark.redis]

EXTRA_S = 1.0
"""How much longer than usual a caller may wait."""
DRAINED_S = 180.0
"""The minute job, a late beat and the reconnection of the worker."""
STATES = ("whole", "cut", "held")

SCENE = """
from datetime import timedelta
from django.contrib.auth import get_user_model
from django.utils import timezone
from tests.factories.due import policy_for
from tests.factories.readings import SeriesFactory
from tests.factories.register import SiteFactory, ValveDesignFactory, valve_at
from tests.factories.work import Job, WorkOrderFactory
from valvecare.models import Procedure, ProcedureStep, ProcedureVersion
at = timezone.now()
for kept in (ProcedureStep, ProcedureVersion, Procedure):
    kept.objects.all().delete()  # the orders of this scene follow no procedure
get_user_model().objects.create_superuser("admin")
site, design = SiteFactory(code="LN"), ValveDesignFactory(code="LN-100")
policy_for(design_code=design.code, months=24, run_hours=1_000, at=at)
for n in range(3):
    valve = valve_at(site, tag=f"LN-{n}V", design=design, pump__tag=f"LN-{n}P",
                     pump__with_curve=True)
    SeriesFactory(pump=valve.pump, tag=f"LN-{n}H")
    job = Job(site, WorkOrderFactory(valve=valve))
    job.at = at - timedelta(hours=2)
    job.to_proven()
    job.technician.username = f"fitter-{n}"
    job.technician.save()
"""


class Person:
    """Someone at a browser: a session and its CSRF token."""

    def __init__(self, base: str, name: str) -> None:
        self.base, self.jar = base, CookieJar()
        self.opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(self.jar))
        self.opener.open(f"{base}/login/", timeout=30).read()
        form = {"username": name, "password": PASSWORD, "csrfmiddlewaretoken": self.csrf}
        self.opener.open(f"{base}/login/", urllib.parse.urlencode(form).encode(), timeout=60).read()

    @property
    def csrf(self) -> str:
        return next(str(cookie.value) for cookie in self.jar if cookie.name == "csrftoken")

    def post(self, path: str, body: dict, version: int) -> int:
        request = urllib.request.Request(self.base + path, json.dumps(body).encode())
        request.add_header("Content-Type", "application/json")
        request.add_header("X-CSRFToken", self.csrf)
        request.add_header("If-Match", f'"{version}"')
        with self.opener.open(request, timeout=90) as answer:
            return int(answer.status)


@pytest.fixture
def plant(tmp_path):
    with production(tmp_path) as installation:
        line = Line(installation.env["REDIS_URL"])
        installation.env["REDIS_URL"] = line.url
        line.mend()
        installation.line = line
        try:
            yield installation
        finally:
            installation.stop()
            line.cut()


def timed(call):
    start = time.monotonic()
    return call(), time.monotonic() - start


def test_a_broker_that_is_away_costs_nobody_an_answer_and_no_work(plant, figure):
    plant.manage("shell", "-c", SCENE)
    token = plant.manage(
        *("issue_token", "line client", "--as", "admin", "--site", "LN"),
        *("--scope", "readings:write", "--days", "2"),
    ).strip()
    plant.start_web(workers=1)
    plant.start_worker()
    plant.start_beat()
    people = [Person(plant.url, f"fitter-{n}") for n in range(3)]
    orders = rows(plant, "SELECT id, version FROM valvecare_work_order ORDER BY id")
    first = datetime.now(UTC) - timedelta(days=30)

    def push(n: int, day: int):
        at = (first + timedelta(days=day)).isoformat()
        row = {"series": f"LN-{n}H", "at": at, "value": 100.0 + 20 * day, "unit": "h"}
        body = {"source": "line", "rows": [row]}
        return fetch("POST", f"{plant.url}/api/v1/readings/bulk", token, body).status

    push(0, 0)  # the first request warms the process up
    took: dict[str, list[float]] = {}
    wrong = asked = 0
    for n, state in enumerate(STATES):
        {"whole": plant.line.mend, "cut": plant.line.cut, "held": plant.line.hold}[state]()
        order, version = orders[n]
        path = f"/api/v1/work-orders/{order}/close"
        signed = {"remarks": "invented", "password": PASSWORD, "meaning": "performed"}
        close = partial(people[n].post, path, signed, version)
        answers = [timed(call) for call in (close, *(partial(push, n, d) for d in range(1, 6)))]
        took[state] = [seconds for _, seconds in answers]
        asked += len(answers)
        wrong += sum(not 200 <= status < 300 for status, _ in answers)
    figure("S-16", "answers that were not 2xx", wrong, asked)
    usual = max(took["whole"])
    for state in STATES[1:]:
        figure(
            "S-16", f"slowest answer, line {state}, s", f"{max(took[state]):.2f}", f"{usual:.2f}"
        )
    assert wrong == 0
    closed = rows(plant, "SELECT count(*) FROM valvecare_work_order WHERE state = 'closed'")
    assert closed == [(3,)]
    assert max(took["cut"] + took["held"]) < usual + EXTRA_S, took

    plant.line.cut()
    waiting = rows(plant, TOUCHED)[0][0]
    plant.line.mend()
    start = time.monotonic()
    wait_until(lambda: rows(plant, TOUCHED) == [(0,)], DRAINED_S, "touched counters are judged")
    figure("S-16", "counters judged after the line was mended", waiting, waiting)
    figure("S-16", "seconds until then", f"{time.monotonic() - start:.0f}", f"{DRAINED_S:.0f}")
    assert waiting >= 2
    used = rows(plant, "SELECT count(*) FROM valvecare_clock WHERE \"trigger\" = 'run-hours'")
    assert used == [(3,)]


TOUCHED = "SELECT count(*) FROM valvecare_series_state WHERE touched_us IS NOT NULL"
