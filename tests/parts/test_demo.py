"""The invented demo world's shelves: what its published tables say must come out."""

from datetime import date

import pytest
from django.test import Client

from tests.factories.parts import NOW
from tests.factories.work import WorkOrderFactory
from valvecare.models import Kit, Lot, ProtectionValve, Window, WorkOrder
from valvecare.parts.actions import ask_for, reserve
from valvecare.parts.reads import kit_check, kits_near, kits_of, needs, proposals, stock_list
from valvecare.project.demo import stock, story, world
from valvecare.project.demo.world import people
from valvecare.work.reads import order_card

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant():
    """Register, windows and shelves; the orders that matter are raised here, without readings."""
    world.register()
    story.plan(NOW)
    stock.fill()
    for tag, due in [
        ("NH-FW-1V", date(2026, 6, 18)),
        ("NH-FW-3V", date(2025, 6, 22)),
        ("NH-MU-1V", date(2026, 8, 1)),
        ("NH-MU-2V", date(2026, 2, 1)),
        ("SM-HP-4V", date(2026, 8, 1)),
        ("AF-CR-1V", date(2026, 6, 29)),
        ("AF-CR-2V", date(2026, 5, 4)),
    ]:
        WorkOrderFactory(valve=ProtectionValve.objects.get(tag=tag), due_on=due)
    stock.trap(NOW)
    return {need.valve: need for need in needs(people(), NOW, all_ahead=True)}


def test_what_lies_on_the_shelves_is_what_the_table_says(plant):
    lines, _ = stock_list(people(), NOW)
    held = {}
    for line in lines:
        if not line.missing:
            held[line.item] = held.get(line.item, 0) + line.on_hand
    assert held == {
        "ALD16-300-soft": 2,
        "ALD16-350S-soft": 1,
        "ALD16-250-soft": 2,
        "BIR40-65-soft": 1,
        "BIR40-100B-soft": 4,
        "BIR40-100B-lever": 2,
        "BIR40-200-soft": 2,
        "CED100-100A-trim": 1,
        "CED100-100A-soft": 1,
        "ELM160-125-soft": 2,
        "ELM160-125-seat": 1,
        "FIR100S-200-soft": 3,
        "FIR100S-200-spring": 1,
    }


def test_the_revision_b_kit_is_short_and_express_comes_in_time(plant):
    """Sixth puzzle: 9 weeks end on 6 July, after the stop; express 4 weeks on 1 June, in time."""
    need = plant["NH-FW-3V"]
    assert (need.kit, need.state, need.wanted_on, need.window) == (
        "CED100-100B-trim",
        "short",
        date(2026, 6, 8),
        "NH summer stop",
    )
    assert [(one.kind.value, one.arrives_on, one.is_in_time) for one in need.offers[:2]] == [
        ("order", date(2026, 7, 6), False),
        ("express order", date(2026, 6, 1), True),
    ]
    assert need.offers[2].words == (
        "Keep the restriction until the next window, which is not planned yet; this needs a "
        "signature."
    )


def test_the_order_says_that_the_shelf_has_rev_a_and_the_valve_rev_b(plant):
    order = WorkOrder.objects.get(valve__tag="NH-FW-3V")
    (words,) = order_card(order.pk, people()).kit_blocked
    assert "Kit blocked: shelf has rev A, valve is rev B." in words
    valve = ProtectionValve.objects.select_related("design", "pump__group__site").get(
        tag="NH-FW-3V"
    )
    rev_a = list(Kit.objects.filter(name="CED100-100A-trim").select_related("design"))
    (check,) = kit_check(valve, rev_a, date(2026, 6, 8))
    assert check.decision.word == "does not fit"
    assert [reason.code for reason in check.decision.reasons] == ["revision_differs"]
    (check,) = kit_check(valve, kits_of(valve), date(2026, 6, 8))
    assert (check.decision.word, check.usable) == ("fits", 0)


def test_an_express_order_takes_the_shortage_away(plant):
    order = WorkOrder.objects.get(valve__tag="NH-FW-3V")
    given = {"kit_id": plant["NH-FW-3V"].kit_id, "order_id": order.pk}
    ask_for(order.site_id, **given, is_express=True, actor=people(), at=NOW)
    found = {need.valve: need for need in needs(people(), NOW)}
    assert (found["NH-FW-3V"].state, found["NH-FW-3V"].words) == (
        "on its way",
        "Arrives on 2026-06-01.",
    )


def test_the_make_up_kit_expires_before_the_june_job(plant):
    for tag in ("NH-MU-1V", "NH-MU-2V"):
        need = plant[tag]
        assert (need.kit, need.state) == ("BIR40-65-soft", "short")
        assert "Lot L1950 may be used until 2026-05-31, the job is on 2026-06-08." in need.words
        assert (need.offers[0].arrives_on, need.offers[0].is_in_time) == (
            date(2026, 5, 25),
            True,
        )
    state = {line.lot: line.state for line in stock_list(people(), NOW)[0]}
    assert state["L1950"] == "expiring"


def test_a_valve_that_is_not_identified_gets_no_kit(plant):
    need = plant["AF-CR-2V"]
    assert (need.state, need.words) == (
        "no kit listed",
        "The valve is not identified, so no kit can be chosen.",
    )


def test_the_kit_without_its_spring_is_no_kit_any_more(plant):
    lot = Lot.objects.get(code="L2290-R1")
    assert (lot.on_hand, lot.available, lot.missing) == (1, 0, ["FIR100S-200-SPR"])
    assert lot.quarantine_why == "came back without FIR100S-200-SPR"
    assert Lot.objects.get(code="L2290", kit__name="FIR100S-200-spring").available == 1


def test_a_kit_that_fits_is_kept_for_the_stop(plant):
    order = WorkOrder.objects.get(valve__tag="NH-FW-1V")
    row = reserve(order.pk, kit_id=plant["NH-FW-1V"].kit_id, actor=people(), at=NOW)
    assert (row.lot.code, row.fit) == ("L2105", "Fits.")
    assert Window.objects.filter(name="NH summer stop").exists()


def test_every_kit_with_a_lead_time_gets_a_proposal_with_its_reason(plant):
    lines = proposals(people(), NOW)
    assert {line.kit for line in lines} >= {"CED100-100B-trim", "BIR40-65-soft"}
    by_kit = {(line.site, line.kit): line.proposal for line in lines}
    assert by_kit["NH", "CED100-100B-trim"].stock is None
    assert "Too few data" in by_kit["NH", "CED100-100B-trim"].words
    assert by_kit["NH", "CED100-100A-soft"].stock is not None


def test_the_page_of_nh_fw_3v_says_that_only_the_old_revisions_kit_lies_there(plant):
    """Demo tables (invented): on the shelf are rev A kits, the valve is rev B: blocked."""
    client = Client()
    client.force_login(people())
    valve = ProtectionValve.objects.get(tag="NH-FW-3V")
    html = client.get(f"/valves/{valve.pk}/").content.decode()
    assert "CED100-100A-trim is for revision A, NH-FW-3V is revision B." in html
    assert "A kit for revision B is needed." in html
    assert "None on the shelf." in html
    rows = {row.kit: row for row in kit_check(valve, kits_near(valve), date(2026, 6, 8))}
    assert {
        kit: (str(row.decision.word), row.on_hand, row.usable) for kit, row in rows.items()
    } == {
        "CED100-100A-trim": ("does not fit", 1, 0),
        "CED100-100A-soft": ("does not fit", 1, 0),
        "CED100-100B-trim": ("fits", 0, 0),
    }


def test_the_rubber_of_the_make_up_kit_ends_before_the_june_job(plant):
    """Demo tables (invented): BIR40-65-soft, lot L1950, until 2026-05-31, wanted in June."""
    valve = ProtectionValve.objects.get(tag="NH-MU-2V")
    [row] = [row for row in kit_check(valve, kits_of(valve), date(2026, 6, 8)) if row.on_hand]
    [lot] = row.lots
    assert (row.kit, lot.code, row.usable) == ("BIR40-65-soft", "L1950", 0)
    assert [reason.code for reason in lot.decision.reasons] == ["expired_before_job"]


def test_the_kit_that_came_back_without_its_spring_is_no_kit_again(plant):
    """Stock trap of the demo tables (invented): returned without its spring."""
    [lot] = [lot for lot in Lot.objects.filter(kit__isnull=False) if lot.missing]
    assert lot.quarantined_at is not None
    assert lot.available == 0
    check = [one for row in kit_check_all(lot) for one in row.lots if one.id == lot.pk]
    assert {reason.code for one in check for reason in one.decision.reasons} >= {"kit_not_whole"}


def kit_check_all(lot):
    valve = ProtectionValve.objects.filter(design=lot.kit.design).first()
    return kit_check(valve, [lot.kit], date(2026, 6, 8))
