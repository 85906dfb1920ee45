"""What all tests share: only loopback, one database chosen by DATABASE_URL, real parts by env.

Without DATABASE_URL the suite runs on SQLite. Tests marked `postgres` need DATABASE_URL to name
PostgreSQL, `redis` need REDIS_TEST_URL, `browser` need Chromium; each is skipped with a stated
reason when its part is absent. `.ci/run` makes all of them present.
"""

import os
import shutil
import sys
from collections.abc import Callable

import pytest
from django.db import connection
from pytest_socket import socket_allow_hosts

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")


def pytest_runtest_setup(item: pytest.Item) -> None:
    socket_allow_hosts(["127.0.0.1", "::1", "localhost"], allow_unix_socket=True)
    if item.get_closest_marker("postgres") and connection.vendor != "postgresql":
        pytest.skip("needs PostgreSQL: set DATABASE_URL=postgres://…")
    if item.get_closest_marker("redis") and not os.environ.get("REDIS_TEST_URL"):
        pytest.skip("needs Redis: set REDIS_TEST_URL=redis://127.0.0.1:6379/15")
    if item.get_closest_marker("browser") and not CHROMIUM:
        pytest.skip("needs Chromium: install the Debian package chromium or set CHROMIUM")


@pytest.fixture
def figure(record_property: Callable[[str, object], None]) -> Callable[..., None]:
    """`figure("S-15", "lost", 0, 1_000)`: promise, what is counted, how many, of how many.

    Printed, and kept in the test report.
    """

    def tell(promise: str, words: str, count: object, of: object) -> None:
        record_property(promise, f"{words}: {count} of {of}")
        sys.stdout.write(f"{promise} {words}: {count} of {of}\n")

    return tell
