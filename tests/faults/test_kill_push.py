"""kill -9 of the server while a plant system pushes; the client sends again until it is answered.

Assurance S-11 over the network: nothing lost, nothing twice, and what is derived equals that of
a twin whose rows came undisturbed.
"""

import http.client
import random
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from tests.faults.ground import rows
from tests.journeys.openapi_client import fetch
from tests.journeys.processes import Installation, embedded, production

REQUESTS, ROWS, SERIES = 10, 2_000, 4
KILLS = 5

SCENE = """
from django.contrib.auth import get_user_model
from tests.factories.readings import SeriesFactory
from tests.factories.register import SiteFactory, valve_at
get_user_model().objects.create_superuser("admin")
site = SiteFactory(code="KP")
for n in range({series}):
    valve = valve_at(site, tag=f"KP-{{n}}V")
    for name in ("TORN", "CALM"):
        SeriesFactory(pump=valve.pump, tag=f"{{name}}-{{n}}")
"""


@pytest.fixture(
    params=[
        pytest.param(embedded, id="embedded"),
        pytest.param(production, id="production", marks=[pytest.mark.postgres, pytest.mark.redis]),
    ]
)
def plant(request, tmp_path):
    with request.param(tmp_path) as installation:
        installation.manage("shell", "-c", SCENE.format(series=SERIES))
        installation.start_web()
        yield installation


def batches(name: str, start: datetime) -> list[list[dict]]:
    """Counters read every minute; the rows of all requests are mixed, so that each is late."""
    made = [
        {
            "series": f"{name}-{series}",
            "at": (start + timedelta(minutes=minute)).isoformat(),
            "value": round(1_000 + minute / 60, 2),
            "unit": "h",
        }
        for minute in range(REQUESTS * ROWS // SERIES)
        for series in range(SERIES)
    ]
    random.Random(20).shuffle(made)
    return [made[n * ROWS : (n + 1) * ROWS] for n in range(REQUESTS)]


class Client(threading.Thread):
    """A plant system: sends every batch in turn, again and again until it is answered 200."""

    def __init__(self, plant: Installation, token: str, wanted: list[list[dict]]) -> None:
        super().__init__(daemon=True)
        self.plant, self.token, self.wanted = plant, token, wanted
        self.sending, self.over = threading.Event(), threading.Event()
        self.broken, self.statuses = 0, {"created": 0, "duplicate": 0}

    def run(self) -> None:
        for batch in self.wanted:
            while not self.over.is_set() and not self._sent(batch):
                time.sleep(0.2)
        self.sending.set()

    def _sent(self, batch: list[dict]) -> bool:
        body = {"source": "stubborn client", "rows": batch}
        self.sending.set()
        try:
            url = f"{self.plant.url}/api/v1/readings/bulk"
            answer = fetch("POST", url, self.token, body)
        except (OSError, http.client.HTTPException):
            self.broken += 1
            return False
        finally:
            self.sending.clear()
        if answer.status != 200:
            return False
        for row in answer.json["results"]:
            self.statuses[row["status"]] = self.statuses.get(row["status"], 0) + 1
        return True


DERIVED = {
    "valvecare_series_state": "points, first_us, last_us, last_value, accumulated, lost_segments",
    "valvecare_series_day": "day, increment, valid_s, lost, n, v_min, v_max, v_sum_micro, v_last, "
    "last_us",
    "valvecare_reading": "at_us, value, quality",
}


def kept(plant: Installation, name: str) -> dict[str, list]:
    """State, days and readings of the named series, in key order."""
    return {
        table: sorted(
            rows(
                plant,
                f"SELECT s.tag, {', '.join('t.' + c.strip() for c in columns.split(','))} "
                f"FROM {table} t JOIN valvecare_series s ON s.id = t.series_id "
                f"WHERE s.tag LIKE '{name}-%'",
            )
        )
        for table, columns in DERIVED.items()
    }


def test_a_server_killed_while_rows_come_in(plant, figure):
    rng = random.Random(11)
    token = plant.manage(
        *("issue_token", "stubborn", "--as", "admin", "--site", "KP"),
        *("--scope", "readings:write", "--days", "2"),
    ).strip()
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=10)
    client = Client(plant, token, batches("TORN", start))
    client.start()
    killed = 0
    while killed < KILLS and client.is_alive():
        assert client.sending.wait(60)
        time.sleep(rng.uniform(0.0, 0.25))
        if not client.is_alive():
            break
        plant.kill("web")
        killed += 1
        plant.start_web()
    client.join(180)
    client.over.set()
    assert not client.is_alive(), plant.log_of("web")
    calm = Client(plant, token, batches("CALM", start))
    calm.run()

    torn, twin = kept(plant, "TORN"), kept(plant, "CALM")
    wanted = REQUESTS * ROWS
    stored = len(torn["valvecare_reading"])
    sent = {(r["series"], r["at"], r["value"]) for batch in client.wanted for r in batch}
    have = {
        (tag, datetime.fromtimestamp(us / 1e6, tz=UTC).isoformat(), value)
        for tag, us, value, _ in torn["valvecare_reading"]
    }
    differences = sum(
        [(tag.replace("TORN", "CALM"), *rest) for tag, *rest in torn[table]] != twin[table]
        for table in ("valvecare_series_state", "valvecare_series_day")
    )
    figure("S-11", f"lost of {wanted} rows, {killed} kills", len(sent - have), wanted)
    figure("S-11", "doubled", stored - len(have), wanted)
    figure("S-11", "requests broken and sent again", client.broken, REQUESTS)
    figure("S-11", "rows answered as duplicates", client.statuses["duplicate"], wanted)
    figure("S-11", "derived tables that differ from the twin", differences, 2)
    assert killed == KILLS
    assert client.broken > 0
    assert client.statuses["created"] + client.statuses["duplicate"] == wanted
    assert (have - sent, sent - have, stored) == (set(), set(), wanted)
    assert calm.statuses["created"] == wanted
    assert differences == 0
