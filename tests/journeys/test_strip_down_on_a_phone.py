"""One full strip-down of the invented plant on a phone, everything that can break broken once.

Chromium at 390 px, a real server on the test's database: no network (as the browser's own tools
cut it), the browser closed and opened again, the server killed, one answer lost. The default
procedure leads the job: each of its steps is answered on the phone, and a second person looks at
its hold points in a session of their own. What was written is then counted in the tables: 0 lost,
0 doubled, photographs included. Set SHOTS to a folder for a picture of every step.
"""

import sys
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth import get_user_model

from tests.browser.phone import (
    READY,
    Phone,
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
from tests.factories.register import PASSWORD, member
from tests.factories.work import NOW, GaugeFactory, Job, WorkOrderFactory, joint_closed
from tests.work.test_pages import act_url, signed_in, text_of
from valvecare.core.permits import Role
from valvecare.models import (
    Event,
    Finding,
    FunctionTest,
    Gate,
    Lot,
    PartUsed,
    Photo,
    ProtectionValve,
    Signature,
    StepRecord,
    TakenAlong,
    WorkOrder,
)
from valvecare.parts.actions import issue, reserve
from valvecare.project.demo import stock, world
from valvecare.register.actions import make_label
from valvecare.register.reads import live_labels
from valvecare.register.rules import LabelKind
from valvecare.work.actions.load_procedures import load_default_set
from valvecare.work.reads import facts_of, order_card, verify_signature
from valvecare.work.rules import PartName

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

VALVE = "AF-FW-1V"
SOUND = {
    "measured_seat_depth": "0,02",
    "measured_metal_removed": "0",
    "measured_contact_ring": "yes",
    "measured_clearance": "0.31",
    "measured_free_length": "149.2",
}
"""Inside the limits of the invented design."""
WORN = {"measured_seat_depth": "0,08", "measured_metal_removed": "0"}
"""A wire-drawn seat: beyond the reuse depth of 0.05 mm, within what lapping may take."""


LAPPED = {"measured_metal_removed": "0,05"}


class Walk:
    """The steps of one order on one phone, each photographed when somebody wants to look."""

    def __init__(self, phone: Phone, job: Job) -> None:
        self.phone, self.job = phone, job
        self.given, self.photos, self.looked_on = 0, 0, 0
        self.answered: list[int] = []

    def give(
        self, verb: str, fields: dict[str, Any], *, about: str = "", photos: Any = None
    ) -> str:
        """Fill one step's form on the page of all steps; counts it and its photographs."""
        form = f'form[action$="/{verb}/"]'
        if verb == "gates":
            form += f':has(input[name="gate"][value="{about}"])'
        if verb == "steps":
            form += f':has([name="outcome_{about}"])'
        if verb == "findings":
            form += f':has(input[name="part"][value="{about}"])'
        self.phone.do(
            lambda: self.phone.page.locator(form).first.evaluate(
                "form => { const step = form.closest('details'); step.open = true;"
                " step.scrollIntoView(); }"
            )
        )
        shoot(self.phone, f"{verb} {about}".strip())
        words = fill_step(self.phone, "", fields, photos, form=f"{form} >> nth=0")
        shoot(self.phone, f"{verb} {about} answered".replace("  ", " "))
        if "Stop." not in words:
            self.given += 1
            self.photos += len(photos or [])
        return words

    def start(self) -> None:
        """The first entry; the page comes again by itself, with the steps of the procedure."""

        def run() -> None:
            with self.phone.page.expect_navigation(url="**/whole/"):
                self.phone.page.locator('form[action$="/start/"] button[type="submit"]').click()
            self.phone.page.wait_for_function(READY)

        self.phone.do(run)
        self.given += 1
        settled(self.phone, 1)

    def steps_before(self, verb: str, about: str = "") -> None:
        """Answer all open steps that stand before this form: done or read, measured where asked."""
        for numbers in self.phone.do(lambda: self._open_steps(verb, about)):
            asked = self.phone.do(lambda numbers=numbers: self._measured(numbers))
            fields = {f"outcome_{n}": "done" for n in numbers}
            for number in asked:
                fields |= {f"value_{number}": "30", f"gauge_{number}": "DG-01"}
            words = self.give("steps", fields, about=str(numbers[0]))
            assert "accepted" in words.lower() or "waiting to send" in words
            self.answered += numbers

    def _open_steps(self, verb: str, about: str) -> list[list[int]]:
        forms = self.phone.page.eval_on_selector_all(
            "form[data-step]",
            "found => found.map(form => [form.action.split('/').at(-2),"
            " form.elements.gate?.value ?? form.elements.part?.value ?? '',"
            " form.elements.numbers?.value ?? ''])",
        )
        found = []
        for name, what, numbers in forms:
            held = [int(number) for number in numbers.split(",") if number]
            if (name, what) == (verb, about):
                return found
            if name == "steps" and held[0] not in self.answered:
                found.append(held)
        assert not verb, f"no form of {verb} {about}"
        return found

    def _measured(self, numbers: list[int]) -> list[int]:
        page = self.phone.page
        return [number for number in numbers if page.locator(f'[name="value_{number}"]').count()]

    def judge(self, part: PartName, *, photos: Any = None, **more: Any) -> str:
        asked = {ask for ask in SOUND if self.asks(part, ask)}
        fields: dict[str, Any] = {name: SOUND[name] for name in asked}
        if self.asks(part, "gauge") and asked:
            fields["gauge"] = "DG-01"
        fields |= {"found": "even polish", "grade": "1", "decision": "reuse", **more}
        fields = {name: value for name, value in fields.items() if value is not None}
        return self.give("findings", fields, about=part.value, photos=photos)

    def asks(self, part: PartName, field: str) -> bool:
        form = f'form[action$="/findings/"]:has(input[name="part"][value="{part.value}"])'
        return bool(
            self.phone.do(lambda: self.phone.page.locator(f'{form} [name="{field}"]').count())
        )

    def offline(self, is_cut: bool) -> None:
        self.phone.do(lambda: self.phone.context.set_offline(is_cut))

    def lose_one_answer(self, verb: str) -> list[int]:
        """The next answer to this verb is lost after the server has given it."""
        lost: list[int] = []

        def swallow(route: Any) -> None:
            if route.request.method == "POST" and not lost:
                lost.append(route.fetch().status)
                route.abort()
            else:
                route.continue_()

        self.phone.do(lambda: self.phone.context.route(f"**/{verb}/", swallow))
        return lost


@pytest.fixture
def job(transactional_db: None) -> Job:
    """A strip-down of the invented plant, readied, with its kit handed out and a label made."""
    world.register()
    stock.fill()
    load_default_set(at=NOW - timedelta(days=30))
    keeper = get_user_model().objects.get(username="demo-admin")
    valve = ProtectionValve.objects.get(tag=VALVE)
    job = Job(valve.pump.group.site, WorkOrderFactory(valve=valve))
    lot = Lot.objects.get(kit__name="ELM160-125-soft", bin__store__site=job.site)
    reserve(job.order.pk, kit_id=lot.kit_id, actor=keeper, at=NOW)
    job.to_readied()
    issue(job.order.pk, lot.pk, actor=keeper, at=NOW)
    make_label(LabelKind.VALVE, valve.pk, actor=keeper, at=NOW)
    GaugeFactory(site=job.site)
    return job


def test_a_strip_down_on_a_phone_loses_and_doubles_nothing(
    job: Job, tmp_path: Path, settings: Any, capsys: Any
) -> None:
    settings.VALVECARE = {"MEDIA_ROOT": str(tmp_path / "media")}
    began = time.monotonic()
    with (
        serving(tmp_path / "media") as server,
        phone_of(job.technician, server, tmp_path / "profile") as phone,
    ):
        walk = Walk(phone, job)
        take_along(phone, job)
        shoot(phone, "taken along")
        first = WorkOrder.objects.get(pk=job.order.pk).version
        walk.start()

        # the network is cut: the code is compared with what was taken along
        walk.offline(True)
        walk.steps_before("identity")
        assert "Stop." in walk.give("identity", {"text": "7KQ3 9MXT"})
        code = live_labels(LabelKind.VALVE, [job.order.valve_id])[job.order.valve_id].code
        assert "waiting to send" in walk.give("identity", {"text": f"{code[:4]} {code[4:]}"})
        walk.steps_before("as-found")
        found = {"words": "Bypass line warm at full load.", "grade": "as expected"}
        assert "waiting to send" in walk.give("as-found", found, photos=[big_photo()])
        walk.steps_before("gates", "isolated")
        assert "waiting to send" in walk.give("gates", {"words": "5 locks"}, about="isolated")
        phone.close()  # the battery is taken out
        phone.open()
        walk.offline(True)
        kept = f"{walk.given - 1} waiting to send"
        assert kept in phone.look("/at-the-valve/on-this-phone/")
        shoot(phone, "on this phone after a restart")
        walk.offline(False)
        settled(phone, walk.given)
        look_on(walk)  # the isolation, before the first nut is moved

        # one answer is lost after the server has stored the step
        phone.look(order_path(job) + "whole/")
        walk.steps_before("gates", "cover released")
        lost = walk.lose_one_answer("gates")
        rods = {"rods": "long rods and clamp"}
        assert "waiting to send" in walk.give("gates", rods, about="cover released")
        assert lost == [200]

        # the server dies while parts are judged
        parts = list(facts_of(WorkOrder.objects.get(pk=job.order.pk)).parts)
        walk.steps_before("findings", parts[0].value)
        walk.judge(parts[0], photos=[small_photo(), small_photo()])
        server.kill()
        for part in parts[1:5]:
            more: dict[str, Any] = {}
            if part is PartName.BODY_SEAT:
                more = {**WORN, "found": "groove part way", "grade": "3", "decision": "lap"}
            words = walk.judge(part, photos=[small_photo()], **more)
            assert "waiting to send" in words
        phone.look(order_path(job) + "whole/")  # the copy on the phone
        wait_text(phone, "No connection")
        shoot(phone, "no connection")
        for part in parts[5:]:
            assert "waiting to send" in walk.judge(part)
        lapped = {"stage": "as left", "found": "lapped, blue even", **LAPPED}
        assert "waiting to send" in walk.judge(PartName.BODY_SEAT, **lapped)
        walk.steps_before("gates", "every part judged")
        server.start()
        settled(phone, walk.given)

        # together again, built in, closed, proven, signed
        phone.look(order_path(job) + "whole/")
        walk.give("gates", {}, about="every part judged")
        walk.steps_before("gates", "joint closed")
        settled(phone, walk.given)
        look_on(walk)  # locks new and fitted, before the cover goes on
        phone.look(order_path(job) + "whole/")
        lot = Lot.objects.get(kit__name="ELM160-125-soft", bin__store__site=job.site)
        walk.give("parts-used", {"name": "ELM160-125-soft", "lot": lot.code})
        joint = joint_closed(job.site)
        fields = {"new_gasket": "yes", "passes": list(joint["passes"])}
        fields |= {name: str(joint[name]) for name in ("lubricant", "wrench", "torque_nm")}
        walk.give("gates", fields, about="joint closed")
        walk.give("gates", {}, about="moved by hand")
        walk.steps_before("tests")
        flow = {"bypass_flow_m3_per_h": "50,3", "uncertainty_percent": "3"}
        walk.give("tests", {"method": "flow meter", **flow, "required_m3_per_h": "46.5"})
        walk.steps_before("")
        entries = settled(phone, walk.given)
        sign_and_close(walk)
        shoot(phone, "closed")

    # counted in the tables
    order = WorkOrder.objects.get(pk=job.order.pk)
    states = Counter(entry["state"] for entry in entries)
    gates = Counter(Gate.objects.filter(order=order).values_list("kind", flat=True))
    findings = Counter(Finding.objects.filter(order=order).values_list("part", flat=True))
    wanted = Counter(part.value for part in parts) + Counter([PartName.BODY_SEAT.value])
    written = {
        "gates": sum(gates.values()),
        "findings": sum(findings.values()),
        "parts built in": PartUsed.objects.filter(order=order).count(),
        "tests": FunctionTest.objects.filter(valve=order.valve).count(),
        "start": Event.objects.filter(type="work_order.started", object_id=order.pk).count(),
    }
    photos = Photo.objects.filter(order=order).count()
    asked = {name: 7 if name == "gates" else len(parts) + 1 for name in ("gates", "findings")}
    asked |= {"parts built in": 1, "tests": 1, "start": 1}
    answered = StepRecord.objects.filter(order=order).exclude(outcome="witnessed")
    answers = Counter(answered.values_list("step__number", flat=True))
    written["steps"], asked["steps"] = sum(answers.values()), len(walk.answered)
    lost_count = sum(max(0, asked[name] - written[name]) for name in asked)
    doubled = sum(max(0, written[name] - asked[name]) for name in asked)
    with capsys.disabled():
        sys.stdout.write(
            f"\nstrip-down on a phone: {walk.given} entries given, {sum(asked.values())} facts in "
            f"them, {sum(written.values())} written, lost {lost_count}, doubled {doubled}; "
            f"photographs {photos} of {walk.photos}; {time.monotonic() - began:.0f} s\n"
        )
    assert states == {"accepted": walk.given}
    assert (lost_count, doubled) == (0, 0)
    assert photos == walk.photos
    assert set(gates.values()) == {1}
    assert findings == wanted
    assert order.version == first + walk.given + walk.looked_on + 1  # and the close
    assert Counter(walk.answered) == answers
    assert [
        line.number for line in order_card(order.pk, job.technician).steps if line.is_open
    ] == []
    assert order.state == "closed"
    assert verify_signature(Signature.objects.get(order=order)).is_intact
    assert not TakenAlong.objects.filter(order=order, back_at=None).exists()
    gate = Gate.objects.get(order=order, kind="isolated")
    assert gate.at < gate.recorded_at  # done when it was written, not when it was sent


def look_on(walk: Walk) -> None:
    """A second person looks at what waits for one, signed in on a machine of their own."""
    job = walk.job
    second = member(job.site, Role.TECHNICIAN)
    waiting = order_card(job.order.pk, second).to_witness
    assert waiting
    for step in waiting:
        version = WorkOrder.objects.get(pk=job.order.pk).version
        fields = {"hold_point": step, "version": version, "idempotency_key": f"witness-{step}"}
        answer = signed_in(second).post(act_url(job.order, "witness"), fields)
        assert answer.status_code == 303, text_of(answer)
        walk.looked_on += 1


def sign_and_close(walk: Walk) -> None:
    """The password is asked for, so this step needs the connection."""
    phone = walk.phone
    phone.look(order_path(walk.job))

    def sign() -> None:
        form = phone.page.locator('form[action$="/close/"]')
        form.locator('[name="password"]').fill(PASSWORD)
        form.locator('button[type="submit"]').scroll_into_view_if_needed()

    def send() -> None:
        phone.page.locator('form[action$="/close/"] button[type="submit"]').click()
        phone.page.wait_for_function(
            "() => document.querySelector('.steps [aria-current]')?.textContent.trim() === 'closed'"
        )

    phone.do(sign)
    shoot(phone, "sign")
    phone.do(send)
