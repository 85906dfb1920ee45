"""Small print of the outbox in Chromium: two tabs, a new token, drafts, every page, install."""

from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse

from tests.browser.phone import (
    READY,
    Phone,
    Server,
    fill_step,
    order_path,
    phone_of,
    serving,
    settled,
    take_along,
)
from tests.browser.scene import pages
from tests.factories.register import SiteFactory
from tests.factories.work import Job, WorkOrderFactory
from valvecare.models import Gate, TakenAlong, WorkOrder
from valvecare.work.actions.start import start

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

FILL_ALL = """() => {
    for (const field of document.querySelectorAll('form[data-step] [name]')) {
        if (field.type === 'hidden' || field.type === 'file') continue;
        if (field.type === 'checkbox') field.checked = true;
        else if (field.tagName === 'SELECT') field.selectedIndex = field.options.length - 1;
        else if (field.type === 'datetime-local') field.value = '2026-05-04T10:00';
        else field.value = field.inputMode === 'decimal' ? '1,5' : 'typed';
        field.dispatchEvent(new Event('input', { bubbles: true }));
    }
}"""
TYPED = """() => [...document.querySelectorAll('form[data-step]')].map((form) =>
    [...new FormData(form)].filter(([name, value]) => typeof value === 'string'
        && !['csrfmiddlewaretoken', 'version', 'idempotency_key'].includes(name)))"""


@pytest.fixture
def job() -> Job:
    site = SiteFactory(code="NH", time_zone="Europe/Oslo")
    job = Job(site, WorkOrderFactory(valve__pump__group__site=site)).to_readied()
    job.do(start)
    return job


def test_the_small_print_of_the_outbox(job: Job, tmp_path: Path, settings: Any) -> None:
    settings.VALVECARE = {"MEDIA_ROOT": str(tmp_path / "media")}
    with (
        serving(tmp_path / "media") as server,
        phone_of(job.technician, server, tmp_path / "profile") as phone,
    ):
        take_along(phone, job)
        can_be_installed(phone)
        every_field_is_a_draft(phone, job)
        two_tabs_send_once(phone, server, job)
        the_planner_hears_the_phone(phone, job)


def test_after_a_step_the_page_begins_at_the_next(job: Job, tmp_path: Path) -> None:
    with (
        serving(tmp_path / "media") as server,
        phone_of(job.technician, server, tmp_path / "profile") as phone,
    ):
        the_next_step_is_in_sight(phone, job)


def can_be_installed(phone: Phone) -> None:
    """Chromium's own word: no error in the manifest, nothing against the home screen."""

    def ask() -> tuple[Any, Any]:
        tools = phone.context.new_cdp_session(phone.page)
        manifest = tools.send("Page.getAppManifest")
        return manifest["errors"], tools.send("Page.getInstallabilityErrors")[
            "installabilityErrors"
        ]

    assert phone.do(ask) == ([], [])


def the_next_step_is_in_sight(phone: Phone, job: Job) -> None:
    """After a step nobody has to scroll past the head of the page to go on."""
    place = "document.getElementById('next').getBoundingClientRect().top"

    def send() -> tuple[float, float]:
        before = phone.page.evaluate(place)
        with phone.page.expect_navigation():
            phone.page.click("#next button[type=submit]")
        phone.page.wait_for_function(READY)
        return before, phone.page.evaluate(place)

    phone.look(order_path(job))
    before, after = phone.do(send)
    assert before > 300
    assert after == pytest.approx(0, abs=2)


def every_field_is_a_draft(phone: Phone, job: Job) -> None:
    """Type into every field of every step, reload: all of it is there."""

    def walk() -> tuple[Any, Any]:
        phone.page.evaluate(FILL_ALL)
        before = phone.page.evaluate(TYPED)
        phone.page.wait_for_timeout(400)
        phone.page.reload()
        phone.page.wait_for_function(READY)
        return before, phone.page.evaluate(TYPED)

    before, after = phone.do(walk)
    assert sum(len(form) for form in before) > 100
    assert after == before
    phone.do(lambda: phone.page.evaluate("indexedDB.deleteDatabase('valvecare') && 0"))
    phone.look(order_path(job) + "whole/")


def two_tabs_send_once(phone: Phone, server: Server, job: Job) -> None:
    """Two entries wait; the count stands on every page; then both tabs send at once."""
    posts: list[str] = []

    def watch() -> None:
        phone.context.route("**/identity/", lambda route: route.abort())
        phone.context.route("**/gates/", lambda route: route.abort())

    phone.do(watch)
    fill_step(phone, "Confirm identity", {"text": job.order.valve.tag})
    fill_step(phone, "Next gate: isolated", {})
    assert [entry["state"] for entry in phone.entries()] == ["waiting", "waiting"]

    plain = [name for name, count in pages().items() if not count]
    shown = {
        name: phone.do(lambda: phone.page.inner_text("#phone"))
        for name in plain
        if phone.do(opened, phone, reverse(f"valvecare:{name}"))
    }
    assert [name for name, words in shown.items() if "2 waiting to send" not in words] == []
    assert len(shown) > 10

    def both() -> None:
        phone.context.clear_cookies(name="csrftoken")  # the token of every open page is old now
        phone.context.on(  # what is still stopped on its way never finishes
            "requestfinished", lambda one: posts.append(one.url) if one.method == "POST" else None
        )
        other = phone.context.new_page()
        other.goto(reverse("valvecare:on-this-phone"))
        other.wait_for_function(READY)
        phone.context.unroute("**/identity/")
        phone.context.unroute("**/gates/")
        for page in (phone.page, other):
            page.evaluate("() => { PhoneOutbox.flush(); PhoneOutbox.flush(); }")
        other.wait_for_timeout(1_500)
        other.close()

    version = WorkOrder.objects.get(pk=job.order.pk).version
    phone.look(order_path(job))
    phone.do(both)
    settled(phone, 2)
    sent = [url for url in posts if "brought-back" not in url]
    assert sorted(url.rstrip("/").rsplit("/", 1)[1] for url in sent) == ["gates", "identity"]
    assert Gate.objects.filter(order=job.order).count() == 2
    assert WorkOrder.objects.get(pk=job.order.pk).version == version + 2


def opened(phone: Phone, path: str) -> bool:
    """Open a page; false where it is none with the phone's line (the offline page)."""
    phone.page.goto(path)
    if not phone.page.locator("#phone").count():
        return False
    phone.page.wait_for_function("() => document.documentElement.dataset.phone === 'ready'")
    phone.page.wait_for_timeout(150)
    return True


def the_planner_hears_the_phone(phone: Phone, job: Job) -> None:
    """Any page with a connection tells the planner that the phone was heard."""
    take_along(phone, job)
    row = TakenAlong.objects.get(order=job.order, back_at=None)
    phone.look("/at-the-valve/")
    phone.do(lambda: phone.page.evaluate("PhoneOutbox.flush()"))
    again = TakenAlong.objects.get(pk=row.pk)
    assert again.at == row.at
    assert again.heard_at > row.heard_at
