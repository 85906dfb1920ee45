"""One headless Chromium for the session, driven in a thread of its own; a plant for each test.

The driver keeps an event loop in its thread; in the test's thread Django would refuse queries.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import pytest

from tests.browser.scene import Scene, build
from tests.conftest import CHROMIUM

ARGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)


@dataclass(frozen=True)
class Driver:
    """`look(steps, **options)` runs `steps(page)` in a fresh context and returns its answer."""

    thread: ThreadPoolExecutor
    browser: Any

    def look(
        self, steps: Callable[[Any], Any], *, url: str, session: str = "", **options: Any
    ) -> Any:
        def run() -> Any:
            context = self.browser.new_context(base_url=url, **options)
            try:
                if session:
                    cookie = {"name": "sessionid", "value": session, "url": url}
                    context.add_cookies([cookie])
                return steps(context.new_page())
            finally:
                context.close()

        return self.thread.submit(run).result()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Driver]:
    sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    with ThreadPoolExecutor(1, thread_name_prefix="chromium") as thread:
        starter = sync_api.sync_playwright()
        playwright = thread.submit(starter.start).result()
        browser = thread.submit(
            playwright.chromium.launch, executable_path=CHROMIUM, args=list(ARGS)
        ).result()
        yield Driver(thread, browser)
        thread.submit(browser.close).result()
        thread.submit(playwright.stop).result()


@pytest.fixture
def scene(transactional_db: None) -> Scene:
    return build()
