"""A plant system that pushes again until it is answered, and what the database kept of it."""

import http.client
import random
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from tests.faults.ground import rows
from tests.journeys.openapi_client import fetch
from tests.journeys.processes import Installation

SERIES = 4

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


def batches(name: str, start: datetime, *, requests: int, rows: int) -> list[list[dict]]:
    """Counters read every minute; the rows of all requests are mixed, so that each is late."""
    made = [
        {
            "series": f"{name}-{series}",
            "at": (start + timedelta(minutes=minute)).isoformat(),
            "value": round(1_000 + minute / 60, 2),
            "unit": "h",
        }
        for minute in range(requests * rows // SERIES)
        for series in range(SERIES)
    ]
    random.Random(20).shuffle(made)
    return [made[n * rows : (n + 1) * rows] for n in range(requests)]


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
            self.broken += 1
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


def lay_out(plant: Installation) -> str:
    """A site with counters for two clients, and a token that may push to them."""
    plant.manage("shell", "-c", SCENE.format(series=SERIES))
    plant.start_web()
    return plant.manage(
        *("issue_token", "stubborn", "--as", "admin", "--site", "KP"),
        *("--scope", "readings:write", "--days", "2"),
    ).strip()


def push_through_kills(
    plant: Installation,
    token: str,
    kill: Callable[[], None],
    figure: Callable[[str, str, object, object], None],
    *,
    requests: int,
    rows_each: int,
    kills: int,
    pause_s: float,
) -> None:
    """Push while `kill` strikes; nothing is lost or doubled, and a calm twin derives the same.

    `kill` strikes up to `pause_s` after a request went out, and brings back what it killed.
    """
    rng = random.Random(11)
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=requests * rows_each)
    sizes = {"requests": requests, "rows": rows_each}
    client = Client(plant, token, batches("TORN", start, **sizes))
    client.start()
    killed = 0
    while killed < kills and client.is_alive():
        assert client.sending.wait(60)
        time.sleep(rng.uniform(0.0, pause_s))
        if not client.is_alive():
            break
        kill()
        killed += 1
    client.join(300)
    client.over.set()
    assert not client.is_alive(), plant.log_of("web")
    calm = Client(plant, token, batches("CALM", start, **sizes))
    calm.run()

    torn, twin = kept(plant, "TORN"), kept(plant, "CALM")
    wanted = requests * rows_each
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
    figure("S-11", "requests broken and sent again", client.broken, requests)
    figure("S-11", "rows answered as duplicates", client.statuses["duplicate"], wanted)
    figure("S-11", "derived tables that differ from the twin", differences, 2)
    assert killed == kills
    assert client.broken > 0
    assert client.statuses["created"] + client.statuses["duplicate"] == wanted
    assert (have - sent, sent - have, stored) == (set(), set(), wanted)
    assert calm.statuses["created"] == wanted
    assert differences == 0
