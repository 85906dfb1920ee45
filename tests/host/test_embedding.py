"""The app in a host that differs wherever it may: people, prefix, namespace, look, admin."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PLAIN = {"offline/"}
"""Kept on the phone for when there is no network: it has no menu and no band."""


def host(folder: Path, *words: str, options: dict | None = None) -> subprocess.CompletedProcess:
    keep = {name: os.environ[name] for name in ("PATH", "HOME", "TMPDIR") if name in os.environ}
    env = keep | {
        "DJANGO_SETTINGS_MODULE": "tests.host.settings",
        "HOST_DATABASE": str(folder / "host.sqlite3"),
        "HOST_OPTIONS": json.dumps(options or {}),
    }
    return subprocess.run(
        [sys.executable, "-W", "error::DeprecationWarning", "-m", *words],
        cwd=ROOT,
        env=env,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("host")


@pytest.fixture(scope="module")
def seen(folder):
    """What the host's pages and API answered, after its migrate."""
    migrated = host(folder, "django", "migrate", "--verbosity", "0")
    assert migrated.returncode == 0, migrated.stderr[-3000:]
    probed = host(folder, "tests.host.probe")
    assert probed.returncode == 0, probed.stderr[-3000:]
    return json.loads(probed.stdout.splitlines()[-1])


def test_the_host_checks_clean(folder):
    done = host(folder, "django", "check", "--fail-level", "WARNING")
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"JOB_LEASE": 60}, "Unknown option VALVECARE['JOB_LEASE']"),
        ({"JOB_LEASE_S": "long"}, "VALVECARE['JOB_LEASE_S'] must be int"),
    ],
)
def test_a_wrong_option_stops_the_host_at_start(folder, options, words):
    done = host(folder, "django", "check", options=options)
    assert done.returncode != 0
    assert "valvecare.E001" in done.stderr
    assert words in done.stderr


def test_every_page_answers_under_the_prefix_in_the_look_of_the_host(seen):
    pages = seen["pages"]
    wrong = {
        route: (status, in_look)
        for route, (status, in_look) in pages.items()
        # 405: takes a POST only; 404: a look-up without what to look for
        if status not in (200, 404, 405) or (status == 200 and in_look is False)
    }
    assert {route for route in wrong if route not in PLAIN} == set()
    assert sum(status == 200 and bool(in_look) for status, in_look in pages.values()) > 15


def test_the_api_answers_under_the_prefix(seen):
    assert seen["problems"] == {
        "anonymous": [401, "application/problem+json"],
        "nothing there": [404, "application/problem+json"],
        "bogus token": [401, "application/problem+json"],
    }
    (job,), (due,) = seen["job_urls"], seen["due_urls"]
    assert job.startswith("/plant/valves/api/v1/work-orders/")
    assert "/plant/valves/api/v1/due/" in due
    assert all(path.startswith("/plant/valves/api/") for path in seen["schema_paths"])
    assert seen["reversed"] == ["/plant/valves/", "/plant/valves/api/v1/due-jobs"]


def test_people_with_a_uuid_and_no_login_name_are_the_authors(seen):
    assert seen["agreed"] == 200
    assert seen["event_by"] == ["planner@example.invalid", True]


def test_jobs_run_without_celery_settings(seen):
    assert (seen["sweep"]["judged"], seen["sweep"]["raised"], seen["verdicts"]) == (1, 1, 1)


def test_the_admin_is_mixed_and_every_list_opens(seen):
    assert seen["admin_is_mixed"]
    assert len(seen["admin"]) > 10
    assert {name: status for name, status in seen["admin"].items() if status != 200} == {}
