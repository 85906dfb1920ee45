"""A real server that can be killed and a phone: Chromium at 390 px with a profile on disk."""

import io
import json
import os
import re
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from PIL import Image

from tests.browser.conftest import ARGS
from tests.conftest import CHROMIUM
from tests.factories.work import Job
from tests.journeys.processes import ROOT, free_port, wait_until

PHONE = {"width": 390, "height": 844}
READY = "() => document.documentElement.dataset.phone === 'ready'"
SERVE = """
import os, sys
from django.conf import settings
sys.modules.setdefault("pytest", sys)  # the settings of the tests
import django
django.setup()
settings.DATABASES["default"]["NAME"] = os.environ["TEST_NAME"]
from django.db import connections
connections["default"].settings_dict["NAME"] = os.environ["TEST_NAME"]
settings.VALVECARE = {**settings.VALVECARE, "MEDIA_ROOT": os.environ["TEST_MEDIA"], "WAKER": ""}
from django.contrib.staticfiles.handlers import StaticFilesHandler
from django.core.servers.basehttp import ThreadedWSGIServer, WSGIRequestHandler
from django.core.wsgi import get_wsgi_application
WSGIRequestHandler.log_message = lambda *words: None
server = ThreadedWSGIServer(("127.0.0.1", int(os.environ["TEST_PORT"])), WSGIRequestHandler)
server.set_app(StaticFilesHandler(get_wsgi_application()))
server.serve_forever()
"""


class Server:
    """One server process on the test's own database; `kill` is kill -9."""

    def __init__(self, media: Path) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.env = {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "valvecare.project.settings",
            "TEST_NAME": str(connection.settings_dict["NAME"]),
            "TEST_MEDIA": str(media),
            "TEST_PORT": str(self.port),
        }
        self.process: subprocess.Popen | None = None

    def start(self) -> None:
        self.process = subprocess.Popen([sys.executable, "-c", SERVE], env=self.env, cwd=ROOT)
        wait_until(
            lambda: urllib.request.urlopen(f"{self.url}/livez", timeout=2).status == 200,
            60,
            "the server answers",
        )

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None


@dataclass
class Phone:
    """A browser with a profile on disk, driven in a thread of its own."""

    thread: ThreadPoolExecutor
    playwright: Any
    folder: Path
    server: Server
    session: str
    context: Any = None

    def do(self, steps: Callable[..., Any], *args: Any) -> Any:
        return self.thread.submit(steps, *args).result()

    def open(self) -> None:
        def run() -> None:
            self.context = self.playwright.chromium.launch_persistent_context(
                str(self.folder),
                executable_path=CHROMIUM,
                args=list(ARGS),
                viewport=PHONE,
                base_url=self.server.url,
            )
            self.context.set_default_timeout(15_000)
            cookie = {"name": "sessionid", "value": self.session, "url": self.server.url}
            self.context.add_cookies([cookie])

        self.do(run)

    def close(self) -> None:
        def run() -> None:
            if self.context is not None:
                self.context.close()
                self.context = None

        self.do(run)

    @property
    def page(self) -> Any:
        return self.context.pages[0]

    def entries(self) -> list[dict[str, Any]]:
        return self.do(lambda: self.page.evaluate("PhoneStore.all()"))

    def look(self, path: str) -> str:
        """Open a page and wait until the script has joined it; returns its text."""

        def run() -> str:
            self.page.goto(path)
            self.page.wait_for_function(READY)
            return self.page.inner_text("body")

        return self.do(run)


@contextmanager
def serving(media: Path) -> Iterator[Server]:
    """A server on the test's database until the block ends."""
    server = Server(media)
    server.start()
    try:
        yield server
    finally:
        server.kill()


@contextmanager
def phone_of(person: Any, server: Server, folder: Path) -> Iterator[Phone]:
    """The phone of this person, signed in."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    client = Client()
    client.force_login(person)
    with ThreadPoolExecutor(1, thread_name_prefix="phone") as thread:
        playwright = thread.submit(sync_api.sync_playwright().start).result()
        session = client.cookies["sessionid"].value
        phone = Phone(thread, playwright, folder, server, session)
        try:
            phone.open()
            yield phone
        finally:
            phone.close()
            thread.submit(playwright.stop).result()


def shoot(phone: Phone, name: str) -> None:
    """A picture of what the phone shows, where SHOTS names a folder; else nothing."""
    if "SHOTS" in os.environ:
        folder = Path(os.environ["SHOTS"])
        folder.mkdir(parents=True, exist_ok=True)
        number = len(list(folder.glob("*.png"))) + 1
        path = str(folder / f"{number:02d} {name}.png")
        phone.do(lambda: phone.page.screenshot(path=path))


def order_path(job: Job) -> str:
    return f"/at-the-valve/work-orders/{job.order.pk}/"


def take_along(phone: Phone, job: Job) -> None:
    """First visit, so that the worker is there; then 'Take along'."""
    phone.look("/at-the-valve/")
    phone.do(lambda: phone.page.evaluate("navigator.serviceWorker.ready.then(() => true)"))
    phone.do(
        lambda: phone.page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    )
    phone.look(order_path(job))

    def run() -> None:
        phone.page.get_by_role("button", name="Take along").click()
        phone.page.wait_for_url("**/whole/")
        phone.page.wait_for_function(READY)

    phone.do(run)


def fill_step(
    phone: Phone, step: str, fields: dict[str, Any], files: Any = None, *, form: str = ""
) -> str:
    """Fill the form of one step on the open page and send it; returns the answer's words.

    `form`: a selector, where the step's heading does not name it. A list of values is ticked.
    """
    where = form or f'form[data-step="{step}"]'

    def run() -> str:
        form = phone.page.locator(where)
        form.evaluate("form => { const box = form.closest('details'); if (box) box.open = true; }")
        for name, value in fields.items():
            field = form.locator(f'[name="{name}"]')
            if isinstance(value, list):
                for one in value:
                    form.locator(f'[name="{name}"][value="{one}"]').check()
            elif field.evaluate("field => field.tagName") == "SELECT":
                field.select_option(value)
            else:
                field.fill(value)
        if files:
            form.locator('[name="photos"]').set_input_files(files)
        form.locator('button[type="submit"]').click()
        answer = form.locator(".phone-answer")
        answer.wait_for(state="attached")  # a step that is done folds itself
        return answer.text_content()

    return phone.do(run)


def settled(phone: Phone, wanted: int, state: str = "accepted") -> list[dict[str, Any]]:
    """Wait until so many entries are in this state."""
    end = time.monotonic() + 40
    while time.monotonic() < end:
        entries = phone.entries()
        if sum(entry["state"] == state for entry in entries) >= wanted:
            return entries
        phone.do(lambda: phone.page.evaluate("PhoneOutbox.flush()"))
        time.sleep(0.3)
    raise AssertionError(json.dumps(phone.entries(), default=str)[:2000])


def small_photo() -> dict[str, Any]:
    out = io.BytesIO()
    Image.new("RGB", (320, 240), "grey").save(out, "JPEG")
    return {"name": "small.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


def big_photo() -> dict[str, Any]:
    out = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    Image.effect_noise((4000, 3000), 80).convert("RGB").save(out, "JPEG", quality=60, exif=exif)
    return {"name": "IMG 1.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


def wait_text(phone: Phone, words: str) -> str:
    def run() -> str:
        phone.page.get_by_text(re.compile(words)).first.wait_for()
        return phone.page.inner_text("body")

    return phone.do(run)
