"""Every action of the store: it works; it refuses, and then nothing changed; stranger; twice."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.apps import apps

from tests.factories.parts import NOW, KitFactory, PartNumberFactory, Shelf
from tests.factories.register import SiteFactory, ValveDesignFactory, member
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import (
    CountLine,
    Event,
    Kit,
    KitLine,
    Lot,
    Movement,
    PartNumber,
    Piece,
    Purchase,
    ReceivingCheck,
    Reservation,
)
from valvecare.parts.actions import (
    add_kit,
    add_part,
    approve_count,
    ask_for,
    begin_count,
    break_up,
    drop_purchase,
    enter_count,
    free,
    issue,
    quarantine,
    receive,
    reject_count,
    release,
    reserve,
    return_unused,
    scrap,
    settle_reservations,
    supersede,
)

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(hours=1)


@pytest.fixture
def shelf():
    return Shelf()


def everything():
    """Every row of ours, to prove that a refusal changes nothing."""
    return {
        model.__name__: sorted(map(str, model._base_manager.values()))
        for model in apps.get_app_config("valvecare").get_models()
    }


def refused(action, *args, **kwargs):
    """The code of the refusal; nothing may have changed."""
    before = everything()
    with pytest.raises(Refused) as caught:
        action(*args, **kwargs)
    assert everything() == before
    return caught.value.code


def sums(lot):
    lot.refresh_from_db()
    return lot.on_hand, lot.reserved, lot.available


def keep(shelf, **given):
    facts = {"kit_id": shelf.kit.pk} if not given.keys() & {"lot_id", "part_id"} else {}
    order = given.pop("order", shelf.order)
    return reserve(order.pk, **{"actor": shelf.planner, "at": NOW, **facts, **given})


# receiving
def test_receiving_makes_a_lot_a_check_and_a_line(shelf):
    lot = shelf.stock(3, certificate="C-17")
    assert sums(lot) == (3, 0, 3)
    assert list(Movement.objects.values_list("kind", "quantity")) == [("received", 3)]
    check = ReceivingCheck.objects.get()
    assert (check.is_accepted, check.checks) == (True, {"marking": "as ordered"})
    assert Event.objects.filter(type="lot.received").count() == 1
    again = shelf.stock(2)
    assert again.pk == lot.pk
    assert sums(lot) == (5, 0, 5)


def test_what_the_check_does_not_accept_is_never_available(shelf):
    good = shelf.stock(1)
    bad = shelf.stock(1, is_accepted=False, words="Disc 0.4 mm too thick.")
    assert (bad.code, bad.available, good.pk == bad.pk) == ("L1-Q", 0, False)
    assert bad.quarantine_why == "receiving check: Disc 0.4 mm too thick."


@pytest.mark.parametrize(
    ("case", "given", "code"),
    [
        ("no last day", {"shelf_until": None}, "shelf_life_not_known"),
        ("expired", {"shelf_until": date(2026, 5, 3)}, "expired_on_receipt"),
        ("other last day", {"shelf_until": date(2029, 1, 1)}, "lot_differs"),
        ("failed without words", {"is_accepted": False}, "check_without_words"),
        ("no check", {"checks": {}}, "no_check"),
        ("no lot", {"lot_code": " "}, "no_lot"),
        ("no pieces", {"quantity": 0}, "quantity_not_sane"),
        ("serials of a kit", {"serials": ["S"]}, "no_serials_here"),
        ("foreign purchase", {"purchase_id": 999}, "purchase_differs"),
        ("both items", {"part_id": 1}, "name_one_item"),
        ("key used before", {"key": "once"}, "moved_already"),
    ],
)
def test_receiving_refuses(shelf, case, given, code):
    shelf.stock(1, key="once")
    facts = {
        "bin_id": shelf.bin.pk,
        "lot_code": "L1",
        "quantity": 1,
        "kit_id": shelf.kit.pk,
        "shelf_until": date(2028, 3, 31),
        "checks": {"marking": "ok"},
        "actor": shelf.keeper,
        "at": NOW,
    }
    assert refused(receive, **{**facts, **given}) == code


@pytest.mark.parametrize(
    ("case", "given", "code"),
    [
        ("cured tomorrow", {"cured_on": date(2026, 5, 5)}, "cured_in_the_future"),
        (
            "longer than its shelf life from today",
            {"shelf_until": date(2031, 5, 5)},
            "shelf_life_too_long",
        ),
        (
            "longer than its shelf life from its cure date",
            {"cured_on": date(2025, 5, 4), "shelf_until": date(2030, 5, 5)},
            "shelf_life_too_long",
        ),
    ],
)
def test_a_last_day_that_cannot_be_is_refused(shelf, case, given, code):
    """60 months: the gasket of these tests."""
    facts = {"part_id": shelf.gasket.pk, "shelf_until": None, **given}
    assert refused(shelf.stock, 1, "G1", **facts) == code


def test_the_last_day_that_can_just_be_is_taken(shelf):
    lot = shelf.stock(1, "G1", part_id=shelf.gasket.pk, shelf_until=date(2031, 5, 4))
    assert lot.shelf_until == date(2031, 5, 4)
    slip = {"kit_id": shelf.kit.pk, "shelf_until": date(2228, 3, 31)}
    assert refused(shelf.stock, 1, "K1", **slip) == "shelf_life_too_long"


def test_serials_are_named_once_each(shelf):
    part = PartNumberFactory(has_serial=True, place="closing spring")
    lot = shelf.stock(2, "S1", part_id=part.pk, serials=["A", "B"], shelf_until=None)
    assert set(Piece.objects.values_list("serial", "lot")) == {("A", lot.pk), ("B", lot.pk)}
    given = {"part_id": part.pk, "shelf_until": None}
    assert refused(shelf.stock, 2, "S2", serials=["C"], **given) == "serials_incomplete"
    assert refused(shelf.stock, 2, "S2", serials=["C", "C"], **given) == "serials_incomplete"
    assert refused(shelf.stock, 1, "S2", serials=["A"], **given) == "serial_known_already"


def test_the_last_day_follows_from_the_cure_date_of_a_part(shelf):
    lot = shelf.stock(
        1, "G1", part_id=shelf.gasket.pk, shelf_until=None, cured_on=date(2024, 2, 29)
    )
    assert lot.shelf_until == date(2029, 2, 28)


# reserving
def test_the_lot_that_expires_first_is_kept(shelf):
    shelf.stock(1, "late", shelf_until=date(2030, 1, 1))
    soon = shelf.stock(1, "soon", shelf_until=date(2027, 1, 1))
    row = keep(shelf)
    assert (row.lot_id, row.job_on, row.fit) == (soon.pk, date(2026, 6, 8), "Fits.")
    assert sums(soon) == (1, 1, 0)


def test_a_lot_that_expires_before_the_job_is_passed_over(shelf):
    shelf.stock(1, "L1950", shelf_until=date(2026, 5, 31))
    good = shelf.stock(1, "L2", shelf_until=date(2027, 1, 1))
    assert keep(shelf).lot_id == good.pk


def test_reserving_refuses(shelf):
    assert refused(keep, shelf) == "not_available"
    shelf.stock(1, "L1950", shelf_until=date(2026, 5, 31))
    assert refused(keep, shelf) == "expired_before_job"
    lot = shelf.stock(1)
    assert refused(keep, shelf, lot_id=lot.pk, quantity=2) == "not_available"
    assert refused(keep, shelf, lot_id=lot.pk, kit_id=shelf.kit.pk) == "name_one_item"
    keep(shelf, lot_id=lot.pk)
    assert refused(keep, shelf, lot_id=lot.pk) == "already_reserved"
    other = shelf.order_for()
    assert refused(keep, shelf, lot_id=lot.pk, order=other) == "not_available"


def test_a_kit_of_another_revision_is_refused(shelf):
    older = ValveDesignFactory(code=shelf.design.code, revision="A")
    kit = KitFactory(name="rev-A", design=older)
    lot = shelf.stock(1, "A1", kit_id=kit.pk)
    assert refused(keep, shelf, lot_id=lot.pk) == "revision_differs"


def test_a_valve_that_is_not_identified_gets_no_kit(shelf):
    shelf.stock(1)
    nameless = shelf.order_for(serial="not known")
    assert refused(keep, shelf, order=nameless) == "serial_not_known"


def test_a_loose_part_must_be_listed_for_the_design(shelf):
    listed = shelf.stock(1, "P1", part_id=shelf.spring.pk, shelf_until=None)
    assert keep(shelf, lot_id=listed.pk).fit == "Fits."
    other = PartNumberFactory()
    lot = shelf.stock(1, "P2", part_id=other.pk, shelf_until=None)
    assert refused(keep, shelf, lot_id=lot.pk) == "part_not_listed"


@pytest.mark.parametrize(
    ("case", "valve", "code"),
    [
        ("another medium", {"pump__medium": "sea water"}, "medium_differs"),
        ("medium not known", {"pump__medium": "not known"}, "medium_not_known"),
        ("serial not known", {"serial": "not known"}, "serial_not_known"),
    ],
)
def test_a_loose_part_fits_only_where_its_kit_would(shelf, case, valve, code):
    """A water seal in sea water swells; alone or in a kit, it is the same seal."""
    lot = shelf.stock(1, "G1", part_id=shelf.gasket.pk)
    order = shelf.order_for(**valve)
    assert refused(keep, shelf, lot_id=lot.pk, order=order) == code
    assert keep(shelf, lot_id=lot.pk).fit == "Fits."


def test_a_loose_part_of_two_kits_fits_by_the_one_that_fits(shelf):
    lot = shelf.stock(1, "S1", part_id=shelf.spring.pk, shelf_until=None)
    sea = KitFactory(design=shelf.design, media=["sea water"], seal_material="NBR")
    KitLine.objects.create(kit=sea, part=shelf.spring)
    order = shelf.order_for(pump__medium="sea water", seal_material="NBR")
    assert keep(shelf, lot_id=lot.pk, order=order).fit == "Fits."


def test_a_retired_part_is_not_kept(shelf):
    lot = shelf.stock(2, "S1", part_id=shelf.spring.pk, shelf_until=None)
    PartNumber.objects.filter(pk=shelf.spring.pk).update(retired_at=NOW)
    assert refused(keep, shelf, lot_id=lot.pk) == "part_retired"


def test_the_same_lot_in_one_group_is_noted(shelf):
    """Common cause: common practice asks for a function test between them."""
    shelf.stock(2)
    keep(shelf)
    twin = shelf.order_for(pump__group=shelf.valve.pump.group)
    twin.valve.pump.group = shelf.valve.pump.group
    twin.valve.pump.save()
    row = keep(shelf, order=twin)
    assert f"The same lot is kept for {shelf.valve.tag}" in row.fit


def test_releasing_gives_back_once(shelf):
    lot = shelf.stock(1)
    row = keep(shelf)
    with pytest.raises(Refused, match="reason for releasing"):
        release(row.pk, " ", actor=shelf.planner, at=LATER)
    release(row.pk, "Moved to September.", actor=shelf.planner, at=LATER)
    assert sums(lot) == (1, 0, 1)
    row.refresh_from_db()
    assert (row.state, row.ended_at) == ("released", LATER)
    assert refused(release, row.pk, "Again.", actor=shelf.planner, at=LATER) == "wrong_state"


def test_a_closed_order_keeps_nothing(shelf):
    lot = shelf.stock(2)
    keep(shelf)
    assert settle_reservations(shelf.order, actor=shelf.technician, at=LATER) == 1
    assert sums(lot) == (2, 0, 2)
    assert settle_reservations(shelf.order, actor=shelf.technician, at=LATER) == 0


# issuing and returning
def hand_out(shelf, lot, **given):
    order = given.pop("order", shelf.order)
    return issue(order.pk, lot.pk, **{"actor": shelf.keeper, "at": NOW, **given})


def test_issuing_settles_what_was_kept(shelf):
    lot = shelf.stock(3)
    keep(shelf, quantity=2)
    hand_out(shelf, lot, quantity=1)
    assert sums(lot) == (2, 1, 1)
    assert Reservation.objects.values_list("quantity", "state").get() == (1, "open")
    hand_out(shelf, lot, quantity=2)
    assert sums(lot) == (0, 0, 0)
    assert Reservation.objects.get().state == "settled"
    line = Movement.objects.filter(kind="issued").last()
    assert (line.quantity, line.order_id, line.by) == (-2, shelf.order.pk, shelf.keeper)


def test_nobody_takes_what_is_kept_for_another(shelf):
    lot = shelf.stock(1)
    keep(shelf)
    assert refused(hand_out, shelf, lot, order=shelf.order_for()) == "not_available"


def test_issuing_asks_the_fit_again(shelf):
    lot = shelf.stock(1, shelf_until=date(2026, 9, 30))
    keep(shelf)
    late = datetime(2026, 12, 1, 12, tzinfo=UTC)
    assert refused(hand_out, shelf, lot, at=late) == "expired_before_job"


def test_issuing_refuses_an_ended_order_another_site_and_a_used_key(shelf):
    lot = shelf.stock(2)
    hand_out(shelf, lot, key="k")
    assert refused(hand_out, shelf, lot, key="k") == "moved_already"
    type(shelf.order).objects.filter(pk=shelf.order.pk).update(state="dropped", ended_at=NOW)
    assert refused(hand_out, shelf, lot) == "order_ended"
    away = Shelf()
    both = member(shelf.site, Role.STOREKEEPER)
    both.valvecare_memberships.create(site=away.site, role=Role.STOREKEEPER.value)
    assert refused(issue, away.order.pk, lot.pk, actor=both, at=NOW) == "other_site"


def give_back(shelf, lot, **given):
    facts = {"actor": shelf.keeper, "at": LATER, "is_whole": True}
    return return_unused(shelf.order.pk, lot.pk, **{**facts, **given})


def test_a_whole_kit_goes_back_to_its_lot(shelf):
    lot = shelf.stock(1)
    hand_out(shelf, lot)
    assert give_back(shelf, lot).pk == lot.pk
    assert sums(lot) == (1, 0, 1)
    assert refused(give_back, shelf, lot) == "more_than_issued"


def test_a_kit_without_its_spring_never_goes_back_as_a_kit(shelf):
    """The demo's stock trap."""
    lot = shelf.stock(1)
    hand_out(shelf, lot)
    assert refused(give_back, shelf, lot, is_whole=False) == "missing_not_listed"
    missing = [shelf.spring.code]
    assert refused(give_back, shelf, lot, missing=missing) == "whole_and_missing"
    apart = give_back(shelf, lot, is_whole=False, missing=missing, why="Spring used in V-9.")
    assert sums(lot) == (0, 0, 0)
    assert sums(apart) == (1, 0, 0)
    assert apart.quarantine_why == f"came back without {shelf.spring.code}"
    assert refused(keep, shelf, lot_id=apart.pk) == "kit_not_whole"
    assert refused(keep, shelf) == "kit_not_whole"
    who = {"version": apart.version, "actor": shelf.second, "at": LATER}
    assert refused(free, apart.pk, "Looks fine.", **who) == "kit_not_whole"


def test_half_a_kit_is_broken_up_into_what_is_there(shelf):
    lot = shelf.stock(1)
    who = {"version": lot.version, "actor": shelf.keeper, "at": LATER}
    assert refused(break_up, lot.pk, **who) == "nothing_to_break_up"
    hand_out(shelf, lot)
    apart = give_back(shelf, lot, is_whole=False, missing=[shelf.spring.code])
    (loose,) = break_up(apart.pk, **{**who, "version": apart.version})
    assert (loose.part, loose.on_hand, loose.shelf_until) == (
        shelf.gasket,
        1,
        date(2028, 3, 31),
    )
    assert sums(apart)[0] == 0
    with pytest.raises(Conflict):
        break_up(apart.pk, **{**who, "version": apart.version - 1})


def test_scrapping_says_why_and_spares_what_is_kept(shelf):
    lot = shelf.stock(2)
    keep(shelf)
    assert refused(scrap, lot.pk, 1, " ", actor=shelf.keeper, at=NOW) == "no_why"
    assert refused(scrap, lot.pk, 2, "Wet.", actor=shelf.keeper, at=NOW) == "not_available"
    scrap(lot.pk, 1, "Wet.", actor=shelf.keeper, at=NOW)
    assert sums(lot) == (1, 1, 0)


# quarantine
def test_quarantine_lets_reservations_go_and_a_second_person_frees(shelf):
    lot = shelf.stock(2)
    row = keep(shelf)
    lot.refresh_from_db()
    who = {"actor": shelf.keeper, "at": LATER}
    assert refused(quarantine, lot.pk, "", version=lot.version, **who) == "no_why"
    held = quarantine(lot.pk, "Wrong label.", version=lot.version, **who)
    row.refresh_from_db()
    assert (row.state, row.ended_why) == (
        "released",
        "Lot L1 went into quarantine: Wrong label.",
    )
    assert sums(lot) == (2, 0, 0)
    assert refused(quarantine, lot.pk, "x", version=held.version, **who) == "quarantined_already"
    assert refused(free, lot.pk, "Measured.", version=held.version, **who) == "second_person"
    with pytest.raises(Conflict):
        free(lot.pk, "Measured.", version=held.version - 1, actor=shelf.second, at=LATER)
    freed = free(lot.pk, "Measured.", version=held.version, actor=shelf.second, at=LATER)
    assert sums(lot) == (2, 0, 2)
    late = {"version": freed.version, "actor": shelf.second, "at": LATER}
    assert refused(free, lot.pk, "Again.", **late) == "not_quarantined"


# counting
def test_a_count_is_blind_and_its_difference_approved_by_another(shelf):
    lot = shelf.stock(3)
    keep(shelf, quantity=2)
    count = begin_count(shelf.bin.store_id, actor=shelf.keeper, at=NOW)
    assert refused(begin_count, shelf.bin.store_id, actor=shelf.keeper, at=NOW) == (
        "count_under_way"
    )
    line = CountLine.objects.get()
    assert (line.counted, line.on_hand_then) == (None, None)
    who = {"version": count.version, "actor": shelf.keeper, "at": NOW}
    assert refused(enter_count, count.pk, {}, **who) == "count_incomplete"
    assert refused(enter_count, count.pk, {line.pk: 1, 999: 1}, **who) == "count_incomplete"
    done = enter_count(count.pk, {line.pk: 1}, **who)
    assert sums(lot) == (3, 2, 1)
    same = {"version": done.version, "at": LATER}
    assert refused(approve_count, count.pk, "x", actor=shelf.keeper, **same) == "second_person"
    assert refused(approve_count, count.pk, " ", actor=shelf.second, **same) == "no_why"
    approve_count(count.pk, "Taken at night.", actor=shelf.second, **same)
    assert sums(lot) == (1, 0, 1)
    assert Movement.objects.last().quantity == -2
    assert Reservation.objects.get().state == "released"
    with pytest.raises(Conflict):
        approve_count(count.pk, "Again.", actor=shelf.second, **same)


def test_a_rejected_count_moves_nothing(shelf):
    lot = shelf.stock(3)
    count = begin_count(shelf.bin.store_id, actor=shelf.keeper, at=NOW)
    who = {"version": count.version, "actor": shelf.keeper, "at": NOW}
    assert refused(reject_count, count.pk, "", **who) == "no_why"
    reject_count(count.pk, "Counted in the dark.", **who)
    assert sums(lot) == (3, 0, 3)
    begin_count(shelf.bin.store_id, actor=shelf.keeper, at=NOW)


# purchases
def test_a_purchase_arrives_after_its_lead_time(shelf):
    Kit.objects.filter(pk=shelf.kit.pk).update(express_weeks=4)
    given = {"kit_id": shelf.kit.pk, "actor": shelf.keeper, "at": NOW}
    slow = ask_for(shelf.site.pk, **given)
    fast = ask_for(shelf.site.pk, is_express=True, order_id=shelf.order.pk, **given)
    assert (slow.arrives_on, fast.arrives_on) == (date(2026, 7, 6), date(2026, 6, 1))
    lot = shelf.stock(1, purchase_id=fast.pk)
    fast.refresh_from_db()
    assert (fast.state, fast.lot_id) == ("received", lot.pk)
    drop_purchase(slow.pk, "Not needed.", version=slow.version, actor=shelf.keeper, at=NOW)
    assert Purchase.objects.get(pk=slow.pk).state == "dropped"
    with pytest.raises(Conflict):
        drop_purchase(slow.pk, "Again.", version=slow.version, actor=shelf.keeper, at=NOW)


def test_a_purchase_without_lead_time_is_refused(shelf):
    given = {"actor": shelf.keeper, "at": NOW}
    express = {"kit_id": shelf.kit.pk, "is_express": True, **given}
    assert refused(ask_for, shelf.site.pk, **express) == "no_lead_time"
    part = {"part_id": shelf.spring.pk, **given}
    assert refused(ask_for, shelf.site.pk, **part) == "no_lead_time"
    assert refused(ask_for, shelf.site.pk, **given) == "name_one_item"


# the catalogue
def test_a_kit_lists_known_part_numbers(shelf):
    who = {"actor": shelf.keeper, "at": NOW}
    part = add_part(code="RING-1", name="seal ring", place="seal ring", **who)
    kit = add_kit(shelf.design.pk, {"RING-1": 2}, name="RINGS", media=["any"], **who)
    assert [(line.part, line.quantity) for line in kit.lines.all()] == [(part, 2)]
    given = {"name": "MORE", "media": ["any"], **who}
    assert refused(add_kit, shelf.design.pk, {"RING-9": 1}, **given) == "part_number_not_known"
    with pytest.raises(Forbidden):
        add_part(code="RING-2", name="ring", actor=shelf.planner, at=NOW)


def test_a_supersession_does_not_turn_round(shelf):
    who = {"actor": shelf.keeper, "at": NOW}
    supersede(shelf.gasket.code, shelf.spring.code, **who)
    assert refused(supersede, shelf.spring.code, shelf.gasket.code, **who) == (
        "supersession_turns_round"
    )


# who may
def acts(shelf, lot, row):
    count = begin_count(shelf.bin.store_id, actor=shelf.keeper, at=NOW)
    order, kit = shelf.order, shelf.kit
    seen = {"version": lot.version}
    return {
        "receive": lambda who: receive(
            shelf.bin.pk,
            "N",
            1,
            kit_id=kit.pk,
            checks={"a": "b"},
            shelf_until=date(2030, 1, 1),
            **who,
        ),  # fmt: skip
        "reserve": lambda who: reserve(shelf.order_for().pk, lot_id=lot.pk, **who),
        "release": lambda who: release(row.pk, "why", **who),
        "issue": lambda who: issue(order.pk, lot.pk, **who),
        "return": lambda who: return_unused(order.pk, lot.pk, is_whole=True, **who),
        "scrap": lambda who: scrap(lot.pk, 1, "why", **who),
        "quarantine": lambda who: quarantine(lot.pk, "why", **seen, **who),
        "free": lambda who: free(lot.pk, "why", **seen, **who),
        "break_up": lambda who: break_up(lot.pk, **seen, **who),
        "enter_count": lambda who: enter_count(count.pk, {}, version=1, **who),
        "approve_count": lambda who: approve_count(count.pk, "why", version=1, **who),
        "reject_count": lambda who: reject_count(count.pk, "why", version=1, **who),
        "begin_count": lambda who: begin_count(shelf.bin.store_id, **who),
        "ask_for": lambda who: ask_for(shelf.site.pk, kit_id=kit.pk, **who),
    }


BY_PLANNER = {"reserve", "release"}


def test_a_stranger_finds_nothing_and_only_the_storekeeper_moves_stock(shelf):
    lot = shelf.stock(5)
    row = keep(shelf)
    lot.refresh_from_db()
    for name, act in acts(shelf, lot, row).items():
        before = everything()
        with pytest.raises(NotFound):
            act({"actor": member(SiteFactory(), Role.STOREKEEPER), "at": LATER})
        others = [shelf.technician] if name in BY_PLANNER else [shelf.technician, shelf.planner]
        kept = {key: rows for key, rows in before.items() if key not in PEOPLE}
        for person in others:
            with pytest.raises(Forbidden):
                act({"actor": person, "at": LATER})
        now = {key: rows for key, rows in everything().items() if key not in PEOPLE}
        assert now.keys() == kept.keys()
        assert {key: rows for key, rows in now.items() if key not in SCENE} == {
            key: rows for key, rows in kept.items() if key not in SCENE
        }, name


PEOPLE = {"Membership", "Site", "User"}
SCENE = {"ProtectionValve", "Pump", "PumpGroup", "WorkOrder", "HistoricalSite",
         "HistoricalPump", "HistoricalPumpGroup", "HistoricalProtectionValve"}  # fmt: skip
"""Rows this test itself makes while it asks."""


# the ledger
def test_the_ledger_is_only_added_to(shelf):
    shelf.stock(1)
    line = Movement.objects.get()
    line.quantity = 9
    for change in (
        line.save,
        line.delete,
        lambda: Movement.objects.update(quantity=9),
        lambda: Movement.objects.all().delete(),
        ReceivingCheck.objects.get().delete,
    ):
        with pytest.raises(TypeError, match="only added to"):
            change()
    assert Movement.objects.get().quantity == 1


def test_the_database_itself_keeps_stock_from_going_below_what_is_kept(shelf):
    from django.db import IntegrityError, transaction

    lot = shelf.stock(1)
    keep(shelf)
    for wrong in ({"on_hand": 0}, {"reserved": 2}, {"on_hand": -1, "reserved": 0}):
        with pytest.raises(IntegrityError), transaction.atomic():
            Lot.objects.filter(pk=lot.pk).update(**wrong)
