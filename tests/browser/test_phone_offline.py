"""The phone form without a connection: a real server that is killed, a browser that is closed.

Chromium at 390 px with a profile on disk; the answers are read from the database.
"""

import io
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from PIL import Image

from tests.browser.phone import (
    READY,
    Phone,
    Server,
    big_photo,
    fill_step,
    order_path,
    phone_of,
    serving,
    settled,
    shoot,
    small_photo,
    take_along,
    wait_text,
)
from tests.factories.procedures import in_use
from tests.factories.register import SiteFactory
from tests.factories.work import Job, WorkOrderFactory
from tests.journeys.processes import wait_until
from valvecare.core.pictures import media_root
from valvecare.models import FunctionTest, Gate, Photo, TakenAlong, WorkOrder
from valvecare.work.actions.start import start as begin
from valvecare.work.rules import GateKind

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

KEPT_PATHS = """async () => {
    const paths = [];
    for (const name of await caches.keys()) {
        const cache = await caches.open(name);
        for (const one of await cache.keys()) paths.push(new URL(one.url).pathname);
    }
    return paths;
}"""


@pytest.fixture
def job() -> Job:
    site = SiteFactory(code="NH", time_zone="Europe/Oslo")
    order = WorkOrderFactory(valve__pump__group__site=site, kind="function test")
    return Job(site, order).to_readied()


@pytest.fixture
def server(job: Job, tmp_path: Path, settings: Any) -> Iterator[Server]:
    settings.VALVECARE = {"MEDIA_ROOT": str(tmp_path / "media")}
    with serving(tmp_path / "media") as server:
        yield server


@pytest.fixture
def phone(server: Server, job: Job, tmp_path: Path) -> Iterator[Phone]:
    with phone_of(job.technician, server, tmp_path / "profile") as phone:
        yield phone


AS_FOUND = {"words": "Bypass line warm.", "grade": "as expected"}
TEST = {
    "method": "flow meter",
    "bypass_flow_m3_per_h": "29,4",
    "uncertainty_percent": "5",
    "required_m3_per_h": "27",
}


def test_a_whole_function_test_with_the_network_cut_in_the_middle(
    phone: Phone, server: Server, job: Job
) -> None:
    take_along(phone, job)
    assert TakenAlong.objects.filter(order=job.order, back_at=None).count() == 1
    assert "Accepted" in fill_step(phone, "Start", {})

    server.kill()
    text = phone.look(order_path(job) + "whole/")  # from the copy on the phone
    assert "No connection: this page is as it was" in wait_text(phone, "No connection")
    assert "Every step to the close" in text
    began = time.monotonic()
    words = fill_step(phone, "As found", AS_FOUND, [big_photo()])
    queued_s = time.monotonic() - began
    assert "On this phone, waiting to send" in words
    assert "waiting to send" in fill_step(phone, "Function test", TEST)

    phone.close()  # the battery is taken out
    phone.open()
    assert "2 waiting to send" in phone.look("/at-the-valve/on-this-phone/")
    kept = [entry for entry in phone.entries() if entry["state"] != "accepted"]
    assert [entry["state"] for entry in kept] == ["waiting", "waiting"]

    server.start()
    settled(phone, 3)
    photo = Photo.objects.get()
    stored = (media_root() / photo.file).read_bytes()
    assert stored[:3] == b"\xff\xd8\xff"
    assert max(photo.width, photo.height) == 1600
    assert not Image.open(io.BytesIO(stored)).getexif()
    assert Gate.objects.filter(order=job.order, kind=GateKind.AS_FOUND.value).count() == 1
    assert FunctionTest.objects.filter(valve=job.order.valve).count() == 1
    assert WorkOrder.objects.get(pk=job.order.pk).state == "proven"
    gate = Gate.objects.get(order=job.order, kind=GateKind.AS_FOUND.value)
    assert gate.at < gate.recorded_at  # done when it was written, not when it was sent
    phone.do(lambda: phone.page.evaluate("() => PhoneOutbox.flush()"))
    wait_until(
        lambda: not TakenAlong.objects.filter(order=job.order, back_at=None).exists(),
        20,
        "the planner sees that nothing is left on the phone",
    )
    sys.stdout.write(f"\nphotograph of {len(big_photo()['buffer']) / 1e6:.1f} MB queued in ")
    sys.stdout.write(f"{queued_s:.2f} s, {len(stored) // 1000} kB kept; lost 0, doubled 0 of 3\n")


def test_a_page_never_opened_says_so(phone: Phone, server: Server, job: Job) -> None:
    take_along(phone, job)
    server.kill()

    def run() -> str:
        phone.page.goto("/valves/987654/")
        return phone.page.inner_text("body")

    assert "This page was never opened on this phone" in phone.do(run)


def test_a_start_without_a_connection_brings_its_steps_when_it_is_accepted(
    phone: Phone, server: Server, job: Job
) -> None:
    in_use(site=job.site)
    WorkOrder.objects.filter(pk=job.order.pk).update(procedure=None)
    take_along(phone, job)
    whole = order_path(job) + "whole/"
    phone.do(lambda: phone.context.set_offline(True))
    assert "waiting to send" in fill_step(phone, "Start", {})
    shoot(phone, "start kept on the phone")
    phone.do(lambda: phone.context.set_offline(False))  # nobody reloads the page
    assert "Tag, plate and order agree." in wait_text(phone, "Tag, plate and order agree")
    shoot(phone, "the steps came by themselves")
    server.kill()  # the copy on the phone has them too
    assert "Tag, plate and order agree." in phone.look(whole)
    phone.do(lambda: phone.page.wait_for_timeout(500))
    [entry] = phone.entries()
    assert (entry["state"], entry["more"], entry["steps"]) == ("accepted", False, whole)
    server.start()
    phone.look("/at-the-valve/on-this-phone/")
    wait_text(phone, "Its steps")
    shoot(phone, "its steps on the list")


def test_steps_that_come_while_somebody_types_wait_for_them(
    phone: Phone, server: Server, job: Job
) -> None:
    in_use(site=job.site)
    WorkOrder.objects.filter(pk=job.order.pk).update(procedure=None)
    take_along(phone, job)
    phone.do(lambda: phone.context.set_offline(True))
    fill_step(phone, "Start", {})
    field = 'form[action$="/as-found/"] [name="words"]'

    def type_on() -> str:
        form = phone.page.locator(field)
        form.evaluate("field => { field.closest('details').open = true; field.focus(); }")
        form.press_sequentially("Bypass line w")
        phone.context.set_offline(False)
        phone.page.get_by_text("the order now has the steps of its procedure").wait_for()
        form.press_sequentially("arm")
        return form.input_value()

    assert phone.do(type_on) == "Bypass line warm"
    shoot(phone, "the steps wait")

    def show() -> None:
        phone.page.get_by_role("button", name="Show its steps").click()
        phone.page.get_by_text("Tag, plate and order agree").first.wait_for()
        phone.page.wait_for_function(READY)

    phone.do(show)
    typed = phone.do(lambda: phone.page.locator(field).input_value())
    assert typed == "Bypass line warm"


def test_a_lost_answer_is_asked_for_again_and_nothing_is_doubled(
    phone: Phone, server: Server, job: Job
) -> None:
    take_along(phone, job)
    lost = []

    def swallow(route: Any) -> None:
        """Let the request reach the server, then lose its answer; once."""
        if route.request.method == "POST" and not lost:
            lost.append(route.fetch().status)
            route.abort()
        else:
            route.continue_()

    phone.do(lambda: phone.context.route("**/start/", swallow))
    assert "waiting to send" in fill_step(phone, "Start", {})
    assert lost == [200]
    assert WorkOrder.objects.get(pk=job.order.pk).state == "under way"
    version = WorkOrder.objects.get(pk=job.order.pk).version
    assert "Accepted" in fill_step(phone, "As found", AS_FOUND)
    entries = settled(phone, 2)
    assert [entry["state"] for entry in entries] == ["accepted", "accepted"]
    assert entries[0]["tries"] == 2
    assert WorkOrder.objects.get(pk=job.order.pk).version == version + 1


def test_somebody_else_was_faster_both_sides_are_shown(
    phone: Phone, server: Server, job: Job
) -> None:
    start(job)
    take_along(phone, job)
    job.as_found(grade=None)  # another technician, on another phone
    words = fill_step(phone, "Function test", TEST)
    assert "See both sides" in words
    text = phone.look("/at-the-valve/on-this-phone/")
    text = wait_text(phone, "changed by somebody else")
    assert "1 entry needs you" in text
    assert "29,4" in text  # mine
    assert "Held pressure, bypass line warm." in text  # theirs
    assert FunctionTest.objects.count() == 0
    phone.do(lambda: phone.page.get_by_role("button", name=re.compile("Keep mine")).click())
    settled(phone, 1)
    assert FunctionTest.objects.count() == 1
    assert WorkOrder.objects.get(pk=job.order.pk).as_found_words.startswith("Held pressure")


def test_the_same_step_overtaken_is_chosen_field_by_field(
    phone: Phone, server: Server, job: Job
) -> None:
    """S-27 after a refused entry: both sides per field, a choice for each, nothing lost."""
    start(job)
    take_along(phone, job)
    job.as_found()  # another technician records the same step, in other words
    mine = {"words": "Bypass line cold.", "grade": "worse"}
    assert "See both sides" in fill_step(phone, "As found", mine, [small_photo()])
    phone.look("/at-the-valve/on-this-phone/")
    wait_text(phone, "changed by somebody else")

    def choose(words: str, side: str) -> None:
        field = phone.page.locator("fieldset", has=phone.page.get_by_text(words, exact=True))
        field.get_by_label(re.compile(side)).check()

    def send() -> str:
        phone.page.get_by_role("button", name=re.compile("Send as chosen")).click()
        return phone.page.locator("article .wrong").inner_text()

    said = "Choose yours or theirs: What was read or seen before anything was changed, As-found"
    assert said in phone.do(send)
    assert "Held pressure, bypass line warm." in phone.do(lambda: phone.page.inner_text("main"))
    phone.do(choose, "What was read or seen before anything was changed", "Yours")
    phone.do(choose, "As-found grade", "Theirs")
    shoot(phone, "both sides")
    phone.do(lambda: phone.page.get_by_role("button", name=re.compile("Send as chosen")).click())
    settled(phone, 1)
    order = WorkOrder.objects.get(pk=job.order.pk)
    assert (order.as_found_words, order.as_found) == ("Bypass line cold.", "as expected")
    assert Photo.objects.count() == 1


def start(job: Job) -> None:
    job.do(begin)


def test_a_refused_entry_is_kept_with_the_servers_words_and_corrected(
    phone: Phone, server: Server, job: Job
) -> None:
    start(job)
    take_along(phone, job)
    words = fill_step(phone, "As found", {"words": "Stuck.", "grade": "failed"})
    assert "Refused. It stays on this phone" in words
    wait_text(phone, "1 entry needs you")
    phone.look("/at-the-valve/on-this-phone/")

    def correct() -> str:
        phone.page.get_by_role("link", name="Open and correct").click()
        phone.page.wait_for_url("**/whole/#entry-*")
        phone.page.wait_for_function(READY)
        return phone.page.locator('form[data-step="As found"] [name="words"]').input_value()

    assert phone.do(correct) == "Stuck."
    assert "Accepted" in fill_step(phone, "As found", {"grade": "as expected"})
    assert len(phone.entries()) == 1
    assert WorkOrder.objects.get(pk=job.order.pk).as_found == "as expected"


def test_what_is_typed_is_there_after_a_reload(phone: Phone, server: Server, job: Job) -> None:
    start(job)
    take_along(phone, job)
    field = 'form[data-step="As found"] [name="words"]'

    def type_and_reload() -> str:
        phone.page.locator("details", has=phone.page.locator(field)).locator("> summary").click()
        phone.page.fill(field, "Half a sentence")
        phone.page.wait_for_timeout(300)
        phone.page.reload()
        phone.page.wait_for_function(READY)
        return phone.page.input_value(field)

    assert phone.do(type_and_reload) == "Half a sentence"
    assert "Accepted" in fill_step(phone, "As found", {"grade": "as expected"})
    phone.look(order_path(job))
    assert (
        phone.do(
            lambda: phone.page.evaluate(
                "PhoneStore.draft(`${document.getElementById('phone').dataset.user}:x`)"
            )
        )
        is None
    )


def test_signing_out_warns_and_another_person_cannot_send(
    phone: Phone, server: Server, job: Job
) -> None:
    start(job)
    take_along(phone, job)
    server.kill()
    assert "waiting to send" in fill_step(phone, "As found", AS_FOUND)
    said: list[str] = []

    def sign_out(accept: bool) -> None:
        phone.page.once(
            "dialog",
            lambda box: (said.append(box.message), box.accept() if accept else box.dismiss()),
        )
        phone.page.get_by_role("button", name="Menu").click()
        phone.page.get_by_role("button", name="Sign out").click()
        phone.page.wait_for_timeout(500)

    phone.do(sign_out, False)
    assert "1 entry is on this phone and not in the record" in said[0]
    server.start()

    other = Client()
    other.force_login(job.planner)
    phone.session = other.cookies["sessionid"].value

    def change() -> None:
        cookie = {"name": "sessionid", "value": phone.session, "url": server.url}
        phone.context.add_cookies([cookie])

    phone.do(change)
    phone.look("/at-the-valve/on-this-phone/")
    phone.do(lambda: phone.page.evaluate("PhoneOutbox.flush()"))
    text = wait_text(phone, "can send this")
    assert f"Only {job.technician.get_username()} can send this" in text
    assert Gate.objects.count() == 0
    assert [entry["state"] for entry in phone.entries()] == ["waiting"]


def test_without_a_session_the_entry_stays_and_says_sign_in_again(
    phone: Phone, server: Server, job: Job
) -> None:
    start(job)
    take_along(phone, job)
    phone.do(lambda: phone.context.clear_cookies())
    assert "waiting to send" in fill_step(phone, "As found", AS_FOUND)
    assert "Sign in again to send" in wait_text(phone, "Sign in again")
    assert Gate.objects.count() == 0
    kept = phone.do(lambda: phone.page.evaluate(KEPT_PATHS))
    assert [path for path in kept if "login" in path] == []
