"""Parts and work: no 'readied' without a kit that fits, no 'closed' without known spares (S-30)."""

from collections import Counter
from datetime import date, timedelta

import pytest

from tests.factories.parts import NOW, PartNumberFactory, Shelf
from tests.factories.register import ValveDesignFactory, valve_at
from tests.factories.work import Job, WorkOrderFactory
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import (
    FittedPart,
    Kit,
    KitLine,
    Lot,
    PartUsed,
    Reservation,
    WorkOrder,
)
from valvecare.parts.actions import issue, place_part, reserve
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.drop import drop
from valvecare.work.actions.ready import ready
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_parts_used import record_parts_used
from valvecare.work.actions.reopen import reopen
from valvecare.work.reads import order_card
from valvecare.work.rules import (
    FindingGrade,
    GateKind,
    OrderKind,
    PartDecision,
    PartName,
    ready_items,
)

pytestmark = pytest.mark.django_db

TRIES = 200
"""S-30 asks for 200 closes, all refused."""


@pytest.fixture
def shelf():
    made = Shelf()
    made.job = Job(made.site, made.order)
    return made


PROOFS = {item.value: "shown" for item in ready_items(OrderKind.STRIP_DOWN)}


def placed(shelf):
    shelf.job.to_agreed()
    WorkOrder.objects.filter(pk=shelf.order.pk).update(state="placed")
    return shelf.job


def kept(shelf, order=None):
    order = order or shelf.order
    return reserve(order.pk, kit_id=shelf.kit.pk, actor=shelf.planner, at=NOW)


def codes(caught):
    return [reason.code for reason in caught.value.reasons]


def test_words_alone_do_not_prove_a_kit(shelf):
    job = placed(shelf)
    with pytest.raises(Refused) as caught:
        job.do(ready, PROOFS, actor=job.planner)
    assert codes(caught) == ["kit_not_reserved"]
    assert "0 available at this site" in str(caught.value)
    shelf.stock(1)
    with pytest.raises(Refused, match="1 available at this site"):
        job.do(ready, PROOFS, actor=job.planner)
    kept(shelf)
    assert job.do(ready, PROOFS, actor=job.planner).state == "readied"


def test_the_shelf_has_rev_a_and_the_valve_is_rev_b(shelf):
    """The demo's sixth puzzle, on its own."""
    older = ValveDesignFactory(code=shelf.design.code, revision="A")
    rev_a = Kit.objects.create(name="rev-A", design=older, media=["water"])
    shelf.stock(1, "A1", kit_id=rev_a.pk)
    job = placed(shelf)
    with pytest.raises(Refused, match="Kit blocked: shelf has rev A, valve is rev B."):
        job.do(ready, PROOFS, actor=job.planner)
    card = order_card(shelf.order.pk, job.planner)
    assert "Kit blocked: shelf has rev A, valve is rev B." in card.kit_blocked[0]


def test_where_the_design_has_no_kit_words_must_do(shelf):
    Kit.objects.all().delete()
    job = placed(shelf)
    assert job.do(ready, PROOFS, actor=job.planner).readiness["kit"] == "shown"


def test_a_kit_wanted_only_when_worn_is_not_asked_for(shelf):
    Kit.objects.update(use="when found worn")
    job = placed(shelf)
    assert job.do(ready, PROOFS, actor=job.planner).state == "readied"


def test_a_kit_that_expires_before_a_later_job_is_not_green(shelf):
    shelf.stock(1, shelf_until=date(2026, 7, 31))
    kept(shelf)
    job = placed(shelf)
    WorkOrder.objects.filter(pk=shelf.order.pk).update(due_on=date(2026, 9, 1))
    with pytest.raises(Refused) as caught:
        job.do(ready, PROOFS, actor=job.planner)
    assert codes(caught) == ["expired_before_job"]


def test_dropping_lets_the_kit_go(shelf):
    lot = shelf.stock(1)
    kept(shelf)
    shelf.job.do(drop, "Raised twice.", actor=shelf.job.planner)
    lot.refresh_from_db()
    assert (lot.reserved, Reservation.objects.get().state) == (0, "released")


# closing
def replace(job, part=PartName.CLOSING_SPRING):
    job.do(
        record_finding,
        part,
        found="broken coil",
        grade=FindingGrade.NOT_FIT,
        decision=PartDecision.REPLACE,
    )


def proven(shelf):
    """An order proven with a replaced spring; its spring number carries serials."""
    part = shelf.spring
    part.has_serial = True
    part.save()
    shelf.stock(2)
    kept(shelf)
    shelf.job.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    shelf.job.judge_parts()
    replace(shelf.job)
    for gate in (GateKind.PARTS_JUDGED, GateKind.JOINT_CLOSED, GateKind.MOVED_BY_HAND):
        shelf.job.gate(gate)
    return shelf.job.test()


def springs(shelf, code, serial, part=None, until=None):
    part = part or shelf.spring
    return shelf.stock(1, code, part_id=part.pk, serials=[serial], shelf_until=until)


def hand_out(shelf, lot):
    return issue(shelf.order.pk, lot.pk, actor=shelf.keeper, at=NOW)


def line(shelf, **given):
    """A line as the database may hold it; the form would have refused most of these."""
    facts = {
        "order": shelf.job.order,
        "revision": 1,
        "name": shelf.spring.code,
        "part": "closing spring",
        "at": NOW,
        "recorded_at": NOW,
    }
    return PartUsed.objects.create(**{**facts, **given})


def case_missing(shelf):
    return "spare_not_recorded"


def case_without_identity(shelf):
    line(shelf)
    return "spare_not_identified"


def case_plain_words(shelf):
    line(shelf, name="a spring from the box", lot="?")
    return "part_number_not_known"


def case_serial_of_another_part(shelf):
    other = PartNumberFactory(has_serial=True, place="main disc")
    springs(shelf, "D1", "S-9", other)
    line(shelf, serial="S-9", lot="D1")
    return "serial_of_another_part"


def case_serial_already_fitted(shelf):
    lot = springs(shelf, "S1", "S-1")
    hand_out(shelf, lot)
    elsewhere = valve_at(shelf.site, design=shelf.design)
    given = {"serial": "S-1", "lot": lot, "fitted_at": NOW, "actor": shelf.keeper, "at": NOW}
    place_part(elsewhere, shelf.spring, **given)
    line(shelf, serial="S-1", lot="S1")
    return "serial_already_fitted"


def case_serial_never_received(shelf):
    line(shelf, serial="S-77")
    return "serial_never_received"


def case_expired_lot(shelf):
    shelf.spring.shelf_life_months = 12
    shelf.spring.save()
    lot = springs(shelf, "S1", "S-1", until=date(2026, 5, 4))
    Lot.objects.filter(pk=lot.pk).update(shelf_until=date(2026, 5, 3))
    line(shelf, serial="S-1", lot="S1")
    return "lot_expired"


def case_never_issued(shelf):
    springs(shelf, "S1", "S-1")
    line(shelf, serial="S-1", lot="S1")
    return "never_issued"


def case_part_of_another_place(shelf):
    line(shelf, name=shelf.gasket.code, lot="G1")
    return "part_of_another_place"


CASES = [
    case_missing,
    case_without_identity,
    case_plain_words,
    case_serial_of_another_part,
    case_serial_already_fitted,
    case_serial_never_received,
    case_expired_lot,
    case_never_issued,
    case_part_of_another_place,
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_no_close_with_a_spare_nobody_can_identify(shelf, case, figure):
    job = proven(shelf)
    code = case(shelf)
    kept_version = job.order.version
    answers = Counter()
    for _ in range(TRIES // len(CASES) + 1):
        try:
            close_work_order(
                job.order.pk, version=kept_version, actor=job.technician, at=job.tick()
            )
            answers["closed"] += 1
        except Refused as refusal:
            answers[refusal.code] += 1
    tries = TRIES // len(CASES) + 1
    figure("S-30", f"closed, {case.__name__.removeprefix('case_')}", answers["closed"], tries)
    assert answers == {code: tries}
    order = WorkOrder.objects.get(pk=job.order.pk)
    assert (order.state, order.version) == ("proven", kept_version)
    assert not FittedPart.objects.filter(valve=shelf.valve).exists()


def test_the_cases_are_at_least_two_hundred_closes():
    assert len(CASES) * (TRIES // len(CASES) + 1) >= TRIES


@pytest.mark.parametrize("case", CASES[1:], ids=lambda case: case.__name__)
def test_the_form_refuses_the_same_line_at_once(shelf, case):
    job = proven(shelf)
    code = case(shelf)
    row = PartUsed.objects.get()
    PartUsed.objects.all().delete()
    given = {"lot": row.lot, "serial": row.serial, "part": PartName(row.part)}
    with pytest.raises(Refused) as caught:
        job.do(record_parts_used, row.name, **given)
    assert codes(caught) == [code]
    assert not PartUsed.objects.exists()


def test_a_known_spare_closes_and_begins_its_own_life(shelf):
    job = proven(shelf)
    lot = springs(shelf, "S1", "S-1")
    hand_out(shelf, lot)
    spring = {"serial": "S-1", "part": PartName.CLOSING_SPRING}
    job.do(record_parts_used, shelf.spring.code, **spring)
    assert job.do(close_work_order).state == "closed"
    fitted = FittedPart.objects.get()
    assert (fitted.valve, fitted.part, fitted.serial, fitted.lot, fitted.order_id) == (
        shelf.valve,
        shelf.spring,
        "S-1",
        lot,
        job.order.pk,
    )
    assert fitted.fitted_at == job.order.done_at
    # what was kept and not used is free again
    assert Reservation.objects.get().state == "released"
    assert Lot.objects.get(kit=shelf.kit).reserved == 0


def test_a_kit_covers_the_parts_it_holds(shelf):
    shelf.stock(1)
    kept(shelf)
    shelf.job.to_under_way().gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)
    shelf.job.judge_parts()
    replace(shelf.job)
    for gate in (GateKind.PARTS_JUDGED, GateKind.JOINT_CLOSED, GateKind.MOVED_BY_HAND):
        shelf.job.gate(gate)
    job = shelf.job.test()
    hand_out(shelf, Lot.objects.get())
    job.do(record_parts_used, shelf.kit.name, lot="L1")
    assert job.do(close_work_order).state == "closed"
    assert set(FittedPart.objects.values_list("part", "place")) == {
        (shelf.spring.pk, "closing spring"),
        (shelf.gasket.pk, "cover gasket"),
    }


def test_the_latest_line_of_a_part_counts(shelf):
    job = proven(shelf)
    line(shelf, serial="S-77")
    hand_out(shelf, springs(shelf, "S1", "S-1"))
    given = {"serial": "S-1", "lot": "S1", "part": PartName.CLOSING_SPRING}
    job.do(record_parts_used, shelf.spring.code, **given)
    assert job.do(close_work_order).state == "closed"


def test_an_amended_record_closes_again_and_fits_nothing_twice(shelf):
    from tests.factories.register import member

    test = test_a_known_spare_closes_and_begins_its_own_life
    test(shelf)
    engineer = member(shelf.site, Role.RELIABILITY_ENGINEER)
    shelf.job.do(reopen, "Typing error.", work_again=False, actor=engineer)
    assert shelf.job.do(close_work_order).state == "closed"
    assert FittedPart.objects.count() == 1


def test_consumables_in_plain_words_need_no_catalogue(shelf):
    job = Job(shelf.site, WorkOrderFactory(valve=shelf.valve, kind="corrective"))
    KitLine.objects.all().delete()
    Kit.objects.all().delete()
    job.to_proven()
    job.do(record_parts_used, "silicone grease", lot="G-7")
    assert job.do(close_work_order).state == "closed"
    assert not FittedPart.objects.exists()


def test_the_next_spring_ends_the_life_of_the_one_before(shelf):
    given = {"actor": shelf.technician, "at": NOW}
    part = shelf.spring
    first = place_part(shelf.valve, part, fitted_at=NOW - timedelta(days=9), **given)
    second = place_part(shelf.valve, part, fitted_at=NOW, **given)
    first.refresh_from_db()
    assert (first.removed_at, second.removed_at) == (NOW, None)
    assert first.removed_why.startswith("replaced by")
