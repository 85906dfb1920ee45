"""The installed program as a plant runs it, not as tests do: a phone goes on without a network.

Static files have hashed names there, and a page is an error where one is missing.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.journeys.processes import PASSWORD, embedded

pytestmark = pytest.mark.browser

READY = """() => Promise.race([
    navigator.serviceWorker.controller || new Promise((done) => {
        navigator.serviceWorker.addEventListener('controllerchange', () => done(true));
    }),
    new Promise((_, fail) => { setTimeout(fail, 20000, new Error('no worker took over')); }),
]).then(() => true)"""


def test_a_page_opened_before_is_shown_without_a_network(chromium: Any, tmp_path: Path) -> None:
    with embedded(tmp_path) as installation:
        installation.manage(
            "createsuperuser", "--noinput", "--username", "admin", "--email", "a@example.invalid"
        )
        installation.start_web()

        def visit(page: Any) -> tuple[str, str, str]:
            page.goto("/login/")
            page.fill("[name=username]", "admin")
            page.fill("[name=password]", PASSWORD)
            page.click("main button[type=submit]")
            page.goto("/at-the-valve/")
            page.evaluate(READY)
            page.goto("/at-the-valve/")
            styled = "getComputedStyle(document.querySelector('h1')).fontWeight"
            with_network = page.evaluate(styled)
            page.context.set_offline(True)
            page.goto("/at-the-valve/")
            kept = page.inner_text("h1")
            without_network = page.evaluate(styled)
            page.goto("/plan/")
            assert without_network == with_network, "the copy lost its style sheet"
            return kept, page.inner_text("h1"), page.url

        kept, offline, url = chromium.look(
            visit, url=installation.url, viewport={"width": 390, "height": 844}
        )
        assert kept == "At the valve"
        assert url.endswith("/plan/")
        assert offline != "Plan", "a page never opened is not made up"
        assert "Traceback" not in installation.log_of("web")
