"""Requests a second over HTTP: ``python -m tests.benchmarks.bench_http``.

The product's own server with two workers on loopback; four clients on kept-alive connections ask
for one address after the other, in turns of a few seconds, so that a noisy moment hits all:
the due-jobs page, the same page written the usual way, a deep page of both, and the page of an
order as its technician sees it, just started and with six gates passed. Needs PostgreSQL
(DATABASE_URL); works in a test database of its own, which it drops. Prints medians, ratios and
the weight of the page.
Arguments: number of open work orders (1000000 when absent), seconds a turn (4).
"""

import gzip
import http.client
import os
import statistics
import subprocess
import sys
import threading
import time
from collections import defaultdict
from datetime import UTC, datetime
from typing import Any

from tests.benchmarks.bench_due_jobs import deep_cursor, fill  # sets Django up

from django.conf import settings  # isort: skip
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY  # isort: skip
from django.contrib.sessions.backends.db import SessionStore  # isort: skip
from django.core.management import call_command  # isort: skip
from django.db import connection  # isort: skip
from valvecare.models import Site, WorkOrder  # isort: skip

CLIENTS, WORKERS, ROUNDS = 4, 2, 5

SERVE = (
    "from valvecare.project.server import serve;"
    "serve('127.0.0.1', {port}, workers={workers}, background_here=False)"
)


def session_cookie(user: Any) -> str:
    """The cookie of a person who is signed in."""
    store = SessionStore()
    store[SESSION_KEY] = str(user.pk)
    store[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    store[HASH_SESSION_KEY] = user.get_session_auth_hash()
    store.create()
    return f"{settings.SESSION_COOKIE_NAME}={store.session_key}"


def scene(orders: int) -> dict[str, tuple[str, dict[str, str]]]:
    """Fill the database; address and headers of each variant."""
    from tests.factories.register import SiteFactory
    from tests.factories.work import Job
    from valvecare.register.actions.credentials import issue_plant_credential

    everywhere, _ = fill(orders)
    sites = list(Site.objects.all())
    admin = type(everywhere).objects.create_superuser("setter")
    now = datetime.now(UTC)
    _, token = issue_plant_credential("bench", sites, ["work:read"], 30, actor=admin, at=now)
    bearer = {"Authorization": f"Bearer {token}"}
    begun = Job(SiteFactory(code="TECH")).to_under_way()
    halfway = Job(SiteFactory(code="HALF")).to_moved_by_hand()
    pages = {
        name: (
            f"/at-the-valve/work-orders/{job.order.pk}/",
            {"Cookie": session_cookie(job.technician)},
        )
        for name, job in (("technician page", begun), ("the same, halfway", halfway))
    }
    deep = deep_cursor(everywhere, WorkOrder.objects.open(), 0.9)
    return {
        "ours": ("/api/v1/due-jobs", bearer),
        "usual": ("/usual/due-jobs", bearer),
        "ours, after 90 %": (deep, bearer),
        "usual, after 90 %": (f"/usual/due-jobs?offset={int(orders * 0.9)}", bearer),
        **pages,
    }


def load(port: int, path: str, headers: dict[str, str], seconds: float) -> float:
    """Requests a second of four clients that ask again as soon as they are answered."""
    counts, end = [0] * CLIENTS, time.perf_counter() + seconds

    def ask(number: int) -> None:
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        while time.perf_counter() < end:
            link.request("GET", path, headers=headers)
            answer = link.getresponse()
            answer.read()
            if answer.status != 200:
                raise SystemExit(f"{path}: {answer.status}")
            counts[number] += 1
        link.close()

    started = time.perf_counter()
    threads = [threading.Thread(target=ask, args=(n,)) for n in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts) / (time.perf_counter() - started)


def get(port: int, path: str, headers: dict[str, str]) -> bytes:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    link.request("GET", path, headers=headers)
    answer = link.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise SystemExit(f"{path}: {answer.status}\n{body[:500]!r}")
    return body


def serve(port: int) -> subprocess.Popen[bytes]:
    place = connection.settings_dict
    login = f"{place['USER']}:{place['PASSWORD']}".rstrip(":")
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE.format(port=port, workers=WORKERS)],
        env={
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "tests.benchmarks.http_settings",
            "DATABASE_URL": f"postgres://{login}@{place['HOST']}:{place['PORT']}/{place['NAME']}",
            "SECRET_KEY": settings.SECRET_KEY,
            "SECURE": "0",
            "ALLOWED_HOSTS": "127.0.0.1",
        },
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(300):
        try:
            get(port, "/livez", {})
        except OSError:
            time.sleep(0.2)
        else:
            return server
    server.terminate()
    raise SystemExit("the server did not start")


def main(orders: int, seconds: float) -> None:
    from tests.journeys.processes import free_port

    connection.settings_dict["TEST"]["MIGRATE"] = False
    kept = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    server = None
    try:
        call_command("collectstatic", interactive=False, verbosity=0)
        variants = scene(orders)
        port = free_port()
        server = serve(port)
        page = get(port, *variants["technician page"])
        for path, headers in variants.values():
            get(port, path, headers)
        found: dict[str, list[float]] = defaultdict(list)
        for _ in range(ROUNDS):
            for name, (path, headers) in variants.items():
                found[name].append(load(port, path, headers, seconds))
        rate = {name: statistics.median(rates) for name, rates in found.items()}
        print(f"{orders:,} open orders, {WORKERS} workers, {CLIENTS} clients")
        for name, value in rate.items():
            print(f"  {name:20s} {value:8.1f} requests/s")
        print(f"  ours / usual, first page   {rate['ours'] / rate['usual']:8.1f} x")
        deep = rate["ours, after 90 %"] / rate["usual, after 90 %"]
        print(f"  ours / usual, deep page    {deep:8.1f} x")
        fields = page.count(b"<input") + page.count(b"<select") + page.count(b"<textarea")
        print(
            f"  technician page: {len(page):,} bytes, {len(gzip.compress(page)):,} compressed, "
            f"{fields} fields"
        )
    finally:
        if server:
            server.terminate()
            server.wait(20)
        connection.creation.destroy_test_db(kept, verbosity=0)


if __name__ == "__main__":
    if connection.vendor != "postgresql":
        sys.exit("Needs PostgreSQL: set DATABASE_URL=postgres://…")
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000,
        float(sys.argv[2]) if len(sys.argv) > 2 else 4.0,
    )
