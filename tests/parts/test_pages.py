"""Pages of the store: they work without JavaScript, say why, and do what the REST does."""

import re

import pytest
from django.test import Client

from tests.factories.parts import Shelf
from tests.factories.planning import WindowFactory
from tests.factories.register import SiteFactory, member
from valvecare.core.permits import Role
from valvecare.models import CountLine, Kit, Lot, Purchase, Reservation, Slot

pytestmark = pytest.mark.django_db


@pytest.fixture
def shelf(settings):
    settings.VALVECARE = {**settings.VALVECARE, "DEMO": True, "TODAY": "2026-05-04"}
    return Shelf()


def signed_in(person):
    client = Client()
    client.force_login(person)
    return client


def hidden(text, after=""):
    """The hidden fields of the first form after a piece of text."""
    part = text[text.index(after) :] if after else text
    part = part[: part.index("</form>")]
    return dict(re.findall(r'<input type="hidden" name="([a-z_]+)" value="([^"]*)"', part))


def page(client, path):
    answer = client.get(path)
    assert answer.status_code == 200, answer.content[:500]
    return answer.content.decode()


def test_the_stock_page_shows_what_is_free(shelf):
    lot = shelf.stock(3)
    text = page(signed_in(shelf.planner), "/parts/")
    assert shelf.kit.name in text
    assert f"/parts/lots/{lot.pk}/" in text
    assert "on the shelf 1" in re.sub(r"<[^>]+>", "", text)
    assert 'href="/parts/"' in text  # the menu has the word Parts
    assert page(signed_in(shelf.planner), "/parts/?state=expired").count("<tr>") == 0


def test_what_is_on_the_shelf_is_reserved_from_the_list(shelf):
    shelf.stock(1)
    client = signed_in(shelf.planner)
    fields = hidden(page(client, "/parts/asked/"), 'action="/parts/reserve/"')
    answer = client.post("/parts/reserve/", fields)
    assert (answer.status_code, answer["Location"]) == (303, "/parts/asked/")
    assert Reservation.objects.get().order_id == shelf.order.pk
    assert client.post("/parts/reserve/", fields).status_code == 303  # sent twice, kept once
    assert Reservation.objects.count() == 1
    fields["idempotency_key"] = "another"
    again = client.post("/parts/reserve/", fields)
    assert again.status_code == 409
    assert "are kept for this order already" in again.content.decode()


def test_a_shortage_offers_order_express_and_the_deferral(shelf):
    Kit.objects.filter(pk=shelf.kit.pk).update(express_weeks=4)
    WindowFactory(
        site=shelf.site, name="Stop", starts_at="2026-06-08T06:00Z", ends_at="2026-06-20T18:00Z"
    )
    client = signed_in(shelf.keeper)
    text = page(client, "/parts/asked/")
    assert "Ordered today" in text
    assert "arrives on 2026-07-06, after 2026-06-08" in text
    assert "arrives on 2026-06-01, in time for 2026-06-08" in text
    assert "Keep the restriction until the next window" in text
    assert "Ask for a deferral" in text
    start = text.index('name="is_express" value="on"')
    fields = hidden(text[text.rindex("<form", 0, start) :])
    answer = client.post("/parts/order/", fields)
    assert answer.status_code == 303, answer.content[:800]
    assert Purchase.objects.values_list("is_express", "arrives_on").get()[0] is True
    assert "on its way" in page(client, "/parts/asked/")


def test_the_first_button_orders_without_express(shelf):
    client = signed_in(shelf.keeper)
    fields = hidden(page(client, "/parts/asked/"), 'action="/parts/order/"')
    assert client.post("/parts/order/", fields).status_code == 303
    assert Purchase.objects.get().is_express is False


def test_a_lot_is_issued_returned_and_set_apart_on_its_page(shelf):
    lot = shelf.stock(2)
    client = signed_in(shelf.keeper)
    path = f"/parts/lots/{lot.pk}/"
    fields = hidden(page(client, path), f'action="{path}issue/"')
    typed = {"other_order": f"WO-{shelf.order.pk:06d}", "quantity": "1"}
    assert client.post(f"{path}issue/", {**fields, **typed}).status_code == 303
    fields = hidden(page(client, path), f'action="{path}return/"')
    half = {"order_id": shelf.order.pk, "quantity": 1, "is_whole": "no"}
    refused = client.post(f"{path}return/", {**fields, **half})
    assert refused.status_code == 409
    assert "must list what is missing" in refused.content.decode()
    fields["idempotency_key"] = "again"
    listed = {**half, "missing": [shelf.spring.code]}
    assert client.post(f"{path}return/", {**fields, **listed}).status_code == 303
    apart = Lot.objects.get(code="L1-R1")
    text = page(client, f"/parts/lots/{apart.pk}/")
    assert "Break up into loose parts" in text
    assert "Free it" not in text
    fields = hidden(text, "break-up/")
    answer = client.post(f"/parts/lots/{apart.pk}/break-up/", {**fields, "why": "Spring gone."})
    assert answer.status_code == 303
    assert Lot.objects.filter(part=shelf.gasket, on_hand=1).exists()


def test_a_stale_quarantine_keeps_what_was_typed(shelf):
    lot = shelf.stock(1)
    client = signed_in(shelf.keeper)
    path = f"/parts/lots/{lot.pk}/quarantine/"
    fields = hidden(page(client, f"/parts/lots/{lot.pk}/"), path)
    Lot.objects.filter(pk=lot.pk).update(version=5)
    answer = client.post(path, {**fields, "why": "Wrong label."})
    assert answer.status_code == 412
    assert "Wrong label." in answer.content.decode()


def test_receiving_on_the_page(shelf):
    client = signed_in(shelf.keeper)
    text = page(client, "/parts/receive/")
    assert "---------" not in text
    assert re.search(r'name="place"[^>]*>\s*<option value="" selected>Choose<', text)
    fields = hidden(text, 'action="/parts/receive/"')
    typed = {
        "place": shelf.bin.pk,
        "kit": shelf.kit.pk,
        "lot": "L7",
        "quantity": "2",
        "marking": "rev B",
        "is_accepted": "yes",
    }
    refused = client.post("/parts/receive/", {**fields, **typed})
    assert refused.status_code == 409
    assert "no last day of use" in refused.content.decode()
    fields["idempotency_key"] = "again"
    answer = client.post("/parts/receive/", {**fields, **typed, "shelf_until": "2030-01-31"})
    lot = Lot.objects.get()
    assert (answer.status_code, answer["Location"]) == (303, f"/parts/lots/{lot.pk}/")
    assert signed_in(shelf.planner).get("/parts/receive/").status_code == 403


def test_counting_on_the_page_is_blind(shelf):
    shelf.stock(3)
    client = signed_in(shelf.keeper)
    fields = hidden(page(client, "/parts/"), 'action="/parts/counts/"')
    where = client.post("/parts/counts/", fields)["Location"]
    text = page(client, where)
    line = CountLine.objects.get()
    assert re.search(rf'name="line-{line.pk}" (?!value)', text)
    assert "Difference" not in text
    sheet = hidden(text, f'action="{where}"')
    assert client.post(where, {**sheet, f"line-{line.pk}": "2"}).status_code == 303
    other = signed_in(shelf.second)
    judge = hidden(page(other, where), f'action="{where}"')
    assert other.post(where, {**judge, "why": "Lost."}).status_code == 303
    assert Lot.objects.get().on_hand == 2


def test_the_pick_list_of_a_window(shelf):
    shelf.stock(1)
    from tests.factories.planning import CrewFactory

    window = WindowFactory(site=shelf.site, name="Stop")
    Slot.objects.create(
        order=shelf.order,
        window=window,
        crew=CrewFactory(site=shelf.site),
        starts_on="2026-06-08",
        ends_on="2026-06-08",
        hours=8,
        days={"2026-06-08": 8},
    )
    client = signed_in(shelf.planner)
    path = f"/parts/pick-list/{window.pk}/"
    assert "Nothing is kept for this window yet" in page(client, path)
    fields = hidden(page(client, "/parts/asked/"), 'action="/parts/reserve/"')
    client.post("/parts/reserve/", fields)
    text = page(client, path)
    assert shelf.valve.tag in text
    assert str(shelf.bin) in text
    away = signed_in(member(SiteFactory(), Role.STOREKEEPER))
    assert away.get(path).status_code == 404


def test_a_reservation_is_let_go_on_the_lot_page(shelf):
    lot = shelf.stock(1)
    client = signed_in(shelf.planner)
    client.post(
        "/parts/reserve/", hidden(page(client, "/parts/asked/"), 'action="/parts/reserve/"')
    )
    row = Reservation.objects.get()
    path = f"/parts/reservations/{row.pk}/release/"
    fields = hidden(page(client, f"/parts/lots/{lot.pk}/"), path)
    assert client.post(path, {**fields, "why": "Moved."}).status_code == 303
    row.refresh_from_db()
    assert row.state == "released"


def test_a_scan_goes_to_its_lot(shelf):
    lot = shelf.stock(1)
    client = signed_in(shelf.keeper)
    for text in (f"https://plant.example/parts/lots/{lot.pk}/", f"{shelf.kit.name} L1", "L1"):
        answer = client.get("/parts/find/", {"q": text})
        assert (answer.status_code, answer["Location"]) == (303, f"/parts/lots/{lot.pk}/")
    lost = client.get("/parts/find/", {"q": "L9"})
    assert lost.status_code == 404
    assert "No lot answers" in lost.content.decode()
    away = signed_in(member(SiteFactory(), Role.STOREKEEPER))
    assert away.get("/parts/find/", {"q": "L1"}).status_code == 404


PAGES = ("/parts/", "/parts/asked/", "/parts/kits/", "/parts/keep/")


@pytest.mark.parametrize("path", PAGES)
def test_a_contractor_does_not_see_the_store(shelf, path):
    assert signed_in(member(shelf.site, Role.CONTRACTOR)).get(path).status_code == 403


@pytest.mark.parametrize("path", [*PAGES, "/parts/kits/{kit}/", "/parts/lots/{lot}/"])
def test_a_page_stays_small_and_asks_few_queries(shelf, path, django_assert_max_num_queries):
    for n in range(6):
        lot = shelf.stock(1, f"N{n}")
        shelf.order_for()
    client = signed_in(shelf.keeper)
    with django_assert_max_num_queries(32):
        text = page(client, path.format(kit=shelf.kit.pk, lot=lot.pk))
    assert len(text) < 60_000
